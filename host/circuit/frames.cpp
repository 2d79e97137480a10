#include "host/circuit/frames.h"

#include <algorithm>
#include <cadical.hpp>

#include "host/circuit/prover.h"

namespace tenterhook::circuit {
namespace {

using files::Bit;

struct Rails {
  int lo = 0, hi = 0;
  friend bool operator==(const Rails&, const Rails&) = default;
};

// From a clock pin back through buffers to the line, noting inversions; kNoNode if something else
// is met.
NodeId clock_source(const Netlist& n, NodeId pin, bool& inverted) {
  inverted = false;
  while (n.op[pin] == Op::buf || n.op[pin] == Op::inv) {
    inverted ^= n.op[pin] == Op::inv;
    pin = n.fanin[n.fanin_begin[pin]];
  }
  return n.op[pin] == Op::input ? pin : kNoNode;
}

bool depends_on_state(const Netlist& n, NodeId from) {
  std::vector<NodeId> stack{from};
  std::vector<std::uint8_t> seen(n.size(), 0);
  while (!stack.empty()) {
    const NodeId node = stack.back();
    stack.pop_back();
    if (seen[node] != 0) continue;
    seen[node] = 1;
    if (n.op[node] == Op::state) return true;
    stack.insert(stack.end(), n.fanin.begin() + n.fanin_begin[node],
                 n.fanin.begin() + n.fanin_begin[node + 1]);
  }
  return false;
}

class Frames {
 public:
  Frames(const Netlist& n, std::size_t clock) : n_(n), clock_(clock) {
    solver_.set("quiet", 1);  // it would write to our standard output
    true_ = fresh();
    clause({true_});
  }

  std::optional<std::vector<std::vector<bool>>> find(const Fault& fault,
                                                     const std::vector<Bit>& good_state,
                                                     const std::vector<Bit>& bad_state,
                                                     std::size_t frames, int conflicts_max) {
    fault_ = fault;
    std::vector<Rails> good, bad, good_value, bad_value;
    for (const Bit b : good_state) good.push_back(known(b));
    for (const Bit b : bad_state) bad.push_back(known(b));
    std::vector<std::vector<int>> inputs(frames);
    for (std::size_t f = 0; f < frames; ++f) {
      for (std::size_t i = 0; i < n_.inputs.size(); ++i)
        inputs[f].push_back(i == clock_ ? -true_ : fresh());
      evaluate(inputs[f], good, bad, good_value, bad_value);
      // Set and clear act as soon as the inputs stand; then the edge; then they still hold.
      for (const bool edge : {false, true}) {
        for (std::size_t s = 0; s < good.size(); ++s) {
          const Rails g = next(n_.states[s], good_value, good[s], edge);
          bad[s] = next(n_.states[s], bad_value, bad[s], edge);
          good[s] = g;
        }
        evaluate(inputs[f], good, bad, good_value, bad_value);
      }
    }
    for (const Netlist::Terminal& t : n_.outputs) {
      const Rails &g = good_value[t.node], &b = bad_value[t.node];
      if (g == b) continue;
      solver_.add(conj({g.hi, -g.lo, b.lo, -b.hi}));
      solver_.add(conj({g.lo, -g.hi, b.hi, -b.lo}));
    }
    solver_.add(0);
    solver_.limit("conflicts", conflicts_max);
    if (solver_.solve() != 10) return std::nullopt;
    std::vector<std::vector<bool>> patterns;
    for (const auto& frame : inputs) {
      patterns.emplace_back();
      for (std::size_t i = 0; i < frame.size(); ++i)
        patterns.back().push_back(i != clock_ && solver_.val(frame[i]) > 0);
    }
    return patterns;
  }

 private:
  int fresh() { return ++variables_; }
  void clause(std::initializer_list<int> literals) {
    for (const int l : literals) solver_.add(l);
    solver_.add(0);
  }
  Rails known(Bit b) const {
    if (b == Bit::zero) return {true_, -true_};
    if (b == Bit::one) return {-true_, true_};
    return {true_, true_};
  }

  // A literal for the conjunction, folded where constants decide it.
  int conj(std::vector<int> literals) {
    std::sort(literals.begin(), literals.end());
    literals.erase(std::unique(literals.begin(), literals.end()), literals.end());
    for (const int l : literals)
      if (l == -true_ || std::binary_search(literals.begin(), literals.end(), -l)) return -true_;
    literals.erase(std::remove(literals.begin(), literals.end(), true_), literals.end());
    if (literals.empty()) return true_;
    if (literals.size() == 1) return literals[0];
    const int v = fresh();
    for (const int l : literals) clause({-v, l});
    solver_.add(v);
    for (const int l : literals) solver_.add(-l);
    solver_.add(0);
    return v;
  }
  int disj(std::vector<int> literals) {
    for (int& l : literals) l = -l;
    return -conj(std::move(literals));
  }

  Rails parity(const Rails& a, const Rails& b) {
    return {disj({conj({a.lo, b.lo}), conj({a.hi, b.hi})}),
            disj({conj({a.lo, b.hi}), conj({a.hi, b.lo})})};
  }

  Rails table(NodeId node, const std::vector<Rails>& value) {
    const Truth& truth = n_.truths[static_cast<std::size_t>(n_.truth_of[node])];
    const NodeId* f = n_.fanin.data() + n_.fanin_begin[node];
    const std::size_t pins = n_.fanin_begin[node + 1] - n_.fanin_begin[node];
    std::vector<int> zero, one;
    for (std::size_t m = 0; m < truth.value.size(); ++m) {
      std::vector<int> match;
      for (std::size_t i = 0; i < pins; ++i)
        match.push_back(((m >> (pins - 1 - i)) & 1u) != 0 ? value[f[i]].hi : value[f[i]].lo);
      const int possible = conj(match);
      if (truth.value[m] != Bit::one) zero.push_back(possible);
      if (truth.value[m] != Bit::zero) one.push_back(possible);
    }
    return {disj(zero), disj(one)};
  }

  Rails define(NodeId node, const std::vector<Rails>& value) {
    const NodeId* f = n_.fanin.data() + n_.fanin_begin[node];
    const NodeId* end = n_.fanin.data() + n_.fanin_begin[node + 1];
    const Op op = n_.op[node];
    std::vector<int> lo, hi;
    for (const NodeId* p = f; p != end; ++p) {
      lo.push_back(value[*p].lo);
      hi.push_back(value[*p].hi);
    }
    Rails v;
    switch (op) {
      case Op::conj:
        return {disj(lo), conj(hi)};
      case Op::nand:
        return {conj(hi), disj(lo)};
      case Op::disj:
        return {conj(lo), disj(hi)};
      case Op::nor:
        return {disj(hi), conj(lo)};
      case Op::buf:
        return value[*f];
      case Op::inv:
        return {value[*f].hi, value[*f].lo};
      case Op::parity:
      case Op::xnor:
        v = value[*f];
        for (const NodeId* p = f + 1; p != end; ++p) v = parity(v, value[*p]);
        return op == Op::parity ? v : Rails{v.hi, v.lo};
      case Op::table:
        return table(node, value);
      case Op::one:
        return known(Bit::one);
      default:
        return known(Bit::any);
    }
  }

  void evaluate(const std::vector<int>& inputs, const std::vector<Rails>& good,
                const std::vector<Rails>& bad, std::vector<Rails>& good_value,
                std::vector<Rails>& bad_value) {
    good_value.assign(n_.size(), {});
    bad_value.assign(n_.size(), {});
    for (std::size_t i = 0; i < inputs.size(); ++i) {
      const NodeId node = n_.inputs[i].node;
      good_value[node] = bad_value[node] = {-inputs[i], inputs[i]};
      if (i == clock_) good_value[node] = bad_value[node] = known(n_.inputs[i].rest);
    }
    for (std::size_t s = 0; s < n_.states.size(); ++s) {
      good_value[n_.states[s].node] = good[s];
      bad_value[n_.states[s].node] = bad[s];
    }
    for (NodeId i = 0; i < n_.size(); ++i) {
      if (n_.op[i] != Op::input && n_.op[i] != Op::state) {
        good_value[i] = define(i, good_value);
        bool same = true;
        for (std::uint32_t k = n_.fanin_begin[i]; k < n_.fanin_begin[i + 1]; ++k)
          same &= good_value[n_.fanin[k]] == bad_value[n_.fanin[k]];
        bad_value[i] = same ? good_value[i] : define(i, bad_value);
      }
      if (i == fault_.at)
        bad_value[i] = known(fault_.kind == FaultKind::stuck_one ? Bit::one : Bit::zero);
    }
  }

  Rails next(const StateElement& s, const std::vector<Rails>& value, const Rails& q, bool edge) {
    Rails to = q;
    if (edge) {
      const Rails& a = value[s.a];
      to = a;
      if (s.kind == StateKind::t_edge) to = parity(a, q);
      if (s.kind == StateKind::jk_edge) {
        const Rails& b = value[s.b];
        to = {disj({conj({q.lo, a.lo}), conj({q.hi, b.hi})}),
              disj({conj({q.lo, a.hi}), conj({q.hi, b.lo})})};
      }
    }
    if (s.set == kNoNode && s.clear == kNoNode) return to;
    const Rails set = s.set == kNoNode ? known(Bit::zero) : value[s.set];
    const Rails clear = s.clear == kNoNode ? known(Bit::zero) : value[s.clear];
    return {disj({clear.hi, conj({set.lo, clear.lo, to.lo})}),
            disj({set.hi, conj({set.lo, clear.lo, to.hi})})};
  }

  const Netlist& n_;
  std::size_t clock_;
  CaDiCaL::Solver solver_;
  Fault fault_;
  int variables_ = 0, true_ = 0;
};

}  // namespace

std::optional<FrameClock> frame_clock(const Netlist& n) {
  if (n.states.empty() || !provable(n)) return std::nullopt;
  NodeId line = kNoNode;
  bool falling = false;
  for (const StateElement& s : n.states) {
    if (s.kind != StateKind::d_edge && s.kind != StateKind::t_edge && s.kind != StateKind::jk_edge)
      return std::nullopt;
    bool inverted = false;
    const NodeId source = clock_source(n, s.clock, inverted);
    if (source == kNoNode || (line != kNoNode && (source != line || inverted != falling)))
      return std::nullopt;
    line = source;
    falling = inverted;
    for (const NodeId pin : {s.set, s.clear})
      if (pin != kNoNode && depends_on_state(n, pin)) return std::nullopt;
  }
  // The clock must do nothing else, and must be a clock with a known rest.
  FrameClock clock;
  clock.on_clock.assign(n.size(), 0);
  clock.on_clock[line] = 1;
  for (NodeId i = line; i < n.size(); ++i) {
    if (clock.on_clock[i] == 0) continue;
    if (i != line && n.op[i] != Op::buf && n.op[i] != Op::inv) return std::nullopt;
    for (std::uint32_t k = n.fanout_begin[i]; k < n.fanout_begin[i + 1]; ++k)
      clock.on_clock[n.fanout[k]] = 1;
  }
  for (const StateElement& s : n.states)
    for (const NodeId pin : {s.a, s.b, s.set, s.clear})
      if (pin != kNoNode && clock.on_clock[pin] != 0) return std::nullopt;
  for (const Netlist::Terminal& t : n.outputs)
    if (clock.on_clock[t.node] != 0) return std::nullopt;
  for (clock.input = 0; clock.input < n.inputs.size(); ++clock.input) {
    const Netlist::Terminal& t = n.inputs[clock.input];
    if (t.node == line && t.clock && (t.rest == Bit::zero || t.rest == Bit::one)) return clock;
  }
  return std::nullopt;
}

std::optional<std::vector<std::vector<bool>>> find_frames(const Netlist& netlist,
                                                          const FrameClock& clock,
                                                          const Fault& fault,
                                                          const std::vector<Bit>& good_state,
                                                          const std::vector<Bit>& bad_state,
                                                          std::size_t frames, int conflicts_max) {
  if (clock.on_clock[fault.at] != 0) return std::nullopt;
  return Frames(netlist, clock.input).find(fault, good_state, bad_state, frames, conflicts_max);
}

}  // namespace tenterhook::circuit
