// What drives an output, looked at with the test bus's two loads: at given steps of the vectors the line is
// read as it is, into 22 kohm, into 220 kohm, and as it is once more. docs/measurement.md, "What the fixture
// does to a node".
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "host/assess/assess.h"
#include "host/commands/checks.h"
#include "host/measure/loading.h"
#include "host/measure/uncertainty.h"
#include "host/plan/plan.h"

namespace tenterhook::commands {

struct Wanted {
  int step = 0;   // of the plan
  int sense = 0;
};

// The counts of one such look; `after` the loads as before them, or it is no still node.
struct LoadedLook {
  Wanted at;
  measure::Counts bare, heavy, light, after;
};

// Drives the vectors from the first to the last wanted step and takes those looks, each line by itself. `wanted`
// is sorted by step. Nothing but those lines is sampled. Empty when the fixture has opened everything.
Result<std::vector<LoadedLook>> look_at_sources(const plan::Plan& plan, const std::vector<Wanted>& wanted, const Execute& execute);

measure::LoadingParts loading_parts(const files::Fixture& fixture);
// What a look says, by the channel's model. Not known when the line did not come back after the loads.
measure::Source source_of_look(const LoadedLook& look, const measure::ChannelModel& model, const measure::LoadingParts& parts);

// One side of one output of a board, for `levels`.
struct OutputSource {
  std::string line;
  bool high = false;
  int step = 0;                    // where its level was worst
  Volts read{}, read_U{};          // with the fixture's divider on it
  Volts loaded{};                  // into 22 kohm
  measure::Source source;
  std::string weak;                // what the loaded level misses, else empty
};
std::vector<Wanted> worst_steps(const plan::Plan& plan, const std::vector<record::LevelRecord>& levels);
std::vector<OutputSource> sources_of(const plan::Plan& plan, const std::vector<record::LevelRecord>& levels,
                                     const std::vector<LoadedLook>& looks, const assess::Assessor& assessor);
// The run's section "sources": an array, one object a line and side.
std::string sources_json(const std::vector<OutputSource>& sources);

}  // namespace tenterhook::commands
