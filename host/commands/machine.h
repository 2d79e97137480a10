// tenterhook machine: every driver of a machine against every receiver, from the levels last recorded.
#pragma once

#include <string>

namespace tenterhook::commands {

struct MachineOptions {
  std::string file;
  std::string store;  // "" = the default place
  std::string json;   // "" = none, "-" = standard output
  bool quiet = false;
};
int machine(const MachineOptions& options);

}  // namespace tenterhook::commands
