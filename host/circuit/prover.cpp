#include "host/circuit/prover.h"

#include <algorithm>
#include <cadical.hpp>
#include <map>

namespace tenterhook::circuit {
namespace {

using files::Bit;

// Writes a circuit and its faulty parts as clauses into a solver.
class Encoder {
 public:
  Encoder(const Netlist& netlist, CaDiCaL::Solver& solver)
      : netlist_(netlist), solver_(solver), good_(netlist.size(), 0), observed_(netlist.size(), 0) {
    solver.set("quiet", 1);  // it would write to our standard output
    for (const Netlist::Terminal& t : netlist.outputs) observed_[t.node] = 1;
    for (const StateElement& s : netlist.states) {
      for (const NodeId pin : {s.clock, s.set, s.clear})
        if (pin != kNoNode) observed_[pin] = 1;
      looks_.emplace(s.a, &s);
      if (s.b != kNoNode) looks_.emplace(s.b, &s);
    }
  }

  int good(NodeId node) const { return good_[node]; }

  // The part of the good circuit that the nodes in `wanted` depend on; in evaluation order.
  void encode_good(const std::vector<std::uint8_t>& wanted) {
    for (NodeId i = 0; i < netlist_.size(); ++i)
      if (wanted[i] != 0 && good_[i] == 0) good_[i] = define(i, good_);
  }

  std::vector<NodeId> reach(NodeId from) const {
    std::vector<std::uint8_t> in(netlist_.size(), 0);
    std::vector<NodeId> cone;
    in[from] = 1;
    for (NodeId i = from; i < netlist_.size(); ++i) {
      if (in[i] == 0) continue;
      cone.push_back(i);
      for (std::uint32_t k = netlist_.fanout_begin[i]; k < netlist_.fanout_begin[i + 1]; ++k)
        in[netlist_.fanout[k]] = 1;
    }
    return cone;
  }

  // Everything that a cone and its side inputs depend on.
  std::vector<std::uint8_t> support(const std::vector<NodeId>& cone) const {
    std::vector<std::uint8_t> in(netlist_.size(), 0);
    for (const NodeId i : cone) {
      in[i] = 1;
      for (auto [look, end] = looks_.equal_range(i); look != end; ++look)
        for (const NodeId pin :
             {look->second->node, look->second->clock, look->second->set, look->second->clear})
          if (pin != kNoNode) in[pin] = 1;
    }
    for (NodeId i = static_cast<NodeId>(netlist_.size()); i-- > 0;) {
      if (in[i] == 0) continue;
      for (std::uint32_t k = netlist_.fanin_begin[i]; k < netlist_.fanin_begin[i + 1]; ++k)
        in[netlist_.fanin[k]] = 1;
    }
    return in;
  }

  // A literal that, when true, makes the fault show. Needs the good values of the cone's support.
  int encode_fault(const Fault& fault, const std::vector<NodeId>& cone) {
    std::vector<int>& bad = bad_;
    bad = good_;
    std::vector<int>& differs = differs_;
    differs.assign(netlist_.size(), 0);
    for (const NodeId i : cone) differs[i] = fresh();
    const int shown = differs[fault.at];
    const int forced = fresh();
    clause({fault.kind == FaultKind::stuck_one ? forced : -forced});
    for (const NodeId i : cone) {
      bad[i] = i == fault.at ? forced : define(i, bad);
      clause({-differs[i], good_[i], bad[i]});
      clause({-differs[i], -good_[i], -bad[i]});
      if (observed_[i] != 0) continue;
      std::vector<int> looks;
      for (auto [look, end] = looks_.equal_range(i); look != end; ++look)
        looks.push_back(looked_at(*look->second, i));
      solver_.add(-differs[i]);
      for (const int look : looks) solver_.add(look);
      for (std::uint32_t k = netlist_.fanout_begin[i]; k < netlist_.fanout_begin[i + 1]; ++k)
        solver_.add(differs[netlist_.fanout[k]]);
      solver_.add(0);
    }
    return shown;
  }

 private:
  int fresh() { return ++variables_; }
  void clause(std::initializer_list<int> literals) {
    for (const int l : literals) solver_.add(l);
    solver_.add(0);
  }

  // A data pin counts only while its element listens to it: not overridden, the latch open, and the
  // J of an element that holds 0 or the K of one that holds 1.
  int looked_at(const StateElement& s, NodeId pin) {
    const int v = fresh();
    if (s.set != kNoNode) clause({-v, -good_[s.set]});
    if (s.clear != kNoNode) clause({-v, -good_[s.clear]});
    if (s.kind == StateKind::d_latch) clause({-v, good_[s.clock]});
    if (s.kind == StateKind::jk_edge && s.a != s.b)
      clause({-v, pin == s.a ? -good_[s.node] : good_[s.node]});
    return v;
  }

  int parity(int a, int b) {
    const int v = fresh();
    clause({-v, a, b});
    clause({-v, -a, -b});
    clause({v, -a, b});
    clause({v, a, -b});
    return v;
  }

  int conjunction(const NodeId* f, const NodeId* end, const std::vector<int>& value, int sign) {
    if (end - f == 1) return value[*f];
    const int v = fresh();  // v = AND of sign * inputs
    for (const NodeId* p = f; p != end; ++p) clause({-v, sign * value[*p]});
    solver_.add(v);
    for (const NodeId* p = f; p != end; ++p) solver_.add(-sign * value[*p]);
    solver_.add(0);
    return sign * v;
  }

  // The literal of a node from those of its fan-in.
  int define(NodeId node, const std::vector<int>& value) {
    const NodeId* f = netlist_.fanin.data() + netlist_.fanin_begin[node];
    const NodeId* end = netlist_.fanin.data() + netlist_.fanin_begin[node + 1];
    switch (netlist_.op[node]) {
      case Op::buf:
        return value[*f];
      case Op::inv:
        return -value[*f];
      case Op::conj:
        return conjunction(f, end, value, 1);
      case Op::nand:
        return -conjunction(f, end, value, 1);
      case Op::disj:
        return conjunction(f, end, value, -1);
      case Op::nor:
        return -conjunction(f, end, value, -1);
      case Op::parity:
      case Op::xnor: {
        int v = value[*f];
        for (const NodeId* p = f + 1; p != end; ++p) v = parity(v, value[*p]);
        return netlist_.op[node] == Op::parity ? v : -v;
      }
      case Op::one: {
        const int v = fresh();
        clause({v});
        return v;
      }
      case Op::table:
        return table(node, value);
      default:
        return fresh();  // inputs and states: free
    }
  }

  int table(NodeId node, const std::vector<int>& value) {
    const Truth& truth = netlist_.truths[static_cast<std::size_t>(netlist_.truth_of[node])];
    const NodeId* f = netlist_.fanin.data() + netlist_.fanin_begin[node];
    const std::size_t inputs = netlist_.fanin_begin[node + 1] - netlist_.fanin_begin[node];
    const int v = fresh();
    for (std::size_t m = 0; m < truth.value.size(); ++m) {
      for (std::size_t i = 0; i < inputs; ++i)
        solver_.add(((m >> (inputs - 1 - i)) & 1u) != 0 ? -value[f[i]] : value[f[i]]);
      solver_.add(truth.value[m] == Bit::one ? v : -v);
      solver_.add(0);
    }
    return v;
  }

  const Netlist& netlist_;
  CaDiCaL::Solver& solver_;
  std::vector<int> good_, bad_, differs_;
  std::vector<std::uint8_t> observed_;
  std::multimap<NodeId, const StateElement*> looks_;  // data pins and the elements that they feed
  int variables_ = 0;
};

// Input values of a model; an input outside the encoded part is 0.
std::vector<bool> inputs_of(const Netlist& netlist, const Encoder& encoder,
                            CaDiCaL::Solver& solver) {
  std::vector<bool> inputs;
  for (const Netlist::Terminal& t : netlist.inputs) {
    const int literal = encoder.good(t.node);
    inputs.push_back(literal != 0 && solver.val(literal) > 0);
  }
  return inputs;
}

}  // namespace

bool provable(const Netlist& netlist) {
  if (netlist.has_loops) return false;
  for (const Op op : netlist.op)
    if (op == Op::drive || op == Op::bus_tri || op == Op::bus_or || op == Op::bus_and ||
        op == Op::unknown)
      return false;
  for (const Truth& truth : netlist.truths)
    if (std::count(truth.value.begin(), truth.value.end(), Bit::any) != 0) return false;
  return true;
}

FoundTest find_test(const Netlist& netlist, const Fault& fault, int conflicts_max) {
  CaDiCaL::Solver solver;
  Encoder encoder(netlist, solver);
  const std::vector<NodeId> cone = encoder.reach(fault.at);
  encoder.encode_good(encoder.support(cone));
  const int shown = encoder.encode_fault(fault, cone);
  solver.add(shown);
  solver.add(0);
  solver.limit("conflicts", conflicts_max);
  const int answer = solver.solve();
  if (answer == 20) return {Proof::untestable, {}};
  if (answer != 10) return {Proof::gave_up, {}};
  return {Proof::test, inputs_of(netlist, encoder, solver)};
}

struct TestPacker::State {
  explicit State(const Netlist& n) : netlist(n), encoder(n, solver) {
    encoder.encode_good(std::vector<std::uint8_t>(n.size(), 1));
  }
  int literal(const Fault& fault) {
    const auto [found, fresh] =
        shown.try_emplace(2 * fault.at + (fault.kind == FaultKind::stuck_one ? 1u : 0u), 0);
    if (fresh) found->second = encoder.encode_fault(fault, encoder.reach(fault.at));
    return found->second;
  }
  const Netlist& netlist;
  CaDiCaL::Solver solver;
  Encoder encoder;
  std::map<std::uint32_t, int> shown;
};

TestPacker::TestPacker(const Netlist& netlist) : state_(std::make_unique<State>(netlist)) {}
TestPacker::~TestPacker() = default;

bool TestPacker::pack(const std::vector<Fault>& wanted, const Fault& also, int conflicts_max,
                      std::vector<bool>& inputs) {
  std::vector<int> assumed;
  for (const Fault& f : wanted) assumed.push_back(state_->literal(f));
  assumed.push_back(state_->literal(also));
  for (const int l : assumed) state_->solver.assume(l);
  state_->solver.limit("conflicts", conflicts_max);
  if (state_->solver.solve() != 10) return false;
  inputs = inputs_of(state_->netlist, state_->encoder, state_->solver);
  return true;
}

void TestPacker::prefer(const std::vector<bool>& inputs) {
  for (std::size_t i = 0; i < inputs.size(); ++i) {
    const int literal = state_->encoder.good(state_->netlist.inputs[i].node);
    state_->solver.phase(inputs[i] ? literal : -literal);
  }
}

}  // namespace tenterhook::circuit
