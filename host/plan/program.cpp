#include "host/plan/program.h"

#include <fmt/format.h>

#include <algorithm>
#include <bit>
#include <cmath>

namespace tenterhook::plan {

namespace {

constexpr double kTicksPerSecond = 16e6;
constexpr std::uint16_t kTopCount = 1023;
// A reading that has to exceed the limit must be able to: the top count cannot be exceeded.
constexpr std::uint16_t kLimitMost = kTopCount - 2;
constexpr Seconds kRailWithin{5.0};      // a rail without a soft start is up by then
constexpr Seconds kSoftStartWithin{60.0};
constexpr std::uint32_t kRailHoldMs = 20;  // in its window so long: one mains period
constexpr Seconds kRailTail{0.005};        // after the window is reached, before the next rail

std::uint16_t clamp_count(double count) {
  return static_cast<std::uint16_t>(std::clamp(std::lround(count), 0L, static_cast<long>(kTopCount)));
}

std::uint32_t microseconds(Seconds t) { return static_cast<std::uint32_t>(std::ceil(t.value * 1e6)); }
std::uint32_t milliseconds(Seconds t) { return static_cast<std::uint32_t>(std::ceil(t.value * 1e3)); }
std::uint32_t ticks(Seconds t) { return static_cast<std::uint32_t>(std::lround(t.value * kTicksPerSecond)); }

std::uint16_t results_of(const ProgramStep& step) {
  std::uint16_t bytes = 0;
  for (const AnyOp& op : step.ops) {
    if (const auto* sample = std::get_if<wire::SampleOp>(&op)) {
      const int channels = std::popcount(sample->senses) + std::popcount(sample->aux);
      bytes = static_cast<std::uint16_t>(bytes + wire::sample_result_bytes(static_cast<std::uint16_t>(channels)));
    } else if (std::holds_alternative<wire::MarkOp>(op) || std::holds_alternative<wire::RailUntilOp>(op)) {
      bytes = static_cast<std::uint16_t>(bytes + wire::kEventResultBytes);
    }
  }
  return bytes;
}

// The window as the trip sees it: wider than the board's by what an uncalibrated channel may be
// wrong, so that a good rail at the edge of its window does not trip. The verdict on the rail is the
// measurement's business.
struct Counts { std::uint16_t min, max; };
Counts trip_window(const Plan& plan, const RailPlan& rail) {
  const auto& channel = plan.fixture.rails.at(rail.channel);
  const Volts slack = plan.fixture.sense.tolerance;
  return {rail_counts(channel, rail.rail.window.min - slack), rail_counts(channel, rail.rail.window.max + slack)};
}

wire::GuardOp guard_of(const Plan& plan, const RailPlan& rail, Amps limit) {
  const auto& channel = plan.fixture.rails.at(rail.channel);
  const Counts window = trip_window(plan, rail);
  wire::GuardOp guard;
  guard.rail = static_cast<std::uint8_t>(rail.channel);
  guard.flags = rail.protecting ? wire::kGuardProtects : 0;
  for (const RailPlan& other : plan.rails) {
    const auto& after = rail.rail.after;
    if (std::count(after.begin(), after.end(), other.rail.name) > 0) {
      guard.needs = static_cast<std::uint8_t>(guard.needs | (1u << other.channel));
    }
  }
  guard.min = window.min;
  guard.max = window.max;
  guard.limit = std::min(kLimitMost, current_counts(channel, limit));
  return guard;
}

// While a cold heater draws its inrush the limit is the inrush's.
Amps starting_limit(const files::Rail& rail) {
  return rail.inrush ? std::max(rail.limit, rail.inrush->peak) : rail.limit;
}

void soft_start(const Plan& plan, const RailPlan& rail, ProgramStep& step) {
  const auto& channel = plan.fixture.rails.at(rail.channel);
  const files::SoftStart& soft = *rail.rail.soft_start;
  const auto index = static_cast<std::uint8_t>(rail.channel);
  step.ops.push_back(wire::RailOp{index, wire::RailMode::pre_charge});
  wire::RailUntilOp until;
  until.rail = index;
  until.min = rail_counts(channel, soft.until);
  if (soft.at_least) until.current_min = current_counts(channel, *soft.at_least);
  if (soft.below) until.current_max = current_counts(channel, *soft.below);
  until.hold_ms = milliseconds(soft.hold);
  until.within_ms = milliseconds(soft.within.value_or(kSoftStartWithin));
  step.ops.push_back(until);
}

}  // namespace

std::uint16_t rail_counts(const files::Fixture::RailChannel& channel, Volts volts) {
  return clamp_count((volts - channel.volts_offset) / channel.volts_per_count);
}

std::uint16_t current_counts(const files::Fixture::RailChannel& channel, Amps amps) {
  return clamp_count(amps / channel.per_count);
}

Result<std::vector<std::uint8_t>> encode(const ProgramStep& step) {
  std::vector<std::uint8_t> body(wire::kStepBytesMax);
  wire::Writer writer(body.data(), wire::kStepBytesMax);
  for (const AnyOp& op : step.ops) std::visit([&](const auto& o) { put(writer, o); }, op);
  const std::uint16_t results = results_of(step);
  if (!writer.ok() || results > wire::kStepResultBytesMax) {
    return bug_error(fmt::format("step {} takes more program or result bytes than the fixture has", step.label));
  }
  const std::uint16_t size = writer.size();
  std::vector<std::uint8_t> all(wire::op_bytes(wire::Op::label));
  wire::Writer label(all.data(), static_cast<std::uint16_t>(all.size()));
  put(label, wire::LabelOp{step.label, size, results, step.patient ? wire::kLabelPatient : std::uint8_t{0}});
  all.insert(all.end(), body.begin(), body.begin() + size);
  return all;
}

std::vector<std::uint8_t> encode_end() {
  std::vector<std::uint8_t> bytes(1);
  wire::Writer writer(bytes.data(), 1);
  put(writer, wire::EndOp{});
  return bytes;
}

Result<std::vector<ProgramStep>> power_up_steps(const Plan& plan) {
  std::vector<ProgramStep> steps;
  ProgramStep guards;
  guards.label = kLabelPrepare;
  for (const RailPlan& rail : plan.rails) {
    guards.ops.push_back(guard_of(plan, rail, starting_limit(rail.rail)));
  }
  steps.push_back(guards);

  std::uint8_t armed = 0;
  for (const RailPlan& rail : plan.rails) {
    const auto index = static_cast<std::uint8_t>(rail.channel);
    ProgramStep step;
    step.label = static_cast<std::uint16_t>(kLabelPrepare + steps.size());
    if (rail.rail.soft_start) soft_start(plan, rail, step);
    step.ops.push_back(wire::RailOp{index, wire::RailMode::on});
    const Counts window = trip_window(plan, rail);
    wire::RailUntilOp until;
    until.rail = index;
    until.min = window.min;
    until.max = window.max;
    until.hold_ms = kRailHoldMs;
    until.within_ms = milliseconds(rail.rail.inrush ? rail.rail.inrush->within + kRailWithin : kRailWithin);
    step.ops.push_back(until);
    armed = static_cast<std::uint8_t>(armed | (1u << rail.channel));
    step.ops.push_back(wire::ArmOp{armed});
    if (rail.rail.inrush) {
      // The inrush has its time, then the running limit holds.
      step.ops.push_back(wire::WaitOp{microseconds(rail.rail.inrush->within)});
      step.ops.push_back(guard_of(plan, rail, rail.rail.limit));
    }
    step.ops.push_back(wire::WaitOp{microseconds(std::max(kRailTail, rail.rail.hold))});
    steps.push_back(step);
  }
  return steps;
}

ProgramStep rest_step(const Plan& plan) {
  ProgramStep step;
  step.label = static_cast<std::uint16_t>(kLabelPrepare + 1 + plan.rails.size());
  wire::DriveOp drive;
  for (const auto& fast : {0, 1}) {
    const bool on = (plan.rest.fast_connect >> fast) & 1u;
    const bool high = (plan.rest.fast_high >> fast) & 1u;
    step.ops.push_back(wire::FastOp{static_cast<std::uint8_t>(fast), on, high});
  }
  drive.connect = static_cast<std::uint16_t>(plan.rest.drive_connect);
  drive.high = static_cast<std::uint16_t>(plan.rest.drive_high);
  step.ops.push_back(drive);
  step.ops.push_back(wire::RelayWaitOp{microseconds(plan.fixture.drive.settle)});
  return step;
}

ProgramStep vector_step(const Plan& plan, const PlannedStep& planned) {
  ProgramStep step;
  step.label = static_cast<std::uint16_t>(planned.index);
  const Contacts& now = planned.contacts;
  const Contacts& before = planned.before;
  for (int fast = 0; fast < plan.fixture.fast.channels; ++fast) {
    const std::uint32_t bit = 1u << fast;
    if (((now.fast_connect ^ before.fast_connect) | (now.fast_high ^ before.fast_high)) & bit) {
      step.ops.push_back(wire::FastOp{static_cast<std::uint8_t>(fast), (now.fast_connect & bit) != 0,
                                      (now.fast_high & bit) != 0});
    }
  }
  if (now.drive_connect != before.drive_connect || now.drive_high != before.drive_high) {
    step.ops.push_back(wire::DriveOp{static_cast<std::uint16_t>(now.drive_connect),
                                     static_cast<std::uint16_t>(now.drive_high)});
  }
  const std::uint32_t settle = microseconds(plan.fixture.drive.settle);
  step.ops.push_back(wire::RelayWaitOp{settle});
  for (const PulseTrain& train : planned.pulses) {
    if (train.fast >= 0) {
      step.ops.push_back(wire::PulseOp{static_cast<std::uint8_t>(train.fast), train.active_high, train.count,
                                       ticks(train.width), std::max(wire::kGapTicksMin, ticks(train.gap))});
      continue;
    }
    // Through a contact: the plan has warned, and bounded the count so that the step fits.
    for (std::uint32_t i = 0; i < train.count; ++i) {
      auto active = static_cast<std::uint16_t>(now.drive_high ^ (1u << train.drive));
      const auto connect = static_cast<std::uint16_t>(now.drive_connect);
      step.ops.push_back(wire::DriveOp{connect, active});
      step.ops.push_back(wire::RelayWaitOp{settle + microseconds(train.width)});
      step.ops.push_back(wire::DriveOp{connect, static_cast<std::uint16_t>(now.drive_high)});
      step.ops.push_back(wire::RelayWaitOp{settle + microseconds(train.gap)});
    }
  }
  if (planned.respond.value > 0.0) step.ops.push_back(wire::WaitOp{microseconds(planned.respond)});

  wire::SampleOp sample;
  std::uint64_t undriven = 0;
  for (const Expectation& e : planned.expectations) {
    sample.senses |= std::uint64_t{1} << e.sense;
    if (e.expected == files::Bit::undriven) undriven |= std::uint64_t{1} << e.sense;
  }
  sample.n = static_cast<std::uint16_t>(planned.conversions);
  if (sample.senses != 0) sample.aux = planned.aux;
  if (sample.senses != 0) step.ops.push_back(sample);
  // An undriven line is known by going where it is pulled: one look up, one look down, one line at a
  // time so that two of them do not meet on the test bus.
  for (int sense = 0; undriven >> sense; ++sense) {
    const std::uint64_t bit = std::uint64_t{1} << sense;
    if (!(undriven & bit)) continue;
    for (const std::uint8_t mode : {wire::kBusPull10k, wire::kBusLoad22k}) {
      step.ops.push_back(wire::BusOp{mode, bit});
      step.ops.push_back(wire::RelayWaitOp{settle});
      step.ops.push_back(wire::SampleOp{bit, 0, kPullConversions});
    }
  }
  if (undriven) {
    step.ops.push_back(wire::BusOp{0, 0});
    step.ops.push_back(wire::RelayWaitOp{settle});
  }
  return step;
}

Result<std::vector<std::uint8_t>> vectors_program(const Plan& plan, int first, int last) {
  if (last - first >= kStepsMost) return bug_error(fmt::format("{} steps in one program are more than it has labels for", last - first + 1));
  std::vector<std::uint8_t> program;
  for (int i = first; i <= last; ++i) {
    ProgramStep step = vector_step(plan, plan.steps.at(static_cast<std::size_t>(i)));
    step.label = static_cast<std::uint16_t>(i - first);
    step.patient = i == first && i > 0;
    if (i == first) step.ops.insert(step.ops.begin(), wire::MarkOp{kMarkFirst});
    if (i == last) step.ops.push_back(wire::MarkOp{kMarkLast});
    auto bytes = encode(step);
    TH_TRY(bytes);
    program.insert(program.end(), bytes->begin(), bytes->end());
  }
  return program;
}

ProgramStep look_step(const Plan& plan, std::uint16_t label) {
  ProgramStep step;
  step.label = label;
  step.patient = true;
  wire::SampleOp sample;
  for (const files::Line& line : plan.vectors.board.lines) {
    if (line.kind != files::LineKind::output) continue;
    const auto found = plan.hookup.find(line.name);
    if (found != plan.hookup.end()) sample.senses |= std::uint64_t{1} << found->second.index;
  }
  const int channels = std::max(1, std::popcount(sample.senses));
  sample.n = static_cast<std::uint16_t>(std::max(4, (192 + channels - 1) / channels));
  if (sample.senses != 0) step.ops.push_back(sample);
  return step;
}

ProgramStep hold_step(const Plan& plan, int n) {
  ProgramStep step;
  step.label = kLabelHold;
  step.patient = true;
  wire::SampleOp sample;
  for (const auto& [name, channel] : plan.hookup) {
    if (channel.kind == "sense") sample.senses |= std::uint64_t{1} << channel.index;
  }
  for (const RailPlan& rail : plan.rails) {
    sample.aux |= wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRail + rail.channel)) |
                  wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxCurrent + rail.channel));
  }
  sample.n = static_cast<std::uint16_t>(n);
  step.ops.push_back(sample);
  return step;
}

ProgramStep shake_step(const Plan& plan, const Contacts& contacts) {
  ProgramStep step;
  step.label = kLabelPrepare;
  step.patient = true;
  const std::uint32_t settle = microseconds(plan.fixture.drive.settle);
  const auto high = static_cast<std::uint16_t>(contacts.drive_high);
  for (const std::uint32_t connect : {std::uint32_t{0}, contacts.drive_connect}) {
    step.ops.push_back(wire::DriveOp{static_cast<std::uint16_t>(connect), high});
    step.ops.push_back(wire::RelayWaitOp{settle});
  }
  return step;
}

ProgramStep hand_step(const Plan& plan, int n, bool pull) {
  const std::uint64_t bit = std::uint64_t{1} << plan.hand;
  ProgramStep step;
  step.label = kLabelHold;
  step.patient = true;
  const std::uint32_t settle = microseconds(plan.fixture.drive.settle);
  if (pull) {
    step.ops.push_back(wire::BusOp{wire::kBusPull1M, bit});
    step.ops.push_back(wire::RelayWaitOp{settle});
  }
  step.ops.push_back(wire::SampleOp{bit, 0, static_cast<std::uint16_t>(n)});
  if (pull) {
    step.ops.push_back(wire::BusOp{0, 0});
    step.ops.push_back(wire::RelayWaitOp{settle});
  }
  return step;
}

void add_trigger(ProgramStep& step, std::uint32_t lead_us) {
  const auto pulse = std::find_if(step.ops.begin(), step.ops.end(), [](const AnyOp& op) { return std::holds_alternative<wire::PulseOp>(op); });
  const auto at = step.ops.insert(pulse == step.ops.end() ? step.ops.begin() : pulse, wire::WaitOp{lead_us});
  step.ops.insert(at, wire::TriggerOp{1});
}

ProgramStep contact_step(const Plan& plan, int sense, std::uint8_t pull) {
  constexpr std::uint16_t kConversions = 16;
  const std::uint64_t bit = std::uint64_t{1} << sense;
  ProgramStep step;
  step.label = static_cast<std::uint16_t>(kLabelContact + sense);
  step.ops.push_back(wire::SampleOp{bit, 0, kConversions});
  step.ops.push_back(wire::BusOp{pull, bit});
  step.ops.push_back(wire::RelayWaitOp{microseconds(plan.fixture.drive.settle)});
  step.ops.push_back(wire::SampleOp{bit, 0, kConversions});
  step.ops.push_back(wire::BusOp{0, 0});
  step.ops.push_back(wire::RelayWaitOp{microseconds(plan.fixture.drive.settle)});
  return step;
}

ProgramStep rails_step(const Plan& plan, std::uint16_t label, int n) {
  ProgramStep step;
  step.label = label;
  step.patient = true;
  wire::SampleOp sample;
  sample.aux = wire::aux_bit(wire::kAuxReference) | wire::aux_bit(wire::kAuxGround);
  for (const RailPlan& rail : plan.rails) {
    sample.aux |= wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRail + rail.channel)) |
                  wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRailSecond + rail.channel)) |
                  wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxCurrent + rail.channel));
  }
  sample.n = static_cast<std::uint16_t>(n);
  step.ops.push_back(sample);
  return step;
}

}  // namespace tenterhook::plan
