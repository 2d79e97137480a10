// tenterhook diagnose RUN: suspects in order, and the next point to touch. Reads the record alone.
#pragma once

#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/commands/options.h"
#include "host/record/run.h"

namespace tenterhook::commands {

struct DiagnoseOptions {
  BenchOptions bench;              // store, json, quiet; with a fixture the hand lead takes the touches
  std::string run;
  std::vector<std::string> touch;  // "NET=VOLTS[@STEP]", or a file of such lines
  double at_most_s = 300.0;        // for each touch of the hand lead
  bool mute = false;
};
// On a terminal the next touch is asked for, and the suspects weighed again, until one group is left. Exit code: 0
// answered, 2 bad input, 3 the fixture failed or tripped, 130 Ctrl-C with the board powered.
int diagnose(const DiagnoseOptions& options);

// What `diagnose RUN --json` writes of a recorded run, for its page; `store` as the option names it.
Result<std::string> suspects_json(const std::string& store, const record::RunRecord& run);

}  // namespace tenterhook::commands
