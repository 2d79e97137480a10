#include "host/commands/bench_run.h"

#include <fmt/chrono.h>
#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <set>

#include "host/circuit/simulator.h"
#include "host/commands/part_testing.h"
#include "host/commands/relay_times.h"
#include "host/measure/explain.h"
#include "host/plan/program.h"
#include "host/power/sequence.h"

namespace tenterhook::commands {

namespace {

constexpr Seconds kDischargeAtMost{30.0};
constexpr Seconds kRunAtMost{24.0 * 3600.0};

std::string now_utc() {
  return fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(std::chrono::system_clock::to_time_t(std::chrono::system_clock::now())));
}

// Lines that nobody drives when everything is at rest, or after the last vector: pulled, they follow like
// an open lead, and prove nothing either way.
Result<std::set<std::string>> undriven_lines(const plan::Plan& plan, bool at_rest) {
  std::set<std::string> lines;
  const files::Board& board = plan.vectors.board;
  const bool shared = std::any_of(board.circuit.begin(), board.circuit.end(),
                                  [](const files::Gate& g) { return g.type == "tri-state" || g.build == "open-collector"; });
  if (board.circuit.empty()) {
    for (const files::Line& line : board.lines) {
      if (line.kind == files::LineKind::both) lines.insert(line.name);
    }
  }
  if (!shared) return lines;
  auto model = circuit::Simulator::make(board);
  TH_TRY(model);
  model->power_up();
  if (!at_rest) {
    for (const files::Step& step : plan.vectors.steps) TH_TRY(model->step(step));
  }
  for (const files::Line& line : board.lines) {
    if (!model->has_net(line.name)) continue;
    const auto bit = model->read(line.name);
    if (bit && *bit == files::Bit::undriven) lines.insert(line.name);
  }
  return lines;
}

}  // namespace

BenchRun::BenchRun(plan::Plan plan, measure::Decision decision, RunTold told)
    : plan_(std::move(plan)),
      told_(std::move(told)),
      assessor_(plan_, {decision}, [this](const record::StepRecord& step) { took_step(step); }) {}

void BenchRun::identify(const Bench& bench, const BenchOptions& options) {
  const link::Identity& who = bench.session->identity();
  const files::Vectors& vectors = plan_.vectors;
  record_.started = now_utc();
  record_.board = vectors.board.name;
  record_.board_serial = options.serial;
  record_.vectors = vectors.name;
  record_.fixture = bench.emulated ? "emulated" : who.fixture;
  record_.fixture_serial = who.serial;
  stop_at_wiring_ = !options.despite_wiring;
  record_.firmware_build = who.firmware_build;
  if (bench.emulated) record_.seed = bench.seed;
  record_.faults = options.faults;
  record_.sources = vectors.sources;
  record_.sources.insert(record_.sources.end(), plan_.fixture.sources.begin(), plan_.fixture.sources.end());
  record_.steps_planned = static_cast<int>(plan_.steps.size());
  record_.warnings = plan_.warnings;
  const auto& link_warnings = bench.session->warnings();
  record_.warnings.insert(record_.warnings.end(), link_warnings.begin(), link_warnings.end());
  calibrate(who.serial);
  // Never less than the description says: a relay only gets slower.
  if (const auto settle = measured_settle(who.serial); settle && *settle > plan_.fixture.drive.settle) {
    record_.warnings.push_back(fmt::format("its relays were measured to need {}, where its description allows {}: it waits that long",
                                           text(*settle), text(plan_.fixture.drive.settle)));
    plan_.fixture.drive.settle = *settle;
  }
  counted_ = bench.session->counters();
}

void BenchRun::calibrate(const std::string& serial) {
  Calibrated made = commands::calibrate(plan_, serial);
  if (!made.said.empty()) record_.warnings.push_back(made.said);
  calibration_ = std::move(made.calibration);
  record_.calibration = calibration_ ? calibration_->hash : "nominal";
  assessor_.use(plan_.sense_models);
  std::set<int> used;
  for (const auto& [key, channel] : plan_.hookup) {
    if (channel.kind == "sense") used.insert(channel.index);
  }
  record_.sections["channels"] = measure::models_json(plan_.sense_models, used);
}

Status BenchRun::look_at_fixture(link::Session& session, bool before) {
  constexpr std::uint16_t kConversions = 384;  // two of them, over four mains periods of 20 ms
  plan::ProgramStep step;
  step.label = plan::kLabelHold;
  step.patient = true;
  step.ops.push_back(wire::SampleOp{0, wire::aux_bit(wire::kAuxReference) | wire::aux_bit(wire::kAuxGround), kConversions});
  auto program = plan::encode(step);
  TH_TRY(program);
  measure::SelfReading now;
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) {
    for (const link::ChannelSample& c : block.channels) {
      const double mean = static_cast<double>(c.counts.sum) / std::max<int>(1, c.counts.n);
      if (c.kind == link::ChannelKind::reference) now.reference_counts = mean;
      if (c.kind == link::ChannelKind::ground) now.ground_counts = mean;
    }
  };
  auto report = session.execute(*program, sink);
  TH_TRY(report);
  if (tripped(report->fault)) return {};
  const std::string trouble = before ? measure::self_trouble(plan_.fixture, now, calibration_ ? &*calibration_ : nullptr)
                                     : measure::self_drift(plan_.fixture, itself_, now);
  if (before) itself_ = now;
  if (!trouble.empty()) record_.aborted = record::Aborted{"self-test", "fixture", "fixture", trouble};
  return {};
}

Execute BenchRun::executor(link::Session& session) {
  return [this, &session](const std::vector<std::uint8_t>& program, const link::Sink& sink) -> Result<bool> {
    auto report = session.execute(program, sink);
    TH_TRY(report);
    account(*report);
    return !tripped(report->fault);
  };
}

void BenchRun::heed(CheckReport report) {
  record_.warnings.insert(record_.warnings.end(), report.warnings.begin(), report.warnings.end());
  if (!record_.aborted) record_.aborted = std::move(report.aborted);
}

Status BenchRun::cold_contacts(link::Session& session) {
  // The first pull of each lead is the first of the part tests too.
  const Execute execute = executor(session);
  const Execute noting = [&](const std::vector<std::uint8_t>& program, const link::Sink& sink) {
    link::Sink both = sink;
    both.sample = [&](const link::SampleBlock& block) {
      const int sense = block.step - plan::kLabelContact;
      for (const link::ChannelSample& c : block.channels) {
        if (c.kind == link::ChannelKind::sense && c.index == sense) cold_pulls_.try_emplace(sense, c.counts);
      }
      if (sink.sample) sink.sample(block);
    };
    return execute(program, both);
  };
  auto report = check_cold(plan_, stop_at_wiring_, noting);
  TH_TRY(report);
  heed(report.take());
  return {};
}

Status BenchRun::drives(link::Session& session) {
  auto report = check_drives(plan_, executor(session));
  TH_TRY(report);
  const bool by_trip = record_.aborted.has_value();
  heed(report.take());
  if (by_trip) place_trip(true);
  return {};
}

Status BenchRun::second_look(link::Session& session, int first, int last) {
  constexpr int kLonger = 4;
  const auto unsure = assessor_.worth_a_second_look(first, last);
  if (unsure.empty()) return {};
  std::vector<std::uint8_t> program;
  plan::ProgramStep rest = plan::rest_step(plan_);
  rest.patient = true;
  auto bytes = plan::encode(rest);
  TH_TRY(bytes);
  program = bytes.take();
  for (const plan::PlannedStep& planned : plan_.steps) {
    if (planned.index < first) continue;
    if (planned.index > unsure.rbegin()->first) break;
    plan::ProgramStep step = plan::vector_step(plan_, planned);
    step.label = static_cast<std::uint16_t>(planned.index - first);
    std::erase_if(step.ops, [](const plan::AnyOp& op) {
      return std::holds_alternative<wire::SampleOp>(op) || std::holds_alternative<wire::BusOp>(op);
    });
    if (const auto found = unsure.find(planned.index); found != unsure.end()) {
      step.ops.push_back(wire::SampleOp{found->second, 0, static_cast<std::uint16_t>(planned.conversions * kLonger)});
    }
    auto encoded = plan::encode(step);
    TH_TRY(encoded);
    program.insert(program.end(), encoded->begin(), encoded->end());
  }
  if (told_.phase) told_.phase("looking again at unsure readings", 0, 0);
  link::Sink sink;
  sink.sample = [&](link::SampleBlock block) {
    block.step += first;
    assessor_.take_again(block);
  };
  auto report = session.execute(program, sink, kRunAtMost);
  TH_TRY(report);
  account(*report);
  tripped(report->fault);
  return {};
}

Status BenchRun::test_lines(link::Session& session) {
  const std::set<std::string> lines = diagnose::lines_concerned(plan_, doubtful_, part_tests_always_);
  if (told_.phase) told_.phase("testing the parts of the lines concerned", 0, 0);
  auto testing = test_parts(session, plan_, lines, assessor_.channels());
  TH_TRY(testing);
  account(testing->report);
  if (testing->report.fault) {  // the verdict stands
    record_.warnings.push_back("the tests of parts ended early: " + power::aborted_by(*testing->report.fault, plan_).message);
    TH_TRY(session.stop());
  }
  std::vector<diagnose::PartTest> tests = cold_tests(plan_, cold_pulls_, lines, assessor_.channels());
  tests.insert(tests.end(), testing->tests.begin(), testing->tests.end());
  if (!tests.empty()) record_.sections["part_tests"] = diagnose::part_tests_json(tests);
  return {};
}

void BenchRun::took_step(const record::StepRecord& step) {
  for (const measure::Reading& r : step.readings) {
    if (r.verdict == measure::Verdict::fail || r.verdict == measure::Verdict::unsure) doubtful_.insert(r.line);
  }
  record::StepRecord timed = step;
  timed.time_s = std::max(0.0, fixture_last_s_ - fixture_began_s_);
  if (told_.step) told_.step(timed);
}

power::Sequence BenchRun::sequence(link::Session& session) {
  return power::Sequence(session, plan_, [this](const std::string& what, double fraction) {
    if (told_.phase) told_.phase(what, static_cast<int>(100.0 * std::max(0.0, fraction)), fraction < 0.0 ? 0 : 100);
  });
}

bool BenchRun::tripped(const std::optional<link::FaultReport>& fault) {
  if (!fault) return false;
  record_.aborted = power::aborted_by(*fault, plan_);
  tripped_at_ = fault->step;
  return true;
}

// A trip names a rail; what was being driven then is where to look.
void BenchRun::place_trip(bool drives_checked) {
  if (!record_.aborted || record_.aborted->blame != "board" || tripped_at_ < 0) return;
  std::string lines;
  if (drives_checked) {
    for (const auto& [key, channel] : plan_.hookup) {
      if (channel.kind == "drive" && plan::kLabelContact + channel.index == tripped_at_) lines = key;
    }
    if (!lines.empty()) record_.aborted->message += fmt::format("; it happened while {} was taken to its levels: look at it first", lines);
  } else if (tripped_at_ < static_cast<int>(plan_.steps.size())) {
    for (const auto& [line, bit] : plan_.steps[static_cast<std::size_t>(tripped_at_)].set) {
      lines += (lines.empty() ? "" : ", ") + line + " = " + files::letter(bit);
    }
    record_.aborted->message += fmt::format("; it happened in step {}{}", tripped_at_, lines.empty() ? "" : ", as " + lines + " was set");
  }
}

void BenchRun::account(const link::ExecuteReport& report) {
  record_.link.starvations += report.starvations;
  record_.relay_operations += report.relay_moves;
}

// The open-lead proof: every sensed line is pulled, while what drives it is powered; those that this does not
// decide are pulled once more, otherwise.
Status BenchRun::contacts(link::Session& session, bool before) {
  auto undriven = undriven_lines(plan_, before);
  TH_TRY(undriven);
  std::vector<int> leads;
  for (const auto& [key, channel] : plan_.hookup) {
    if (channel.kind == "sense") leads.push_back(channel.index);
  }
  assessor_.begin_contacts(before);
  for (const measure::Pull pull : {measure::Pull::low, measure::Pull::high}) {
    std::vector<std::uint8_t> program;
    for (const int sense : leads) {
      auto step = plan::encode(plan::contact_step(plan_, sense, pull == measure::Pull::high ? wire::kBusPull1M : wire::kBusPull10k));
      TH_TRY(step);
      program.insert(program.end(), step->begin(), step->end());
    }
    if (program.empty()) break;
    link::Sink sink;
    sink.sample = [&](const link::SampleBlock& block) { assessor_.take_contact(block, pull); };
    auto went = executor(session)(program, sink);
    TH_TRY(went);
    if (!*went) return {};
    leads = assessor_.undecided_leads();
  }
  // A lead is nobody's board: nothing is judged through it.
  std::string names;
  for (const int sense : assessor_.open_leads()) {
    const std::string line = plan::line_on_sense(plan_, sense);
    if (undriven->count(line)) continue;
    names += (names.empty() ? "" : ", ") + fmt::format("{} (sense.{})", line, sense);
  }
  if (names.empty()) return {};
  record_.aborted = record::Aborted{"open-lead", names, "lead",
                                    fmt::format("the lead of {} is not connected: it reads {:+.2f} V and follows a pull-up; "
                                                "push it home and run again", names, plan_.fixture.sense.open_reads.value)};
  return {};
}

Status BenchRun::prepare(link::Session& session) {
  power::Sequence sequence = this->sequence(session);
  power::CurveBook book(plan_);
  auto up = sequence.up(&book);
  record_.power.curves = book.curves();
  TH_TRY(up);
  if (tripped(*up)) return {};
  TH_TRY(drives(session));
  if (record_.aborted) return {};
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
  return contacts(session, true);
}

Status BenchRun::drive_vectors(link::Session& session) {
  const int steps = static_cast<int>(plan_.steps.size());
  const int at_once = at_once_ > 0 ? at_once_ : std::max(1, steps);
  for (int first = 0; first < steps && !record_.aborted; first += at_once) {
    TH_TRY(drive(session, first, std::min(steps, first + at_once) - 1));
  }
  record::Times& t = record_.time;
  t.total_s = driven_s_;
  // Against what the vectors need by themselves, not against the fixture's own account of its time: that
  // books every instruction to one operation or the other.
  t.relay_s = plan_.predicted.relay_s;
  t.settle_s = plan_.predicted.settle_s;
  t.convert_s = plan_.predicted.convert_s;
  t.pulse_s = plan_.predicted.pulse_s;
  t.overhead_s = std::max(0.0, t.total_s - t.relay_s - t.settle_s - t.convert_s - t.pulse_s);
  return {};
}

Status BenchRun::drive(link::Session& session, int first, int last) {
  auto program = plan::vectors_program(plan_, first, last);
  TH_TRY(program);
  if (first > 0) {
    // A contact that is bad by chance must not stay so from one pass to the next: they would not be independent.
    auto shaken = plan::encode(plan::shake_step(plan_, plan_.steps[static_cast<std::size_t>(first)].before));
    TH_TRY(shaken);
    program->insert(program->begin(), shaken->begin(), shaken->end());
  }
  link::Sink sink;
  std::optional<double> began, ended;
  sink.milestone = [&](const link::Milestone& m) {
    if (m.kind != link::Milestone::Kind::mark) return;
    (m.id == plan::kMarkFirst ? began : ended) = m.time.value;
    if (m.id == plan::kMarkFirst && first == 0) fixture_began_s_ = m.time.value;
  };
  sink.sample = [&](link::SampleBlock block) {
    fixture_last_s_ = block.time.value;
    block.step += first;
    assessor_.take(block);
  };
  auto report = session.execute(*program, sink, kRunAtMost);
  TH_TRY(report);
  account(*report);
  if (began) driven_s_ += std::max(0.0, ended.value_or(fixture_last_s_) - *began);
  if (tripped(report->fault)) {
    if (tripped_at_ >= 0 && tripped_at_ < plan::kLabelPrepare) tripped_at_ += first;
    place_trip(false);
    return {};
  }
  if (unload_) return {};
  return second_look(session, first, last);
}

Status BenchRun::unload(link::Session& session) {
  std::vector<Wanted> wanted;
  for (const auto& [step, senses] : assessor_.worth_unloading()) {
    for (int sense = 0; sense < plan_.fixture.sense.channels; ++sense) {
      if (senses >> sense & 1u) wanted.push_back({step, sense});
    }
  }
  if (wanted.empty()) return {};
  if (told_.phase) told_.phase("looking again with known loads", 0, 0);
  auto looks = look_at_sources(plan_, wanted, executor(session));
  TH_TRY(looks);
  const measure::LoadingParts parts = loading_parts(plan_.fixture);
  for (const LoadedLook& look : *looks) {
    assessor_.take_unloaded(look.at.step, look.at.sense, look.bare, source_of_look(look, assessor_.model(look.at.sense), parts));
  }
  return {};
}

Status BenchRun::sources(link::Session& session) {
  const auto levels = assess::levels_of(plan_, assessor_.steps());
  if (told_.phase) told_.phase("loading each output", 0, 0);
  auto looks = look_at_sources(plan_, worst_steps(plan_, levels), executor(session));
  TH_TRY(looks);
  sources_ = sources_of(plan_, levels, *looks, assessor_);
  record_.sections["sources"] = sources_json(sources_);
  return {};
}

Status BenchRun::power_down(link::Session& session) {
  auto down = sequence(session).down(kDischargeAtMost);
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

namespace {

// Counts the relays' operations of everything that is executed while it lives.
class WearWatch {
 public:
  WearWatch(link::Session& session, Wear& wear) : session_(session) {
    session.watch([&wear](std::span<const std::uint8_t> program, bool from_rest) {
      if (from_rest) wear.all_off();
      wear.take(program);
    });
  }
  ~WearWatch() { session_.watch({}); }
  WearWatch(const WearWatch&) = delete;
  WearWatch& operator=(const WearWatch&) = delete;

 private:
  link::Session& session_;
};

}  // namespace

Status BenchRun::perform(link::Session& session) {
  const WearWatch watch(session, wear_);
  auto began = session.status();
  TH_TRY(began);
  TH_TRY(look_at_fixture(session, true));
  if (!record_.aborted) TH_TRY(cold_contacts(session));
  auto before_power = session.status();
  TH_TRY(before_power);
  powered_s_ = before_power->time.value;
  const bool powered = !record_.aborted;
  if (powered) TH_TRY(prepare(session));
  if (!record_.aborted && told_.ready) TH_TRY(told_.ready(session));
  auto prepared = session.status();
  TH_TRY(prepared);
  record_.time.prepare_s = (prepared->time - began->time).value;
  if (!record_.aborted) TH_TRY(drive_vectors(session));
  if (!record_.aborted && unload_) TH_TRY(unload(session));
  if (!record_.aborted && sources_wanted_) TH_TRY(sources(session));
  if (!record_.aborted) TH_TRY(contacts(session, false));
  if (!record_.aborted) TH_TRY(drives(session));
  if (!record_.aborted) TH_TRY(look_at_fixture(session, false));
  const bool concerned = part_tests_always_ || !doubtful_.empty();
  if (!record_.aborted && concerned) TH_TRY(test_lines(session));
  if (record_.aborted) TH_TRY(session.stop());
  // For the hours of the board's parts: nothing, or from the first rail to the moment before they fall.
  record_.powered_s = 0.0;
  if (powered) {
    if (const auto now = session.status(); now) record_.powered_s = now->time.value - powered_s_;
  }
  return power_down(session);
}

void BenchRun::finish(link::Session* session, const std::optional<Error>& trouble) {
  if (trouble) {
    if (session) (void)session->stop().ok();
    const bool person = trouble->trouble == Trouble::interrupted;
    record_.aborted = record::Aborted{person ? "stopped" : "link", trouble->where, person ? "person" : "link", trouble->text()};
  }
  if (session) {
    const link::LinkCounters c = session->counters();
    record_.link.frames_sent = static_cast<long>(c.sent - counted_.sent);
    record_.link.frames_received = static_cast<long>(c.received - counted_.received);
    record_.link.crc_errors = static_cast<long>(c.damaged - counted_.damaged) + c.device_damaged - counted_.device_damaged;
    record_.link.overruns = c.device_overrun - counted_.device_overrun;
    record_.link.timeouts = static_cast<long>(c.timeouts - counted_.timeouts);
    record_.link.resent = static_cast<long>(c.resent - counted_.resent) + c.device_resent - counted_.device_resent;
  }
  record_.relay_wear = wear_.operations();
  assessor_.finish(record_);
}

int exit_code_of(const record::RunRecord& run) {
  if (run.aborted) return kExitFixture;
  switch (run.verdict) {
    case measure::Verdict::fail: return kExitFail;
    case measure::Verdict::unsure: return kExitUnsure;
    case measure::Verdict::pass:
    case measure::Verdict::none: return kExitPass;
  }
  return kExitBug;
}

}  // namespace tenterhook::commands
