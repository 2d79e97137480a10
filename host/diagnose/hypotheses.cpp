#include "host/diagnose/hypotheses.h"

#include <fmt/format.h>

#include <algorithm>
#include <set>
#include <unordered_map>

namespace tenterhook::diagnose {
namespace {

using circuit::Fault;
using circuit::FaultKind;
using circuit::Netlist;
using circuit::NodeId;
using circuit::Site;

constexpr double kBridgeVariants = 5;  // and, or, two dominating, contested
// A tired output is seen more often than any one wire is stuck: common practice, no source.
constexpr double kPoorWeight = 4.0;
constexpr std::size_t kMaxNear = 6;    // nets of one gate that are tried in pairs

void add_parts(std::vector<std::string>& into, const std::vector<std::string>& parts) {
  for (const std::string& part : parts)
    if (std::find(into.begin(), into.end(), part) == into.end()) into.push_back(part);
}

// A gate by its output.
const std::string& called(const files::Gate& gate) {
  return gate.outputs.empty() ? gate.inverse : gate.outputs.front();
}

// The gate that drives the net of this node, as a stem; kNoNode for lines that only the fixture
// drives.
NodeId stem_of(const Netlist& n, NodeId node) {
  const auto index = n.find_net(n.net_of(node));
  return index ? n.net_node[*index] : circuit::kNoNode;
}

// The parts of a gate that serve no pin by name: what is between its pins.
std::vector<std::string> core_of(const files::Gate& gate) {
  std::vector<std::string> core;
  if (gate.pin_parts.empty()) return core;
  for (const std::string& part : gate.parts) {
    const bool named = std::any_of(gate.pin_parts.begin(), gate.pin_parts.end(),
                                   [&](const auto& pin) { return pin.second == part; });
    if (!named) core.push_back(part);
  }
  return core;
}

// What could hold a pin of a gate: the part there, or all of the gate's where the file does not say. A
// clock that does nothing may also be a core that takes nothing.
std::vector<std::string> parts_at(const files::Gate& gate, const std::string& pin) {
  const auto own = gate.pin_parts.find(pin);
  if (own == gate.pin_parts.end()) return gate.parts;
  std::vector<std::string> parts{own->second};
  if (pin == "clock" || pin == "enable") add_parts(parts, core_of(gate));
  return parts;
}

std::vector<std::string> parts_of(const Netlist& n, NodeId node) {
  const bool lead = n.site[node].kind == Site::Kind::lead;
  const NodeId from = lead ? stem_of(n, node) : node;
  if (from == circuit::kNoNode || n.site[from].gate < 0) return {};
  return parts_at(n.gates[static_cast<std::size_t>(n.site[from].gate)], n.site[from].pin);
}

// Outputs of these builds fall below any low when they are dead: a cathode on its resistor.
bool falls_below(const files::Gate& gate) {
  return gate.build.rfind("triode", 0) == 0 || gate.build.rfind("cathode", 0) == 0;
}

class Collector {
 public:
  Collector(const Netlist& n, const files::Board& board) : n_(n), board_(board) {}

  std::vector<Hypothesis> take() {
    stuck();
    for (const Fault& f : circuit::inverted_faults(n_)) one(f, 1.0);
    for (const Fault& f : circuit::swapped_faults(n_, board_)) one(f, 1.0);
    for (const Fault& f : circuit::transition_faults(n_)) one(f, 0.5);
    for (const Fault& f : circuit::bridge_faults(n_, board_)) bridge(f);
    bridges_in_gates();
    dead_outputs();
    whole_gates();
    leaking_pins();
    only_readers();
    for (std::uint32_t o = 0; o < n_.outputs.size(); ++o) line_effects(o);
    if (all_.size() > kMaxHypotheses) all_.resize(kMaxHypotheses);
    for (Hypothesis& h : all_) h.near = near(h);
    return std::move(all_);
  }

 private:
  Hypothesis named(const Fault& f) const {
    Hypothesis h;
    h.faults = {f};
    h.at = f.at;
    h.net = n_.net_of(f.at);
    h.nets = {h.net};
    h.fault = circuit::fault_name(n_, board_, f);
    if (f.other == circuit::kNoNode)
      h.parts = parts_of(n_, f.at);
    else
      h.nets.push_back(n_.net_of(f.other));
    return h;
  }

  void one(const Fault& f, double weight) {
    Hypothesis h = named(f);
    h.weight = weight;
    all_.push_back(std::move(h));
  }

  void stuck() {
    std::set<std::pair<NodeId, FaultKind>> idle;
    for (const Fault& f : circuit::missing_input_faults(n_)) idle.insert({f.at, f.kind});
    for (const Fault& f : circuit::stuck_at_faults(n_).uncollapsed) {
      Hypothesis h = named(f);
      const bool pin = n_.site[f.at].kind == Site::Kind::branch;
      if (pin && idle.count({f.at, f.kind}) != 0) h.fault = "missing input";
      if (pin && n_.site[f.at].gate >= 0)
        h.fault += " at " + called(n_.gates[static_cast<std::size_t>(n_.site[f.at].gate)]);
      all_.push_back(std::move(h));
    }
  }

  // Nets of one gate that no list of neighbours has: an input and the output, two outputs, inputs that
  // are not side by side.
  void bridges_in_gates() {
    std::set<std::pair<NodeId, NodeId>> had;
    for (const Fault& f : circuit::bridge_faults(n_, board_)) had.insert(std::minmax(f.at, f.other));
    for (const files::Gate& gate : board_.circuit) {
      std::vector<NodeId> near;
      const auto take = [&](const std::string& net) {
        const auto index = n_.find_net(net);
        if (index && n_.net_node[*index] != circuit::kNoNode && near.size() < kMaxNear)
          near.push_back(n_.net_node[*index]);
      };
      for (const std::string& net : gate.outputs) take(net);
      take(gate.inverse);
      for (const std::string& net : gate.inputs) take(net);
      for (std::size_t a = 0; a < near.size(); ++a)
        for (std::size_t b = a + 1; b < near.size(); ++b) {
          if (near[a] == near[b] || !had.insert(std::minmax(near[a], near[b])).second) continue;
          bridge({near[a], FaultKind::bridge_and, near[b]});
          bridge({near[a], FaultKind::bridge_or, near[b]});
          bridge({near[a], FaultKind::dominated, near[b]});
          bridge({near[b], FaultKind::dominated, near[a]});
        }
    }
  }

  // Nets of the gate whose pin it is; of a whole net, of all gates at it, as far as they are few.
  std::vector<std::string> near(const Hypothesis& h) {
    std::vector<std::string> nets;
    const auto take = [&](const files::Gate& gate) {
      add_parts(nets, gate.inputs);
      add_parts(nets, gate.outputs);
    };
    if (h.at != circuit::kNoNode && n_.site[h.at].kind == Site::Kind::branch && n_.site[h.at].gate >= 0) {
      take(n_.gates[static_cast<std::size_t>(n_.site[h.at].gate)]);
      return nets;
    }
    if (gates_at_.empty())
      for (std::uint32_t g = 0; g < n_.gates.size(); ++g) {
        for (const std::string& net : n_.gates[g].inputs) gates_at_[net].push_back(g);
        for (const std::string& net : n_.gates[g].outputs) gates_at_[net].push_back(g);
      }
    for (const std::string& net : h.nets) {
      const auto found = gates_at_.find(net);
      if (found == gates_at_.end() || found->second.size() > kMaxNear) continue;
      for (const std::uint32_t g : found->second) take(n_.gates[g]);
    }
    return nets;
  }

  std::uint32_t line_of(const std::string& net) const {
    for (std::uint32_t o = 0; o < n_.outputs.size(); ++o)
      if (n_.outputs[o].line == net) return o;
    return kNoLine;
  }

  // An output that shows less than a low, and its net stuck there.
  void dead_outputs() {
    for (const files::Gate& gate : board_.circuit) {
      if (!falls_below(gate)) continue;
      for (const std::string& net : gate.outputs) dead_output(gate, net, "out");
      if (!gate.inverse.empty()) dead_output(gate, gate.inverse, "inverse");
    }
  }
  void dead_output(const files::Gate& gate, const std::string& net, const std::string& pin) {
    const auto index = n_.find_net(net);
    const std::uint32_t line = line_of(net);
    if (!index || n_.net_node[*index] == circuit::kNoNode || line == kNoLine) return;
    Hypothesis h = named({n_.net_node[*index], FaultKind::stuck_zero, circuit::kNoNode});
    h.fault = "dead";
    h.parts = parts_at(gate, pin);
    h.dead_line = line;
    all_.push_back(h);
    // Of a pair the other one is left alone and rises.
    const std::string& other = pin == "out" ? gate.inverse : gate.outputs.front();
    const auto partner = n_.find_net(other);
    if (other.empty() || !partner || n_.net_node[*partner] == circuit::kNoNode) return;
    h.faults.push_back({n_.net_node[*partner], FaultKind::stuck_one, circuit::kNoNode});
    h.nets.push_back(other);
    all_.push_back(std::move(h));
  }

  void leaking_pins() {
    for (const files::Gate& gate : board_.circuit) {
      if (gate.inputs.size() < 2) continue;
      for (std::size_t i = 0; i < gate.inputs.size(); ++i) {
        const bool fixture = std::any_of(n_.inputs.begin(), n_.inputs.end(), [&](const auto& t) {
          return t.line == gate.inputs[i];
        });
        const auto index = n_.find_net(gate.inputs[i]);
        if (!fixture || !index) continue;
        Hypothesis h;
        h.effect = Effect::leak;
        h.at = n_.net_node[*index];
        h.net = gate.inputs[i];
        h.nets = {h.net};
        h.fault = "leaking into " + called(gate);
        h.parts = parts_at(gate, fmt::format("in{}", i + 1));
        for (const std::string& in : gate.inputs)
          if (in != h.net) h.leaks_from.push_back(in);
        all_.push_back(std::move(h));
      }
    }
  }

  void bridge(const Fault& f) {
    Hypothesis h = named(f);
    h.weight = 1.0 / kBridgeVariants;
    const bool once = f.kind == FaultKind::bridge_and;
    Hypothesis fight = h;
    all_.push_back(std::move(h));
    fight.line = line_of(n_.net_of(f.at));
    fight.other = line_of(n_.net_of(f.other));
    if (!once || fight.line == kNoLine || fight.other == kNoLine) return;
    fight.faults.clear();
    fight.effect = Effect::contested;
    fight.fault = "bridged to " + n_.net_of(f.other);
    all_.push_back(std::move(fight));
  }

  // Both outputs of one gate stuck: its supply, its heater, the element itself.
  void whole_gates() {
    for (const files::Gate& gate : board_.circuit) {
      if (gate.inverse.empty() || gate.outputs.empty()) continue;
      const auto q = n_.find_net(gate.outputs.front()), qn = n_.find_net(gate.inverse);
      if (!q || !qn || n_.net_node[*q] == circuit::kNoNode || n_.net_node[*qn] == circuit::kNoNode)
        continue;
      for (int levels = 0; levels < 4; ++levels) {
        const Fault a{n_.net_node[*q],
                      (levels & 2) != 0 ? FaultKind::stuck_one : FaultKind::stuck_zero,
                      circuit::kNoNode};
        const Fault b{n_.net_node[*qn],
                      (levels & 1) != 0 ? FaultKind::stuck_one : FaultKind::stuck_zero,
                      circuit::kNoNode};
        Hypothesis h = named(a);
        h.faults.push_back(b);
        h.weight = 0.5;
        h.nets.push_back(gate.inverse);
        add_parts(h.parts, parts_at(gate, "inverse"));
        add_parts(h.parts, core_of(gate));
        h.fault =
            fmt::format("{}, {} {}", h.fault, gate.inverse, circuit::fault_name(n_, board_, b));
        all_.push_back(std::move(h));
      }
    }
  }

  // A net with one reader is one line of the model, yet the fault may sit in the reader's own pin.
  void only_readers() {
    std::set<std::pair<std::uint32_t, std::int32_t>> branches;
    for (const Site& site : n_.site)
      if (site.kind == Site::Kind::branch) branches.insert({site.net, site.gate});
    for (std::size_t g = 0; g < n_.gates.size(); ++g) {
      const files::Gate& gate = n_.gates[g];
      const auto pin = [&](const std::string& net, const std::string& name) {
        const auto index = n_.find_net(net);
        if (!index || n_.net_node[*index] == circuit::kNoNode ||
            branches.count({*index, static_cast<std::int32_t>(g)}) != 0)
          return;
        for (const FaultKind kind : {FaultKind::stuck_zero, FaultKind::stuck_one}) {
          Hypothesis h = named({n_.net_node[*index], kind, circuit::kNoNode});
          h.parts = parts_at(gate, name);
          h.at_reader = true;
          h.fault += " at " + called(gate);
          all_.push_back(std::move(h));
        }
      };
      for (std::size_t i = 0; i < gate.inputs.size(); ++i)
        pin(gate.inputs[i], fmt::format("in{}", i + 1));
      pin(gate.clock.net, "clock");
      pin(gate.enable.net, "enable");
      pin(gate.set.net, "set");
      pin(gate.clear.net, "clear");
    }
  }

  void line_effects(std::uint32_t o) {
    const NodeId node = n_.outputs[o].node;
    if (node == circuit::kNoNode) return;
    const bool low_is_one = n_.outputs[o].high == files::Bit::zero;
    Hypothesis h;
    h.line = o;
    h.at = node;
    h.net = n_.outputs[o].line;
    h.nets = {h.net};
    h.parts = parts_of(n_, node);
    const auto add = [&](Effect effect, const std::string& fault, double weight) {
      h.effect = effect;
      h.fault = fault;
      const bool one = effect == Effect::weak_one, zero = effect == Effect::weak_zero;
      h.poor_high = low_is_one ? zero : one;
      h.poor_low = low_is_one ? one : zero;
      h.weight = weight;
      all_.push_back(h);
    };
    add(Effect::line_zero, low_is_one ? "stuck-high" : "stuck-low", 0.5);
    add(Effect::line_one, low_is_one ? "stuck-low" : "stuck-high", 0.5);
    add(Effect::line_inverted, "inverted", 0.5);
    add(Effect::erratic, "intermittent", 0.5);
    const auto poor = [&](const std::string& where, double weight) {
      add(low_is_one ? Effect::weak_zero : Effect::weak_one, "weak high" + where, weight);
      add(low_is_one ? Effect::weak_one : Effect::weak_zero, "poor low" + where, weight);
      for (const int levels : {1, 2, 3}) {
        add(Effect::shifted, (levels == 1 ? "poor low" : levels == 2 ? "weak high" : "poor low and high") + where, weight);
        all_.back().poor_low = (levels & 1) != 0;
        all_.back().poor_high = (levels & 2) != 0;
      }
    };
    poor("", kPoorWeight);
    for (const auto& [parts, where] : also_on(h.net)) {
      h.parts = parts;
      poor(" " + where, 0.5 * kPoorWeight);
    }
  }

  // Parts that can spoil a line's levels though they do not drive it: what loads it at its readers' pins,
  // and what drives a gate that passes levels on (diodes, followers).
  std::vector<std::pair<std::vector<std::string>, std::string>> also_on(const std::string& net) const {
    std::vector<std::pair<std::vector<std::string>, std::string>> also;
    for (const files::Gate& gate : board_.circuit) {
      for (std::size_t i = 0; i < gate.inputs.size(); ++i)
        if (gate.inputs[i] == net)
          also.push_back({parts_at(gate, fmt::format("in{}", i + 1)), "loaded at " + called(gate)});
      if (gate.clock.net == net) also.push_back({parts_at(gate, "clock"), "loaded at " + called(gate)});
      const bool passes = gate.build == "diode" || gate.build == "cathode-follower";
      if (!passes || std::find(gate.outputs.begin(), gate.outputs.end(), net) == gate.outputs.end()) continue;
      for (std::size_t i = 0; i < gate.inputs.size(); ++i) {
        const std::string& in = gate.inputs[i];
        const auto own = gate.pin_parts.find(fmt::format("in{}", i + 1));
        if (own != gate.pin_parts.end()) also.push_back({{own->second}, "by way of " + in});
        const auto index = n_.find_net(in);
        if (!index || n_.net_node[*index] == circuit::kNoNode || n_.site[n_.net_node[*index]].gate < 0) continue;
        also.push_back({parts_of(n_, n_.net_node[*index]), "passed on from " + in});
      }
    }
    return also;
  }

  const Netlist& n_;
  const files::Board& board_;
  std::unordered_map<std::string, std::vector<std::uint32_t>> gates_at_;  // by net
  std::vector<Hypothesis> all_;
};

}  // namespace

std::vector<std::string> parts_on(const Netlist& netlist, const std::string& net) {
  std::vector<std::string> parts;
  for (const files::Gate& gate : netlist.gates) {
    for (const std::string& out : gate.outputs)
      if (out == net) add_parts(parts, parts_at(gate, "out"));
    if (gate.inverse == net) add_parts(parts, parts_at(gate, "inverse"));
    for (std::size_t i = 0; i < gate.inputs.size(); ++i)
      if (gate.inputs[i] == net) add_parts(parts, parts_at(gate, fmt::format("in{}", i + 1)));
  }
  return parts;
}

std::vector<Hypothesis> single_causes(const Netlist& netlist, const files::Board& board) {
  return Collector(netlist, board).take();
}

}  // namespace tenterhook::diagnose
