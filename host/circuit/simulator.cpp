#include "host/circuit/simulator.h"

#include <fmt/format.h>

#include <map>

#include "host/base/nearest.h"
#include "host/circuit/machines.h"
#include "host/circuit/netlist.h"

namespace tenterhook::circuit {

using files::Bit;

// The machines point into the netlist, so both live at one fixed address.
struct Simulator::State {
  explicit State(Netlist n) : netlist(std::move(n)), machines(netlist) {
    for (std::size_t i = 0; i < netlist.inputs.size(); ++i) input_of[netlist.inputs[i].line] = i;
    for (std::size_t i = 0; i < netlist.inputs.size(); ++i) names.push_back(netlist.inputs[i].line);
  }
  Netlist netlist;
  Machines machines;
  std::map<std::string, std::size_t> input_of;
  std::vector<std::string> names;
  std::vector<Bit> driven;  // per input: what the fixture gives
};

Simulator::Simulator(std::unique_ptr<State> state) : state_(std::move(state)) {}
Simulator::Simulator(Simulator&&) noexcept = default;
Simulator& Simulator::operator=(Simulator&&) noexcept = default;
Simulator::~Simulator() = default;

Result<Simulator> Simulator::make(const files::Board& board) {
  if (board.circuit.empty())
    return input_error(board.path, fmt::format("board '{}' describes no circuit", board.name),
                       "add `circuit:` with its gates, or write the expected levels out");
  Result<Netlist> netlist = build_netlist(board);
  if (!netlist.ok()) return netlist.error();
  Simulator made(std::make_unique<State>(netlist.take()));
  made.power_up();
  return made;
}

void Simulator::power_up() {
  state_->machines.power_up();
  state_->driven.clear();
  for (const Netlist::Terminal& t : state_->netlist.inputs) state_->driven.push_back(t.rest);
  state_->machines.settle();
}

Status Simulator::set(const std::vector<std::pair<std::string, Bit>>& lines) {
  for (const auto& [line, bit] : lines) {
    const auto found = state_->input_of.find(line);
    if (found == state_->input_of.end()) {
      const std::string near = nearest_name(line, state_->names);
      return input_error({}, fmt::format("'{}' is not a line that the fixture can drive", line),
                         near.empty() ? std::string{} : fmt::format("did you mean '{}'?", near));
    }
    state_->machines.set(found->second, bit);
    state_->driven[found->second] = bit;
  }
  state_->machines.settle();
  return {};
}

Status Simulator::pulse(const std::string& clock, int count) {
  const auto found = state_->input_of.find(clock);
  if (found == state_->input_of.end() || !state_->netlist.inputs[found->second].clock)
    return input_error({}, fmt::format("'{}' is not a clock line", clock),
                       "declare it as `{clock: FAMILY}`");
  state_->machines.pulse(found->second, count);
  return {};
}

Status Simulator::step(const files::Step& step) {
  TH_TRY(set(step.set));
  for (const files::Pulse& p : step.pulse) {
    TH_TRY(pulse(p.line, p.count));
  }
  return {};
}

bool Simulator::has_net(const std::string& net) const {
  const auto index = state_->netlist.find_net(net);
  return index && state_->netlist.net_node[*index] != kNoNode;
}

Result<Bit> Simulator::read(const std::string& net) const {
  const Netlist& netlist = state_->netlist;
  const auto index = netlist.find_net(net);
  if (!index || netlist.net_node[*index] == kNoNode) {
    const std::string near = nearest_name(net, netlist.net_names);
    return input_error({}, fmt::format("the circuit has no net '{}'", net),
                       near.empty() ? std::string{} : fmt::format("did you mean '{}'?", near));
  }
  const NodeId raw = netlist.net_raw[*index];
  return state_->machines.read(raw, 0);
}

std::vector<std::pair<std::string, Bit>> Simulator::outputs() const {
  std::vector<std::pair<std::string, Bit>> levels;
  for (std::size_t o = 0; o < state_->netlist.outputs.size(); ++o) {
    const std::string& line = state_->netlist.outputs[o].line;
    const auto input = state_->input_of.find(line);
    if (input != state_->input_of.end() && state_->driven[input->second] != Bit::undriven) continue;
    levels.push_back({line, state_->machines.read_output(o, 0)});
  }
  return levels;
}

std::vector<std::string> Simulator::contentions() const {
  const Netlist& netlist = state_->netlist;
  std::vector<std::string> lines;
  for (std::size_t i = 0; i < netlist.inputs.size(); ++i) {
    const Netlist::Terminal& t = netlist.inputs[i];
    if (t.raw == t.node || state_->driven[i] == Bit::undriven) continue;
    for (std::uint32_t k = netlist.fanin_begin[t.raw]; k < netlist.fanin_begin[t.raw + 1]; ++k) {
      const NodeId driver = netlist.fanin[k];
      const Bit given = state_->machines.read(driver, 0);
      if (driver == t.node || given == Bit::undriven) continue;
      // On a wired net the passive level gives way to any driver.
      if (netlist.op[t.raw] == Op::bus_or && given == Bit::zero) continue;
      if (netlist.op[t.raw] == Op::bus_and && given == Bit::one) continue;
      lines.push_back(t.line);
      break;
    }
  }
  return lines;
}

}  // namespace tenterhook::circuit
