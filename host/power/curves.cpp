#include "host/power/curves.h"

#include <fmt/format.h>

#include <algorithm>
#include <bit>
#include <cmath>

namespace tenterhook::power {

namespace {

using plan::AnyOp;
using plan::ProgramStep;

constexpr int kFastLooks = 12;         // back to back
constexpr double kThinning = 1.25;     // each later interval over the one before
constexpr double kFirstGapS = 0.5e-3;
constexpr double kGapMostS = 1.0;
constexpr double kPlainS = 0.02;       // a rail without filaments
constexpr double kTailS = 8.0;         // after the inrush of filaments
constexpr double kPreChargeMostS = 10.0;
constexpr int kLooksAStep = 16;        // a step holds its program bytes and its results
constexpr std::uint16_t kLabelCurves = plan::kLabelPrepare + 0x100;
// Tungsten is at most 6.7 times as resistive at work as cold, so filaments that reach `until` show at least a
// seventh of it at once; a tenth leaves room. A short shows less.
constexpr double kShortShare = 0.1;
constexpr std::uint32_t kShortHoldMs = 5, kShortWithinMs = 100;

const plan::RailPlan& rail_on(const plan::Plan& plan, int channel) {
  return *std::find_if(plan.rails.begin(), plan.rails.end(), [&](const plan::RailPlan& r) { return r.channel == channel; });
}

void guard_heating(const plan::Plan& plan, wire::GuardOp& guard) {
  const plan::RailPlan& rail = rail_on(plan, guard.rail);
  if (!rail.rail.inrush || rail.rail.inrush->peak <= rail.rail.limit) return;
  const double per_count = plan.fixture.rails.at(guard.rail).per_count.value;
  const auto counts = [&](Amps a) { return a.value / per_count; };
  const double peak = counts(rail.rail.inrush->peak), limit = counts(rail.rail.limit);
  // No more heating than the permitted inrush has.
  const double room = (peak * peak - limit * limit) * rail.rail.inrush->within.value * 1e3;
  guard.base = static_cast<std::uint16_t>(std::lround(std::min(limit, 1023.0)));
  guard.heating = static_cast<std::uint32_t>(std::min(room, 4.0e9));
}

class Stager {
 public:
  Stager(const plan::Plan& plan, bool watched) : plan_(plan), watched_(watched) {}

  std::vector<ProgramStep> stage(const std::vector<ProgramStep>& steps) {
    for (const ProgramStep& step : steps) {
      begin();
      for (const AnyOp& op : step.ops) take(op);
    }
    return std::move(out_);
  }

 private:
  void take(AnyOp op) {
    if (auto* guard = std::get_if<wire::GuardOp>(&op)) guard_heating(plan_, *guard);
    if (auto* until = std::get_if<wire::RailUntilOp>(&op)) {
      until->within_ms -= std::min(until->within_ms - until->hold_ms - 1, spent_ms_);
      spent_ms_ = 0;
    }
    if (const auto* wait = std::get_if<wire::WaitOp>(&op); wait && watched_ && guarded_up_) {
      looks(wait->us * 1e-6);
      return;
    }
    push(op);
    if (const auto* rail = std::get_if<wire::RailOp>(&op)) switched(*rail);
    if (std::holds_alternative<wire::ArmOp>(op)) guarded_up_ = true;
    if (std::holds_alternative<wire::GuardOp>(op) && guarded_up_ && watched_) looks(kTailS);
  }

  void switched(const wire::RailOp& op) {
    rail_ = op.rail;
    guarded_up_ = false;
    const files::Rail& rail = rail_on(plan_, op.rail).rail;
    const bool pre = op.mode == wire::RailMode::pre_charge;
    for (int i = 0; i < kFastLooks && watched_; ++i) look();
    if (pre) check_short(rail, op.rail);
    if (!watched_) return;
    const double within = rail.soft_start && rail.soft_start->within ? rail.soft_start->within->value : 2.0 * kPreChargeMostS;
    const double duration = pre ? std::min(0.5 * within, kPreChargeMostS) : kPlainS;
    looks(duration);
    if (pre) spent_ms_ = static_cast<std::uint32_t>(duration * 1e3);
  }

  // Before minutes are spent on warming a short: the board must show a share of its volts at once.
  void check_short(const files::Rail& rail, std::uint8_t channel) {
    wire::RailUntilOp until;
    until.rail = channel;
    const auto& there = plan_.fixture.rails.at(channel);
    const std::uint16_t share = plan::rail_counts(there, rail.soft_start->until * kShortShare);
    (rail.nominal.value < 0.0 ? until.max : until.min) = share;
    until.hold_ms = kShortHoldMs;
    until.within_ms = kShortWithinMs;
    push(until);
  }

  void looks(double duration_s) {
    double passed = 0.0;
    for (double gap = kFirstGapS; passed < duration_s; gap = std::min(kGapMostS, gap * kThinning)) {
      const double now = std::min(gap, duration_s - passed);
      push(wire::WaitOp{static_cast<std::uint32_t>(std::max(1.0, now * 1e6))});
      look();
      passed += now;
    }
  }

  void look() {
    wire::SampleOp sample;
    sample.aux = wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRail + rail_)) |
                 wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxCurrent + rail_));
    sample.n = 1;
    if (looks_here_ >= kLooksAStep) begin();
    ++looks_here_;
    push(sample);
  }

  void begin() {
    if (!out_.empty() && out_.back().ops.empty()) return;
    out_.emplace_back();
    out_.back().label = static_cast<std::uint16_t>(kLabelCurves + out_.size() - 1);
    looks_here_ = 0;
  }
  void push(const AnyOp& op) { out_.back().ops.push_back(op); }

  const plan::Plan& plan_;
  bool watched_;
  std::vector<ProgramStep> out_;
  std::uint8_t rail_ = 0;
  bool guarded_up_ = false;     // the rail under way is armed
  std::uint32_t spent_ms_ = 0;  // of the next wait for the rail
  int looks_here_ = 0;
};

double mean(const measure::Counts& c) { return c.n ? static_cast<double>(c.sum) / c.n : 0.0; }

}  // namespace

Result<std::vector<ProgramStep>> staged_steps(const plan::Plan& plan, bool watched) {
  auto steps = plan::power_up_steps(plan);
  TH_TRY(steps);
  return Stager(plan, watched).stage(*steps);
}

CurveBook::CurveBook(const plan::Plan& plan) : plan_(plan), looks_(plan.rails.size()) {
  for (std::size_t i = 0; i < looks_.size(); ++i) {
    looks_[i].volts.rail = looks_[i].amps.rail = plan.rails[i].rail.name;
    looks_[i].volts.quantity = "volts";
    looks_[i].amps.quantity = "amps";
  }
}

void CurveBook::take(const link::SampleBlock& block) {
  for (const link::ChannelSample& c : block.channels) {
    if (c.kind != link::ChannelKind::rail && c.kind != link::ChannelKind::current) continue;
    for (std::size_t i = 0; i < looks_.size(); ++i) {
      if (plan_.rails[i].channel != c.index) continue;
      Looks& looks = looks_[i];
      if (!looks.began_s) looks.began_s = block.time.value;
      const auto& there = plan_.fixture.rails.at(static_cast<std::size_t>(c.index));
      const bool volts = c.kind == link::ChannelKind::rail;
      record::CurveRecord& curve = volts ? looks.volts : looks.amps;
      curve.time_s.push_back(block.time.value - *looks.began_s);
      curve.value.push_back(volts ? there.volts_offset.value + there.volts_per_count.value * (mean(c.counts) + 0.5)
                                  : there.per_count.value * mean(c.counts));
    }
  }
}

// The soft start's wait is the second of a rail: the first one looks for a short.
void CurveBook::take(const link::Milestone& milestone) {
  if (milestone.kind != link::Milestone::Kind::rail_up) return;
  for (std::size_t i = 0; i < looks_.size(); ++i) {
    const files::Rail& rail = plan_.rails[i].rail;
    if (plan_.rails[i].channel != milestone.rail || !rail.soft_start || !looks_[i].began_s) continue;
    if (++looks_[i].waits == 2) looks_[i].reached_s = milestone.time.value - rail.soft_start->hold.value - *looks_[i].began_s;
  }
}

std::optional<Seconds> CurveBook::soft_started(const std::string& rail) const {
  for (std::size_t i = 0; i < looks_.size(); ++i) {
    if (plan_.rails[i].rail.name != rail || !looks_[i].reached_s) continue;
    // Reached during the looks before the wait: those say when.
    const auto seen = time_to(looks_[i].volts, plan_.rails[i].rail.soft_start->until.value);
    return Seconds{seen ? std::min(*seen, *looks_[i].reached_s) : *looks_[i].reached_s};
  }
  return std::nullopt;
}

std::vector<record::CurveRecord> CurveBook::curves() const {
  std::vector<record::CurveRecord> out;
  for (const Looks& looks : looks_) {
    if (looks.amps.value.empty()) continue;
    out.push_back(looks.amps);
    out.push_back(looks.volts);
  }
  return out;
}

CurveFigures figures_of(const record::CurveRecord& curve) {
  CurveFigures f;
  const std::vector<double>&t = curve.time_s, &v = curve.value;
  const auto size = static_cast<std::ptrdiff_t>(v.size());
  const auto top = std::max_element(v.begin(), v.end(), [](double a, double b) { return std::fabs(a) < std::fabs(b); });
  const auto at_top = static_cast<std::size_t>(top - v.begin());
  f.peak = *top;
  f.peak_s = t[at_top];
  const std::ptrdiff_t tail = std::max<std::ptrdiff_t>(1, size / 10);
  for (auto it = v.end() - tail; it != v.end(); ++it) f.steady += *it / static_cast<double>(tail);
  const double half = 0.5 * (f.peak + f.steady);
  for (std::size_t i = at_top + 1; i < v.size(); ++i) {
    if (std::fabs(v[i]) > std::fabs(half)) continue;
    const double share = v[i - 1] == v[i] ? 1.0 : (v[i - 1] - half) / (v[i - 1] - v[i]);
    f.half_s = t[i - 1] + share * (t[i] - t[i - 1]) - f.peak_s;
    break;
  }
  for (std::size_t i = 1; i < v.size(); ++i) f.i2t += 0.5 * (v[i] * v[i] + v[i - 1] * v[i - 1]) * (t[i] - t[i - 1]);
  return f;
}

std::optional<double> time_to(const record::CurveRecord& curve, double value) {
  for (std::size_t i = 0; i < curve.value.size(); ++i) {
    if (std::fabs(curve.value[i]) >= std::fabs(value)) return curve.time_s[i];
  }
  return std::nullopt;
}

std::string drawing(const record::CurveRecord& curve, int width, bool unicode) {
  constexpr int kRows = 8, kMargin = 9;
  constexpr double kFrom = 1e-3;
  const int columns = std::max(20, width - kMargin - 1);
  const double most_s = std::max(curve.time_s.back(), 10.0 * kFrom);
  double top = 0.0;
  for (const double v : curve.value) top = std::max(top, std::fabs(v));
  if (top <= 0.0) top = 1.0;
  std::vector<std::string> cells(kRows, std::string(static_cast<std::size_t>(columns), ' '));
  const double decades = std::log10(most_s / kFrom);
  for (std::size_t i = 0; i < curve.value.size(); ++i) {
    const double x = std::log10(std::max(curve.time_s[i], kFrom) / kFrom) / decades;
    const auto column = static_cast<std::size_t>(std::lround(x * (columns - 1)));
    const auto row = static_cast<std::size_t>(std::lround((1.0 - std::fabs(curve.value[i]) / top) * (kRows - 1)));
    cells[row][column] = '*';
  }
  const bool amps = curve.quantity == "amps";
  std::string out = fmt::format("  {} {}\n", curve.rail, amps ? "current" : "volts");
  for (int row = 0; row < kRows; ++row) {
    std::string label = row == 0 ? engineering(top, amps ? "A" : "V") : row == kRows - 1 ? "0" : "";
    std::string line;
    for (const char cell : cells[static_cast<std::size_t>(row)]) line += cell == '*' && unicode ? "•" : std::string(1, cell);
    out += fmt::format("{:>{}}{}{}\n", label, kMargin - 1, unicode ? "│" : "|", line);
  }
  const std::string end = engineering(most_s, "s");
  out += fmt::format("{:>{}}{:<{}}{}\n", "", kMargin, engineering(kFrom, "s"), std::max(1, columns - static_cast<int>(end.size())), end);
  return out;
}

std::string csv(const std::vector<record::CurveRecord>& curves) {
  std::string out = "rail,quantity,time_s,value\n";
  for (const record::CurveRecord& c : curves) {
    for (std::size_t i = 0; i < c.value.size(); ++i) out += fmt::format("{},{},{:.6f},{:.6g}\n", c.rail, c.quantity, c.time_s[i], c.value[i]);
  }
  return out;
}

}  // namespace tenterhook::power
