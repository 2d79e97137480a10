// tenterhook trend BOARD: which levels drift, and when they would reach their limits.
#pragma once

#include <string>

namespace tenterhook::commands {

struct TrendOptions {
  std::string board;    // recorded name, or a board file that holds it
  std::string serial;   // needed when the board is recorded with several
  std::string line;     // "" = every line that the last run measured
  std::string store;    // "" = the default place
  std::string json;     // "" = none, "-" = standard output
  std::string swapped;  // a part that was just replaced: recorded, and trends restart here
  std::string note;     // kept with it
};
int trend(const TrendOptions& options);

}  // namespace tenterhook::commands
