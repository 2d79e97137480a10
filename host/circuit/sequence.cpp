#include "host/circuit/sequence.h"

#include <fmt/format.h>

#include <algorithm>
#include <numeric>
#include <unordered_map>

namespace tenterhook::circuit {
namespace {

using files::Bit;

constexpr std::size_t kMaxElementsTried = 64;  // of one faulty machine, each by itself

std::unordered_map<std::string, std::uint32_t> terminal_index(
    const std::vector<Netlist::Terminal>& terminals) {
  std::unordered_map<std::string, std::uint32_t> index;
  for (std::uint32_t i = 0; i < terminals.size(); ++i) index[terminals[i].line] = i;
  return index;
}

std::string at(const files::Step& step, std::size_t number) {
  if (step.mark.file.empty()) return fmt::format("step {}", number + 1);
  return fmt::format("{}:{}", step.mark.file, step.mark.line);
}

char letter_of(Bit bit) {
  return "01xz"[static_cast<int>(bit)];
}

// The faults are simulated in lanes from power-up; `first` gets the step of the first
// contradiction.
void run_lanes(Machines& machines, const std::vector<SequenceStep>& steps, std::size_t lanes,
               std::vector<std::int64_t>& first) {
  first.assign(lanes, -1);
  Word open = no_lanes();
  for (std::size_t l = 0; l < lanes; ++l) open |= one_lane(l);
  for (std::size_t s = 0; s < steps.size() && any(open); ++s) {
    apply_step(machines, steps[s]);
    const Word seen = contradictions(machines, steps[s]) & open;
    if (!any(seen)) continue;
    open &= ~seen;
    for (std::size_t l = 0; l < lanes; ++l)
      if (test(seen, l)) first[l] = static_cast<std::int64_t>(s);
  }
}

// For faults that three values alone cannot show: an element that such a fault keeps from being
// initialised is unknown for ever, yet it woke up as 0 or as 1, and either may contradict some
// step.
class CaseSplit {
 public:
  CaseSplit(Machines& machines, const Netlist& netlist, const std::vector<SequenceStep>& steps)
      : m_(machines), n_(netlist), steps_(steps) {}

  void run(const std::vector<Fault>& faults, std::vector<std::int64_t>& shown) {
    std::vector<std::size_t> open;
    for (std::size_t i = 0; i < faults.size(); ++i)
      if (shown[i] < 0) open.push_back(i);
    for (std::size_t begin = 0; begin < open.size(); begin += kLanes) {
      const std::size_t count = std::min(kLanes, open.size() - begin);
      find_unknown(faults, &open[begin], count);
    }
    one_element_each(faults, shown);
    for (const auto& [fault, unknown] : unknown_)
      if (const auto elements = case_elements(n_, unknown); shown[fault] < 0 && elements.size() > 1)
        shown[fault] = all_elements(faults[fault], elements);
  }

 private:
  // The elements that each faulty machine has never initialised at the end of the steps.
  void find_unknown(const std::vector<Fault>& faults, const std::size_t* which, std::size_t count) {
    m_.power_up();
    for (std::size_t l = 0; l < count; ++l) m_.inject(l, faults[which[l]]);
    m_.settle();
    for (const SequenceStep& step : steps_) apply_step(m_, step);
    for (std::size_t l = 0; l < count; ++l) {
      std::vector<std::size_t> unknown;
      for (std::size_t i = 0; i < n_.states.size(); ++i)
        if (m_.read(n_.states[i].node, l) == Bit::any) unknown.push_back(i);
      if (!unknown.empty()) unknown_.push_back({which[l], std::move(unknown)});
    }
  }

  // Two lanes for each fault and element, woken up as 0 and as 1: shown when both are.
  void one_element_each(const std::vector<Fault>& faults, std::vector<std::int64_t>& shown) {
    std::vector<std::pair<std::size_t, std::size_t>> jobs;  // fault, element
    for (const auto& [fault, unknown] : unknown_)
      for (std::size_t k = 0; k < unknown.size() && k < kMaxElementsTried; ++k)
        jobs.push_back({fault, unknown[k]});
    std::vector<std::int64_t> first;
    for (std::size_t begin = 0; begin < jobs.size(); begin += kLanes / 2) {
      const std::size_t count = std::min(kLanes / 2, jobs.size() - begin);
      m_.power_up();
      for (std::size_t lane = 0; lane < 2 * count; ++lane) {
        m_.inject(lane, faults[jobs[begin + lane / 2].first]);
        m_.wake(jobs[begin + lane / 2].second, lane % 2 != 0, one_lane(lane));
      }
      m_.settle();
      run_lanes(m_, steps_, 2 * count, first);
      for (std::size_t i = 0; i < count; ++i) {
        if (first[2 * i] < 0 || first[2 * i + 1] < 0) continue;
        const std::int64_t last = std::max(first[2 * i], first[2 * i + 1]);
        std::int64_t& best = shown[jobs[begin + i].first];
        if (best < 0 || last < best) best = last;
      }
    }
  }

  std::int64_t all_elements(const Fault& fault, const std::vector<std::size_t>& unknown) {
    const std::size_t cases = std::size_t{1} << unknown.size();
    m_.power_up();
    for (std::size_t lane = 0; lane < cases; ++lane) {
      m_.inject(lane, fault);
      for (std::size_t i = 0; i < unknown.size(); ++i)
        m_.wake(unknown[i], ((lane >> i) & 1u) != 0, one_lane(lane));
    }
    m_.settle();
    std::vector<std::int64_t> first;
    run_lanes(m_, steps_, cases, first);
    if (std::count(first.begin(), first.end(), -1) != 0) return -1;
    return *std::max_element(first.begin(), first.end());
  }

  Machines& m_;
  const Netlist& n_;
  const std::vector<SequenceStep>& steps_;
  std::vector<std::pair<std::size_t, std::vector<std::size_t>>> unknown_;
};

}  // namespace

void apply_step(Machines& machines, const SequenceStep& step) {
  for (const auto& [input, bit] : step.set) machines.set(input, bit);
  if (!step.set.empty()) machines.settle();
  for (const auto& [input, count] : step.pulse) machines.pulse(input, count);
}

Word contradicts(const Planes& shown, Bit expected, Bit high) {
  Word seen = no_lanes();
  if (expected == Bit::zero) seen = shown.hi & ~shown.lo;
  if (expected == Bit::one) seen = shown.lo & ~shown.hi;
  if (expected == Bit::undriven) seen = shown.lo ^ shown.hi;
  if (expected == high) seen |= ~(shown.lo | shown.hi);
  return seen;
}

Word contradictions(const Machines& machines, const SequenceStep& step) {
  Word seen = no_lanes();
  for (const auto& [output, bit] : step.judge)
    seen |= contradicts(machines.shown(output), bit, machines.netlist().outputs[output].high);
  return seen;
}

std::vector<std::size_t> case_elements(const Netlist& n, const std::vector<std::size_t>& unknown) {
  if (unknown.size() > kMaxCaseStates) return {};
  std::vector<std::size_t> elements = unknown;
  std::unordered_map<NodeId, std::size_t> element_of;
  for (std::size_t i = 0; i < n.states.size(); ++i) element_of[n.states[i].node] = i;
  std::vector<std::uint8_t> visited(n.size(), 0), taken(n.states.size(), 0);
  for (const std::size_t i : unknown) taken[i] = 1;
  for (std::size_t k = 0; k < elements.size() && elements.size() < kMaxCaseStates; ++k) {
    const StateElement& s = n.states[elements[k]];
    std::vector<NodeId> stack;
    for (const NodeId pin : {s.clock, s.set, s.clear})
      if (pin != kNoNode) stack.push_back(pin);
    while (!stack.empty() && elements.size() < kMaxCaseStates) {
      const NodeId node = stack.back();
      stack.pop_back();
      if (visited[node] != 0) continue;
      visited[node] = 1;
      const auto element = element_of.find(node);
      if (element != element_of.end() && taken[element->second] == 0) {
        taken[element->second] = 1;
        elements.push_back(element->second);
      }
      stack.insert(stack.end(), n.fanin.begin() + n.fanin_begin[node],
                   n.fanin.begin() + n.fanin_begin[node + 1]);
    }
  }
  return elements;
}

Result<Sequence> compile_sequence(const Netlist& netlist, const std::vector<files::Step>& steps) {
  const auto inputs = terminal_index(netlist.inputs);
  const auto outputs = terminal_index(netlist.outputs);
  Sequence sequence;
  Machines good(netlist);
  good.settle();
  std::vector<Bit> driven;
  for (const Netlist::Terminal& t : netlist.inputs) driven.push_back(t.rest);
  for (std::size_t s = 0; s < steps.size(); ++s) {
    const files::Step& step = steps[s];
    SequenceStep made;
    for (const auto& [line, bit] : step.set) {
      const auto found = inputs.find(line);
      if (found == inputs.end())
        return input_error(at(step, s), fmt::format("'{}' is not a line that can be set", line));
      made.set.push_back({found->second, bit});
      driven[found->second] = bit;
    }
    for (const files::Pulse& p : step.pulse) {
      const auto found = inputs.find(p.line);
      if (found == inputs.end())
        return input_error(at(step, s), fmt::format("'{}' is not a clock line", p.line));
      made.pulse.push_back({found->second, p.count});
    }
    apply_step(good, made);
    const auto judge = [&](std::uint32_t output, std::optional<Bit> expected) {
      const Bit shown = good.read_output(output, 0);
      if (expected && *expected != Bit::any && *expected != shown)
        sequence.disagreements.push_back(fmt::format("{}: {} expected {}, the circuit gives {}",
                                                     at(step, s), netlist.outputs[output].line,
                                                     letter_of(*expected), letter_of(shown)));
      if (shown == Bit::any || (expected && *expected != shown)) return;
      made.judge.push_back({output, shown});
    };
    if (step.expect_circuit) {
      for (std::uint32_t o = 0; o < netlist.outputs.size(); ++o) {
        const auto driving = inputs.find(netlist.outputs[o].line);
        if (driving == inputs.end() || driven[driving->second] == Bit::undriven)
          judge(o, std::nullopt);
      }
    }
    for (const auto& [line, bit] : step.expect) {
      const auto found = outputs.find(line);
      if (found == outputs.end())
        return input_error(at(step, s), fmt::format("'{}' is not an output line", line));
      judge(found->second, bit);
    }
    for (const auto& [line, like] : step.expect_line) {
      const auto found = outputs.find(line);
      const auto net = netlist.find_net(like);
      if (found == outputs.end() || !net || netlist.net_node[*net] == kNoNode)
        return input_error(at(step, s),
                           fmt::format("'{}' cannot be compared with '{}'", line, like));
      judge(found->second, good.read(netlist.net_node[*net], 0));
    }
    sequence.steps.push_back(std::move(made));
  }
  return sequence;
}

void judge_by_circuit(const Netlist& netlist, std::vector<SequenceStep>& steps) {
  const auto inputs = terminal_index(netlist.inputs);
  std::vector<Bit> driven;
  for (const Netlist::Terminal& t : netlist.inputs) driven.push_back(t.rest);
  Machines good(netlist);
  good.settle();
  for (SequenceStep& step : steps) {
    for (const auto& [input, bit] : step.set) driven[input] = bit;
    apply_step(good, step);
    step.judge.clear();
    for (std::uint32_t o = 0; o < netlist.outputs.size(); ++o) {
      const auto driving = inputs.find(netlist.outputs[o].line);
      if (driving != inputs.end() && driven[driving->second] != Bit::undriven) continue;
      const Bit shown = good.read_output(o, 0);
      if (shown != Bit::any) step.judge.push_back({o, shown});
    }
  }
}

std::vector<std::int64_t> sequence_detections(const Netlist& netlist,
                                              const std::vector<Fault>& faults,
                                              const std::vector<SequenceStep>& steps) {
  // An open wire is two machines, one for each level that it may float to.
  std::vector<Fault> machines_wanted;
  for (const Fault& f : faults) {
    machines_wanted.push_back(
        f.kind == FaultKind::open ? Fault{f.at, FaultKind::stuck_zero, kNoNode} : f);
    if (f.kind == FaultKind::open) machines_wanted.push_back({f.at, FaultKind::stuck_one, kNoNode});
  }
  std::vector<std::int64_t> shown(machines_wanted.size(), -1), first;
  Machines machines(netlist);
  for (std::size_t begin = 0; begin < machines_wanted.size(); begin += kLanes) {
    const std::size_t count = std::min(kLanes, machines_wanted.size() - begin);
    machines.power_up();
    for (std::size_t i = 0; i < count; ++i) machines.inject(i, machines_wanted[begin + i]);
    machines.settle();
    run_lanes(machines, steps, count, first);
    std::copy(first.begin(), first.end(), shown.begin() + static_cast<std::ptrdiff_t>(begin));
  }
  if (!netlist.states.empty()) CaseSplit(machines, netlist, steps).run(machines_wanted, shown);
  std::vector<std::int64_t> result;
  std::size_t next = 0;
  for (const Fault& f : faults) {
    const std::int64_t a = shown[next++];
    const std::int64_t b = f.kind == FaultKind::open ? shown[next++] : a;
    result.push_back(a < 0 || b < 0 ? -1 : std::max(a, b));
  }
  return result;
}

}  // namespace tenterhook::circuit
