// tenterhook coverage VECTORS: which faults of the circuit the vectors would catch, and which not.
#pragma once

#include <string>

namespace tenterhook::commands {

struct CoverageOptions {
  std::string vectors;        // a vectors file, or a board with its own steps
  std::string json;           // "" = none, "-" = standard output
  bool other_faults = false;  // bridges, swaps, inverted outputs, opens, slow changes as well
  bool quiet = false;         // one line
};
// Exit code: 0 answered, 2 bad input.
int coverage(const CoverageOptions& options);

}  // namespace tenterhook::commands
