// Any bytes as a SPICE netlist from a stranger: a circuit of plain numbers, or an error of the file.
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string>

#include "host/predict/netlist.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace tenterhook;
  const auto check = [](const auto& result) {
    if (!result.ok() && (result.error().trouble != Trouble::input || result.error().what.empty())) std::abort();
  };
  const auto netlist = predict::Netlist::parse("fuzz.cir", std::string(reinterpret_cast<const char*>(data), size));
  check(netlist);
  if (netlist.ok()) check(netlist->flatten());
  return 0;
}
