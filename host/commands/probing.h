// run --hold STEP, run --loop STEP: the board under power at the step that matters, for a probe or an oscilloscope.
#pragma once

#include <functional>
#include <string>

#include "host/commands/holding.h"
#include "host/commands/options.h"
#include "host/files/vectors.h"

namespace tenterhook::commands {

// Holds `vectors` at options.hold_step, or loops the steps up to options.loop_step. Exit code: 0 held and let go of, or the time
// was up; 2 no such step; 3 a trip; 130 Ctrl-C. Powered down on every way out.
int probe(const RunOptions& options, files::Vectors vectors);

// Before a probe touches anything: the caution, then the person takes hold (a key, or the fixture's switch where the
// lid is open). False: the person leaves. At most kWaitForPerson.
Result<bool> wait_for_person(Bench& bench, const HoldToRun& keeper);

// Looks at keys and at the fixture's switch once; true when the person wants to leave.
Result<bool> person_leaves(Bench& bench, HoldToRun& keeper, double now_s, int wait_ms);

double wall_clock_s();  // monotonic

}  // namespace tenterhook::commands
