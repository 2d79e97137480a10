#include "host/circuit/netlist.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <numeric>

#include "host/base/nearest.h"

namespace tenterhook::circuit {
namespace {

using files::Bit;
using files::Gate;
using files::LineKind;

constexpr std::size_t kMaxNamesCompared = 5000;  // bounds the search for a likely spelling

struct GateRule {
  const char* type;
  Op op;
  std::size_t inputs_min, inputs_max;
};
constexpr std::array<GateRule, 8> kPlainGates{{{"and", Op::conj, 1, kMaxFanIn},
                                               {"nand", Op::nand, 1, kMaxFanIn},
                                               {"or", Op::disj, 1, kMaxFanIn},
                                               {"nor", Op::nor, 1, kMaxFanIn},
                                               {"xor", Op::parity, 1, kMaxFanIn},
                                               {"xnor", Op::xnor, 1, kMaxFanIn},
                                               {"not", Op::inv, 1, 1},
                                               {"buf", Op::buf, 1, 1}}};

struct StateRule {
  const char* type;
  StateKind kind;
  std::size_t inputs_min, inputs_max;
  bool needs_clock, needs_enable;
};
constexpr std::array<StateRule, 5> kStateGates{
    {{"d-flip-flop", StateKind::d_edge, 1, 1, true, false},
     {"t-flip-flop", StateKind::t_edge, 0, 1, true, false},
     {"jk-flip-flop", StateKind::jk_edge, 2, 2, true, false},
     {"d-latch", StateKind::d_latch, 1, 1, false, true},
     {"sr-latch", StateKind::sr_latch, 2, 2, false, false}}};

const GateRule* plain_rule(const std::string& type) {
  for (const GateRule& rule : kPlainGates)
    if (type == rule.type) return &rule;
  return nullptr;
}

const StateRule* state_rule(const std::string& type) {
  for (const StateRule& rule : kStateGates)
    if (type == rule.type) return &rule;
  return nullptr;
}

// Every pin through which a gate reads a net, in a fixed order.
struct Pin {
  const std::string* net;
  bool inverted;
  std::string name;
};
std::vector<Pin> read_pins(const Gate& gate) {
  std::vector<Pin> pins;
  for (std::size_t i = 0; i < gate.inputs.size(); ++i) {
    const bool inverted = i < gate.input_inverted.size() && gate.input_inverted[i];
    pins.push_back({&gate.inputs[i], inverted, fmt::format("in{}", i + 1)});
  }
  const auto control = [&](const Gate::Control& c, const char* name) {
    if (!c.net.empty()) pins.push_back({&c.net, c.inverted, name});
  };
  control(gate.clock, "clock");
  control(gate.enable, "enable");
  control(gate.set, "set");
  control(gate.clear, "clear");
  return pins;
}

class Builder {
 public:
  explicit Builder(const files::Board& board) : board_(board) {}

  Result<Netlist> build() {
    TH_TRY(check_gates());
    collect_nets();
    TH_TRY(check_drivers());
    if (nodes_estimated() > kMaxNodes)
      return input_error(board_.path,
                         fmt::format("the circuit is too large: more than {} wires", kMaxNodes));
    make_input_lines();
    for (std::size_t g = 0; g < board_.circuit.size(); ++g) make_gate_outputs(g);
    make_shared_nets();
    make_leads();
    for (std::size_t g = 0; g < board_.circuit.size(); ++g) TH_TRY(connect_gate(g));
    out_.gates = board_.circuit;
    order();
    return std::move(out_);
  }

 private:
  struct Net {
    std::vector<std::pair<std::int32_t, bool>> drivers;  // gate, is its inverse output
    std::size_t readers = 0;                             // pins and leads
    const files::Line* line = nullptr;
    const files::WiredNet* wired = nullptr;
    bool bus = false;
    bool not_built = false;
    NodeId stem = kNoNode, raw = kNoNode, fixture = kNoNode;
    std::vector<NodeId> driver_nodes;
    std::string first_read_at;
  };

  // Places are written here, not by host/files, so that the .bench reader can serve host/files.
  std::string at(const files::Mark& mark) const {
    return mark.file.empty() ? board_.path
                             : fmt::format("{}:{}:{}", mark.file, mark.line, mark.column);
  }
  std::string at(const Gate& gate) const { return at(gate.mark); }
  const files::Bus* bus_named(const std::string& name) const {
    for (const files::Bus& bus : board_.buses)
      if (bus.name == name) return &bus;
    return nullptr;
  }
  static std::string gate_name(const Gate& gate) {
    const std::string out = gate.outputs.empty() ? gate.inverse : gate.outputs.front();
    return fmt::format("gate '{}' driving '{}'", gate.type, out);
  }

  Status check_gates() {
    for (const Gate& gate : board_.circuit) {
      TH_TRY(check_gate(gate));
    }
    return {};
  }

  Status check_gate(const Gate& gate) {
    const std::size_t inputs = gate.inputs.size();
    const auto wrong_inputs = [&](std::size_t least, std::size_t most) {
      const std::string wanted = least == most       ? fmt::format("{}", least)
                                 : most == kMaxFanIn ? fmt::format("{} or more", least)
                                                     : fmt::format("{} to {}", least, most);
      return input_error(
          at(gate), fmt::format("{} has {} inputs, expected {}", gate_name(gate), inputs, wanted),
          "list every input of the gate in `in`");
    };
    if (gate.outputs.empty() && gate.inverse.empty())
      return input_error(at(gate), fmt::format("a gate '{}' drives nothing", gate.type),
                         "give it `out: NET`");
    if (gate.type == "table") return check_table(gate);
    if (gate.outputs.size() > 1)
      return input_error(
          at(gate),
          fmt::format("{} has {} outputs, expected one", gate_name(gate), gate.outputs.size()),
          "only `gate: table` has several outputs; the complement of an output is `inverse`");
    if (const GateRule* rule = plain_rule(gate.type)) {
      if (inputs < rule->inputs_min || inputs > rule->inputs_max)
        return wrong_inputs(rule->inputs_min, rule->inputs_max);
      for (const Gate::Control* c : {&gate.clock, &gate.enable, &gate.set, &gate.clear})
        if (!c->net.empty())
          return input_error(
              at(gate), fmt::format("{} has no pin for '{}'", gate_name(gate), c->net),
              "only flip-flops, latches and tri-state drivers have clock, enable, set or clear");
      return {};
    }
    if (const StateRule* rule = state_rule(gate.type)) {
      if (inputs < rule->inputs_min || inputs > rule->inputs_max)
        return wrong_inputs(rule->inputs_min, rule->inputs_max);
      if (rule->needs_clock != !gate.clock.net.empty())
        return input_error(
            at(gate),
            fmt::format("{} {} a clock", gate_name(gate), rule->needs_clock ? "needs" : "takes no"),
            rule->needs_clock ? "add `clock: NET`" : "remove `clock`");
      if (rule->needs_enable != !gate.enable.net.empty())
        return input_error(at(gate),
                           fmt::format("{} {} an enable", gate_name(gate),
                                       rule->needs_enable ? "needs" : "takes no"),
                           rule->needs_enable ? "add `enable: NET`" : "remove `enable`");
      return {};
    }
    if (gate.type == "tri-state") {
      if (inputs != 1) return wrong_inputs(1, 1);
      if (gate.enable.net.empty())
        return input_error(at(gate), fmt::format("{} needs an enable", gate_name(gate)),
                           "add `enable: NET`");
      return {};
    }
    std::vector<std::string> known{"table", "tri-state"};
    for (const GateRule& rule : kPlainGates) known.push_back(rule.type);
    for (const StateRule& rule : kStateGates) known.push_back(rule.type);
    const std::string near = nearest_name(gate.type, known);
    return input_error(at(gate), fmt::format("unknown gate '{}'", gate.type),
                       near.empty() ? fmt::format("known gates: {}", fmt::join(known, ", "))
                                    : fmt::format("did you mean '{}'?", near));
  }

  Status check_table(const Gate& gate) {
    const std::size_t inputs = gate.inputs.size(), outputs = gate.outputs.size();
    if (inputs == 0 || inputs > kMaxTableInputs)
      return input_error(at(gate),
                         fmt::format("{} has {} inputs, expected 1 to {}", gate_name(gate), inputs,
                                     kMaxTableInputs),
                         "split the block into smaller tables");
    if (!gate.inverse.empty())
      return input_error(at(gate), fmt::format("{} has an inverse output", gate_name(gate)),
                         "write it as an output column");
    if (gate.table.empty())
      return input_error(at(gate), fmt::format("{} has no rows", gate_name(gate)),
                         "add rows such as '01 1'");
    for (const std::string& row : gate.table) {
      const std::size_t space = row.find(' ');
      const std::size_t last = row.rfind(' ');
      const bool shaped = space == inputs && last != std::string::npos &&
                          row.size() - last - 1 == outputs &&
                          row.find_first_not_of(' ', space) == last + 1;
      if (!shaped || row.find_first_not_of("01x- ") != std::string::npos)
        return input_error(
            at(gate),
            fmt::format("row '{}' of {} is not {} input bits, a space, {} output bits", row,
                        gate_name(gate), inputs, outputs),
            "write 0, 1 or x (either) for each input and 0, 1 or x (unknown) for each output");
    }
    return {};
  }

  std::uint32_t net(const std::string& name) {
    const auto [found, fresh] =
        out_.net_index.try_emplace(name, static_cast<std::uint32_t>(nets_.size()));
    if (fresh) {
      nets_.emplace_back();
      out_.net_names.push_back(name);
    }
    return found->second;
  }

  void collect_nets() {
    for (const files::Line& line : board_.lines) {
      if (line.kind == LineKind::probe) continue;
      Net& n = nets_[net(line.name)];
      n.line = &line;
      if (line.kind == LineKind::output || line.kind == LineKind::both) ++n.readers;
    }
    for (std::size_t g = 0; g < board_.circuit.size(); ++g) {
      const Gate& gate = board_.circuit[g];
      for (const std::string& out : gate.outputs)
        nets_[net(out)].drivers.push_back({static_cast<std::int32_t>(g), false});
      if (!gate.inverse.empty())
        nets_[net(gate.inverse)].drivers.push_back({static_cast<std::int32_t>(g), true});
      for (const Pin& pin : read_pins(gate)) {
        Net& n = nets_[net(*pin.net)];
        ++n.readers;
        if (n.first_read_at.empty()) n.first_read_at = at(gate);
      }
    }
    for (const files::WiredNet& wired : board_.wired) nets_[net(wired.net)].wired = &wired;
    for (const std::string& name : board_.not_built) {
      if (bus_named(name) != nullptr) {
        for (const std::string& line : bus_named(name)->lines) nets_[net(line)].not_built = true;
      } else {
        nets_[net(name)].not_built = true;
      }
    }
  }

  bool all_tri_state(const Net& n) const {
    return !n.drivers.empty() &&
           std::all_of(n.drivers.begin(), n.drivers.end(), [&](const auto& d) {
             return board_.circuit[static_cast<std::size_t>(d.first)].type == "tri-state" &&
                    !d.second;
           });
  }

  Status check_drivers() {
    for (std::size_t i = 0; i < nets_.size(); ++i) {
      TH_TRY(check_net(out_.net_names[i], nets_[i]));
    }
    return {};
  }

  Status check_net(const std::string& name, Net& n) {
    const bool from_fixture = n.line != nullptr && n.line->kind != LineKind::output;
    const bool both = n.line != nullptr && n.line->kind == LineKind::both;
    const bool tri = all_tri_state(n);
    n.bus = n.wired != nullptr || tri || (both && !n.drivers.empty());
    if (from_fixture && !both && !n.drivers.empty() && n.wired == nullptr) {
      const Gate& gate = board_.circuit[static_cast<std::size_t>(n.drivers[0].first)];
      return input_error(
          at(gate),
          fmt::format("{} drives '{}', which is an input line that the fixture drives",
                      gate_name(gate), name),
          "make the line `out:` or `both:`, or name another net");
    }
    if (both && !n.drivers.empty() && !tri && n.wired == nullptr) {
      const Gate& gate = board_.circuit[static_cast<std::size_t>(n.drivers[0].first)];
      return input_error(
          at(gate),
          fmt::format("'{}' is bidirectional but {} always drives it", name, gate_name(gate)),
          "drive it through `gate: tri-state`, or say how it is wired");
    }
    if (n.drivers.size() > 1 && !n.bus) {
      const Gate& gate = board_.circuit[static_cast<std::size_t>(n.drivers[1].first)];
      const Gate& other = board_.circuit[static_cast<std::size_t>(n.drivers[0].first)];
      return input_error(at(gate),
                         fmt::format("net '{}' has {} drivers; the first is at {}", name,
                                     n.drivers.size(), at(other)),
                         "rename one, use tri-state drivers, or declare the net as wired");
    }
    if (!n.drivers.empty() || from_fixture || n.not_built) return {};
    if (n.wired != nullptr)
      return input_error(at(n.wired->mark), fmt::format("wired net '{}' has no driver", name),
                         "name a net that gates drive");
    if (n.line != nullptr && n.first_read_at.empty()) {
      return input_error(at(n.line->mark),
                         fmt::format("output line '{}' is driven by no gate of the circuit", name),
                         driver_remedy(name));
    }
    return input_error(n.first_read_at,
                       fmt::format("net '{}' is read here but nothing drives it", name),
                       driver_remedy(name));
  }

  std::string driver_remedy(const std::string& name) const {
    std::vector<std::string> driven;
    for (std::size_t i = 0; i < nets_.size() && driven.size() < kMaxNamesCompared; ++i)
      if (!nets_[i].drivers.empty() ||
          (nets_[i].line != nullptr && nets_[i].line->kind != LineKind::output))
        driven.push_back(out_.net_names[i]);
    const std::string near = nearest_name(name, driven);
    return near.empty() ? "add the gate that drives it, or list it under `not-built`"
                        : fmt::format("did you mean '{}'?", near);
  }

  std::size_t nodes_estimated() const {
    std::size_t sum = 0;
    for (const Net& n : nets_) sum += 3 + 2 * n.readers + n.drivers.size();
    return sum;
  }

  NodeId add(Op op, Site site, std::vector<NodeId> fanin = {}) {
    out_.op.push_back(op);
    out_.site.push_back(std::move(site));
    fanins_.push_back(std::move(fanin));
    out_.truth_of.push_back(-1);
    out_.weak.push_back(Bit::undriven);
    return static_cast<NodeId>(out_.op.size() - 1);
  }

  bool one_is_low(const files::Line& line) const {
    const auto family = board_.families.find(line.family);
    return family != board_.families.end() && family->second.one_is_low;
  }

  Bit pull_level(const files::Line& line) const {
    const std::optional<files::Load>& pull = line.pull ? line.pull : line.load;
    if (!pull) return Bit::undriven;
    bool high = false;
    for (const files::Rail& rail : board_.rails)
      high = high || (rail.name == pull->to && rail.nominal.value > 0.0);
    const bool inverted = one_is_low(line);
    return high != inverted ? Bit::one : Bit::zero;
  }

  void make_input_lines() {
    for (std::uint32_t i = 0; i < nets_.size(); ++i) {
      Net& n = nets_[i];
      if (n.line == nullptr || n.line->kind == LineKind::output) {
        if (n.not_built && n.drivers.empty())
          n.stem = n.raw = add(Op::unknown, {Site::Kind::inner, i, -1, ""});
        continue;
      }
      n.fixture = add(Op::input, {n.bus ? Site::Kind::inner : Site::Kind::stem, i, -1, ""});
      out_.weak[n.fixture] = n.bus ? Bit::undriven : pull_level(*n.line);
      if (n.bus)
        n.driver_nodes.push_back(n.fixture);
      else
        n.stem = n.raw = n.fixture;
    }
  }

  // The node that carries a gate's output: the net's stem, or one of the drivers of a shared net.
  void place_output(std::size_t g, const std::string& name, const char* pin, NodeId node) {
    Net& n = nets_[net(name)];
    const bool several = n.bus;
    const bool view = board_.circuit[g].build == kScanView;
    out_.site[node] = {view      ? Site::Kind::inner
                       : several ? Site::Kind::driver
                                 : Site::Kind::stem,
                       net(name), static_cast<std::int32_t>(g), pin};
    if (several)
      n.driver_nodes.push_back(node);
    else
      n.stem = n.raw = node;
  }

  void make_gate_outputs(std::size_t g) {
    const Gate& gate = board_.circuit[g];
    core_.emplace_back();
    if (gate.type == "table") {
      make_table(g);
      return;
    }
    const StateRule* state = state_rule(gate.type);
    const GateRule* plain = plain_rule(gate.type);
    const Op op = state != nullptr ? Op::state : plain != nullptr ? plain->op : Op::drive;
    const NodeId core = add(op, {Site::Kind::inner, 0, static_cast<std::int32_t>(g), ""});
    core_[g].push_back(core);
    if (state != nullptr)
      out_.states.push_back({state->kind, core, kNoNode, kNoNode, kNoNode, kNoNode, kNoNode});
    const std::string& shown = gate.outputs.empty() ? gate.inverse : gate.outputs.front();
    out_.site[core].net = net(shown);
    if (state == nullptr && gate.inverse.empty()) {
      place_output(g, shown, "out", core);
      return;
    }
    if (!gate.outputs.empty()) place_output(g, gate.outputs[0], "out", add(Op::buf, {}, {core}));
    if (!gate.inverse.empty()) place_output(g, gate.inverse, "inverse", add(Op::inv, {}, {core}));
  }

  void make_table(std::size_t g) {
    const Gate& gate = board_.circuit[g];
    const std::size_t inputs = gate.inputs.size();
    for (std::size_t o = 0; o < gate.outputs.size(); ++o) {
      Truth truth;
      truth.value.assign(std::size_t{1} << inputs, Bit::any);
      for (std::size_t m = 0; m < truth.value.size(); ++m) {
        for (const std::string& row : gate.table) {
          bool match = true;
          for (std::size_t i = 0; i < inputs && match; ++i) {
            const char wanted = row[i];
            const bool bit = ((m >> (inputs - 1 - i)) & 1u) != 0;
            match = wanted == 'x' || wanted == '-' || (wanted == '1') == bit;
          }
          if (!match) continue;
          const char value = row[row.rfind(' ') + 1 + o];
          truth.value[m] = value == '1' ? Bit::one : value == '0' ? Bit::zero : Bit::any;
          break;  // the first row that fits decides
        }
      }
      const NodeId node = add(Op::table, {});
      out_.truth_of[node] = static_cast<std::int32_t>(out_.truths.size());
      out_.truths.push_back(std::move(truth));
      core_[g].push_back(node);
      place_output(g, gate.outputs[o], "out", node);
    }
  }

  void make_shared_nets() {
    for (std::uint32_t i = 0; i < nets_.size(); ++i) {
      Net& n = nets_[i];
      if (!n.bus) continue;
      Op op = Op::bus_tri;
      if (n.wired != nullptr && n.wired->kind == files::WiredNet::Kind::wired_or) op = Op::bus_or;
      if (n.wired != nullptr && n.wired->kind == files::WiredNet::Kind::wired_and) op = Op::bus_and;
      n.raw = add(op, {Site::Kind::inner, i, -1, ""}, n.driver_nodes);
      if (n.line != nullptr) out_.weak[n.raw] = pull_level(*n.line);
      n.stem =
          add(Op::clean, {Site::Kind::stem, i, n.drivers.empty() ? -1 : n.drivers[0].first, "out"},
              {n.raw});
    }
  }

  void make_leads() {
    for (std::uint32_t i = 0; i < nets_.size(); ++i) {
      out_.net_node.push_back(nets_[i].stem);
      out_.net_raw.push_back(nets_[i].raw);
    }
    for (const files::Line& line : board_.lines) {
      if (line.kind == LineKind::probe) continue;
      const std::uint32_t i = net(line.name);
      Net& n = nets_[i];
      const Bit high = one_is_low(line) ? Bit::zero : Bit::one;
      if (line.kind != LineKind::output)
        out_.inputs.push_back(
            {line.name, n.fixture, n.raw, line.kind == LineKind::clock, line.rest, high});
      if (line.kind != LineKind::output && line.kind != LineKind::both) continue;
      if (line.kind == LineKind::both && n.drivers.empty()) continue;
      NodeId shown = n.stem;
      if (n.readers > 1) shown = add(Op::buf, {Site::Kind::lead, i, -1, ""}, {n.stem});
      out_.outputs.push_back({line.name, shown, n.raw, false, Bit::any, high});
    }
  }

  // The node through which a pin reads its net: a branch where the net has several readers.
  NodeId pin_node(std::size_t g, const Pin& pin) {
    const std::uint32_t i = net(*pin.net);
    Net& n = nets_[i];
    NodeId node = n.stem;
    if (n.readers > 1)
      node = add(Op::buf, {Site::Kind::branch, i, static_cast<std::int32_t>(g), pin.name}, {node});
    if (pin.inverted)
      node = add(Op::inv, {Site::Kind::inner, i, static_cast<std::int32_t>(g), pin.name}, {node});
    return node;
  }

  Status connect_gate(std::size_t g) {
    const Gate& gate = board_.circuit[g];
    std::vector<NodeId> data;
    NodeId clock = kNoNode, enable = kNoNode, set = kNoNode, clear = kNoNode;
    for (const Pin& pin : read_pins(gate)) {
      const NodeId node = pin_node(g, pin);
      if (pin.name == "clock")
        clock = node;
      else if (pin.name == "enable")
        enable = node;
      else if (pin.name == "set")
        set = node;
      else if (pin.name == "clear")
        clear = node;
      else
        data.push_back(node);
    }
    if (gate.type == "tri-state") data.push_back(enable);
    const StateRule* state = state_rule(gate.type);
    if (state == nullptr) {
      for (const NodeId core : core_[g]) fanins_[core] = data;
      return {};
    }
    StateElement& element = out_.states[state_at_++];
    if (data.empty())
      data.push_back(add(Op::one, {Site::Kind::inner, out_.site[element.node].net, -1, ""}));
    element.a = data[0];
    if (data.size() > 1) element.b = data[1];
    element.clock = state->needs_enable ? enable : clock;
    if (gate.falling_edge && state->needs_clock)
      element.clock = add(
          Op::inv,
          {Site::Kind::inner, out_.site[element.clock].net, static_cast<std::int32_t>(g), "clock"},
          {element.clock});
    element.set = set;
    element.clear = clear;
    return {};
  }

  // Depth-first topological order without recursion; a back edge closes a loop of gates.
  std::vector<NodeId> topological() {
    enum : std::uint8_t { fresh, open, done };
    std::vector<std::uint8_t> mark(fanins_.size(), fresh);
    std::vector<NodeId> sequence;
    sequence.reserve(fanins_.size());
    std::vector<std::pair<NodeId, std::size_t>> stack;
    for (NodeId root = 0; root < fanins_.size(); ++root) {
      if (mark[root] != fresh) continue;
      stack.push_back({root, 0});
      mark[root] = open;
      while (!stack.empty()) {
        auto& [node, next] = stack.back();
        if (next == fanins_[node].size()) {
          mark[node] = done;
          sequence.push_back(node);
          stack.pop_back();
          continue;
        }
        const NodeId child = fanins_[node][next++];
        if (mark[child] == open) out_.has_loops = true;
        if (mark[child] != fresh) continue;
        mark[child] = open;
        stack.push_back({child, 0});
      }
    }
    return sequence;
  }

  void order() {
    const std::vector<NodeId> sequence = topological();
    std::vector<NodeId> place(sequence.size());
    for (NodeId i = 0; i < sequence.size(); ++i) place[sequence[i]] = i;
    Netlist in = std::move(out_);
    out_ = Netlist{};
    out_.has_loops = in.has_loops;
    out_.truths = std::move(in.truths);
    out_.gates = std::move(in.gates);
    out_.net_names = std::move(in.net_names);
    out_.net_index = std::move(in.net_index);
    const auto moved = [&](NodeId n) { return n == kNoNode ? kNoNode : place[n]; };
    for (const NodeId old : sequence) {
      out_.op.push_back(in.op[old]);
      out_.site.push_back(std::move(in.site[old]));
      out_.truth_of.push_back(in.truth_of[old]);
      out_.weak.push_back(in.weak[old]);
      out_.fanin_begin.push_back(static_cast<std::uint32_t>(out_.fanin.size()));
      for (const NodeId f : fanins_[old]) out_.fanin.push_back(moved(f));
    }
    out_.fanin_begin.push_back(static_cast<std::uint32_t>(out_.fanin.size()));
    make_fanout();
    for (StateElement s : in.states)
      out_.states.push_back({s.kind, moved(s.node), moved(s.a), moved(s.b), moved(s.clock),
                             moved(s.set), moved(s.clear)});
    for (const NodeId n : in.net_node) out_.net_node.push_back(moved(n));
    for (const NodeId n : in.net_raw) out_.net_raw.push_back(moved(n));
    for (auto* list : {&in.inputs, &in.outputs})
      for (Netlist::Terminal& t : *list) {
        t.node = moved(t.node);
        t.raw = moved(t.raw);
      }
    out_.inputs = std::move(in.inputs);
    out_.outputs = std::move(in.outputs);
  }

  void make_fanout() {
    const std::size_t n = out_.op.size();
    out_.fanout_begin.assign(n + 1, 0);
    for (const NodeId f : out_.fanin) ++out_.fanout_begin[f + 1];
    std::partial_sum(out_.fanout_begin.begin(), out_.fanout_begin.end(), out_.fanout_begin.begin());
    out_.fanout.resize(out_.fanin.size());
    std::vector<std::uint32_t> next(out_.fanout_begin.begin(), out_.fanout_begin.end() - 1);
    for (NodeId i = 0; i < n; ++i)
      for (std::uint32_t k = out_.fanin_begin[i]; k < out_.fanin_begin[i + 1]; ++k)
        out_.fanout[next[out_.fanin[k]]++] = i;
  }

  const files::Board& board_;
  Netlist out_;
  std::vector<Net> nets_;
  std::vector<std::vector<NodeId>> fanins_;
  std::vector<std::vector<NodeId>> core_;  // per gate: the node (per table output) that computes it
  std::size_t state_at_ = 0;
};

}  // namespace

Result<Netlist> build_netlist(const files::Board& board) {
  return Builder(board).build();
}

bool Netlist::combinational() const {
  if (has_loops || !states.empty()) return false;
  for (const Truth& truth : truths)
    if (std::count(truth.value.begin(), truth.value.end(), Bit::any) != 0) return false;
  return std::none_of(op.begin(), op.end(), [](Op o) {
    return o == Op::drive || o == Op::bus_tri || o == Op::bus_or || o == Op::bus_and ||
           o == Op::unknown;
  });
}

std::optional<std::uint32_t> Netlist::find_net(const std::string& name) const {
  const auto found = net_index.find(name);
  if (found == net_index.end()) return std::nullopt;
  return found->second;
}

std::string Netlist::label(NodeId node) const {
  const Site& s = site[node];
  const std::string& net = net_names[s.net];
  if (s.kind == Site::Kind::lead) return net + " lead";
  if (s.gate < 0) return net;
  const files::Gate& gate = gates[static_cast<std::size_t>(s.gate)];
  if (s.kind == Site::Kind::driver) return fmt::format("{} from gate {}", net, s.gate + 1);
  if (s.kind != Site::Kind::branch) return net;
  return fmt::format("{} at {}.{}", net, gate.outputs.empty() ? gate.inverse : gate.outputs[0],
                     s.pin);
}

std::vector<std::string> Netlist::parts_of(NodeId node) const {
  const Site& s = site[node];
  if (s.gate < 0) return {};
  const files::Gate& gate = gates[static_cast<std::size_t>(s.gate)];
  const auto pin = gate.pin_parts.find(s.pin);
  if (pin != gate.pin_parts.end()) return {pin->second};
  return gate.parts;
}

}  // namespace tenterhook::circuit
