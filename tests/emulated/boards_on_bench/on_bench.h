// Whole runs in this process: board file, plan, emulated fixture with the firmware's core compiled for
// this machine, session, judgement. No terminal, no store.
#pragma once

#include <gtest/gtest.h>

#include <set>
#include <string>
#include <vector>

#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/bench_run.h"
#include "host/commands/emulated_bench.h"
#include "host/files/reader.h"

namespace tenterhook::commands {

// Every board of the tree that carries vectors.
inline const std::vector<std::string>& all_boards() {
  static const std::vector<std::string> kAll = {
      "tests/boards/beat-divider.yaml", "tests/boards/break-alarm.yaml", "tests/boards/dent-adder.yaml",
      "tests/boards/pattern-gates.yaml", "tests/boards/row-register.yaml", "tests/boards/shed-decoder.yaml",
      "tests/boards/stop-wire.yaml", "tests/boards/warp-shift.yaml", "tests/boards/yard-counter.yaml",
      "tests/boards/yarn-bus.yaml", "vectors/or-follower/board.yaml", "vectors/pick-counter/acceptance.vectors.yaml",
      "vectors/shed-latch/acceptance.vectors.yaml", "vectors/shuttle-guard/acceptance.vectors.yaml"};
  return kAll;
}

inline BenchOptions emulated_options(const std::vector<std::string>& faults = {}) {
  BenchOptions options;
  options.fixture = "emulated";
  options.faults = faults;
  return options;
}

inline Result<plan::Plan> plan_file(const std::string& file) {
  auto vectors = files::read_vectors(std::string(TH_SOURCE_DIR) + "/" + file);
  TH_TRY(vectors);
  auto fixture = describe_fixture(emulated_options());
  TH_TRY(fixture);
  return plan::make_plan(vectors.take(), fixture.take(), {});
}

inline Result<record::RunRecord> run_on_bench(plan::Plan plan, const std::vector<std::string>& faults,
                                              std::uint64_t seed = 1) {
  auto controller = make_emulated(plan, seed, faults, Firmware::native);
  TH_TRY(controller);
  Bench bench;
  bench.seed = seed;
  bench.emulated = controller->get();
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(controller.take()));
  TH_TRY(session);
  bench.session = session.take();
  BenchRun run(std::move(plan), measure::Decision::guarded, {});
  run.identify(bench, emulated_options(faults));
  auto performed = run.perform(*bench.session);
  run.finish(bench.session.get(), performed ? std::nullopt : std::optional<Error>(performed.error()));
  TH_TRY(performed);
  return run.record();
}

inline std::set<std::string> lines_with(const record::RunRecord& run, measure::Verdict verdict) {
  std::set<std::string> lines;
  for (const record::StepRecord& step : run.steps) {
    for (const measure::Reading& r : step.readings) {
      if (r.verdict == verdict) lines.insert(r.line);
    }
  }
  return lines;
}

// For a failed expectation: what the run says.
inline std::string told(const record::RunRecord& run) {
  std::string text = record::verdict_word(run.verdict);
  if (run.aborted) text += " aborted: " + run.aborted->cause + " " + run.aborted->where + ": " + run.aborted->message;
  for (const record::StepRecord& step : run.steps) {
    for (const measure::Reading& r : step.readings) {
      if (r.verdict == measure::Verdict::pass || r.verdict == measure::Verdict::none) continue;
      text += "\n  step " + std::to_string(step.index) + " " + r.line + " expected " + files::letter(r.expected) + " reads " +
              std::to_string(r.volts.value) + " V: " + record::verdict_word(r.verdict) + " " + r.why;
    }
  }
  for (const std::string& warning : run.warnings) text += "\n  " + warning;
  return text;
}

}  // namespace tenterhook::commands
