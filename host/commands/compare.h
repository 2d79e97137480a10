// tenterhook compare RUN RUN: what changed between two runs, most significant first.
#pragma once

#include <string>

namespace tenterhook::commands {

struct CompareOptions {
  std::string before, after;  // RUN as for show
  std::string store;          // "" = the default place
  std::string json;           // "" = none, "-" = standard output
};
int compare(const CompareOptions& options);

}  // namespace tenterhook::commands
