// What a board is asked when nothing is known of it but its lines, and perhaps its circuit.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/vectors.h"

namespace tenterhook::commands {

constexpr int kEveryInputMost = 8;   // so many inputs are tried in every combination
constexpr int kWalkSteps = 256;      // else, and with clocks or memory, so many steps

struct ProposedSteps {
  std::vector<files::Step> steps;
  std::string how;  // one sentence: what was tried, and what not
};

// Boards without clocks and with few inputs: every combination, in Gray order. Boards with a circuit that remembers: a
// walk that tries what has not been tried yet in each state that the circuit reaches. Else a random walk. Seeded. Errors
// (input): a board without inputs and clocks, or with lines that go both ways.
Result<ProposedSteps> steps_to_propose(const files::Board& board, std::uint64_t seed);

}  // namespace tenterhook::commands
