// tenterhook generate BOARD: vectors that catch every catchable fault, few steps, few relay
// operations.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

namespace tenterhook::commands {

struct GenerateOptions {
  std::string board;  // a board file or a .bench netlist
  std::string out;    // the vectors file; "" = standard output (then json must not be "-")
  std::string json;   // "" = none, "-" = standard output
  std::optional<std::uint64_t> seed;
  bool quiet = false;
};
// Exit code: 0 written, 2 bad input, 3 the file cannot be written.
int generate(const GenerateOptions& options);

}  // namespace tenterhook::commands
