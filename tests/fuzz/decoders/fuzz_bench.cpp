// Any bytes as a .bench netlist: a board, or an error of the file with its place.
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string>

#include "host/circuit/bench.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto board = tenterhook::circuit::parse_bench("fuzz.bench", std::string(reinterpret_cast<const char*>(data), size));
  if (!board.ok() && (board.error().trouble != tenterhook::Trouble::input || board.error().what.empty())) std::abort();
  return 0;
}
