#include "host/commands/check.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "host/commands/bench.h"
#include "host/commands/output.h"
#include "host/files/reader.h"
#include "host/plan/plan.h"
#include "host/plan/program.h"
#include "host/report/terminal.h"

namespace tenterhook::commands {

namespace {

Result<plan::Plan> plan_of(const std::string& path) {
  auto vectors = files::read_vectors(path);
  TH_TRY(vectors);
  BenchOptions builtin;
  builtin.fixture = "emulated";  // the built-in description; nothing is opened
  auto fixture = describe_fixture(builtin);
  TH_TRY(fixture);
  auto plan = plan::make_plan(vectors.take(), fixture.take(), {});
  TH_TRY(plan);
  for (const plan::PlannedStep& step : plan->steps) TH_TRY(plan::encode(plan::vector_step(*plan, step)));
  return plan;
}

nlohmann::json json_of(const std::string& path, const plan::Plan& plan) {
  return {{"file", path},
          {"board", plan.vectors.board.name},
          {"steps", plan.steps.size()},
          {"relay_operations", plan.relay_operations},
          {"time",
           {{"total_s", plan.predicted.total_s},
            {"relay_s", plan.predicted.relay_s},
            {"settle_s", plan.predicted.settle_s},
            {"convert_s", plan.predicted.convert_s},
            {"pulse_s", plan.predicted.pulse_s}}},
          {"warnings", plan.warnings}};
}

}  // namespace

int check(const CheckOptions& options) {
  int code = kExitPass;
  nlohmann::json all = nlohmann::json::array();
  for (const std::string& path : options.files) {
    auto plan = plan_of(path);
    if (!plan) {
      code = tell(plan.error());
      all.push_back({{"file", path}, {"error", plan.error().text()}});
      continue;
    }
    all.push_back(json_of(path, *plan));
    for (const std::string& warning : plan->warnings) fmt::print(stderr, "warning: {}\n", warning);
    if (options.quiet || options.json == "-") continue;
    fmt::print("{}: board {}, {} steps, {} relay operations, about {} without power-up\n", path, plan->vectors.board.name,
               plan->steps.size(), plan->relay_operations, report::duration_text(plan->predicted.total_s));
  }
  if (!options.json.empty()) {
    auto written = write_text(options.json, nlohmann::json{{"files", all}}.dump(2) + "\n");
    if (!written) return tell(written.error());
  }
  return code;
}

}  // namespace tenterhook::commands
