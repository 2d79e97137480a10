#include "host/commands/show.h"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <vector>

#include "host/commands/output.h"
#include "host/commands/review.h"
#include "host/measure/explain.h"
#include "host/report/json.h"
#include "host/report/tables.h"
#include "host/report/terminal.h"
#include "host/timing/vcd.h"

namespace tenterhook::commands {

namespace {

// The budget of the line's widest reading, from the channel model that the run kept.
std::string budget_of(const record::RunRecord& run, const std::string& line) {
  const auto models = run.sections.find("channels");
  if (models == run.sections.end()) return "";
  const measure::Reading* widest = nullptr;
  int at = 0;
  for (const record::StepRecord& step : run.steps) {
    for (const measure::Reading& r : step.readings) {
      if (r.line != line || r.counts.n == 0 || (widest && r.U <= widest->U)) continue;
      widest = &r;
      at = step.index;
    }
  }
  if (!widest) return "";
  const auto model = measure::model_from_json(models->second, widest->channel);
  if (!model) return "";
  return fmt::format("\n  Uncertainty budget of the reading with the largest U (step {}, sense.{}):\n", at, widest->channel) +
         measure::budget_table(measure::estimate(widest->counts, *model));
}

// The edges that a timing study sampled, from the section that the run kept; empty when it kept none.
std::string vcd_of(const record::RunRecord& run) {
  using nlohmann::json;
  const auto section = run.sections.find("timing");
  if (section == run.sections.end()) return "";
  const json study = json::parse(section->second, nullptr, false);
  if (!study.is_object() || !study.contains("edges") || !study["edges"].is_array()) return "";
  timing::Vcd out(fmt::format("{} {}, run {}", run.board, run.board_serial, run.number), run.started);
  bool any = false;
  for (const json& e : study["edges"]) {
    if (!e.is_object() || !e.contains("waveform") || !e["waveform"].is_object()) continue;
    const std::vector<double> t = e["waveform"].value("t_s", std::vector<double>()), v = e["waveform"].value("v", std::vector<double>());
    if (t.empty() || t.size() != v.size()) continue;
    const std::string from = e.value("from", ""), to = e.value("to", "");
    const bool from_high = e.value("from_edge", "") == "rising";
    const std::string scope = fmt::format("{}_{}_to_{}_{}", from, from_high ? "up" : "down", to, e.value("to_edge", "") == "rising" ? "up" : "down");
    const int driven = out.bit(scope, from), volts = out.real(scope, to);
    out.change_bit(driven, std::min(0.0, t.front()), from_high ? '0' : '1');
    out.change_bit(driven, std::max(0.0, t.front()), from_high ? '1' : '0');
    for (std::size_t i = 0; i < t.size(); ++i) out.change(volts, t[i], v[i]);
    any = true;
  }
  return any ? out.text() : "";
}

int write_vcd(const std::string& path, const record::RunRecord& run) {
  std::string text;
  try {
    text = vcd_of(run);
  } catch (const nlohmann::json::exception&) {
    // A field of another type than this version writes: as good as none.
  }
  if (text.empty()) {
    return tell(input_error(fmt::format("run {}", run.number), "it sampled no edges", "`tenterhook timing BOARD` does"));
  }
  const Status written = write_text(path, text);
  return written.ok() ? 0 : tell(written.error());
}

}  // namespace

int show(const ShowOptions& options) {
  const auto run = load_run(options.store, options.run);
  if (!run.ok()) return tell(run.error());
  if (!options.explain.empty()) {
    const std::string json = report::explanation_json(*run, options.explain);
    if (json.empty()) {
      return tell(input_error("run " + std::to_string(run->number),
                              "no line '" + options.explain + "' was measured in this run",
                              fmt::format("`tenterhook show {}` lists its lines", run->number)));
    }
    const report::Screen screen = people_screen(options.json);
    return answer(options.json, json,
                  [&] { return report::explanation(*run, options.explain, screen) + budget_of(*run, options.explain); });
  }
  if (const int code = write_exports(options.junit, options.tap, options.csv, *run); code != 0) {
    return code;
  }
  if (!options.vcd.empty()) {
    if (const int code = write_vcd(options.vcd, *run); code != 0) return code;
  }
  // One machine text may take standard output; people's text then stays away.
  for (const std::string* path : {&options.junit, &options.tap, &options.csv, &options.vcd}) {
    if (*path == "-") return kExitPass;
  }
  const report::Screen screen = people_screen(options.json);
  return answer(options.json, options.json.empty() ? "" : report::run_json(*run), [&] {
    return options.quiet ? report::quiet_line(*run) : report::whole_run(*run, screen);
  });
}

}  // namespace tenterhook::commands
