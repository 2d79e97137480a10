#include "host/commands/coverage_report.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

namespace tenterhook::commands {
namespace {

using circuit::Coverage;
using circuit::Fault;
using circuit::Netlist;
using circuit::Site;

// "Y.in1" for a pin, "Q0 lead" for a lead; empty for a net as a whole.
std::string pin_of(const Netlist& netlist, circuit::NodeId node) {
  const Site& site = netlist.site[node];
  const std::string label = netlist.label(node);
  const std::string& net = netlist.net_of(node);
  if (site.kind == Site::Kind::branch) return label.substr(net.size() + 4);  // after "NET at "
  return label == net ? std::string{} : label;
}

std::string join(const std::vector<std::string>& words) {
  return fmt::format("{}", fmt::join(words, ", "));
}

}  // namespace

void add_coverage(nlohmann::ordered_json& json, const Netlist& netlist, const files::Board& board,
                  const Coverage& c) {
  json["faults"] = c.list.uncollapsed.size();
  json["collapsed"] = c.list.representatives.size();
  json["detected"] = c.detected();
  json["untestable"] = c.untestable_count();
  json["coverage"] = c.coverage();
  json["missed"] = nlohmann::ordered_json::array();
  for (std::size_t i = 0; i < c.first_step.size(); ++i) {
    if (c.first_step[i] >= 0 || c.untestable[i] != 0) continue;
    const Fault& fault = c.list.representatives[i];
    nlohmann::ordered_json one{{"net", netlist.net_of(fault.at)},
                               {"fault", circuit::fault_name(netlist, board, fault)}};
    if (const std::string pin = pin_of(netlist, fault.at); !pin.empty()) one["at"] = pin;
    if (const auto parts = netlist.parts_of(fault.at); !parts.empty()) one["parts"] = parts;
    if (c.gave_up[i] != 0) one["unproved"] = true;
    json["missed"].push_back(std::move(one));
  }
}

std::string coverage_sentence(const Coverage& c) {
  const std::size_t untestable = c.untestable_count(),
                    testable = c.list.representatives.size() - untestable;
  // Rounded down: 100 % only when nothing is missed.
  const double percent = static_cast<double>(static_cast<long>(1000.0 * c.coverage())) / 10.0;
  std::string text =
      fmt::format("{} of {} testable faults ({} %)", c.detected(), testable, percent);
  if (untestable > 0) text += fmt::format("; {} cannot be caught by any vectors", untestable);
  return text;
}

std::string missed_text(const Netlist& netlist, const files::Board& board, const Coverage& c,
                        std::size_t lines_max) {
  std::string text;
  std::size_t lines = 0, more = 0;
  for (std::size_t i = 0; i < c.first_step.size(); ++i) {
    if (c.first_step[i] >= 0 || c.untestable[i] != 0) continue;
    if (lines++ >= lines_max) {
      ++more;
      continue;
    }
    const Fault& fault = c.list.representatives[i];
    text += fmt::format("  missed: {} {}", netlist.label(fault.at),
                        circuit::fault_name(netlist, board, fault));
    const auto parts = netlist.parts_of(fault.at);
    if (!parts.empty()) text += fmt::format(" ({})", join(parts));
    text += "\n";
  }
  if (more > 0) text += fmt::format("  and {} more (--json lists them all)\n", more);
  return text;
}

}  // namespace tenterhook::commands
