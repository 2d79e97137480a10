#include "host/diagnose/reasons.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>

namespace tenterhook::diagnose {
namespace {

using circuit::Netlist;
using files::Bit;

constexpr std::size_t kLinesTold = 3;

std::string list_of(const std::vector<std::string>& items, const char* last) {
  std::string text;
  for (std::size_t i = 0; i < items.size(); ++i)
    text += (i == 0 ? "" : i + 1 == items.size() ? fmt::format(" {} ", last) : ", ") + items[i];
  return text;
}

const files::Gate* driver_of(const Netlist& n, const std::string& net) {
  for (const files::Gate& gate : n.gates) {
    if (gate.inverse == net) return &gate;
    if (std::find(gate.outputs.begin(), gate.outputs.end(), net) != gate.outputs.end())
      return &gate;
  }
  return nullptr;
}

// "d2 = 1 and PICK", as a good board would have it after these machines' last step.
std::string asked_of(const Netlist& n, const circuit::Machines& good, const std::string& net,
                     const circuit::SequenceStep& step) {
  const files::Gate* gate = driver_of(n, net);
  if (gate == nullptr) return "";
  std::vector<std::string> items;
  for (const std::string& in : gate->inputs) {
    const auto index = n.find_net(in);
    if (!index || n.net_node[*index] == circuit::kNoNode) continue;
    const Bit bit = good.read(n.net_node[*index], 0);
    if (gate->clock.net.empty() && (bit == Bit::zero || bit == Bit::one))
      items.push_back(fmt::format("{} = {}", in, files::letter(bit)));
    if (!gate->clock.net.empty()) items.push_back(in);  // after the pulse its level may be another
  }
  if (items.size() > 4) return "its inputs";
  for (const auto& [input, count] : step.pulse)
    if (n.inputs[input].line == gate->clock.net) items.push_back(n.inputs[input].line);
  return list_of(items, "and");
}

}  // namespace

Complaint::Complaint(const Netlist& netlist, const std::vector<circuit::SequenceStep>& steps,
                     const Observed& seen) {
  std::map<std::uint32_t, std::size_t> at;
  circuit::Machines good(netlist);
  good.power_up();
  good.settle();
  std::size_t played = 0;
  for (const Sighting& s : seen.sightings) {
    for (; played <= s.step; ++played) circuit::apply_step(good, steps[played]);
    if (!s.wrong) continue;
    const bool one = s.expected == Bit::one;
    if (const auto found = at.find(s.output); found != at.end()) {
      WrongLine& line = lines_[found->second];
      ++line.wrong;
      line.always_same = line.always_same && line.one_wanted == one;
      continue;
    }
    at[s.output] = lines_.size();
    WrongLine line;
    line.line = netlist.outputs[s.output].line;
    line.reads = fmt::format("{:.2f} V in step {}", s.volts, s.step);
    line.asked = asked_of(netlist, good, line.line, steps[s.step]);
    line.wrong = 1;
    line.one_wanted = one;
    lines_.push_back(line);
  }
  for (const Sighting& s : seen.sightings)
    if (const auto found = at.find(s.output); found != at.end() && s.expected != Bit::any)
      ++lines_[found->second].judged;
}

std::string Complaint::story() const {
  std::vector<std::string> told;
  for (std::size_t i = 0; i < lines_.size() && i < kLinesTold; ++i) {
    const WrongLine& l = lines_[i];
    told.push_back(fmt::format(
        "{} reads {}{} ({} of {} readings wrong)", l.line, l.reads,
        l.asked.empty()
            ? fmt::format(" and should be a {}", l.one_wanted ? 1 : 0)
            : fmt::format(
                  " although {} ask{} for a {}", l.asked,
                  l.asked.find(" and ") == std::string::npos && l.asked != "its inputs" ? "s" : "",
                  l.one_wanted ? 1 : 0),
        l.wrong, l.judged));
  }
  if (lines_.size() > kLinesTold)
    told.push_back(fmt::format("{} more lines are wrong", lines_.size() - kLinesTold));
  return list_of(told, "and");
}

std::string Complaint::why(const std::vector<const Hypothesis*>& causes) const {
  std::vector<std::string> said;
  for (const Hypothesis* cause : causes) {
    const std::string where = cause->parts.empty()
                                  ? fmt::format("the wire or lead of {}", cause->net)
                                  : list_of(cause->parts, "or");
    said.push_back(fmt::format("{} {}: {}", cause->net, cause->fault, where));
  }
  return fmt::format("{}; {} would show just that", story(), list_of(said, "together with"));
}

}  // namespace tenterhook::diagnose
