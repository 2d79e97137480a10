#include "host/power/sequence.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "host/measure/nominal.h"
#include "host/plan/program.h"
#include "host/power/drift.h"

namespace tenterhook::power {

namespace {

constexpr Seconds kLookEvery{0.5};        // during warm-up
constexpr Seconds kDischargeLook{0.02};
constexpr int kLooksMost = 100000;
constexpr int kRailConversions = 32;
constexpr int kDownConversions = 32;
constexpr int kBothLooks = 6;
constexpr Seconds kBothEvery{0.3};

using Bytes = std::vector<std::uint8_t>;

Status append(Bytes& program, const plan::ProgramStep& step) {
  auto bytes = plan::encode(step);
  TH_TRY(bytes);
  program.insert(program.end(), bytes->begin(), bytes->end());
  return {};
}

}  // namespace

Sequence::Sequence(link::Session& session, const plan::Plan& plan, Progress progress, std::vector<measure::ChannelModel> rails)
    : session_(session), plan_(plan), progress_(std::move(progress)), models_(std::move(rails)) {
  for (std::size_t r = models_.size(); r < plan_.fixture.rails.size(); ++r) {
    models_.push_back(measure::nominal_rail(plan_.fixture, static_cast<int>(r)));
  }
}

Result<std::optional<link::FaultReport>> Sequence::up(CurveBook* book, Curves curves) {
  auto steps = staged_steps(plan_, book ? curves : Curves::none);
  TH_TRY(steps);
  steps->push_back(plan::rest_step(plan_));
  Bytes program;
  for (const plan::ProgramStep& step : *steps) TH_TRY(append(program, step));

  std::size_t risen = 0;
  link::Sink sink;
  if (book) sink.curve = [book](const link::CurveBlock& block) { book->take(block); };
  sink.milestone = [&](const link::Milestone& m) {
    if (book) book->take(m);
    if (m.kind != link::Milestone::Kind::rail_up) return;
    for (const plan::RailPlan& rail : plan_.rails) {
      if (rail.channel == m.rail) {
        progress_(rail.rail.name + " is up", std::min(1.0, static_cast<double>(++risen) / static_cast<double>(plan_.rails.size())));
      }
    }
  };
  progress_("powering up", 0.0);
  auto report = session_.execute(program, sink);
  TH_TRY(report);
  return report->fault;
}

Result<WarmUp> Sequence::warm_up(std::optional<link::FaultReport>& fault) {
  WarmUp result;
  if (!plan_.vectors.board.warm_up) return result;
  const files::WarmUp& wanted = *plan_.vectors.board.warm_up;
  const Volts per_count = plan_.fixture.sense.per_count;
  Bytes look;
  TH_TRY(append(look, plan::look_step(plan_, plan::kLabelWarmUp)));

  DriftWatch watch(wanted.hold);
  std::optional<Seconds> begun;
  for (int i = 0; i < kLooksMost; ++i) {
    Seconds now{};
    link::Sink sink;
    sink.sample = [&](const link::SampleBlock& block) {
      std::map<int, double> volts;
      for (const link::ChannelSample& c : block.channels) {
        volts[c.index] = per_count.value * c.counts.sum / std::max<int>(1, c.counts.n);
      }
      now = block.time;
      watch.add(block.time, std::move(volts));
    };
    auto report = session_.execute(look, sink);
    TH_TRY(report);
    if (report->fault) {
      fault = report->fault;
      return result;
    }
    if (!begun) begun = now;
    result.took = now - *begun;
    const auto [sense, moved] = watch.most_moved();
    result.line = plan::line_on_sense(plan_, sense);
    result.drift = Volts{moved};
    if (sense < 0) return result;  // nothing to look at
    if (watch.covers_window() && result.drift < wanted.drift) return result;
    if (result.took >= wanted.at_most) break;
    progress_(fmt::format("warming up: {} moved {} in the last {}", result.line, text(result.drift),
                          text(wanted.hold)),
              result.took / wanted.at_most);
    auto idle = session_.idle(kLookEvery);
    TH_TRY(idle);
    if (*idle) {
      fault = *idle;
      return result;
    }
  }
  result.steady = false;
  return result;
}

Result<std::vector<record::RailRecord>> Sequence::rails(std::optional<link::FaultReport>& fault) {
  std::vector<record::RailRecord> records;
  if (plan_.rails.empty()) return records;
  Bytes program;
  TH_TRY(append(program, plan::rails_step(plan_, plan::kLabelRails, kRailConversions)));
  std::map<int, measure::Counts> volts, amps;
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) {
    for (const link::ChannelSample& c : block.channels) {
      if (c.kind == link::ChannelKind::rail) volts[c.index] = c.counts;
      if (c.kind == link::ChannelKind::current) amps[c.index] = c.counts;
    }
  };
  auto report = session_.execute(program, sink);
  TH_TRY(report);
  if (report->fault) {
    fault = report->fault;
    return records;
  }
  for (const plan::RailPlan& rail : plan_.rails) {
    if (!volts.count(rail.channel) || !amps.count(rail.channel)) {
      return fixture_error("rail." + std::to_string(rail.channel), "the fixture sent no reading of this rail");
    }
    const auto estimate = measure::estimate(volts[rail.channel], model(rail.channel));
    const measure::Counts& current = amps[rail.channel];
    record::RailRecord record;
    record.rail = rail.rail.name;
    record.nominal_v = rail.rail.nominal.value;
    record.measured_v = estimate.volts.value;
    record.U_v = estimate.U.value;
    record.amps = plan_.fixture.rails.at(static_cast<std::size_t>(rail.channel)).per_count.value * current.sum / current.n;
    record.window_min_v = rail.rail.window.min.value;
    record.window_max_v = rail.rail.window.max.value;
    records.push_back(record);
  }
  return records;
}

// The safety conversions at rest: the first wire of every rail, without moving anything.
Result<std::vector<RailLook>> Sequence::first_wires() {
  auto live = session_.rails();
  TH_TRY(live);
  std::vector<RailLook> looks;
  for (const plan::RailPlan& rail : plan_.rails) {
    const auto count = static_cast<std::uint32_t>(live->volts[rail.channel]);
    const measure::Counts one{1, count, static_cast<std::uint16_t>(count), static_cast<std::uint16_t>(count), count * count};
    const auto estimate = measure::estimate(one, model(rail.channel));
    looks.push_back({{true, estimate.volts, estimate.U}, {}});
  }
  return looks;
}

// A program that only samples: no rail is switched on by it.
Result<std::vector<RailLook>> Sequence::both_wires() {
  std::vector<RailLook> looks(plan_.rails.size());
  Bytes program;
  TH_TRY(append(program, plan::rails_step(plan_, plan::kLabelRails, kDownConversions)));
  const Bytes end = plan::encode_end();
  program.insert(program.end(), end.begin(), end.end());
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) {
    for (const link::ChannelSample& c : block.channels) {
      for (std::size_t i = 0; i < looks.size(); ++i) {
        const bool second = c.kind == link::ChannelKind::rail_second;
        if (plan_.rails[i].channel != c.index || !(second || c.kind == link::ChannelKind::rail) || c.counts.n == 0) continue;
        // A calibration is of the first wire; the second one has a divider of its own.
        const auto estimate = measure::estimate(c.counts, second ? measure::nominal_rail(plan_.fixture, c.index) : model(c.index));
        (second ? looks[i].second : looks[i].first) = {true, estimate.volts, estimate.U};
      }
    }
  };
  auto report = session_.execute(program, sink);
  TH_TRY(report);
  return looks;
}

Result<Discharge> Sequence::down(Seconds at_most) {
  Discharge result;
  result.limit = kDownBelow;
  if (plan_.rails.empty()) return result;
  auto finished = session_.finish();
  TH_TRY(finished);
  std::vector<std::string> names;
  for (const plan::RailPlan& rail : plan_.rails) names.push_back(rail.rail.name);
  DischargeWatch watch(result.limit, plan_.fixture.sense.open_reads, names);
  DischargeState state;
  auto began = session_.status();
  TH_TRY(began);
  for (int look = 0; look < kLooksMost; ++look) {
    auto looks = first_wires();
    TH_TRY(looks);
    auto now = session_.status();
    TH_TRY(now);
    result.took = now->time - began->time;
    watch.add(result.took, *looks);
    state = watch.state();
    if (state.remaining && state.remaining->value > 0.0 && !result.predicted) result.predicted = result.took + *state.remaining;
    if (state.highest < result.limit || result.took >= at_most) break;
    progress_(fmt::format("discharging: {} at {}{}", state.rail, text(state.highest),
                          state.remaining ? ", about " + text(*state.remaining) + " more" : ""),
              result.took / at_most);
    auto idle = session_.idle(kDischargeLook);
    TH_TRY(idle);
  }
  auto status = session_.status();
  TH_TRY(status);
  if (status->fault) TH_TRY(session_.reset_faults());
  for (int look = 0; look < kBothLooks && state.highest < result.limit && !state.below; ++look) {
    auto looks = both_wires();
    TH_TRY(looks);
    auto now = session_.status();
    TH_TRY(now);
    result.took = now->time - began->time;
    watch.add(result.took, *looks);
    state = watch.state();
    if (state.below) break;
    auto idle = session_.idle(kBothEvery);
    TH_TRY(idle);
  }
  result.below = state.below;
  result.highest = state.highest;
  result.rail = state.rail;
  result.message = sentence(state);
  return result;
}

record::Aborted aborted_by(const link::FaultReport& fault, const plan::Plan& plan) {
  record::Aborted aborted;
  aborted.cause = fault.cause;
  aborted.where = fault.where;
  for (const plan::RailPlan& rail : plan.rails) {
    if (fault.rail == rail.channel) aborted.where = rail.rail.name;
  }
  aborted.blame = fault.blame;
  aborted.message = fault.text + (fault.remedy.empty() ? "" : "; " + fault.remedy);
  return aborted;
}

}  // namespace tenterhook::power
