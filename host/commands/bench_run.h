// One run on an open bench, without terminal and without store: contacts, power up, warm up, vectors,
// contacts again, power down. What it saw is a RunRecord; what it sees is told as it happens.
#pragma once

#include <functional>
#include <map>
#include <optional>
#include <set>
#include <string>

#include "host/assess/assess.h"
#include "host/commands/bench.h"
#include "host/commands/checks.h"
#include "host/commands/source_look.h"
#include "host/commands/wear.h"
#include "host/measure/calibration.h"
#include "host/plan/plan.h"
#include "host/power/sequence.h"
#include "host/record/run.h"

namespace tenterhook::commands {

struct RunTold {
  std::function<void(const record::StepRecord&)> step;  // as its last sample arrives, in order
  // "plate coming up", "vectors": done of total; a total of 0 shows no measure.
  std::function<void(const std::string& phase, int done, int total)> phase;
  // Once the board is ready, before its first vector: a person may keep it waiting (idle the session meanwhile).
  std::function<Status(link::Session& session)> ready{};
};

class BenchRun {
 public:
  BenchRun(plan::Plan plan, measure::Decision decision, RunTold told);
  BenchRun(const BenchRun&) = delete;
  BenchRun& operator=(const BenchRun&) = delete;

  // Whom the record is about and what it was made with. Before perform(); the record can be begun then.
  void identify(const Bench& bench, const BenchOptions& options);
  // Everything up to "powered down". An Error is the link's, the person's (cancelled) or a bug's; what the
  // board or a trip does is in the record.
  Status perform(link::Session& session);
  // Stops the fixture after an Error, then judges the run as a whole. `session` may be null.
  void finish(link::Session* session, const std::optional<Error>& trouble);

  record::RunRecord& record() { return record_; }
  const plan::Plan& plan() const { return plan_; }
  const assess::Assessor& assessor() const { return assessor_; }
  // Once the vectors are through: what does not pass is looked at again with two known loads, and judged as it would
  // be without the fixture's own load. Takes the place of the second look.
  void correct_for_loading() { unload_ = true; }
  // Once the vectors are through: the source of each output's worst low and high (sources(), section "sources").
  void want_sources() { sources_wanted_ = true; }
  const std::vector<OutputSource>& sources() const { return sources_; }
  // So many steps are sent at once, and their unsure readings looked at again, before the next ones: a pass
  // of vectors that are repeated. Between two of them every input is let go of and driven again. 0 (at first): all of them. At most plan::kStepsMost.
  void at_once(int steps) { at_once_ = steps; }
  // Tests the parts of every line, and not only those of failed ones after a failure.
  void part_tests(bool always) { part_tests_always_ = always; }
  // From the start of power-up to the first vector; by the fixture's clock.
  Seconds powered_before() const { return Seconds{fixture_began_s_ - powered_s_}; }

 private:
  // True when the fixture has opened everything by itself: recorded, and the run is over.
  bool tripped(const std::optional<link::FaultReport>& fault);
  power::Sequence sequence(link::Session& session);
  Status prepare(link::Session& session);
  Status contacts(link::Session& session, bool before);
  Status drive_vectors(link::Session& session);
  // Steps first..last, their samples, and a second look at what is unsure.
  Status drive(link::Session& session, int first, int last);
  // Whether the fixture's references agree, before the run and since then.
  Status look_at_fixture(link::Session& session, bool before);
  // Before any rail comes up: leads that are off, lines that are tied together, to a rail or to ground.
  Status cold_contacts(link::Session& session);
  // With every line at rest: does each drive take its line to its levels, and let go of it?
  Status drives(link::Session& session);
  Execute executor(link::Session& session);
  void heed(CheckReport report);
  void place_trip(bool drives_checked);
  // Drives the steps from `first` once more up to the last unsure reading and samples those again, longer.
  Status second_look(link::Session& session, int first, int last);
  // Tests of the parts of the lines concerned (host/diagnose/part_tests.h), into the record.
  Status test_lines(link::Session& session);
  Status unload(link::Session& session);
  Status sources(link::Session& session);
  void calibrate(const std::string& serial);
  Status power_down(link::Session& session);
  void account(const link::ExecuteReport& report);
  void took_step(const record::StepRecord& step);

  plan::Plan plan_;
  RunTold told_;
  assess::Assessor assessor_;
  record::RunRecord record_;
  std::optional<measure::Calibration> calibration_;
  measure::SelfReading itself_;  // before the run
  bool stop_at_wiring_ = true, unload_ = false, sources_wanted_ = false;
  std::map<int, measure::Counts> cold_pulls_;  // by sense channel: pulled by 10 kohm before power
  std::set<std::string> doubtful_;             // lines with a failed or unsure reading
  bool part_tests_always_ = false;
  int tripped_at_ = -1;  // label of the program step under way when the fixture opened everything
  std::vector<OutputSource> sources_;
  Wear wear_;
  link::LinkCounters counted_;  // of the session before this run
  double fixture_began_s_ = 0.0, fixture_last_s_ = 0.0, powered_s_ = 0.0;
  double driven_s_ = 0.0;  // in vectors, without second looks
  int at_once_ = 0;
};

// The exit code of a finished run in which nothing but the board and the fixture spoke.
int exit_code_of(const record::RunRecord& run);

}  // namespace tenterhook::commands
