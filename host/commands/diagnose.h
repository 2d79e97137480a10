// tenterhook diagnose RUN: suspects in order, and the next point to touch. Reads the record alone.
#pragma once

#include <string>
#include <vector>

namespace tenterhook::commands {

struct DiagnoseOptions {
  std::string run;
  std::vector<std::string> touch;  // "NET=VOLTS[@STEP]"
  std::string store;               // "" = the default place
  std::string json;                // "" = none, "-" = standard output
  bool quiet = false;              // one line
};
// Exit code: 0 answered, 2 bad input.
int diagnose(const DiagnoseOptions& options);

}  // namespace tenterhook::commands
