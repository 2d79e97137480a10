// tenterhook levels: the real lows and highs of every output over all states, and what they leave to
// each receiving family.
#pragma once

#include <string>

#include "host/commands/options.h"

namespace tenterhook::commands {

struct LevelsOptions {
  BenchOptions bench;
  std::string board;   // a board or vectors file
  int repeat = 1;      // makings of the contacts; 2 and more give a gauge study
};
int levels(const LevelsOptions& options);

}  // namespace tenterhook::commands
