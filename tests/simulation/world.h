// One simulated run: files to verdicts on the native firmware with one seed's chaos on the line, and what
// an independent look at the same world says about it.
#pragma once

#include <cstdint>
#include <random>
#include <string>
#include <vector>

#include "host/plan/plan.h"
#include "tests/simulation/chaos.h"

namespace tenterhook::simulation {

struct Told {
  std::uint64_t seed = 0;
  std::uint32_t harms = 0;
  std::vector<std::string> violations;
  int exit_code = 0;
  bool complete = false;      // every step was taken
  bool board_wrong = false;   // says the oracle
  std::string summary;        // one line
  std::uint64_t frames = 0, harmed = 0, events = 0;
  double virtual_s = 0.0;
};

// Runs the world of `seed`, using only the harms in `allowed`.
//
// The board is four latches with a skip (logic written out below, apart from host/circuit) and random
// vectors. Its levels are those of the bare electrical model (fixtures/emulated/boards/truth.h); relays
// and rails are looked at in the fixture's truth. The invariants:
//   a wrong board never passes, a good one on a good fixture never fails
//   every step is taken exactly once and in order, and reads what is truly there, or the run says why not
//   everything is open and off 250 ms after the last whole frame, a hang, or the end
//   the host comes to an end, in bounded calls and bounded time of the fixture
//   the exit code is that of the outcome
Told run_world(std::uint64_t seed, std::uint32_t allowed = kAllHarms);

// That board with 6 to 15 vectors drawn from `random`, planned for the built-in fixture.
plan::Plan random_plan(std::mt19937_64& random);

// The narrowest set of harms that still breaks something, by leaving them out one after the other.
std::uint32_t shrink(const Told& failed);
// "--seed 7 --only drop,reset": what brings the same world back.
std::string replay_line(std::uint64_t seed, std::uint32_t harms);

}  // namespace tenterhook::simulation
