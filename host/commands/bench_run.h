// One run on an open bench, without terminal and without store: contacts, power up, warm up, vectors,
// contacts again, power down. What it saw is a RunRecord; what it sees is told as it happens.
#pragma once

#include <functional>
#include <optional>
#include <string>

#include "host/assess/assess.h"
#include "host/commands/bench.h"
#include "host/measure/calibration.h"
#include "host/plan/plan.h"
#include "host/power/sequence.h"
#include "host/record/run.h"

namespace tenterhook::commands {

struct RunTold {
  std::function<void(const record::StepRecord&)> step;  // as its last sample arrives, in order
  // "plate coming up", "vectors": done of total; a total of 0 shows no measure.
  std::function<void(const std::string& phase, int done, int total)> phase;
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

 private:
  // True when the fixture has opened everything by itself: recorded, and the run is over.
  bool tripped(const std::optional<link::FaultReport>& fault);
  power::Sequence sequence(link::Session& session);
  Status prepare(link::Session& session);
  Status contacts(link::Session& session, bool before);
  Status drive_vectors(link::Session& session);
  // Whether the fixture's references agree, before the run and since then.
  Status look_at_fixture(link::Session& session, bool before);
  // Before any rail comes up: leads that are off, lines that are tied together or to a rail.
  Status cold_contacts(link::Session& session);
  // Drives the vectors once more up to the last unsure reading and samples those again, longer.
  Status second_look(link::Session& session);
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
  link::LinkCounters counted_;  // of the session before this run
  double fixture_began_s_ = 0.0, fixture_last_s_ = 0.0;
};

// The exit code of a finished run in which nothing but the board and the fixture spoke.
int exit_code_of(const record::RunRecord& run);

}  // namespace tenterhook::commands
