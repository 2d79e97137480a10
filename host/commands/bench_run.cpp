#include "host/commands/bench_run.h"

#include <fmt/chrono.h>
#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <set>

#include "host/circuit/simulator.h"
#include "host/measure/cold.h"
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
  counted_ = bench.session->counters();
}

void BenchRun::calibrate(const std::string& serial) {
  record_.calibration = "nominal";
  const std::string date = measure::today();
  auto found = measure::find_calibration(serial);
  const std::string widened = ": uncertainties are those of the parts' tolerances; `tenterhook fixture calibrate` narrows them";
  if (!found) {
    record_.warnings.push_back("its calibration cannot be read (" + found.error().text() + ")" + widened);
  } else if (!*found) {
    record_.warnings.push_back("not calibrated" + widened);
  } else if (!(*found)->valid_on(date)) {
    record_.warnings.push_back(fmt::format("its calibration expired on {}{}", (*found)->expires, widened));
  } else {
    calibration_ = std::move(**found);
    record_.calibration = calibration_->hash;
  }
  const measure::Models models = measure::models_of(plan_.fixture, calibration_ ? &*calibration_ : nullptr, date);
  assessor_.use(models.sense);
  std::set<int> used;
  for (const auto& [key, channel] : plan_.hookup) {
    if (channel.kind == "sense") used.insert(channel.index);
  }
  record_.sections["channels"] = measure::models_json(models.sense, used);
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

// Builds whose output hangs on a resistor when cold. The others (an open contact, an open collector) let
// go of their line then, and an open lead cannot be told from that before power.
bool holds_cold(const files::Board& board, const std::string& line) {
  for (const files::Gate& gate : board.circuit) {
    const bool drives = gate.inverse == line || std::count(gate.outputs.begin(), gate.outputs.end(), line) > 0;
    if (!drives) continue;
    return gate.build.rfind("cathode", 0) == 0 || gate.build.rfind("triode", 0) == 0 || gate.build.rfind("transistor", 0) == 0;
  }
  return false;
}

Status BenchRun::cold_contacts(link::Session& session) {
  constexpr std::uint16_t kConversions = 8;
  std::map<int, std::string> lines;
  std::uint64_t senses = 0, rails = 0;
  for (const auto& [key, channel] : plan_.hookup) {
    if (channel.kind == "sense") senses |= std::uint64_t{1} << channel.index;
  }
  for (int i = 0; i < plan_.fixture.sense.channels; ++i) {
    if (senses >> i & 1u) lines[i] = plan::line_on_sense(plan_, i);
  }
  if (lines.empty() || std::count(plan_.fixture.features.begin(), plan_.fixture.features.end(), "test-bus") == 0) return {};
  for (const plan::RailPlan& rail : plan_.rails) rails |= wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRail + rail.channel));
  const auto settle = static_cast<std::uint32_t>(plan_.fixture.drive.settle.value * 1e6);
  std::vector<std::uint8_t> program;
  auto append = [&](int sense, std::vector<plan::AnyOp> ops) -> Status {
    plan::ProgramStep step;
    step.label = static_cast<std::uint16_t>(plan::kLabelContact + sense);
    step.ops = std::move(ops);
    auto bytes = plan::encode(step);
    TH_TRY(bytes);
    program.insert(program.end(), bytes->begin(), bytes->end());
    return {};
  };
  constexpr int kAtRest = 0x100;
  TH_TRY(append(kAtRest, {wire::SampleOp{senses, rails, kConversions}}));
  for (const auto& [sense, line] : lines) {
    TH_TRY(append(sense, {wire::BusOp{wire::kBusPull10k, std::uint64_t{1} << sense}, wire::RelayWaitOp{settle},
                          wire::SampleOp{senses, rails, kConversions}}));
  }
  TH_TRY(append(kAtRest + 1, {wire::BusOp{0, 0}, wire::RelayWaitOp{settle}}));
  measure::ColdLook look;
  const auto& fixture = plan_.fixture;
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) {
    const int which = block.step - plan::kLabelContact;
    measure::ColdLook::Pull seen;
    for (const link::ChannelSample& c : block.channels) {
      const double mean = static_cast<double>(c.counts.sum) / std::max<int>(1, c.counts.n);
      if (c.kind == link::ChannelKind::sense) seen.sense[c.index] = fixture.sense.offset + fixture.sense.per_count * mean;
      if (c.kind == link::ChannelKind::rail) seen.rail[c.index] = fixture.sense.offset + fixture.sense.per_count * mean;
    }
    if (which == kAtRest) {
      look.rest = seen.sense;
      look.rail_rest = seen.rail;
    } else {
      look.pulls[which] = seen;
    }
  };
  auto report = session.execute(program, sink);
  TH_TRY(report);
  account(*report);
  if (tripped(report->fault)) return {};
  const auto found = measure::judge_cold(look, fixture.sense.open_reads, fixture.sense.divider);
  for (const auto& [a, b] : found.tied) {
    record_.warnings.push_back(fmt::format("before power, {} (sense.{}) and {} (sense.{}) moved as one: look for solder or a stray strand "
                                           "between them", lines[a], a, lines[b], b));
  }
  for (const auto& [sense, rail] : found.on_rail) {
    for (const plan::RailPlan& r : plan_.rails) {
      if (r.channel != rail || !holds_cold(plan_.vectors.board, lines[sense])) continue;
      record_.warnings.push_back(fmt::format("before power, {} (sense.{}) was tied to rail {}: look for solder between them", lines[sense],
                                             sense, r.rail.name));
    }
  }
  std::string names;
  for (const int sense : found.open) {
    if (!holds_cold(plan_.vectors.board, lines[sense])) continue;
    names += (names.empty() ? "" : ", ") + fmt::format("{} (sense.{})", lines[sense], sense);
  }
  if (names.empty()) return {};
  record_.aborted = record::Aborted{"open-lead", names, "lead",
                                    fmt::format("the lead of {} is not connected: without power it reads {:+.2f} V and follows a pull-up; "
                                                "push it home and run again", names, fixture.sense.open_reads.value)};
  return {};
}

Status BenchRun::second_look(link::Session& session) {
  constexpr int kLonger = 4;
  const auto unsure = assessor_.worth_a_second_look();
  if (unsure.empty()) return {};
  std::vector<std::uint8_t> program;
  plan::ProgramStep rest = plan::rest_step(plan_);
  rest.patient = true;
  auto bytes = plan::encode(rest);
  TH_TRY(bytes);
  program = bytes.take();
  for (const plan::PlannedStep& planned : plan_.steps) {
    if (planned.index > unsure.rbegin()->first) break;
    plan::ProgramStep step = plan::vector_step(plan_, planned);
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
  sink.sample = [&](const link::SampleBlock& block) { assessor_.take_again(block); };
  auto report = session.execute(program, sink, kRunAtMost);
  TH_TRY(report);
  account(*report);
  tripped(report->fault);
  return {};
}

void BenchRun::took_step(const record::StepRecord& step) {
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
  return true;
}

void BenchRun::account(const link::ExecuteReport& report) {
  record_.link.starvations += report.starvations;
  record_.relay_operations += report.relay_moves;
}

// The open-lead proof: every sensed line is pulled once, while what drives it is powered.
Status BenchRun::contacts(link::Session& session, bool before) {
  auto undriven = undriven_lines(plan_, before);
  TH_TRY(undriven);
  std::vector<std::uint8_t> program;
  for (const auto& [key, channel] : plan_.hookup) {
    if (channel.kind != "sense") continue;
    auto step = plan::encode(plan::contact_step(plan_, channel.index));
    TH_TRY(step);
    program.insert(program.end(), step->begin(), step->end());
  }
  if (program.empty()) return {};
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) { assessor_.take_contact(block, before); };
  auto report = session.execute(program, sink);
  TH_TRY(report);
  account(*report);
  if (tripped(report->fault)) return {};
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
  return contacts(session, true);
}

Status BenchRun::drive_vectors(link::Session& session) {
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
  auto report = session.execute(*program, sink, kRunAtMost);
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

Status BenchRun::perform(link::Session& session) {
  auto began = session.status();
  TH_TRY(began);
  TH_TRY(look_at_fixture(session, true));
  if (!record_.aborted) TH_TRY(cold_contacts(session));
  if (!record_.aborted) TH_TRY(prepare(session));
  auto prepared = session.status();
  TH_TRY(prepared);
  record_.time.prepare_s = (prepared->time - began->time).value;
  if (!record_.aborted) TH_TRY(drive_vectors(session));
  if (!record_.aborted) TH_TRY(second_look(session));
  if (!record_.aborted) TH_TRY(contacts(session, false));
  if (!record_.aborted) TH_TRY(look_at_fixture(session, false));
  if (record_.aborted) TH_TRY(session.stop());
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
