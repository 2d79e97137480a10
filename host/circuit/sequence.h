// Fault simulation of a sequence of steps on any circuit, from unknown power-up: 256 machines at
// once.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/circuit/faults.h"
#include "host/circuit/machines.h"
#include "host/circuit/netlist.h"
#include "host/files/vectors.h"

namespace tenterhook::circuit {

// A step of a vectors file with names resolved to terminals.
struct SequenceStep {
  std::vector<std::pair<std::uint32_t, files::Bit>> set;    // input terminal, level; together
  std::vector<std::pair<std::uint32_t, int>> pulse;         // input terminal, count; in order
  std::vector<std::pair<std::uint32_t, files::Bit>> judge;  // output terminal, expected 0, 1 or z
};

struct Sequence {
  std::vector<SequenceStep> steps;
  // Expectations that the good circuit contradicts: "step 3: Q1 expected 1, the circuit gives 0".
  std::vector<std::string> disagreements;
};

// Resolves the steps of a file. An expectation from the circuit judges every output that the good
// circuit drives to a known level. An expectation that the good circuit contradicts, or does not
// know, is not counted as judged. Unknown names are input errors.
Result<Sequence> compile_sequence(const Netlist& netlist, const std::vector<files::Step>& steps);

// Fills `judge` of every step with what the good circuit certainly shows.
void judge_by_circuit(const Netlist& netlist, std::vector<SequenceStep>& steps);

void apply_step(Machines& machines, const SequenceStep& step);
// Lanes in which a lead certainly contradicts what is expected of it: the other level, any level
// where none may be driven, and an undriven lead where a high is expected (an open lead reads as a
// low).
Word contradicts(const Planes& shown, files::Bit expected, files::Bit high);
// Lanes whose outputs certainly contradict what the step expects.
Word contradictions(const Machines& machines, const SequenceStep& step);

// The elements whose power-up states are tried in all combinations for a faulty machine that leaves
// `unknown` uninitialised: those, and what may clock, set or clear them; at most kMaxCaseStates, or
// none when `unknown` alone is more.
inline constexpr std::size_t kMaxCaseStates = 8;  // 2^8 power-up states fill the lanes
std::vector<std::size_t> case_elements(const Netlist& netlist,
                                       const std::vector<std::size_t>& unknown);

// First step at which each fault certainly shows, whatever the power-up state; or -1. `open` shows
// when the wire shows stuck at either level. A fault that keeps an element from ever being
// initialised (a dead clock) counts as shown when it shows for every power-up state of that
// element, at the last of those steps.
std::vector<std::int64_t> sequence_detections(const Netlist& netlist,
                                              const std::vector<Fault>& faults,
                                              const std::vector<SequenceStep>& steps);

}  // namespace tenterhook::circuit
