// How well each cause accounts for what was seen: every one simulated through the recorded vectors
// from unknown power-up, 256 at a time.
#pragma once

#include <cstdint>
#include <vector>

#include "host/circuit/machines.h"
#include "host/circuit/sequence.h"
#include "host/diagnose/hypotheses.h"
#include "host/diagnose/observed.h"

namespace tenterhook::diagnose {

// A place looked at after a step: an output line, or a net that a person touched.
struct Look {
  std::size_t step = 0;
  std::int64_t output = -1;  // index into Netlist::outputs; -1: `node`
  circuit::NodeId node = circuit::kNoNode;
  std::array<double, kShows> log_likelihood{};
  bool wakes = false;  // a healthy board may show anything here: how it woke up
};

// Causes present at once, by index into the hypotheses; empty: a healthy board.
using Together = std::vector<std::uint32_t>;

struct Weight {
  double log_likelihood = 0.0;
  std::uint64_t signature = 0;  // equal for causes that predict the same at every look
};

// Probability that a level or part test has moved from its baseline when these causes are present; empty:
// nothing is wrong. Common practice, no source.
// `silent`: they change no reading of the run.
double chance_of_odd(const std::vector<Hypothesis>& causes, const Together& set, const Evidence& evidence,
                     bool silent);

// One Weight a member of `sets`. `looks` in order of steps. An element that a cause keeps from ever
// being initialised is tried in each power-up state (circuit::case_elements), and the likelihood
// averaged.
std::vector<Weight> weigh(const circuit::Netlist& netlist,
                          const std::vector<circuit::SequenceStep>& steps,
                          const std::vector<Hypothesis>& causes, const std::vector<Together>& sets,
                          const std::vector<Look>& looks, const std::vector<Evidence>& evidence);

// What each set shows at `nodes` after each step: [set][step][node].
std::vector<std::vector<std::vector<Shows>>> predict(
    const circuit::Netlist& netlist, const std::vector<circuit::SequenceStep>& steps,
    const std::vector<Hypothesis>& causes, const std::vector<Together>& sets,
    const std::vector<circuit::NodeId>& nodes);

}  // namespace tenterhook::diagnose
