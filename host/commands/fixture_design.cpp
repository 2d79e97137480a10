#include "host/commands/fixture_design.h"

#include <fmt/format.h>

#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>

#include "host/commands/output.h"
#include "host/predict/front_end.h"

namespace tenterhook::commands {
namespace {

using nlohmann::ordered_json;
using predict::ErrorBudget;
using predict::FrontEnd;

// "-15V..60V", "-15 V..60 V", "-15..60V".
Result<predict::FrontEndRequest> read_span(const std::string& text) {
  const Error bad =
      input_error("--span", fmt::format("\"{}\" is not a span", text), "write -15V..60V");
  const auto dots = text.find("..");
  if (dots == std::string::npos) return bad;
  double ends[2];
  const std::string parts[2] = {text.substr(0, dots), text.substr(dots + 2)};
  for (int i = 0; i < 2; ++i) {
    std::size_t used = 0;
    try {
      ends[i] = std::stod(parts[i], &used);
    } catch (const std::exception&) {
      return bad;
    }
    std::string unit = parts[i].substr(used);
    unit.erase(0, unit.find_first_not_of(' ') == std::string::npos ? unit.size()
                                                                   : unit.find_first_not_of(' '));
    const bool last = i == 1;
    if (unit != "V" && (last || !unit.empty())) return bad;
  }
  predict::FrontEndRequest request;
  request.low = Volts{ends[0]};
  request.high = Volts{ends[1]};
  return request;
}

// Leads at which the budget is shown: both ends, 0 V, the middle.
std::vector<ErrorBudget> budgets(const FrontEnd& f, bool calibrated) {
  std::vector<ErrorBudget> out;
  const double middle = (f.span_min.value + f.span_max.value) / 2;
  for (double v : {f.span_min.value, 0.0, middle, f.span_max.value}) {
    out.push_back(predict::error_budget(f, Volts{v}, calibrated));
  }
  return out;
}

ordered_json json_of(const std::vector<ErrorBudget>& all) {
  ordered_json out = ordered_json::array();
  for (const ErrorBudget& b : all) {
    ordered_json sources;
    for (const auto& s : b.sources) sources[s.cause] = s.most.value;
    out.push_back({{"lead", b.lead.value},
                   {"worst", b.worst.value},
                   {"U", b.expanded.value},
                   {"sources", sources}});
  }
  return out;
}

ordered_json json_of(const FrontEnd& f) {
  ordered_json contacts = ordered_json::array();
  for (const auto& load : predict::bus_loads()) {
    ordered_json row{{"bus", load.name}};
    for (auto [name, ohms] : {std::pair{"open", std::numeric_limits<double>::infinity()},
                              {"470 kohm", 470e3},
                              {"100 kohm", 100e3},
                              {"10 kohm", 10e3},
                              {"short", 1.0}}) {
      row[name] = predict::lead_volts(f, Volts{0.0}, Ohms{ohms}, load).value;
    }
    contacts.push_back(row);
  }
  return {{"r_top", f.parts.r_top.value},
          {"c_top", f.parts.c_top.value},
          {"r_ref", f.r_ref.value},
          {"r_ground", f.r_ground.value},
          {"c_ground", f.c_ground.value},
          {"aref", f.parts.aref.value},
          {"thevenin", f.thevenin.value},
          {"input", f.input.value},
          {"offset", f.offset.value},
          {"per_count", f.per_count.value},
          {"span", {f.span_min.value, f.span_max.value}},
          {"linear_from", f.linear_from.value},
          {"open_reads", f.open_reads.value},
          {"rise_s", f.rise.value},
          {"noise", f.noise.value},
          {"clamp_steady", f.clamp_steady.value},
          {"clamp_peak", f.clamp_peak.value},
          {"contact_check", contacts},
          {"uncalibrated", json_of(budgets(f, false))},
          {"calibrated", json_of(budgets(f, true))}};
}

std::string budget_text(const FrontEnd& f) {
  std::string out;
  for (bool calibrated : {false, true}) {
    out += calibrated ? "Error, calibrated at two points\n"
                      : "Error, not calibrated (parts at their tolerances)\n";
    for (const ErrorBudget& b : budgets(f, calibrated)) {
      out += fmt::format("  at {:>7.2f} V: worst {:.3f} V, U (95 %) {:.3f} V", b.lead.value,
                         b.worst.value, b.expanded.value);
      const predict::ErrorSource* largest = &b.sources[0];
      for (const auto& s : b.sources) {
        if (s.most > largest->most) largest = &s;
      }
      out += fmt::format("; most from {} ({:.3f} V)\n", largest->cause, largest->most.value);
    }
  }
  return out;
}

std::string text_of(const FrontEnd& f) {
  const auto fitted = [](Ohms r) { return r.value > 0.0 ? text(r) : std::string("not fitted"); };
  std::string out;
  out += fmt::format("Parts (0.1 %, 25 ppm/K; capacitors 2 % C0G)\n");
  out += fmt::format("  lead to node       {} parallel {}\n", text(f.parts.r_top),
                     engineering(f.parts.c_top.value, "F"));
  out += fmt::format("  node to AREF       {} (AREF {} V)\n", fitted(f.r_ref), f.parts.aref.value);
  out += fmt::format("  node to ground     {} parallel {}\n", fitted(f.r_ground),
                     f.c_ground.value > 0.0 ? engineering(f.c_ground.value, "F") : "nothing");
  out += fmt::format("  node to buffer     {}\n", text(f.parts.r_series));
  out += fmt::format(
      "Reads\n  volts = {:.3f} V + {:.3f} mV x count; span {:.2f} V to {:.2f} V, straight from "
      "{:.2f} V\n",
      f.offset.value, f.per_count.value * 1e3, f.span_min.value, f.span_max.value,
      f.linear_from.value);
  out += fmt::format("  an open lead reads {:.3f} V; a lead sees {} to that voltage\n",
                     f.open_reads.value, text(f.input));
  out += fmt::format(
      "  own rise time {:.0f} ns (10 to 90 %, capacitors matched); thermal noise {:.2f} mV rms\n",
      f.rise.value * 1e9, f.noise.value * 1e3);
  out += fmt::format(
      "  {:.0f} V with the power off: {:.0f} uA into the buffer's clamp, {:.1f} mA at a step\n",
      f.parts.fault.value, f.clamp_steady.value * 1e6, f.clamp_peak.value * 1e3);
  out += budget_text(f);
  out += "Contact check: a lead to ground through\n";
  out += fmt::format("  {:<20}{:>9}{:>11}{:>11}{:>10}{:>9}\n", "test bus", "nothing", "470 kohm",
                     "100 kohm", "10 kohm", "0 ohm");
  for (const auto& load : predict::bus_loads()) {
    out += fmt::format("  {:<20}", load.name);
    int width = 9;
    for (double ohms : {std::numeric_limits<double>::infinity(), 470e3, 100e3, 10e3, 1.0}) {
      out += fmt::format(
          "{:>{}}",
          fmt::format("{:.2f} V", predict::lead_volts(f, Volts{0.0}, Ohms{ohms}, load).value),
          width);
      width = ohms > 200e3 ? 11 : ohms > 50e3 ? 10 : 9;
    }
    out += '\n';
  }
  return out;
}

}  // namespace

int fixture_design(const FixtureDesignOptions& options) {
  auto request = read_span(options.span);
  if (!request) return tell(request.error());
  auto design = predict::design_front_end(*request);
  if (!design) return tell(design.error());
  if (!options.json.empty()) {
    if (auto done = write_text(options.json, json_of(*design).dump(2) + "\n"); !done)
      return tell(done.error());
  }
  if (options.json != "-") fmt::print("{}", text_of(*design));
  return kExitPass;
}

}  // namespace tenterhook::commands
