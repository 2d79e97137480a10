#include "host/commands/show.h"

#include <fmt/format.h>

#include "host/commands/output.h"
#include "host/commands/review.h"
#include "host/measure/explain.h"
#include "host/report/json.h"
#include "host/report/tables.h"
#include "host/report/terminal.h"

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
  // One machine text may take standard output; people's text then stays away.
  for (const std::string* path : {&options.junit, &options.tap, &options.csv}) {
    if (*path == "-") return kExitPass;
  }
  const report::Screen screen = people_screen(options.json);
  return answer(options.json, options.json.empty() ? "" : report::run_json(*run), [&] {
    return options.quiet ? report::quiet_line(*run) : report::whole_run(*run, screen);
  });
}

}  // namespace tenterhook::commands
