#include "host/commands/predict.h"

#include <fmt/format.h>

#include <cmath>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "host/commands/output.h"
#include "host/predict/prediction.h"

namespace tenterhook::commands {
namespace {

using nlohmann::ordered_json;
using predict::Edges;
using predict::Levels;
using predict::OutputPrediction;
using predict::Prediction;
using predict::Times;

constexpr std::size_t kSensitivitiesShown = 10;

ordered_json json_of(const Levels& l) {
  ordered_json j;
  if (!l.state.empty()) j["state"] = l.state;
  j["level"] = l.high ? "high" : "low";
  j["nominal"] = l.nominal;
  j["min"] = l.min;
  j["max"] = l.max;
  if (!l.state.empty()) {
    j["mean"] = l.mean;
    j["deviation"] = l.deviation;
  }
  j["window"] = {l.from, l.to};
  j["worst"] = {l.worst_from, l.worst_to};
  j["corners"] = {l.corner_from, l.corner_to};
  return j;
}

ordered_json json_of(const Times& t) {
  return {{"nominal", t.nominal}, {"min", t.min}, {"max", t.max}};
}

ordered_json json_of(const OutputPrediction& o) {
  ordered_json j{{"output", o.name}};
  for (const Levels& l : o.states) j["states"].push_back(json_of(l));
  j["low"] = o.low ? json_of(*o.low) : ordered_json();
  j["high"] = o.high ? json_of(*o.high) : ordered_json();
  const auto band = [](const std::optional<predict::Band>& b) {
    return b ? ordered_json{{"band", {b->from, b->to}}, {"min", b->min}, {"max", b->max}} : ordered_json();
  };
  j["bench_low"] = band(o.bench_low);
  j["bench_high"] = band(o.bench_high);
  j["margin_low"] = o.margin_low ? ordered_json(*o.margin_low) : ordered_json();
  j["margin_high"] = o.margin_high ? ordered_json(*o.margin_high) : ordered_json();
  j["wrong"] = o.wrong;
  j["sensitivities"] = ordered_json::array();
  for (const auto& s : o.sensitivities) {
    j["sensitivities"].push_back(
        {{"quantity", s.quantity}, {"low_volts", s.low_volts}, {"high_volts", s.high_volts}});
  }
  j["fan_out"] = ordered_json::array();
  for (const auto& f : o.fan_out) {
    j["fan_out"].push_back({{"receivers", f.receivers},
                            {"low", f.low},
                            {"high", f.high},
                            {"margin_low", f.margin_low},
                            {"margin_high", f.margin_high}});
  }
  return j;
}

ordered_json json_of(const Prediction& p) {
  ordered_json j{{"predict", p.name},
                 {"samples", p.samples},
                 {"seed", p.seed},
                 {"share", p.share},
                 {"threshold", p.threshold}};
  for (const auto& o : p.outputs) j["outputs"].push_back(json_of(o));
  j["edges"] = ordered_json::array();
  for (const Edges& e : p.edges) {
    j["edges"].push_back({{"output", e.output},
                          {"state", e.state},
                          {"inverts", e.inverts},
                          {"rise_s", json_of(e.rise)},
                          {"fall_s", json_of(e.fall)},
                          {"delay_rise_s", json_of(e.delay_rise)},
                          {"delay_fall_s", json_of(e.delay_fall)},
                          {"toggle_hz", e.toggle_hertz}});
  }
  j["families"] = p.families;
  return j;
}

std::string levels_text(const Prediction& p) {
  std::string out = fmt::format("{:<8}{:<8}{:>9}{:>20}{:>20}{:>20}\n", "output", "inputs",
                                "nominal", fmt::format("{:g} % of specimens", p.share * 100),
                                "worst case", "supply corners");
  for (const auto& o : p.outputs) {
    for (const Levels& l : o.states) {
      out += fmt::format("{:<8}{:<8}{:>7.2f} V{:>20}{:>20}{:>20}\n", o.name, l.state, l.nominal,
                         fmt::format("{:.2f} to {:.2f} V", l.from, l.to),
                         fmt::format("{:.2f} to {:.2f} V", l.worst_from, l.worst_to),
                         fmt::format("{:.2f} to {:.2f} V", l.corner_from, l.corner_to));
    }
  }
  return out;
}

std::string outputs_text(const Prediction& p) {
  std::string out;
  for (const auto& o : p.outputs) {
    if (o.wrong > 0) {
      out += fmt::format("{}: {} specimens fall on the wrong side of {:.2f} V\n", o.name, o.wrong,
                         p.threshold);
    }
    if (o.margin_low && o.margin_high) {
      out += fmt::format("{}: margin {:.2f} V low, {:.2f} V high\n", o.name, *o.margin_low,
                         *o.margin_high);
    }
    if (!o.sensitivities.empty()) {
      out += fmt::format("{}: {} matters most\n", o.name, o.sensitivities[0].quantity);
      for (std::size_t i = 0; i < o.sensitivities.size() && i < kSensitivitiesShown; ++i) {
        const auto& s = o.sensitivities[i];
        if (std::fabs(s.low_volts) < 5e-4 && std::fabs(s.high_volts) < 5e-4) break;
        out += fmt::format("    {:<20} low {:>8.3f} V   high {:>8.3f} V, limit to limit\n",
                           s.quantity, s.low_volts, s.high_volts);
      }
    }
    for (const auto& f : o.fan_out) {
      out += fmt::format(
          "    {} receivers: low {:.2f} V, high {:.2f} V, margins {:.2f} and {:.2f} V\n",
          f.receivers, f.low, f.high, f.margin_low, f.margin_high);
    }
  }
  return out;
}

std::string edges_text(const Prediction& p) {
  std::string out;
  const auto us = [](const Times& t) {
    return fmt::format("{:.2f} us ({:.2f} to {:.2f})", t.nominal * 1e6, t.min * 1e6, t.max * 1e6);
  };
  for (const Edges& e : p.edges) {
    out += fmt::format(
        "{} on the bench, inputs {}: rise {}, fall {}\n    delay to the rising edge {}, to the falling edge "
        "{}; "
        "toggles up to {:.0f} kHz\n",
        e.output, e.state, us(e.rise), us(e.fall), us(e.delay_rise), us(e.delay_fall),
        e.toggle_hertz / 1e3);
  }
  return out;
}

int list_models() {
  for (const auto& entry : predict::library_entries()) {
    fmt::print("{:<8} {:<7} {}\n", entry.name, entry.kind, entry.note);
  }
  return kExitPass;
}

}  // namespace

int predict(const PredictOptions& options) {
  if (options.models) return list_models();
  if (options.netlist.empty()) {
    return tell(input_error("predict", "no netlist was named", "tenterhook predict GATE.cir"));
  }
  auto question = predict::read_question(options.netlist);
  if (!question) return tell(question.error());
  if (options.samples) question->settings.samples = *options.samples;
  if (options.seed) question->settings.seed = *options.seed;
  if (question->settings.samples < 1) {
    return tell(input_error("--samples", "at least one specimen is needed"));
  }
  predict::Simulator simulator;
  auto result = predict::predict(*question, simulator);
  if (!result) return tell(result.error());
  if (!options.json.empty()) {
    if (auto done = write_text(options.json, json_of(*result).dump(2) + "\n"); !done)
      return tell(done.error());
  }
  if (!options.out.empty()) {
    if (auto done = write_text(options.out, result->families); !done) return tell(done.error());
  }
  if (!options.quiet && options.json != "-" && options.out != "-") {
    fmt::print("{}: {} specimens, seed {}\n{}{}{}\n{}", result->name, result->samples, result->seed,
               levels_text(*result), outputs_text(*result), edges_text(*result), result->families);
  }
  return kExitPass;
}

}  // namespace tenterhook::commands
