#include "host/circuit/faults.h"

#include <algorithm>
#include <map>
#include <numeric>
#include <set>

namespace tenterhook::circuit {
namespace {

using Kind = Site::Kind;

constexpr std::size_t kMaxPairs = 50'000;  // neighbours considered for bridges

class Classes {
 public:
  explicit Classes(std::size_t n) : parent_(n) { std::iota(parent_.begin(), parent_.end(), 0u); }
  std::uint32_t find(std::uint32_t x) {
    while (parent_[x] != x) x = parent_[x] = parent_[parent_[x]];
    return x;
  }
  void join(std::uint32_t a, std::uint32_t b) { parent_[find(a)] = find(b); }

 private:
  std::vector<std::uint32_t> parent_;
};

// How many nodes, state pins and leads read each node.
std::vector<std::uint32_t> reader_counts(const Netlist& n) {
  std::vector<std::uint32_t> readers(n.size());
  for (NodeId i = 0; i < n.size(); ++i) readers[i] = n.fanout_begin[i + 1] - n.fanout_begin[i];
  for (const StateElement& s : n.states)
    for (const NodeId pin : {s.a, s.b, s.clock, s.set, s.clear})
      if (pin != kNoNode) ++readers[pin];
  for (const Netlist::Terminal& t : n.outputs) {
    ++readers[t.node];
    if (t.raw != t.node) ++readers[t.raw];
  }
  return readers;
}

void join_through(const Netlist& n, NodeId gate, NodeId pin, Classes& classes) {
  const std::uint32_t fanin = n.fanin_begin[gate + 1] - n.fanin_begin[gate];
  Op op = n.op[gate];
  if (fanin == 1 && (op == Op::conj || op == Op::disj || op == Op::parity)) op = Op::buf;
  if (fanin == 1 && (op == Op::nand || op == Op::nor || op == Op::xnor)) op = Op::inv;
  const auto join = [&](unsigned in, unsigned out) { classes.join(2 * pin + in, 2 * gate + out); };
  switch (op) {
    case Op::buf:
      join(0, 0);
      join(1, 1);
      break;
    case Op::inv:
      join(0, 1);
      join(1, 0);
      break;
    case Op::conj:
      join(0, 0);
      break;
    case Op::nand:
      join(0, 1);
      break;
    case Op::disj:
      join(1, 1);
      break;
    case Op::nor:
      join(1, 0);
      break;
    default:
      break;
  }
}

bool is_site(const Netlist& n, NodeId i) {
  return n.site[i].kind != Kind::inner;
}

// Pairs of nets that run close to each other, as their stem nodes.
std::vector<std::pair<NodeId, NodeId>> neighbours(const Netlist& n, const files::Board& board) {
  std::set<std::pair<NodeId, NodeId>> pairs;
  const auto add = [&](const std::string& a, const std::string& b) {
    const auto x = n.find_net(a), y = n.find_net(b);
    if (!x || !y || *x == *y || pairs.size() >= kMaxPairs) return;
    const NodeId p = n.net_node[*x], q = n.net_node[*y];
    if (p != kNoNode && q != kNoNode) pairs.insert(std::minmax(p, q));
  };
  for (const files::Bus& bus : board.buses)
    for (std::size_t i = 0; i + 1 < bus.lines.size(); ++i) add(bus.lines[i], bus.lines[i + 1]);
  for (const files::Gate& gate : board.circuit)
    for (std::size_t i = 0; i + 1 < gate.inputs.size(); ++i)
      add(gate.inputs[i], gate.inputs[i + 1]);
  return {pairs.begin(), pairs.end()};
}

}  // namespace

FaultList stuck_at_faults(const Netlist& n) {
  FaultList list;
  Classes classes(2 * n.size());
  const std::vector<std::uint32_t> readers = reader_counts(n);
  for (NodeId gate = 0; gate < n.size(); ++gate)
    for (std::uint32_t k = n.fanin_begin[gate]; k < n.fanin_begin[gate + 1]; ++k)
      if (readers[n.fanin[k]] == 1) join_through(n, gate, n.fanin[k], classes);
  std::vector<std::int64_t> index(2 * n.size(), -1);
  for (NodeId i = 0; i < n.size(); ++i) {
    if (!is_site(n, i)) continue;
    ++list.lines;
    for (const FaultKind kind : {FaultKind::stuck_zero, FaultKind::stuck_one}) {
      const std::uint32_t root = classes.find(2 * i + (kind == FaultKind::stuck_one ? 1u : 0u));
      if (index[root] < 0) {
        index[root] = static_cast<std::int64_t>(list.representatives.size());
        list.representatives.push_back({i, kind, kNoNode});
      }
      list.uncollapsed.push_back({i, kind, kNoNode});
      list.class_of.push_back(static_cast<std::uint32_t>(index[root]));
    }
  }
  return list;
}

std::vector<Fault> inverted_faults(const Netlist& n) {
  std::vector<Fault> faults;
  for (NodeId i = 0; i < n.size(); ++i)
    if (n.site[i].kind == Kind::stem && n.site[i].gate >= 0)
      faults.push_back({i, FaultKind::inverted, kNoNode});
  return faults;
}

std::vector<Fault> transition_faults(const Netlist& n) {
  std::vector<Fault> faults;
  for (NodeId i = 0; i < n.size(); ++i) {
    if (!is_site(n, i)) continue;
    faults.push_back({i, FaultKind::slow_rise, kNoNode});
    faults.push_back({i, FaultKind::slow_fall, kNoNode});
  }
  return faults;
}

std::vector<Fault> swapped_faults(const Netlist& n, const files::Board& board) {
  std::vector<Fault> faults;
  const auto add = [&](const std::string& a, const std::string& b) {
    const auto x = n.find_net(a), y = n.find_net(b);
    if (x && y && n.net_node[*x] != kNoNode && n.net_node[*y] != kNoNode)
      faults.push_back({n.net_node[*x], FaultKind::swapped, n.net_node[*y]});
  };
  std::set<std::pair<std::string, std::string>> done;
  for (const files::Bus& bus : board.buses)
    for (std::size_t i = 0; i + 1 < bus.lines.size(); ++i)
      if (done.insert(std::minmax(bus.lines[i], bus.lines[i + 1])).second)
        add(bus.lines[i], bus.lines[i + 1]);
  for (std::size_t i = 0; i + 1 < board.lines.size(); ++i) {
    const files::Line &a = board.lines[i], &b = board.lines[i + 1];
    if (a.kind != b.kind || a.kind == files::LineKind::probe) continue;
    if (done.insert(std::minmax(a.name, b.name)).second) add(a.name, b.name);
  }
  return faults;
}

std::vector<Fault> bridge_faults(const Netlist& n, const files::Board& board) {
  std::vector<Fault> faults;
  for (const auto& [a, b] : neighbours(n, board)) {
    faults.push_back({a, FaultKind::bridge_and, b});
    faults.push_back({a, FaultKind::bridge_or, b});
    faults.push_back({a, FaultKind::dominated, b});
    faults.push_back({b, FaultKind::dominated, a});
  }
  return faults;
}

std::vector<Fault> open_faults(const Netlist& n) {
  std::vector<Fault> faults;
  for (NodeId i = 0; i < n.size(); ++i)
    if (is_site(n, i)) faults.push_back({i, FaultKind::open, kNoNode});
  return faults;
}

std::vector<Fault> missing_input_faults(const Netlist& n) {
  std::vector<Fault> faults;
  for (NodeId gate = 0; gate < n.size(); ++gate) {
    const std::uint32_t begin = n.fanin_begin[gate], end = n.fanin_begin[gate + 1];
    const Op op = n.op[gate];
    const bool one_is_idle = op == Op::conj || op == Op::nand;
    if (end - begin < 2 ||
        (!one_is_idle && op != Op::disj && op != Op::nor && op != Op::parity && op != Op::xnor))
      continue;
    for (std::uint32_t k = begin; k < end; ++k)
      faults.push_back(
          {n.fanin[k], one_is_idle ? FaultKind::stuck_one : FaultKind::stuck_zero, kNoNode});
  }
  return faults;
}

std::string fault_name(const Netlist& n, const files::Board& board, const Fault& fault) {
  bool one_is_low = false;
  for (const files::Line& line : board.lines) {
    if (line.name != n.net_of(fault.at)) continue;
    const auto family = board.families.find(line.family);
    one_is_low = family != board.families.end() && family->second.one_is_low;
  }
  const std::string other = fault.other == kNoNode ? std::string{} : n.net_of(fault.other);
  switch (fault.kind) {
    case FaultKind::stuck_zero:
      return one_is_low ? "stuck-high" : "stuck-low";
    case FaultKind::stuck_one:
      return one_is_low ? "stuck-low" : "stuck-high";
    case FaultKind::inverted:
      return "inverted";
    case FaultKind::bridge_and:
      return "bridged-and " + other;
    case FaultKind::bridge_or:
      return "bridged-or " + other;
    case FaultKind::dominated:
      return "follows " + other;
    case FaultKind::swapped:
      return "swapped-with " + other;
    case FaultKind::slow_rise:
      return one_is_low ? "slow-to-fall" : "slow-to-rise";
    case FaultKind::slow_fall:
      return one_is_low ? "slow-to-rise" : "slow-to-fall";
    case FaultKind::open:
      return "open";
  }
  return "unknown";
}

}  // namespace tenterhook::circuit
