#include "host/plan/plan.h"

#include <fmt/format.h>

#include <algorithm>
#include <bit>
#include <cmath>

#include "firmware/wire/message.h"
#include "host/measure/nominal.h"
#include "host/plan/expect.h"
#include "host/plan/hookup.h"

namespace tenterhook::plan {

namespace {

using files::Bit;
using files::Line;
using files::LineKind;

// The converter takes 13 cycles of 250 kHz, and every second conversion watches a safety channel.
constexpr double kSampleSeconds = 2 * 52e-6;
constexpr Seconds kDefaultPulse{100e-6};
constexpr int kConversionsAtLeast = 4;

void put(std::uint32_t& mask, int bit, bool on) {
  if (on) mask |= 1u << bit; else mask &= ~(1u << bit);
}

// An undriven bit, or a level that the family gives by letting go, opens the connection; the level
// relay then stays as it is, which saves an operation.
void set_line(const Plan& plan, const Line& line, Bit bit, Contacts& contacts) {
  const files::Family& family = *plan.vectors.board.family_of(line);
  const files::Channel& channel = plan.hookup.at(line.name);
  const bool high = is_high(family, bit);
  const auto& level = high ? family.drive_high : family.drive_low;
  const bool open = bit == Bit::undriven || level.kind == files::DriveLevel::Kind::open;
  auto& connect = channel.kind == "fast" ? contacts.fast_connect : contacts.drive_connect;
  auto& highs = channel.kind == "fast" ? contacts.fast_high : contacts.drive_high;
  put(connect, channel.index, !open);
  if (!open) put(highs, channel.index, high);
}

int moves(const Contacts& a, const Contacts& b) {
  return std::popcount(a.drive_connect ^ b.drive_connect) + std::popcount(a.drive_high ^ b.drive_high) +
         std::popcount(a.fast_connect ^ b.fast_connect);
}

PulseTrain train_of(const Plan& plan, const files::Step& step, const files::Pulse& pulse) {
  const Line& line = *plan.vectors.board.line(pulse.line);
  const files::Channel& channel = plan.hookup.at(pulse.line);
  PulseTrain train;
  train.line = pulse.line;
  (channel.kind == "fast" ? train.fast : train.drive) = channel.index;
  train.count = static_cast<std::uint32_t>(pulse.count);
  train.width = step.pulse_width.value_or(line.pulse.value_or(kDefaultPulse));
  train.gap = line.gap.value_or(train.width);
  // A pulse leaves the resting level and comes back to it.
  const Bit active = line.rest == Bit::one ? Bit::zero : Bit::one;
  train.active_high = is_high(*plan.vectors.board.family_of(line), active);
  return train;
}

Result<Expectation> expectation_of(const Plan& plan, const files::Step& step, const std::string& name,
                                   Bit bit, bool judged) {
  const files::Board& board = plan.vectors.board;
  const Line& line = *board.line(name);
  Expectation e;
  e.line = name;
  const auto found = plan.hookup.find(line.kind == LineKind::both ? name + " sense" : name);
  if (found == plan.hookup.end() || found->second.kind != "sense") {
    return input_error(step.mark.text(), fmt::format("line {} cannot be sampled: it is on no sense channel", name),
                       "only outputs and two-way lines are expected or measured");
  }
  e.sense = found->second.index;
  e.expected = judged ? bit : Bit::any;
  if (judged && (bit == Bit::zero || bit == Bit::one)) {
    e.window = window_for(board, line, step, bit);
    if (!e.window) {
      return input_error(step.mark.text(),
                         fmt::format("line {} is expected to be {}, but family '{}' does not say what volts that is",
                                     name, letter(bit), line.family),
                         "give the family `gives:` or `needs:`");
    }
  }
  return e;
}

Seconds longest_respond(const files::Board& board, const PlannedStep& step) {
  Seconds longest{0.0};
  for (const Expectation& e : step.expectations) longest = std::max(longest, board.line(e.line)->respond);
  return longest;
}

// Enough conversions a channel for the round-robin to span one period of the mains.
int conversions_for(std::size_t channels, int mains_hz) {
  if (channels == 0) return 0;
  const double total = 1.0 / mains_hz / kSampleSeconds;
  return std::max(kConversionsAtLeast, static_cast<int>(std::ceil(total / static_cast<double>(channels))));
}

// The least time that the step can take: what its waits, conversions and pulses last by themselves.
void predict_times(Plan& plan, PlannedStep& step) {
  record::Times& t = plan.predicted;
  const double settle = plan.fixture.drive.settle.value;
  if (step.relay_moves > 0) t.relay_s += settle;
  for (const PulseTrain& p : step.pulses) {
    t.pulse_s += p.count * (p.width.value + p.gap.value);
    if (p.drive >= 0) t.relay_s += p.count * 2 * settle;
  }
  t.settle_s += step.respond.value;
  t.convert_s += static_cast<double>(step.expectations.size()) * step.conversions * kSampleSeconds;
  const auto undriven = std::count_if(step.expectations.begin(), step.expectations.end(),
                                      [](const Expectation& e) { return e.expected == Bit::undriven; });
  if (undriven > 0) {
    t.relay_s += static_cast<double>(2 * undriven + 1) * settle;  // pulled up, pulled down, let go
    t.convert_s += static_cast<double>(2 * undriven) * kPullConversions * kSampleSeconds;
  }
  plan.relay_operations += step.relay_moves;
  for (const PulseTrain& p : step.pulses) {
    if (p.drive >= 0) plan.relay_operations += 2L * p.count;  // there and back for each pulse
  }
}

// What a step drives: contacts after its set, then its pulses.
PlannedStep drive_of(const Plan& plan, const files::Step& step, const Contacts& before) {
  PlannedStep planned;
  planned.mark = step.mark;
  planned.say = step.say;
  planned.set = step.set;
  planned.before = planned.contacts = before;
  for (const auto& [name, bit] : step.set) {
    if (!plan.hookup.count(name)) continue;  // not built
    set_line(plan, *plan.vectors.board.line(name), bit, planned.contacts);
  }
  planned.relay_moves = moves(before, planned.contacts);
  for (const files::Pulse& pulse : step.pulse) {
    if (pulse.count > 0) planned.pulses.push_back(train_of(plan, step, pulse));
  }
  return planned;
}

Status plan_step(Plan& plan, const files::Step& step, const Options& options, Contacts& contacts) {
  PlannedStep planned = drive_of(plan, step, contacts);
  contacts = planned.contacts;
  planned.index = static_cast<int>(plan.steps.size());
  for (const auto& [name, bit] : step.expect) {
    if (bit == Bit::any) continue;
    auto e = expectation_of(plan, step, name, bit, true);
    TH_TRY(e);
    planned.expectations.push_back(e.take());
  }
  for (const std::string& name : step.measure) {
    const bool already = std::any_of(planned.expectations.begin(), planned.expectations.end(),
                                     [&](const Expectation& e) { return e.line == name; });
    if (already) continue;
    auto e = expectation_of(plan, step, name, Bit::any, false);
    TH_TRY(e);
    planned.expectations.push_back(e.take());
  }
  const Seconds settle = std::max(step.settle, plan.vectors.settle);
  planned.respond = std::max(longest_respond(plan.vectors.board, planned), settle);
  planned.conversions = conversions_for(planned.expectations.size(), options.mains_hz);
  predict_times(plan, planned);
  plan.steps.push_back(std::move(planned));
  return {};
}

}  // namespace

std::string line_on_sense(const Plan& plan, int sense) {
  const files::Channel wanted{"sense", sense};
  for (const Line& line : plan.vectors.board.lines) {
    for (const std::string& key : {line.name, line.name + " sense"}) {
      const auto found = plan.hookup.find(key);
      if (found != plan.hookup.end() && found->second == wanted) return line.name;
    }
  }
  return "";
}

measure::ChannelModel sense_model(const Plan& plan, int sense) {
  const auto index = static_cast<std::size_t>(sense);
  return index < plan.sense_models.size() ? plan.sense_models[index] : measure::nominal_sense(plan.fixture);
}

measure::ChannelModel rail_model(const Plan& plan, int rail) {
  const auto index = static_cast<std::size_t>(rail);
  return index < plan.rail_models.size() ? plan.rail_models[index] : measure::nominal_rail(plan.fixture, rail);
}

void sample_rails(Plan& plan) {
  for (PlannedStep& step : plan.steps) {
    for (const RailPlan& rail : plan.rails) {
      const std::uint64_t bit = wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRail + rail.channel));
      if (step.expectations.empty() || (step.aux & bit)) continue;
      step.aux |= bit;
      plan.predicted.convert_s += step.conversions * kSampleSeconds;
      plan.predicted.total_s += step.conversions * kSampleSeconds;
    }
  }
}

PlannedStep plan_single(const Plan& plan, const Contacts& before, const files::Step& step) {
  return drive_of(plan, step, before);
}

bool is_high(const files::Family& family, Bit bit) {
  return (bit == Bit::one) != family.one_is_low;
}

std::optional<files::Window> window_for(const files::Board& board, const Line& line, const files::Step& step,
                                        Bit bit) {
  const files::Family* family = board.family_of(line);
  const bool high = family ? is_high(*family, bit) : bit == Bit::one;
  if (const auto own = step.windows.find(line.name); own != step.windows.end()) {
    if (const auto& window = high ? own->second.high : own->second.low) return window;
  }
  if (const auto& window = high ? line.high : line.low) return window;
  if (!family) return std::nullopt;
  const files::LevelWindows judged = family->judged();
  return high ? judged.high : judged.low;
}

Result<Plan> make_plan(files::Vectors vectors, files::Fixture fixture, const Options& options) {
  Plan plan;
  plan.vectors = std::move(vectors);
  plan.fixture = std::move(fixture);
  TH_TRY(make_hookup(plan));
  TH_TRY(fill_expectations(plan.vectors, plan.warnings));

  for (const Line& line : plan.vectors.board.lines) {
    if (!plan.hookup.count(line.name)) continue;
    if (line.kind == LineKind::input || line.kind == LineKind::clock || line.kind == LineKind::both) {
      set_line(plan, line, line.rest, plan.rest);
    }
  }
  Contacts contacts = plan.rest;
  for (const files::Step& step : plan.vectors.steps) TH_TRY(plan_step(plan, step, options, contacts));
  record::Times& t = plan.predicted;
  t.total_s = t.relay_s + t.settle_s + t.convert_s + t.pulse_s;
  return plan;
}

}  // namespace tenterhook::plan
