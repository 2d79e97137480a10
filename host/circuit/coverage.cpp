#include "host/circuit/coverage.h"

#include <algorithm>

#include "host/circuit/patterns.h"
#include "host/circuit/prover.h"

namespace tenterhook::circuit {
namespace {

using files::Bit;

// The steps as plain patterns, if they are: every input known and every output judged at every
// step.
bool as_patterns(const Netlist& n, const std::vector<SequenceStep>& steps, Patterns& patterns) {
  if (!n.combinational()) return false;
  std::vector<bool> level;
  for (const Netlist::Terminal& t : n.inputs) {
    if (t.rest != Bit::zero && t.rest != Bit::one) return false;
    level.push_back(t.rest == Bit::one);
  }
  for (const SequenceStep& step : steps) {
    for (const auto& [input, bit] : step.set) {
      if (bit != Bit::zero && bit != Bit::one) return false;
      level[input] = bit == Bit::one;
    }
    std::vector<std::uint8_t> judged(n.outputs.size(), 0);
    for (const auto& [output, bit] : step.judge) judged[output] = 1;
    if (std::count(judged.begin(), judged.end(), 0) != 0) return false;
    patterns.add(level);
  }
  return true;
}

}  // namespace

std::size_t Coverage::detected() const {
  return static_cast<std::size_t>(
      std::count_if(first_step.begin(), first_step.end(), [](std::int64_t s) { return s >= 0; }));
}

std::size_t Coverage::untestable_count() const {
  return static_cast<std::size_t>(std::count(untestable.begin(), untestable.end(), 1));
}

double Coverage::coverage() const {
  const std::size_t testable = list.representatives.size() - untestable_count();
  return testable == 0 ? 1.0 : static_cast<double>(detected()) / static_cast<double>(testable);
}

std::vector<std::uint8_t> prove_untestable(const Netlist& netlist, const std::vector<Fault>& faults,
                                           std::vector<std::uint8_t>* gave_up) {
  std::vector<std::uint8_t> proved(faults.size(), 0);
  if (gave_up != nullptr) gave_up->assign(faults.size(), 0);
  if (!provable(netlist)) return proved;
  for (std::size_t i = 0; i < faults.size(); ++i) {
    const Proof proof = find_test(netlist, faults[i]).proof;
    proved[i] = proof == Proof::untestable ? 1 : 0;
    if (gave_up != nullptr) (*gave_up)[i] = proof == Proof::gave_up ? 1 : 0;
  }
  return proved;
}

Coverage stuck_at_coverage(const Netlist& netlist, const std::vector<SequenceStep>& steps,
                           bool prove) {
  Coverage c;
  c.list = stuck_at_faults(netlist);
  const std::size_t classes = c.list.representatives.size();
  c.untestable.assign(classes, 0);
  c.gave_up.assign(classes, 0);
  Patterns patterns(netlist.inputs.size());
  if (as_patterns(netlist, steps, patterns))
    c.first_step = first_detections(netlist, c.list.representatives, patterns);
  else
    c.first_step = sequence_detections(netlist, c.list.representatives, steps);
  if (!prove) return c;
  std::vector<std::size_t> left;
  std::vector<Fault> faults;
  for (std::size_t i = 0; i < classes; ++i)
    if (c.first_step[i] < 0) {
      left.push_back(i);
      faults.push_back(c.list.representatives[i]);
    }
  std::vector<std::uint8_t> gave_up;
  const std::vector<std::uint8_t> proved = prove_untestable(netlist, faults, &gave_up);
  for (std::size_t i = 0; i < left.size(); ++i) {
    c.untestable[left[i]] = proved[i];
    c.gave_up[left[i]] = gave_up[i];
  }
  return c;
}

}  // namespace tenterhook::circuit
