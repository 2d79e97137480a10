// What is asked of leads and fixture around a run, so that neither is taken for the board.
//
// cold:   before any rail comes up, on the test bus: leads that are off, lines tied to one another, to a rail
//         or to ground, inputs that nothing takes current from, reeds of the bus that stick.
// drives: while the board is powered and at rest: every drive that the run uses is let go, then taken to its
//         other level and back, and read back at its lead.
// Each needs a session that runs step programs; what it finds is told in the board's own words.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/link/session.h"
#include "host/plan/plan.h"
#include "host/record/run.h"

namespace tenterhook::commands {

// Runs a program to its end. False: the fixture has opened everything (the caller knows why).
using Execute = std::function<Result<bool>(const std::vector<std::uint8_t>& program, const link::Sink& sink)>;

struct CheckReport {
  std::optional<record::Aborted> aborted;  // the run must not go on
  std::vector<std::string> warnings;
};

// `stop_at_wiring`: false makes warnings of what may be how the board is meant to be (lines tied together). An input
// that takes no current is always a warning: its lead may be off, or the board open behind it. Without the "test-bus" feature nothing is looked at. `boards` whose circuit is not given get
// warnings only, since what hangs on their lines is not known.
Result<CheckReport> check_cold(const plan::Plan& plan, bool stop_at_wiring, const Execute& execute);

// Precondition: every rail is up and every line at rest; so it is again at the end. Takes one relay time a drive.
// Lines that the fixture lets go at rest are not taken to a level, since the board may drive them.
Result<CheckReport> check_drives(const plan::Plan& plan, const Execute& execute);

// What a build's lines are without power. Nothing is said of builds that are not known.
bool holds_cold(const files::Board& board, const std::string& line);      // an output that hangs on a resistor
bool never_grounded(const files::Board& board, const std::string& line);  // ... and on at least 50 ohm
bool loads_cold(const files::Board& board, const std::string& line);      // an input that takes current

}  // namespace tenterhook::commands
