#include "host/power/curves.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace tenterhook::power {

namespace {

using plan::AnyOp;
using plan::ProgramStep;

constexpr double kBegun = 0.05;        // of its greatest value: something flows
constexpr Seconds kPlainTail{0.02};    // a rail without filaments
constexpr Seconds kFilamentTail{8.0};  // after the inrush of filaments
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

// Before minutes are spent on warming a short: the board must show a share of its volts at once.
wire::RailUntilOp no_short(const plan::Plan& plan, std::uint8_t channel) {
  const files::Rail& rail = rail_on(plan, channel).rail;
  const std::uint16_t share =
      plan::rail_counts(plan.fixture.rails.at(channel), rail.soft_start->until * kShortShare);
  wire::RailUntilOp until;
  until.rail = channel;
  (rail.nominal.value < 0.0 ? until.max : until.min) = share;
  until.hold_ms = kShortHoldMs;
  until.within_ms = kShortWithinMs;
  return until;
}

ProgramStep staged(const plan::Plan& plan, const ProgramStep& plain, Curves curves) {
  ProgramStep step;
  step.label = plain.label;
  std::optional<std::uint8_t> switched;
  for (AnyOp op : plain.ops) {
    if (auto* guard = std::get_if<wire::GuardOp>(&op)) guard_heating(plan, *guard);
    const auto* rail = std::get_if<wire::RailOp>(&op);
    // From the moment of this switch, again at the finest.
    if (rail && curves != Curves::none) step.ops.push_back(wire::CurveOp{rail->rail});
    step.ops.push_back(op);
    if (rail) switched = rail->rail;
    if (rail && rail->mode == wire::RailMode::pre_charge) step.ops.push_back(no_short(plan, rail->rail));
  }
  if (switched && curves == Curves::settled) {
    const Seconds tail = rail_on(plan, *switched).rail.inrush ? kFilamentTail : kPlainTail;
    step.ops.push_back(wire::WaitOp{static_cast<std::uint32_t>(std::lround(tail.value * 1e6))});
  }
  return step;
}

}  // namespace

Result<std::vector<ProgramStep>> staged_steps(const plan::Plan& plan, Curves curves) {
  auto steps = plan::power_up_steps(plan);
  TH_TRY(steps);
  std::vector<ProgramStep> out;
  for (const ProgramStep& step : *steps) out.push_back(staged(plan, step, curves));
  if (curves != Curves::none && !out.empty()) out.back().ops.push_back(wire::CurveOp{wire::kCurveStop});
  return out;
}

CurveBook::CurveBook(const plan::Plan& plan) : plan_(plan), rails_(plan.rails.size()) {
  for (std::size_t i = 0; i < rails_.size(); ++i) {
    rails_[i].volts.rail = rails_[i].amps.rail = plan.rails[i].rail.name;
    rails_[i].volts.quantity = "volts";
    rails_[i].amps.quantity = "amps";
  }
}

void CurveBook::take(const link::CurveBlock& block) {
  for (std::size_t i = 0; i < rails_.size(); ++i) {
    if (plan_.rails[i].channel != block.rail) continue;
    Recorded& r = rails_[i];
    const auto& there = plan_.fixture.rails.at(static_cast<std::size_t>(block.rail));
    const double per_count = there.per_count.value;
    if (block.first) r.i2t_before = r.i2t;
    r.i2t = r.i2t_before + block.i2t * per_count * per_count;
    for (const link::CurveBlock::Point& p : block.points) {
      if (!r.began_s) r.began_s = p.time.value;
      const double middle = p.time.value + 0.5 * p.duration.value - *r.began_s;
      r.amps.time_s.push_back(middle);
      r.amps.value.push_back(per_count * p.current);
      if (p.volts > 0.0) {  // else its volts were not converted in this time
        r.volts.time_s.push_back(middle);
        r.volts.value.push_back(there.volts_offset.value + there.volts_per_count.value * (p.volts + 0.5));
      }
      if (const double peak = per_count * p.peak; peak > r.peak) {
        r.peak = peak;
        r.peak_s = middle;
      }
    }
  }
}

// The soft start's wait is the second of a rail: the first one looks for a short. When the volts were there the
// curve tells better: the fixture begins its hold anew with each conversion that noise keeps below.
void CurveBook::take(const link::Milestone& milestone) {
  if (milestone.kind != link::Milestone::Kind::rail_up) return;
  for (std::size_t i = 0; i < rails_.size(); ++i) {
    const files::Rail& rail = plan_.rails[i].rail;
    if (plan_.rails[i].channel != milestone.rail || !rail.soft_start) continue;
    if (++rails_[i].waits == 2) rails_[i].soft_started = true;
  }
}

std::optional<Seconds> CurveBook::soft_started(const std::string& rail) const {
  for (std::size_t i = 0; i < rails_.size(); ++i) {
    if (plan_.rails[i].rail.name != rail || !rails_[i].soft_started) continue;
    const auto reached = time_to(rails_[i].volts, plan_.rails[i].rail.soft_start->until.value);
    if (reached) return Seconds{*reached};
  }
  return std::nullopt;
}

std::vector<record::CurveRecord> CurveBook::curves() const {
  std::vector<record::CurveRecord> out;
  for (const Recorded& r : rails_) {
    if (r.amps.value.empty()) continue;
    out.push_back(r.amps);
    out.push_back(r.volts);
  }
  return out;
}

std::optional<CurveFigures> CurveBook::figures(const std::string& rail) const {
  for (const Recorded& r : rails_) {
    if (r.amps.rail != rail || r.amps.value.empty()) continue;
    CurveFigures f = figures_of(r.amps);
    f.peak = r.peak;
    f.peak_s = r.peak_s;
    f.i2t = r.i2t;
    return f;
  }
  return std::nullopt;
}

CurveFigures figures_of(const record::CurveRecord& curve) {
  CurveFigures f;
  const std::vector<double>&t = curve.time_s, &v = curve.value;
  const auto size = static_cast<std::ptrdiff_t>(v.size());
  const auto top = std::max_element(v.begin(), v.end(), [](double a, double b) { return std::fabs(a) < std::fabs(b); });
  const auto at_top = static_cast<std::size_t>(top - v.begin());
  f.peak = *top;
  f.peak_s = t[at_top];
  // Points thin out: the last tenth of the time, not of the points.
  const auto from = std::lower_bound(t.begin(), t.end() - 1, t.back() - 0.1 * (t.back() - t.front())) - t.begin();
  for (auto it = v.begin() + from; it != v.end(); ++it) f.steady += *it / static_cast<double>(size - from);
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
    const double now = std::fabs(curve.value[i]), wanted = std::fabs(value);
    if (now < wanted) continue;
    if (i == 0) return curve.time_s[0];
    const double before = std::fabs(curve.value[i - 1]);
    return curve.time_s[i - 1] + (wanted - before) / (now - before) * (curve.time_s[i] - curve.time_s[i - 1]);
  }
  return std::nullopt;
}

std::string drawing(const record::CurveRecord& curve, int width, bool unicode, const record::CurveRecord* foretold) {
  constexpr int kRows = 8, kMargin = 9;
  const int columns = std::max(20, width - kMargin - 1);
  double top = 0.0;
  for (const record::CurveRecord* c : {&curve, foretold}) {
    if (!c) continue;
    for (const double v : c->value) top = std::max(top, std::fabs(v));
  }
  if (top <= 0.0) top = 1.0;
  // The first decades belong to the relays: begin with the one in which something happens.
  double from_s = 1e-3;
  const double begins_s = time_to(curve, kBegun * top).value_or(0.0);
  while (from_s * 10.0 <= begins_s) from_s *= 10.0;
  const double most_s = std::max(curve.time_s.back(), 10.0 * from_s);
  std::vector<std::string> cells(kRows, std::string(static_cast<std::size_t>(columns), ' '));
  const double decades = std::log10(most_s / from_s);
  const auto plot = [&](const record::CurveRecord& c, char mark) {
    for (std::size_t i = 0; i < c.value.size() && c.time_s[i] <= most_s; ++i) {
      const double x = std::log10(std::max(c.time_s[i], from_s) / from_s) / decades;
      const auto column = static_cast<std::size_t>(std::lround(x * (columns - 1)));
      const auto row = static_cast<std::size_t>(std::lround((1.0 - std::fabs(c.value[i]) / top) * (kRows - 1)));
      cells[row][column] = mark;
    }
  };
  if (foretold) plot(*foretold, '.');
  plot(curve, '*');
  const bool amps = curve.quantity == "amps";
  std::string out = fmt::format("  {} {}\n", curve.rail, amps ? "current" : "volts");
  if (foretold) out = fmt::format("  {} {}: {} measured, {} from ratings\n", curve.rail, amps ? "current" : "volts", unicode ? "•" : "*", unicode ? "·" : ".");
  for (int row = 0; row < kRows; ++row) {
    std::string label = row == 0 ? engineering(top, amps ? "A" : "V") : row == kRows - 1 ? "0" : "";
    std::string line;
    for (const char cell : cells[static_cast<std::size_t>(row)]) {
      line += cell == '*' && unicode ? "•" : cell == '.' && unicode ? "·" : std::string(1, cell);
    }
    out += fmt::format("{:>{}}{}{}\n", label, kMargin - 1, unicode ? "│" : "|", line);
  }
  const std::string end = engineering(most_s, "s");
  out += fmt::format("{:>{}}{:<{}}{}\n", "", kMargin, engineering(from_s, "s"), std::max(1, columns - static_cast<int>(end.size())), end);
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
