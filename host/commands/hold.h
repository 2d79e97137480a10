// tenterhook hold: power up, reach a step, stay; keys set lines and pulse clocks, live volts.
#pragma once

#include <string>

#include "host/commands/options.h"

namespace tenterhook::commands {

struct HoldOptions {
  BenchOptions bench;
  std::string what;            // a board or vectors file, or RUN:STEP
  double at_most_s = 3600.0;   // powers down by itself after so long without a key
};

// On a terminal: one screen, single keys. Otherwise commands come from standard input, a line each
// ("A 1", "F 1010", "pulse PICK 3", "next", "show", "quit"), and the table is printed after each.
int hold(const HoldOptions& options);

}  // namespace tenterhook::commands
