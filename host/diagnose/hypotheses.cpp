#include "host/diagnose/hypotheses.h"

#include <fmt/format.h>

#include <algorithm>
#include <set>

namespace tenterhook::diagnose {
namespace {

using circuit::Fault;
using circuit::FaultKind;
using circuit::Netlist;
using circuit::NodeId;
using circuit::Site;

constexpr double kBridgeVariants = 5;  // and, or, two dominating, contested

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

std::vector<std::string> parts_of(const Netlist& n, NodeId node) {
  const bool lead = n.site[node].kind == Site::Kind::lead;
  const NodeId from = lead ? stem_of(n, node) : node;
  return from == circuit::kNoNode ? std::vector<std::string>{} : n.parts_of(from);
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
    whole_gates();
    only_readers();
    for (std::uint32_t o = 0; o < n_.outputs.size(); ++o) line_effects(o);
    if (all_.size() > kMaxHypotheses) all_.resize(kMaxHypotheses);
    return std::move(all_);
  }

 private:
  Hypothesis named(const Fault& f) const {
    Hypothesis h;
    h.faults = {f};
    h.at = f.at;
    h.net = n_.net_of(f.at);
    h.fault = circuit::fault_name(n_, board_, f);
    h.parts = parts_of(n_, f.at);
    if (f.other != circuit::kNoNode) add_parts(h.parts, parts_of(n_, f.other));
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

  void bridge(const Fault& f) {
    Hypothesis h = named(f);
    h.weight = 1.0 / kBridgeVariants;
    const auto line_at = [&](NodeId node) {
      for (std::uint32_t o = 0; o < n_.outputs.size(); ++o)
        if (n_.outputs[o].line == n_.net_of(node)) return o;
      return static_cast<std::uint32_t>(n_.outputs.size());
    };
    const bool once = f.kind == FaultKind::bridge_and;
    Hypothesis fight = h;
    all_.push_back(std::move(h));
    fight.line = line_at(f.at);
    fight.other = line_at(f.other);
    if (!once || fight.line == n_.outputs.size() || fight.other == n_.outputs.size()) return;
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
        const auto own = gate.pin_parts.find(name);
        for (const FaultKind kind : {FaultKind::stuck_zero, FaultKind::stuck_one}) {
          Hypothesis h = named({n_.net_node[*index], kind, circuit::kNoNode});
          h.parts =
              own != gate.pin_parts.end() ? std::vector<std::string>{own->second} : gate.parts;
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
    h.parts = parts_of(n_, node);
    const auto add = [&](Effect effect, const char* fault, double weight) {
      h.effect = effect;
      h.fault = fault;
      h.weight = weight;
      all_.push_back(h);
    };
    add(Effect::line_zero, low_is_one ? "stuck-high" : "stuck-low", 0.5);
    add(Effect::line_one, low_is_one ? "stuck-low" : "stuck-high", 0.5);
    add(Effect::line_inverted, "inverted", 0.5);
    add(Effect::weak_zero, low_is_one ? "weak high" : "poor low", 1.0);
    add(Effect::weak_one, low_is_one ? "poor low" : "weak high", 1.0);
    add(Effect::erratic, "intermittent", 0.5);
  }

  const Netlist& n_;
  const files::Board& board_;
  std::vector<Hypothesis> all_;
};

}  // namespace

std::vector<Hypothesis> single_causes(const Netlist& netlist, const files::Board& board) {
  return Collector(netlist, board).take();
}

}  // namespace tenterhook::diagnose
