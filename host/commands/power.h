// `tenterhook power BOARD`: staged power-up with its curves, warm-up, measured discharge; with --budget the
// arithmetic before any of it.
#pragma once

#include <string>

#include "host/commands/options.h"

namespace tenterhook::commands {

struct PowerOptions {
  BenchOptions bench;
  std::string file;     // board or vectors file; with `budget` a machine file too
  bool budget = false;  // compute from ratings, touch nothing
  std::string csv;      // curves; "" = none, "-" = standard output
};

// Exit code: 0 every rail in its window and discharge measured, 1 a rail outside, 4 undecided, 3 a trip or
// the fixture, as the command contract says.
int power(const PowerOptions& options);

}  // namespace tenterhook::commands
