// tenterhook merge STORE: another bench's record joined to this one, without duplicates.
#pragma once

#include <string>

namespace tenterhook::commands {

struct MergeOptions {
  std::string from;   // the other store; only read
  std::string store;  // "" = the default place
  std::string json;   // "" = none, "-" = standard output
};
int merge(const MergeOptions& options);

}  // namespace tenterhook::commands
