#include "host/commands/holding.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "host/commands/output.h"
#include "host/commands/recorded.h"
#include "host/measure/contact.h"
#include "host/measure/verdict.h"

namespace tenterhook::commands {

namespace {

using files::Bit;

constexpr Seconds kDischargeAtMost{30.0};
constexpr int kConversions = 24;
constexpr int kHandConversions = 192;  // one mains period
constexpr const char* kByHand = ", changed by hand";
// The test bus's gentle pull-up: what little it gives (24 uA) moves an undriven lead and hardly a gate.
constexpr double kGentlePullVolts = 24.0, kGentlePullOhms = 1e6;
// Between the trigger output and the pulse after it: the relay chain has been shifted by then.
constexpr std::uint32_t kTriggerLeadUs = 200;

}  // namespace

Result<std::unique_ptr<Holding>> Holding::make(plan::Plan plan, Bench bench) {
  (void)calibrate(plan, bench.session->identity().serial);
  std::optional<circuit::Simulator> model;
  if (!plan.vectors.board.circuit.empty()) {
    auto made = circuit::Simulator::make(plan.vectors.board);
    TH_TRY(made);
    model.emplace(made.take());
    model->power_up();
  }
  return std::unique_ptr<Holding>(new Holding(std::move(plan), std::move(bench), std::move(model)));
}

Holding::Holding(plan::Plan plan, Bench bench, std::optional<circuit::Simulator> model)
    : plan_(std::move(plan)),
      bench_(std::move(bench)),
      model_(std::move(model)),
      sequence_(*bench_.session, plan_, [](const std::string& what, double) { fmt::print(stderr, "{}\n", what); }) {
  for (const files::Line& line : plan_.vectors.board.lines) {
    if (line.kind == files::LineKind::probe || !plan_.hookup.count(line.name)) continue;
    report::HeldLine held;
    held.name = line.name;
    held.say = line.say;
    held.kind = line.kind;
    if (line.kind != files::LineKind::output) held.given = line.rest;
    screen_.lines.push_back(held);
  }
  screen_.title = fmt::format("{}  {}", plan_.vectors.board.name, bench_.emulated ? "emulated" : bench_.session->identity().serial);
  screen_.at = "at rest";
}

Result<bool> Holding::power_up() {
  next_ = 0;
  on_s_ = 0.0;
  contacts_.reset();
  screen_.at = "at rest";
  for (report::HeldLine& held : screen_.lines) held.pulses = 0;
  if (model_) model_->power_up();
  auto up = sequence_.up();
  TH_TRY(up);
  if (report_fault(*up)) return false;
  std::optional<link::FaultReport> fault;
  auto warm = sequence_.warm_up(fault);
  TH_TRY(warm);
  return !report_fault(fault);
}

Status Holding::reach(int step) {
  if (step < next_ - 1) {
    next_ = 0;
    contacts_.reset();
    if (model_) model_->power_up();
  }
  while (next_ <= step && next_ < static_cast<int>(plan_.vectors.steps.size())) TH_TRY(do_next());
  return {};
}

Status Holding::do_next() {
  if (next_ >= static_cast<int>(plan_.vectors.steps.size())) {
    screen_.message = plan_.vectors.steps.empty() ? "this board file has no vectors" : "no further vector";
    return {};
  }
  const files::Step step = plan_.vectors.steps[static_cast<std::size_t>(next_)];
  screen_.at = fmt::format("at step {}{}{}", next_, step.say.empty() ? "" : ": ", step.say);
  screen_.message = "step " + std::to_string(next_) + " done";
  ++next_;
  return apply(step);
}

Status Holding::set(const std::string& line, Bit bit) {
  files::Step step;
  step.set.emplace_back(line, bit);
  screen_.message = fmt::format("{} is given {}", line, files::letter(bit));
  by_hand();
  return apply(step);
}

Status Holding::pulse(const std::string& line, int count) {
  files::Step step;
  step.pulse.push_back({line, count});
  screen_.message = fmt::format("{} pulsed {}", line, count == 1 ? "once" : fmt::format("{} times", count));
  by_hand();
  return apply(step);
}

void Holding::by_hand() {
  if (!screen_.at.ends_with(kByHand)) screen_.at += kByHand;
}

Status Holding::idle(Seconds t) {
  auto idled = bench_.session->idle(t);
  TH_TRY(idled);
  report_fault(*idled);
  on_s_ += t.value;
  return {};
}

bool Holding::report_fault(const std::optional<link::FaultReport>& fault) {
  if (!fault) return false;
  const record::Aborted aborted = power::aborted_by(*fault, plan_);
  screen_.message = fmt::format("everything is open: {} {}: {}", aborted.cause, aborted.where, aborted.message);
  over_ = true;
  return true;
}

// What the screen and the circuit model know of a step that was made.
void Holding::note(const files::Step& step) {
  for (report::HeldLine& held : screen_.lines) {
    for (const auto& [name, bit] : step.set) {
      if (name == held.name) held.given = bit;
    }
    for (const files::Pulse& p : step.pulse) {
      if (p.line == held.name) held.pulses += p.count;
    }
  }
}

Status Holding::apply(const files::Step& step) {
  const plan::PlannedStep planned = plan::plan_single(plan_, contacts_.value_or(plan_.rest), step);
  contacts_ = planned.contacts;
  plan::ProgramStep program = plan::vector_step(plan_, planned);
  program.patient = true;
  auto bytes = plan::encode(program);
  TH_TRY(bytes);
  auto report = bench_.session->execute(*bytes, {});
  TH_TRY(report);
  if (report_fault(report->fault)) return {};
  if (model_) TH_TRY(model_->step(step));
  note(step);
  return {};
}

Result<bool> Holding::loop(int first, int last) {
  if (over_) return false;
  std::vector<std::uint8_t> program;
  for (int i = first; i <= last; ++i) {
    const files::Step step = i == first ? standing_alone(plan_.vectors, i) : plan_.vectors.steps.at(static_cast<std::size_t>(i));
    plan::PlannedStep planned = plan::plan_single(plan_, contacts_.value_or(plan_.rest), step);
    contacts_ = planned.contacts;
    planned.respond = std::max(plan_.steps.at(static_cast<std::size_t>(i)).respond, planned.respond);
    plan::ProgramStep made = plan::vector_step(plan_, planned);
    made.label = static_cast<std::uint16_t>(plan::kLabelHold + (i == last));
    made.patient = i == first;
    if (i == last) {
      plan::add_trigger(made, kTriggerLeadUs);
      const plan::ProgramStep sample = plan::hold_step(plan_, kConversions);
      made.ops.insert(made.ops.end(), sample.ops.begin(), sample.ops.end());
      made.ops.push_back(wire::TriggerOp{0});
    }
    auto bytes = plan::encode(made);
    TH_TRY(bytes);
    program.insert(program.end(), bytes->begin(), bytes->end());
    if (model_) TH_TRY(model_->step(step));
    note(step);
  }
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) { take(block); };
  auto report = bench_.session->execute(program, sink);
  TH_TRY(report);
  on_s_ += report->times.total.value;
  screen_.on_s = on_s_;
  read_buses();
  next_ = last + 1;
  return !report_fault(report->fault);
}

void Holding::take(const link::SampleBlock& block) {
  screen_.rails.clear();
  for (const plan::RailPlan& rail : plan_.rails) screen_.rails.push_back({rail.rail.name, 0.0, 0.0});
  for (const link::ChannelSample& c : block.channels) {
    for (report::HeldLine& held : screen_.lines) {
      const auto both = plan_.hookup.find(held.name + " sense");
      const files::Channel& channel = both != plan_.hookup.end() ? both->second : plan_.hookup.at(held.name);
      if (c.kind == link::ChannelKind::sense && channel.kind == "sense" && channel.index == c.index) judge(held, c.counts);
    }
    for (std::size_t i = 0; i < plan_.rails.size(); ++i) {
      const int rail = plan_.rails[i].channel;
      const auto& there = plan_.fixture.rails.at(static_cast<std::size_t>(rail));
      const double mean = c.counts.n ? static_cast<double>(c.counts.sum) / c.counts.n : 0.0;
      if (c.index != rail) continue;
      if (c.kind == link::ChannelKind::rail) screen_.rails[i].volts = (there.volts_offset + there.volts_per_count * (mean + 0.5)).value;
      if (c.kind == link::ChannelKind::current) screen_.rails[i].amps = (there.per_count * mean).value;
    }
  }
}

Result<bool> Holding::look() {
  if (over_) return false;
  auto bytes = plan::encode(plan::hold_step(plan_, kConversions));
  TH_TRY(bytes);
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) { take(block); };
  auto report = bench_.session->execute(*bytes, sink);
  TH_TRY(report);
  screen_.on_s = on_s_;
  read_buses();
  return !report_fault(report->fault);
}

// A lead that touches nothing reads the divider's own voltage, which is a good low: near it a gentle pull-up decides.
Result<Holding::HandReading> Holding::hand() {
  HandReading reading;
  if (over_ || plan_.hand < 0) return reading;
  const measure::ChannelModel model = plan::sense_model(plan_, plan_.hand);
  Volts pulled{};
  const auto sample = [&](bool pull) -> Status {
    auto bytes = plan::encode(plan::hand_step(plan_, kHandConversions, pull));
    TH_TRY(bytes);
    link::Sink sink;
    sink.sample = [&](const link::SampleBlock& block) {
      for (const link::ChannelSample& c : block.channels) {
        const auto estimate = measure::estimate(c.counts, model);
        (pull ? pulled : reading.volts) = estimate.volts;
        reading.U = estimate.U;
      }
    };
    auto report = bench_.session->execute(*bytes, sink);
    TH_TRY(report);
    report_fault(report->fault);
    return {};
  };
  TH_TRY(sample(false));
  const Volts open = plan_.fixture.sense.open_reads;
  reading.touching = abs(reading.volts - open) > measure::kOpenLeadZone;
  if (reading.touching || over_) return reading;
  TH_TRY(sample(true));
  const double divider = 1.0 / plan_.fixture.sense.divider.value, pull = 1.0 / kGentlePullOhms;
  const Volts undriven{(open.value * divider + kGentlePullVolts * pull) / (divider + pull)};
  reading.touching = abs(pulled - undriven) > Volts{1.0} + reading.U;
  return reading;
}

std::optional<Volts> HandWatch::look(const Holding::HandReading& reading) {
  if (!reading.touching) {
    off_ = true;
    volts_.clear();
    return std::nullopt;
  }
  if (!off_) return std::nullopt;
  const double near = std::max(kSteadyVolts, 0.5 * reading.U.value);
  if (!volts_.empty() && std::fabs(volts_.back() - reading.volts.value) > near) volts_.clear();
  volts_.push_back(reading.volts.value);
  if (static_cast<int>(volts_.size()) < kSteadyLooks) return std::nullopt;
  double sum = 0.0;
  for (const double v : volts_) sum += v;
  const Volts taken{sum / static_cast<double>(volts_.size())};
  off_ = false;
  volts_.clear();
  return taken;
}

const char* HandWatch::say() const {
  if (!off_) return "take the hand lead off";
  return volts_.empty() ? "touch it with the hand lead" : "keep it there";
}

void Holding::judge(report::HeldLine& held, const measure::Counts& counts) {
  int sense = 0;
  for (const std::string& key : {held.name, held.name + " sense"}) {
    const auto found = plan_.hookup.find(key);
    if (found != plan_.hookup.end() && found->second.kind == "sense") sense = found->second.index;
  }
  const auto estimate = measure::estimate(counts, plan::sense_model(plan_, sense));
  measure::Reading reading;
  reading.line = held.name;
  reading.volts = estimate.volts;
  reading.U = estimate.U;
  reading.counts = counts;
  held.expected.reset();
  if (model_) {
    auto bit = model_->read(held.name);
    if (bit) held.expected = *bit;
  }
  if (held.expected && (*held.expected == Bit::zero || *held.expected == Bit::one)) {
    const files::Line& line = *plan_.vectors.board.line(held.name);
    reading.expected = *held.expected;
    if (const auto window = plan::window_for(plan_.vectors.board, line, {}, *held.expected)) {
      reading.window = *window;
      reading.verdict = measure::judge(estimate, *window, measure::Decision::guarded);
    }
  }
  held.reading = reading;
}

void Holding::read_buses() {
  screen_.buses.clear();
  const files::Board& board = plan_.vectors.board;
  for (const files::Bus& bus : board.buses) {
    std::string bits;
    unsigned long value = 0;
    for (const std::string& name : bus.lines) {
      char letter = '?';
      for (const report::HeldLine& held : screen_.lines) {
        if (held.name != name) continue;
        if (held.kind == files::LineKind::input) letter = held.given ? files::letter(*held.given) : '?';
        for (const Bit bit : {Bit::zero, Bit::one}) {
          const auto window = held.reading ? plan::window_for(board, *board.line(name), {}, bit) : std::nullopt;
          if (window && window->contains(held.reading->volts)) letter = files::letter(bit);
        }
      }
      bits += letter;
      value = 2 * value + (letter == '1');
    }
    const bool known = bits.find_first_not_of("01") == std::string::npos && bits.size() <= 32;
    screen_.buses.push_back(fmt::format("{} = {}{}", bus.name, bits, known ? fmt::format(" (hex {:X})", value) : ""));
  }
}

int Holding::down(bool to_stderr) {
  auto down = sequence_.down(kDischargeAtMost);
  if (!down) return tell(down.error());
  if (plan_.rails.empty()) return kExitPass;
  if (down->below) {
    fmt::print(to_stderr ? stderr : stdout, "{}\n", report::wrapped(down->message, report::screen_of(stdout_descriptor()).width, 0));
  } else {
    fmt::print(stderr, "tenterhook: {}\n", down->message);
  }
  return kExitPass;
}

}  // namespace tenterhook::commands
