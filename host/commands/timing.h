// tenterhook timing: delays, edges, set-up and hold, shortest pulses, top clock rate, counted edges, shmoo plot.
#pragma once

#include <string>
#include <vector>

#include "host/commands/options.h"

namespace tenterhook::commands {

struct TimingOptions {
  BenchOptions bench;
  std::string board;               // a board or vectors file; vectors say which states are walked through
  std::vector<std::string> lines;  // only what begins or ends at one of these
  int repeats = 59;                // at the edge of each search
  unsigned pulses = 1000;          // counted
  std::string vcd;                 // "" = none, "-" = standard output
  std::string shmoo;               // "period,width"
  std::string csv, svg;            // of the plot
};
int timing(const TimingOptions& options);

}  // namespace tenterhook::commands
