#include "host/commands/check.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "host/commands/bench.h"
#include "host/commands/output.h"
#include "host/commands/recorded.h"
#include "host/files/machine.h"
#include "host/files/reader.h"
#include "host/plan/plan.h"
#include "host/plan/program.h"
#include "host/report/terminal.h"

namespace tenterhook::commands {

namespace {

// What was understood of one file, in a line for people and as JSON.
struct Checked {
  std::string said;
  nlohmann::json json;
  std::vector<std::string> warnings;
};

Result<Checked> check_plan(const std::string& path) {
  auto vectors = read_any(path);
  TH_TRY(vectors);
  BenchOptions builtin;
  builtin.fixture = "emulated";  // the built-in description; nothing is opened
  auto fixture = describe_fixture(builtin);
  TH_TRY(fixture);
  auto plan = plan::make_plan(vectors.take(), fixture.take(), {});
  TH_TRY(plan);
  for (const plan::PlannedStep& step : plan->steps) TH_TRY(plan::encode(plan::vector_step(*plan, step)));
  std::size_t judged = 0;
  for (const plan::PlannedStep& step : plan->steps) {
    for (const plan::Expectation& e : step.expectations) judged += e.expected != files::Bit::any;
  }
  const record::Times& t = plan->predicted;
  Checked checked;
  checked.warnings = plan->warnings;
  if (auto approved = check_approved(plan->vectors); !approved) checked.warnings.push_back(approved.error().text());
  checked.said = plan->steps.empty()
                     ? fmt::format("board {}, no steps", plan->vectors.board.name)
                     : fmt::format("board {}, {} steps, {} readings judged, {} relay operations, about {} without power-up",
                                   plan->vectors.board.name, plan->steps.size(), judged, plan->relay_operations,
                                   report::duration_text(t.total_s));
  checked.json = {{"kind", plan->steps.empty() ? "board" : "vectors"},
                  {"board", plan->vectors.board.name},
                  {"steps", plan->steps.size()},
                  {"judged", judged},
                  {"relay_operations", plan->relay_operations},
                  {"time", {{"total_s", t.total_s}, {"relay_s", t.relay_s}, {"settle_s", t.settle_s}, {"convert_s", t.convert_s}, {"pulse_s", t.pulse_s}}}};
  return checked;
}

Result<Checked> check_file(const std::string& path) {
  auto kind = files::file_kind(path);
  TH_TRY(kind);
  switch (*kind) {
    case files::FileKind::board:
    case files::FileKind::vectors: return check_plan(path);
    case files::FileKind::fixture: {
      auto fixture = files::read_fixture(path);
      TH_TRY(fixture);
      return Checked{fmt::format("fixture {}, {} drives, {} senses, {} rails", fixture->name, fixture->drive.channels,
                                 fixture->sense.channels, fixture->rails.size()),
                     {{"kind", "fixture"}, {"fixture", fixture->name}}, {}};
    }
    case files::FileKind::machine: {
      auto machine = files::read_machine(path);
      TH_TRY(machine);
      return Checked{fmt::format("machine {}, {} boards, {} joins, {} supplies", machine->name, machine->boards.size(),
                                 machine->joins.size(), machine->supplies.size()),
                     {{"kind", "machine"}, {"machine", machine->name}}, {}};
    }
    case files::FileKind::gates: {
      TH_TRY(files::check_gates(path));
      return Checked{"gate library", {{"kind", "gates"}}, {}};
    }
  }
  return bug_error("a kind of file that check does not know");
}

}  // namespace

int check(const CheckOptions& options) {
  int code = kExitPass;
  nlohmann::json all = nlohmann::json::array();
  for (const std::string& path : options.files) {
    auto checked = check_file(path);
    if (!checked) {
      code = tell(checked.error());
      all.push_back({{"file", path}, {"error", checked.error().text()}});
      continue;
    }
    checked->json["file"] = path;
    checked->json["warnings"] = checked->warnings;
    all.push_back(checked->json);
    for (const std::string& warning : checked->warnings) fmt::print(stderr, "warning: {}\n", warning);
    if (!options.quiet && options.json != "-") fmt::print("{}: {}\n", path, checked->said);
  }
  if (!options.json.empty()) {
    auto written = write_text(options.json, nlohmann::json{{"files", all}}.dump(2) + "\n");
    if (!written) return tell(written.error());
  }
  return code;
}

}  // namespace tenterhook::commands
