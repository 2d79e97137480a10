#include "host/circuit/machines.h"

#include <algorithm>

namespace tenterhook::circuit {
namespace {

using files::Bit;

inline Planes merge(const Planes& x, const Planes& y) {
  return {x.lo | y.lo, x.hi | y.hi};
}
inline bool same(const Planes& x, const Planes& y) {
  return !any((x.lo ^ y.lo) | (x.hi ^ y.hi));
}
// Takes y in the lanes of `where`, x elsewhere.
inline Planes choose(const Word& where, const Planes& y, const Planes& x) {
  return {(y.lo & where) | (x.lo & ~where), (y.hi & where) | (x.hi & ~where)};
}

Planes constant(Bit bit) {
  switch (bit) {
    case Bit::zero:
      return {all_lanes(), no_lanes()};
    case Bit::one:
      return {no_lanes(), all_lanes()};
    case Bit::undriven:
      return {no_lanes(), no_lanes()};
    case Bit::any:
      break;
  }
  return {all_lanes(), all_lanes()};
}

}  // namespace

Machines::Machines(const Netlist& netlist) : netlist_(netlist) {
  const std::size_t n = netlist.size();
  injection_at_.assign(n, -1);
  source_of_.assign(n, -1);
  value_.resize(n);
  input_.resize(netlist.inputs.size());
  state_.resize(netlist.states.size());
  clock_ = a_ = b_ = set_ = clear_ = state_;
  for (std::size_t i = 0; i < netlist.inputs.size(); ++i)
    source_of_[netlist.inputs[i].node] = static_cast<std::int32_t>(i);
  for (std::size_t s = 0; s < netlist.states.size(); ++s)
    source_of_[netlist.states[s].node] = static_cast<std::int32_t>(netlist.inputs.size() + s);
  power_up();
}

void Machines::power_up() {
  for (const Injection& i : injections_) injection_at_[i.node] = -1;
  injections_.clear();
  pairs_ = slow_ = started_ = false;
  const Planes unknown = constant(Bit::any);
  for (auto* list : {&value_, &state_, &clock_, &a_, &b_, &set_, &clear_})
    std::fill(list->begin(), list->end(), unknown);
  source_.assign(input_.size() + state_.size(), unknown);
  for (std::size_t i = 0; i < input_.size(); ++i) input_[i] = constant(netlist_.inputs[i].rest);
}

Machines::Injection& Machines::injection(NodeId node) {
  std::int32_t& at = injection_at_[node];
  if (at < 0) {
    at = static_cast<std::int32_t>(injections_.size());
    const Word none = no_lanes();
    injections_.push_back({node, none, none, none, none, none, none, {}, constant(Bit::any)});
  }
  return injections_[static_cast<std::size_t>(at)];
}

void Machines::inject(std::size_t lane, const Fault& fault) {
  const Word bit = one_lane(lane);
  const auto pair = [&](NodeId at, NodeId other) {
    injection(other);
    injection(at).pairs.push_back({other, fault.kind, bit});
    pairs_ = true;
  };
  switch (fault.kind) {
    case FaultKind::stuck_zero:
      injection(fault.at).zero |= bit;
      break;
    case FaultKind::stuck_one:
      injection(fault.at).one |= bit;
      break;
    case FaultKind::inverted:
      injection(fault.at).invert |= bit;
      break;
    case FaultKind::open:
      injection(fault.at).unknown |= bit;
      break;
    case FaultKind::slow_rise:
      injection(fault.at).slow_rise |= bit;
      slow_ = true;
      break;
    case FaultKind::slow_fall:
      injection(fault.at).slow_fall |= bit;
      slow_ = true;
      break;
    case FaultKind::dominated:
      pair(fault.at, fault.other);
      break;
    case FaultKind::bridge_and:
    case FaultKind::bridge_or:
    case FaultKind::swapped:
      pair(fault.at, fault.other);
      pair(fault.other, fault.at);
      break;
  }
}

void Machines::wake(std::size_t state, bool one, const Word& where) {
  state_[state] = choose(where, constant(one ? Bit::one : Bit::zero), state_[state]);
}

void Machines::set(std::size_t input, Bit value, const Word& where) {
  input_[input] = choose(where, constant(value), input_[input]);
}

Planes Machines::table(NodeId node) const {
  const Truth& truth = netlist_.truths[static_cast<std::size_t>(netlist_.truth_of[node])];
  const NodeId* pins = &netlist_.fanin[netlist_.fanin_begin[node]];
  const std::size_t inputs = netlist_.fanin_begin[node + 1] - netlist_.fanin_begin[node];
  Planes v{no_lanes(), no_lanes()};
  for (std::size_t m = 0; m < truth.value.size(); ++m) {
    Word possible = all_lanes();
    for (std::size_t i = 0; i < inputs; ++i) {
      const Planes& pin = value_[pins[i]];
      possible &= ((m >> (inputs - 1 - i)) & 1u) != 0 ? pin.hi : pin.lo;
    }
    if (truth.value[m] != Bit::one) v.lo |= possible;
    if (truth.value[m] != Bit::zero) v.hi |= possible;
  }
  return v;
}

Planes Machines::evaluate(NodeId node) const {
  const NodeId* f = netlist_.fanin.data() + netlist_.fanin_begin[node];
  const NodeId* end = netlist_.fanin.data() + netlist_.fanin_begin[node + 1];
  const Op op = netlist_.op[node];
  Planes v{no_lanes(), no_lanes()};
  switch (op) {
    case Op::input:
    case Op::state:
      return source_[static_cast<std::size_t>(source_of_[node])];
    case Op::one:
      return constant(Bit::one);
    case Op::unknown:
      return constant(Bit::any);
    case Op::buf:
      return value_[*f];
    case Op::inv:
      return {value_[*f].hi, value_[*f].lo};
    case Op::conj:
    case Op::nand:
      v.hi = all_lanes();
      for (; f != end; ++f) {
        v.hi &= value_[*f].hi;
        v.lo |= value_[*f].lo;
      }
      return op == Op::conj ? v : Planes{v.hi, v.lo};
    case Op::disj:
    case Op::nor:
      v.lo = all_lanes();
      for (; f != end; ++f) {
        v.lo &= value_[*f].lo;
        v.hi |= value_[*f].hi;
      }
      return op == Op::disj ? v : Planes{v.hi, v.lo};
    case Op::parity:
    case Op::xnor:
      v = value_[*f];
      for (++f; f != end; ++f) {
        const Planes& y = value_[*f];
        v = Planes{(v.lo & y.lo) | (v.hi & y.hi), (v.lo & y.hi) | (v.hi & y.lo)};
      }
      return op == Op::parity ? v : Planes{v.hi, v.lo};
    case Op::drive: {
      const Planes &data = value_[f[0]], &enable = value_[f[1]];
      const Word maybe_off = enable.hi & enable.lo;  // driven or not: as good as unknown
      return {(data.lo & enable.hi) | maybe_off, (data.hi & enable.hi) | maybe_off};
    }
    case Op::bus_tri: {
      for (; f != end; ++f) v = merge(v, value_[*f]);
      const Bit weak = netlist_.weak[node];
      return weak == Bit::undriven ? v : choose(~(v.lo | v.hi), constant(weak), v);
    }
    case Op::bus_or:
      v.lo = all_lanes();
      for (; f != end; ++f) {
        v.hi |= value_[*f].hi;
        v.lo &= value_[*f].lo | ~value_[*f].hi;
      }
      return v;
    case Op::bus_and:
      v.hi = all_lanes();
      for (; f != end; ++f) {
        v.lo |= value_[*f].lo;
        v.hi &= value_[*f].hi | ~value_[*f].lo;
      }
      return v;
    case Op::clean: {
      const Word off = ~(value_[*f].lo | value_[*f].hi);
      return {value_[*f].lo | off, value_[*f].hi | off};
    }
    case Op::table:
      return table(node);
  }
  return constant(Bit::any);
}

Planes Machines::faulted(Planes v, Injection& injection) {
  injection.before = v;
  v = choose(injection.invert, {v.hi, v.lo}, v);
  for (const Injection::Pair& p : injection.pairs) {
    const Planes& y = injections_[static_cast<std::size_t>(injection_at_[p.other])].before;
    Planes both = y;
    if (p.kind == FaultKind::bridge_and) both = {v.lo | y.lo, v.hi & y.hi};
    if (p.kind == FaultKind::bridge_or) both = {v.lo & y.lo, v.hi | y.hi};
    v = choose(p.lanes, both, v);
  }
  if (slow_) {
    const Planes& old = before_settle_[injection.node];
    v = choose(injection.slow_rise, {v.lo | old.lo, v.hi & old.hi}, v);
    v = choose(injection.slow_fall, {v.lo & old.lo, v.hi | old.hi}, v);
  }
  v.lo = (v.lo | injection.zero | injection.unknown) & ~injection.one;
  v.hi = (v.hi | injection.one | injection.unknown) & ~injection.zero;
  return v;
}

bool Machines::sweep_once(bool widen) {
  const NodeId n = static_cast<NodeId>(netlist_.size());
  Word changed = no_lanes();
  for (NodeId node = 0; node < n; ++node) {
    Planes v = evaluate(node);
    if (injection_at_[node] >= 0) {
      Injection& injection = injections_[static_cast<std::size_t>(injection_at_[node])];
      if (widen) v = merge(v, injection.before);
      v = faulted(v, injection);
    }
    // Undriven (neither plane) is a state of its own and not widened: the next sweep decides it.
    if (widen) v = merge(v, value_[node]);
    changed |= (v.lo ^ value_[node].lo) | (v.hi ^ value_[node].hi);
    value_[node] = v;
  }
  return any(changed);
}

// What the fixture or a state element gives its node at this moment.
Planes Machines::source_now(std::size_t i) const {
  const std::size_t inputs = input_.size();
  if (i >= inputs) return state_[i - inputs];
  const NodeId node = netlist_.inputs[i].node;
  if (netlist_.site[node].kind == Site::Kind::inner) return input_[i];
  // A line that the fixture lets go shows its pull, or nothing certain.
  const Word off = ~(input_[i].lo | input_[i].hi);
  const Bit weak = netlist_.weak[node] == Bit::undriven ? Bit::any : netlist_.weak[node];
  return choose(off, constant(weak), input_[i]);
}

// Brings every gate up to date with the sources. Without loops one pass does it. With loops, first
// everything that may change is made unknown, then what is certain all the same is made definite:
// whatever the order in which the changes arrive, that is what remains.
void Machines::sweep() {
  const bool looping = netlist_.has_loops || pairs_;
  if (looping) {
    for (std::size_t i = 0; i < source_.size(); ++i) source_[i] = merge(source_[i], source_now(i));
    for (std::size_t k = 0; k <= 2 * netlist_.size() && sweep_once(true); ++k) {
    }
  }
  for (std::size_t i = 0; i < source_.size(); ++i) source_[i] = source_now(i);
  if (!looping) {
    sweep_once(false);
    return;
  }
  for (std::size_t k = 0; k <= 2 * netlist_.size() && sweep_once(false); ++k) {
  }
}

// The state after a sure edge, or while a latch is open, from the pins a and b and the old state q.
Planes Machines::next_state(const StateElement& s, const Planes& a, const Planes& b,
                            const Planes& q) const {
  switch (s.kind) {
    case StateKind::d_edge:
    case StateKind::d_latch:
      return a;
    case StateKind::t_edge:
      return {(a.lo & q.lo) | (a.hi & q.hi), (a.lo & q.hi) | (a.hi & q.lo)};
    case StateKind::jk_edge:
      return {(q.lo & a.lo) | (q.hi & b.hi), (q.lo & a.hi) | (q.hi & b.lo)};
    case StateKind::sr_latch: {
      const Word held = a.lo & b.lo;
      return {b.hi | (held & q.lo), a.hi | (held & q.hi)};
    }
  }
  return q;
}

bool Machines::update_states(bool widen, const Word& racing) {
  bool changed = false;
  const Planes none = constant(Bit::zero);
  const auto overridden = [](const Planes& set, const Planes& clear, const Planes& v) {
    const Word held = set.lo & clear.lo;
    return Planes{clear.hi | (held & v.lo), set.hi | (held & v.hi)};
  };
  for (std::size_t i = 0; i < state_.size(); ++i) {
    const StateElement& s = netlist_.states[i];
    const Planes& a = value_[s.a];
    const Planes& b = s.b == kNoNode ? none : value_[s.b];
    const Planes& set = s.set == kNoNode ? none : value_[s.set];
    const Planes& clear = s.clear == kNoNode ? none : value_[s.clear];
    const Planes q = state_[i];
    Planes next = q;
    if (s.kind == StateKind::sr_latch) {
      next = next_state(s, a, b, q);
    } else if (s.kind == StateKind::d_latch) {
      const Planes& open = value_[s.clock];
      next = {(open.hi & a.lo) | (open.lo & q.lo), (open.hi & a.hi) | (open.lo & q.hi)};
    } else {
      const Planes& now = value_[s.clock];
      const Planes& was = started_ ? clock_[i] : now;
      const Word possible = was.lo & now.hi;
      if (any(possible)) {
        const Word sure = possible & ~was.hi & ~now.lo;
        // Pins as they stood before the edge: what changes because of the clock arrives after it.
        // Inputs that the fixture changes together arrive in any order.
        const Planes late = next_state(s, a, b, q);
        Planes taken =
            started_ ? overridden(set_[i], clear_[i], next_state(s, a_[i], b_[i], q)) : late;
        taken = choose(racing, merge(taken, late), taken);
        next = choose(sure, taken, choose(possible, merge(q, merge(taken, late)), q));
      }
      clock_[i] = now;
      a_[i] = a;
      b_[i] = b;
      set_[i] = set;
      clear_[i] = clear;
    }
    if (s.set != kNoNode || s.clear != kNoNode) next = overridden(set, clear, next);
    if (widen) next = merge(next, q);
    if (!same(next, q)) {
      changed = true;
      state_[i] = next;
    }
  }
  started_ = true;
  return changed;
}

void Machines::settle() {
  ++settlings_;
  if (slow_) before_settle_ = value_;
  // A ripple through every element takes one round each; what still moves then oscillates and is
  // widened to unknown, which ends after at most one round an element.
  const std::size_t patience = 2 * state_.size() + 8;
  Word one_moved = no_lanes(), racing = no_lanes();
  for (std::size_t i = 0; i < input_.size(); ++i) {
    const Planes now = source_now(i);
    const Word moved = (now.lo ^ source_[i].lo) | (now.hi ^ source_[i].hi);
    racing |= one_moved & moved;
    one_moved |= moved;
  }
  for (std::size_t round = 0; round < 2 * patience; ++round) {
    sweep();
    if (!update_states(round >= patience, round == 0 ? racing : no_lanes())) return;
  }
}

void Machines::pulse(std::size_t input, int count, const Word& where) {
  const Planes rest = input_[input];
  for (int i = 0; i < count; ++i) {
    input_[input] = choose(where, {rest.hi, rest.lo}, rest);
    settle();
    input_[input] = rest;
    settle();
  }
}

Planes Machines::shown(std::size_t output) const {
  const Netlist::Terminal& t = netlist_.outputs[output];
  const Planes& v = value_[t.node];
  if (t.raw == t.node) return v;
  const Planes& raw = value_[t.raw];
  const Word off = ~(raw.lo | raw.hi) & v.lo & v.hi;
  return {v.lo & ~off, v.hi & ~off};
}

Bit Machines::read(NodeId node, std::size_t lane) const {
  const bool lo = test(value_[node].lo, lane), hi = test(value_[node].hi, lane);
  return lo ? (hi ? Bit::any : Bit::zero) : hi ? Bit::one : Bit::undriven;
}

Bit Machines::read_output(std::size_t output, std::size_t lane) const {
  const Planes v = shown(output);
  const bool lo = test(v.lo, lane), hi = test(v.hi, lane);
  return lo ? (hi ? Bit::any : Bit::zero) : hi ? Bit::one : Bit::undriven;
}

Machines::Snapshot Machines::save() const {
  return {value_, state_, clock_, a_, b_, set_, clear_, input_, source_};
}

void Machines::restore(const Snapshot& from) {
  value_ = from.value;
  state_ = from.state;
  clock_ = from.clock;
  a_ = from.a;
  b_ = from.b;
  set_ = from.set;
  clear_ = from.clear;
  input_ = from.input;
  source_ = from.source;
  started_ = true;
}

void Machines::spread(Snapshot& snapshot, std::size_t lane) {
  const auto fill = [&](const Word& w) { return test(w, lane) ? all_lanes() : no_lanes(); };
  for (auto* list : {&snapshot.value, &snapshot.state, &snapshot.clock, &snapshot.a, &snapshot.b,
                     &snapshot.set, &snapshot.clear, &snapshot.input, &snapshot.source})
    for (Planes& p : *list) p = {fill(p.lo), fill(p.hi)};
}

}  // namespace tenterhook::circuit
