// Many copies of one circuit stepped side by side, three-valued, each with a fault of its own.
//
// 256 lanes, two planes a node: `lo` says "can be 0", `hi` "can be 1"; both is unknown, neither is
// undriven (shared nets only). A lane is a machine: with a fault, or with inputs of its own, or
// both. The values are those after everything has settled with zero delay. What the order of
// arrival could decide (an edge that may or may not be one, both pins of an SR latch, a loop of
// gates whose inputs change together) comes out unknown, never as a guess: loops by Eichelberger's
// ternary method (E. B. Eichelberger, "Hazard detection in combinational and sequential switching
// circuits", IBM J. Res. Dev. 9(2), 1965; from memory).
#pragma once

#include <cstdint>
#include <vector>

#include "host/circuit/faults.h"
#include "host/circuit/netlist.h"

namespace tenterhook::circuit {

inline constexpr std::size_t kLanes = 256;
typedef std::uint64_t Word __attribute__((vector_size(kLanes / 8)));

struct Planes {
  Word lo, hi;
};

inline Word no_lanes() {
  return Word{0, 0, 0, 0};
}
inline Word all_lanes() {
  return ~no_lanes();
}
inline Word one_lane(std::size_t lane) {
  Word w = no_lanes();
  w[lane / 64] = std::uint64_t{1} << (lane % 64);
  return w;
}
inline bool any(const Word& w) {
  return (w[0] | w[1] | w[2] | w[3]) != 0;
}
inline bool test(const Word& w, std::size_t lane) {
  return ((w[lane / 64] >> (lane % 64)) & 1u) != 0;
}

class Machines {
 public:
  explicit Machines(const Netlist& netlist);  // keeps a reference

  // Removes all faults and forgets everything: every state unknown, inputs at their lines' rest.
  void power_up();
  // Gives `lane` a fault, to be called after power_up() and before the first settle(). A lane may
  // have several; two on one node: the later wins.
  void inject(std::size_t lane, const Fault& fault);
  // Lets a state element wake up as a known level in some lanes, before the first settle().
  void wake(std::size_t state, bool one, const Word& where);
  // The fixture's value on an input terminal, for the lanes of `where`; `any` is unknown.
  void set(std::size_t input, files::Bit value, const Word& where);
  void set(std::size_t input, files::Bit value) { set(input, value, all_lanes()); }
  void settle();
  // `count` pulses away from the input's present level and back, settling at each level, in the
  // lanes of `where`; the other lanes keep their level.
  void pulse(std::size_t input, int count, const Word& where);
  void pulse(std::size_t input, int count) { pulse(input, count, all_lanes()); }

  const Netlist& netlist() const { return netlist_; }
  const Planes& at(NodeId node) const { return value_[node]; }
  // The same as it would be without the faults of this node itself: what drives it, before what its
  // reader sees.
  const Planes& driven(NodeId node) const {
    const std::int32_t i = injection_at_[node];
    return i < 0 ? value_[node] : injections_[static_cast<std::size_t>(i)].before;
  }
  // What a lead on output terminal `output` shows: undriven only if the shared net is.
  Planes shown(std::size_t output) const;
  files::Bit read(NodeId node, std::size_t lane) const;
  files::Bit read_output(std::size_t output, std::size_t lane) const;
  std::size_t settlings() const { return settlings_; }

  // Everything remembered in all lanes, faults excepted: saved and put back by searches.
  struct Snapshot {
    std::vector<Planes> value, state, clock, a, b, set, clear, input, source;
  };
  Snapshot save() const;
  void restore(const Snapshot& from);
  // Copies one lane of a snapshot over all others.
  static void spread(Snapshot& snapshot, std::size_t lane);

 private:
  struct Injection {
    NodeId node;
    Word zero, one, invert, unknown, slow_rise, slow_fall;
    struct Pair {
      NodeId other;
      FaultKind kind;
      Word lanes;
    };
    std::vector<Pair> pairs;
    Planes before;  // the node's value without the fault, for its partner
  };
  Injection& injection(NodeId node);
  Planes evaluate(NodeId node) const;
  Planes table(NodeId node) const;
  Planes faulted(Planes v, Injection& injection);
  bool sweep_once(bool widen);
  void sweep();
  bool update_states(bool widen, const Word& racing);
  Planes source_now(std::size_t i) const;
  Planes next_state(const StateElement& s, const Planes& a, const Planes& b, const Planes& q) const;

  const Netlist& netlist_;
  std::vector<Planes> value_;
  std::vector<std::int32_t> injection_at_;  // per node, -1 = none
  std::vector<Injection> injections_;
  bool pairs_ = false;  // some lane has a fault of two nodes: values may depend on later nodes
  std::vector<Planes> before_settle_;  // values at the last settled moment (slow faults)
  bool slow_ = false;
  std::vector<Planes> state_;                        // per state element: what it holds
  std::vector<Planes> clock_, a_, b_, set_, clear_;  // per state element: pins at the last look
  std::vector<Planes> input_;                        // per input terminal
  std::vector<Planes> source_;                       // inputs, then states: the value last used
  std::vector<std::int32_t> source_of_;              // per node: index into source_, -1 = computed
  bool started_ = false;
  std::size_t settlings_ = 0;
};

}  // namespace tenterhook::circuit
