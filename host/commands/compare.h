// tenterhook compare RUN RUN: what changed between two runs, most significant first.
#pragma once

#include <string>

namespace tenterhook::commands {

struct CompareOptions {
  // RUN as for show. One alone is compared with the last good run of its board before it.
  std::string before, after;
  std::string store;          // "" = the default place
  std::string json;           // "" = none, "-" = standard output
};
int compare(const CompareOptions& options);

}  // namespace tenterhook::commands
