// Whole runs in one process: files, plan, session, firmware, fixture, board, verdicts; and beside them
// what the board truly does with the same vectors, by the electrical model alone.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fixtures/emulated/boards/truth.h"
#include "host/commands/bench_run.h"
#include "host/commands/emulated_bench.h"

namespace tenterhook::acceptance {

// Reads and plans a vectors file (or a board with steps) for the built-in fixture. Ends the program with
// the message when it cannot: a test without its input is no test.
plan::Plan plan_of(const std::string& path);

struct Ended {
  record::RunRecord record;
  std::optional<Error> trouble;  // of the link, or of the person
  int exit_code = 0;             // as `tenterhook run` would leave
};

// One run over `port`. `emulated` is the controller behind it, or null.
Ended run_over(std::unique_ptr<link::Port> port, const plan::Plan& plan, std::uint64_t seed,
               const link::Cancellation* cancel = nullptr);
// One run on the emulated fixture with this firmware.
Ended run_emulated(const plan::Plan& plan, std::uint64_t seed, const std::vector<std::string>& faults,
                   commands::Firmware firmware);

// What one output truly shows in one step, and where it should be.
struct TrueLevel {
  int step = 0;
  std::string line;
  double volts = 0.0;
  double inside = 0.0;  // volts inside its window; negative: outside
};

// Plays the plan's vectors on the bare board with the parts of `seed`, fed and driven as the wiring list
// says, without any fixture between: every judged level. No noise, no line, no firmware.
std::vector<TrueLevel> true_levels(const plan::Plan& plan, std::uint64_t seed,
                                   const std::vector<std::string>& faults = {});
// The smallest `inside` of all; how far the board is from being rejected, in volts.
double worst_inside(const std::vector<TrueLevel>& levels);

}  // namespace tenterhook::acceptance
