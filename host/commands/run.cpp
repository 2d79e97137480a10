#include "host/commands/run.h"

#include <fmt/chrono.h>
#include <fmt/format.h>

#include <chrono>
#include <cstdio>
#include <optional>

#include "host/assess/assess.h"
#include "host/commands/bench.h"
#include "host/commands/output.h"
#include "host/files/reader.h"
#include "host/plan/program.h"
#include "host/power/sequence.h"
#include "host/record/store.h"
#include "host/report/json.h"
#include "host/report/terminal.h"

namespace tenterhook::commands {

namespace {

constexpr Seconds kDischargeAtMost{30.0};
constexpr Seconds kRunAtMost{24.0 * 3600.0};

// Everything of one run in one place; each step of run() below is one method.
class Running {
 public:
  Running(const RunOptions& options, plan::Plan plan, record::Store store)
      : options_(options),
        plan_(std::move(plan)),
        store_(std::move(store)),
        screen_(report::screen_of(options.bench.json == "-" ? stderr_descriptor() : stdout_descriptor())),
        out_(options.bench.json == "-" ? stderr : stdout),
        view_(screen_),
        assessor_(plan_, {options.simple_decision ? measure::Decision::simple : measure::Decision::guarded},
                  [this](const record::StepRecord& step) { took_step(step); }) {}

  Status connect();
  Status perform();
  int close(const std::optional<Error>& trouble);
  record::RunRecord& record() { return record_; }

 private:
  void say(const std::string& text) {
    if (!options_.bench.quiet && !text.empty()) {
      std::fputs(text.c_str(), out_);
      std::fflush(out_);
    }
  }
  void took_step(const record::StepRecord& step);
  void show_progress(const std::string& phase, int done, int total, const std::string& doing, double left_s = -1.0);
  // True when the fixture has opened everything by itself: recorded, and the run is over.
  bool tripped(const std::optional<link::FaultReport>& fault);
  Status prepare(power::Sequence& sequence);
  Status contacts(bool before);
  Status drive_vectors();
  void account(const link::ExecuteReport& report);

  const RunOptions& options_;
  plan::Plan plan_;
  record::Store store_;
  report::Screen screen_;
  std::FILE* out_;
  report::LiveView view_;
  assess::Assessor assessor_;
  Bench bench_;
  record::RunRecord record_;
  std::optional<Error> store_trouble_;
  double fixture_began_s_ = 0.0, fixture_last_s_ = 0.0;
  int wrong_ = 0, unsure_ = 0;
};

std::string now_utc() {
  return fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(std::chrono::system_clock::to_time_t(std::chrono::system_clock::now())));
}

Status Running::connect() {
  auto bench = open_bench(options_.bench, plan_, person_cancels());
  TH_TRY(bench);
  bench_ = bench.take();
  const link::Identity& who = bench_.session->identity();
  const files::Vectors& vectors = plan_.vectors;
  record_.started = now_utc();
  record_.board = vectors.board.name;
  record_.board_serial = options_.bench.serial;
  record_.vectors = vectors.name;
  record_.fixture = bench_.emulated ? "emulated" : who.fixture;
  record_.fixture_serial = who.serial;
  record_.firmware_build = who.firmware_build;
  record_.calibration = "nominal";
  if (bench_.emulated) record_.seed = bench_.seed;
  record_.faults = options_.bench.faults;
  record_.sources = vectors.sources;
  record_.sources.insert(record_.sources.end(), plan_.fixture.sources.begin(), plan_.fixture.sources.end());
  record_.steps_planned = static_cast<int>(plan_.steps.size());
  record_.warnings = plan_.warnings;
  const auto& link_warnings = bench_.session->warnings();
  record_.warnings.insert(record_.warnings.end(), link_warnings.begin(), link_warnings.end());
  record_.warnings.push_back("not calibrated: uncertainties are those of the parts' tolerances");
  auto number = store_.begin(record_);
  TH_TRY(number);
  say(view_.opening(record_));
  return {};
}

void Running::took_step(const record::StepRecord& step) {
  record::StepRecord timed = step;
  timed.time_s = std::max(0.0, fixture_last_s_ - fixture_began_s_);
  if (!store_trouble_) {
    if (auto stored = store_.add_step(record_.number, timed); !stored) store_trouble_ = stored.error();
  }
  for (const measure::Reading& r : step.readings) {
    wrong_ += r.verdict == measure::Verdict::fail;
    unsure_ += r.verdict == measure::Verdict::unsure;
  }
  say(view_.step(timed));
  const int done = step.index + 1;
  const int total = static_cast<int>(plan_.steps.size());
  const double spent = timed.time_s;
  show_progress("vectors", done, total, step.say, spent / done * (total - done));
}

void Running::show_progress(const std::string& phase, int done, int total, const std::string& doing, double left_s) {
  report::Progress now;
  now.phase = phase;
  now.done = done;
  now.total = total;
  now.doing = doing;
  now.left_s = left_s;
  now.wrong = wrong_;
  now.unsure = unsure_;
  say(view_.progress(now));
}

bool Running::tripped(const std::optional<link::FaultReport>& fault) {
  if (!fault) return false;
  record_.aborted = power::aborted_by(*fault, plan_);
  return true;
}

void Running::account(const link::ExecuteReport& report) {
  record_.link.starvations += report.starvations;
  record_.relay_operations += report.relay_moves;
}

// The open-lead proof: every sensed output is pulled once, while its driver is powered.
Status Running::contacts(bool before) {
  std::vector<std::uint8_t> program;
  for (const files::Line& line : plan_.vectors.board.lines) {
    const auto found = plan_.hookup.find(line.name);
    if (found == plan_.hookup.end() || found->second.kind != "sense") continue;
    auto step = plan::encode(plan::contact_step(plan_, found->second.index));
    TH_TRY(step);
    program.insert(program.end(), step->begin(), step->end());
  }
  if (program.empty()) return {};
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) { assessor_.take_contact(block, before); };
  auto report = bench_.session->execute(program, sink);
  TH_TRY(report);
  account(*report);
  if (tripped(report->fault) || assessor_.open_leads().empty()) return {};
  // A lead is nobody's board: nothing is judged through it.
  std::string names;
  for (const int sense : assessor_.open_leads()) {
    names += (names.empty() ? "" : ", ") + plan::line_on_sense(plan_, sense) + fmt::format(" (sense.{})", sense);
  }
  record_.aborted = record::Aborted{"open-lead", names, "lead",
                                    fmt::format("the lead of {} is not connected: it reads {:+.2f} V and follows a pull-up; "
                                                "push it home and run again", names, plan_.fixture.sense.open_reads.value)};
  return {};
}

Status Running::prepare(power::Sequence& sequence) {
  auto up = sequence.up();
  TH_TRY(up);
  if (tripped(*up)) return {};
  std::optional<link::FaultReport> fault;
  auto warm = sequence.warm_up(fault);
  TH_TRY(warm);
  if (tripped(fault)) return {};
  if (plan_.vectors.board.warm_up) record_.power.warm_up_s = warm->took.value;
  if (!warm->steady) {
    record_.warnings.push_back(fmt::format("not steady after {}: {} still moved {} in {}", text(warm->took), warm->line,
                                           text(warm->drift), text(plan_.vectors.board.warm_up->hold)));
  }
  auto rails = sequence.rails(fault);
  TH_TRY(rails);
  if (tripped(fault)) return {};
  record_.power.rails = *rails;
  return contacts(true);
}

Status Running::drive_vectors() {
  auto program = plan::vectors_program(plan_);
  TH_TRY(program);
  double ended_s = 0.0;
  link::Sink sink;
  sink.milestone = [&](const link::Milestone& m) {
    if (m.kind != link::Milestone::Kind::mark) return;
    if (m.id == plan::kMarkFirst) fixture_began_s_ = m.time.value;
    if (m.id == plan::kMarkLast) ended_s = m.time.value;
  };
  sink.sample = [&](const link::SampleBlock& block) {
    fixture_last_s_ = block.time.value;
    assessor_.take(block);
  };
  auto report = bench_.session->execute(*program, sink, kRunAtMost);
  TH_TRY(report);
  account(*report);
  record::Times& t = record_.time;
  t.total_s = std::max(0.0, (ended_s > 0.0 ? ended_s : fixture_last_s_) - fixture_began_s_);
  // Against what the vectors need by themselves, not against the fixture's own account of its time: that
  // books every instruction to one operation or the other.
  t.relay_s = plan_.predicted.relay_s;
  t.settle_s = plan_.predicted.settle_s;
  t.convert_s = plan_.predicted.convert_s;
  t.pulse_s = plan_.predicted.pulse_s;
  t.overhead_s = std::max(0.0, t.total_s - t.relay_s - t.settle_s - t.convert_s - t.pulse_s);
  tripped(report->fault);
  return {};
}

Status Running::perform() {
  power::Sequence sequence(*bench_.session, plan_, [this](const std::string& what, double fraction) {
    show_progress(what, static_cast<int>(100.0 * std::max(0.0, fraction)), fraction < 0.0 ? 0 : 100, "");
  });
  auto began = bench_.session->status();
  TH_TRY(began);
  TH_TRY(prepare(sequence));
  auto prepared = bench_.session->status();
  TH_TRY(prepared);
  record_.time.prepare_s = (prepared->time - began->time).value;
  if (!record_.aborted) TH_TRY(drive_vectors());
  if (!record_.aborted) TH_TRY(contacts(false));
  if (record_.aborted) {
    TH_TRY(bench_.session->stop());
  }
  auto down = sequence.down(kDischargeAtMost);
  TH_TRY(down);
  record_.time.discharge_s = down->took.value;
  if (down->below) {
    record_.power.discharged_below_v = down->limit.value;
  } else if (!plan_.rails.empty()) {
    record_.warnings.push_back(fmt::format("rail {} still reads {} after {}: wait, and measure before touching", down->rail,
                                           text(down->highest), text(down->took)));
  }
  return {};
}

int Running::close(const std::optional<Error>& trouble) {
  if (trouble) {
    if (bench_.session) (void)bench_.session->stop().ok();
    const bool person = trouble->trouble == Trouble::interrupted;
    record_.aborted = record::Aborted{person ? "stopped" : "link", trouble->where, person ? "person" : "link", trouble->text()};
  }
  if (bench_.session) {
    const link::LinkCounters c = bench_.session->counters();
    record_.link.frames_sent = static_cast<long>(c.sent);
    record_.link.frames_received = static_cast<long>(c.received);
    record_.link.crc_errors = static_cast<long>(c.damaged) + c.device_damaged;
    record_.link.overruns = c.device_overrun;
    record_.link.timeouts = static_cast<long>(c.timeouts);
    record_.link.resent = static_cast<long>(c.resent) + c.device_resent;
  }
  assessor_.finish(record_);
  auto stored = store_.finish(record_);
  if (!stored && !store_trouble_) store_trouble_ = stored.error();

  say(view_.clear());
  if (options_.bench.quiet) {
    if (options_.bench.json != "-") fmt::print("{}", report::quiet_line(record_));
  } else {
    say(report::closing(record_, screen_));
  }
  if (store_trouble_) return tell(*store_trouble_);
  if (const int code = write_outputs(options_, record_); code != 0) return code;
  if (trouble) return exit_code(trouble->trouble);
  if (record_.aborted) return kExitFixture;
  switch (record_.verdict) {
    case measure::Verdict::fail: return kExitFail;
    case measure::Verdict::unsure: return kExitUnsure;
    case measure::Verdict::pass:
    case measure::Verdict::none: return kExitPass;
  }
  return kExitBug;
}

}  // namespace

int run(const RunOptions& options) {
  auto vectors = files::read_vectors(options.vectors);
  if (!vectors) return tell(vectors.error());
  auto fixture = describe_fixture(options.bench);
  if (!fixture) return tell(fixture.error());
  auto plan = plan::make_plan(vectors.take(), fixture.take(), {});
  if (!plan) return tell(plan.error());
  if (auto agreed = agree_to_power(options.bench, *plan); !agreed) return tell(agreed.error());
  auto store = open_store(options.bench.store);
  if (!store) return tell(store.error());

  Running running(options, plan.take(), store.take());
  if (auto connected = running.connect(); !connected) return tell(connected.error());
  std::optional<Error> trouble;
  if (auto performed = running.perform(); !performed) {
    trouble = performed.error();
    tell(*trouble);
  }
  return running.close(trouble);
}

}  // namespace tenterhook::commands
