// Power-up, curves, discharge and trips on emulated boards, against the fixture circuit's own truth.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "host/plan/program.h"
#include "host/power/budget.h"
#include "host/power/curves.h"
#include "host/power/sequence.h"
#include "tests/emulated/power/watched.h"
#include "tests/from_environment.h"

namespace tenterhook::power {
namespace {

using commands::Firmware;
using emulated::FixtureCircuit;
using emulated::Picoseconds;
using test::bench_of;
using test::kMs;
using test::kUs;
using test::plan_of;
using test::PowerBench;
using testing::HasSubstr;
using testing::Not;

// Four rails; bias protects the plate, so it is held when the others fall.
const char* const kBoard = R"(board: rail-rack
rails:
  heater:
    nominal: 6.3 V
    window: [5.0 V, 7.0 V]
    limit: 8 A
    inrush: {peak: 11 A, within: 2 s}
    soft-start: {until: 4 V, at-least: 2 A, hold: 0.5 s, within: 20 s}
  bias:   {nominal: -9 V, window: [-9.9 V, -8.1 V], limit: 60 mA, after: heater}
  plate:  {nominal: 30 V, window: [27 V, 33 V], limit: 250 mA, after: bias}
  coil:   {nominal: 24 V, window: [21 V, 27 V], limit: 500 mA, after: heater}
families: {next: {drive: {low: ground, high: plate}, gives: {low: [-1 V, 8.2 V], high: [20 V, 33 V]}, needs: {low: [-9.9 V, 9.3 V], high: [14 V, 33 V]}}}
lines: {A: {in: next}, B: {in: next}, Y0: {out: next}, Y1: {out: next}}
circuit:
  - {gate: or, in: [A, B], out: Y0, parts: [D1, D2, V1, V2, V3, V4, V5, V6, V7, V8], build: cathode-follower}
  - {gate: or, in: [A, B], out: Y1, parts: [D3, D4, V9], build: cathode-follower}
hookup: {heater: rail.0, bias: rail.1, plate: rail.2, coil: rail.3, A: drive.0, B: drive.1, Y0: sense.0, Y1: sense.1}
)";
void quiet(const std::string&, double) {}

struct Powered {
  std::optional<link::FaultReport> fault;
  Discharge down;
  std::vector<record::CurveRecord> curves;
  std::optional<CurveFigures> heater;
  std::optional<Seconds> soft_started;
};

// Up with curves and down again.
Powered power_once(PowerBench& bench, const plan::Plan& plan) {
  Powered run;
  Sequence sequence(*bench.session, plan, quiet);
  CurveBook book(plan);
  auto up = sequence.up(&book, Curves::settled);
  EXPECT_TRUE(up) << up.error().text();
  if (up) run.fault = *up;
  run.curves = book.curves();
  run.heater = book.figures("heater");
  run.soft_started = book.soft_started("heater");
  auto down = sequence.down(Seconds{30.0});
  EXPECT_TRUE(down) << down.error().text();
  if (down) run.down = *down;
  return run;
}

const record::CurveRecord* curve_of(const Powered& run, const std::string& rail, const std::string& quantity) {
  for (const auto& c : run.curves) {
    if (c.rail == rail && c.quantity == quantity) return &c;
  }
  return nullptr;
}

// Peak and i2t as recorded against the fixture circuit's own truth over the same time, and the moment at which
// the pre-charge had brought the heater to its volts against what ratings foretell. TENTERHOOK_SEEDS takes more boards.
TEST(Curves, PeakHeatingAndSwitchOverAreThoseOfTheTruth) {
  auto plan = plan_of(kBoard);
  ASSERT_TRUE(plan) << plan.error().text();
  const auto ratings = soft_start_of(plan->vectors.board, "heater", *plan->fixture.rails.at(0).pre_charge);
  ASSERT_TRUE(ratings && *ratings);
  const double foretold = (*ratings)->reached.value;
  double worst_peak = 0.0, worst_i2t = 0.0, worst_time = 0.0;
  const std::uint64_t seeds = test::count_from_environment("TENTERHOOK_SEEDS", 5);
  for (std::uint64_t seed = 1; seed <= seeds; ++seed) {
    auto bench = bench_of(*plan, seed);
    ASSERT_TRUE(bench) << bench.error().text();
    double peak = 0.0, i2t = 0.0, before = 0.0, began_s = 0.0, reached_s = 0.0;
    Picoseconds last = 0;
    bool on = false, done = false;
    bench->controller->watch(kMs / 5, [&](Picoseconds t, FixtureCircuit& circuit) {
      const double amps = circuit.rail_amps(t, 0);
      if (!on && amps > 0.1) began_s = double(t) * 1e-12;
      on = on || amps > 0.1;
      if (on && reached_s == 0.0 && circuit.rail_volts(t, 0) > 4.0) reached_s = double(t) * 1e-12;
      done = done || circuit.contact_closed(t, map::kBitRailSeries + 1);
      if (on && !done) {
        peak = std::max(peak, amps);
        i2t += 0.5 * (amps * amps + before * before) * double(t - last) * 1e-12;
      }
      before = amps;
      last = t;
    });
    const Powered run = power_once(*bench, *plan);
    ASSERT_FALSE(run.fault.has_value()) << run.fault->text;
    ASSERT_TRUE(run.heater && run.soft_started);
    EXPECT_NEAR(run.heater->peak, peak, 0.05 * peak) << "seed " << seed;
    EXPECT_NEAR(run.heater->i2t, i2t, 0.05 * i2t) << "seed " << seed;
    // An uncalibrated fixture knows 4 V to some 0.2 V, and the rail rises by less than that in a tenth of the time.
    EXPECT_NEAR(run.soft_started->value, reached_s - began_s, 0.1 * (reached_s - began_s)) << "seed " << seed;
    EXPECT_NEAR(run.soft_started->value, foretold, 0.15 * foretold) << "seed " << seed;
    worst_peak = std::max(worst_peak, std::fabs(run.heater->peak / peak - 1.0));
    worst_i2t = std::max(worst_i2t, std::fabs(run.heater->i2t / i2t - 1.0));
    worst_time = std::max(worst_time, std::fabs(run.soft_started->value / foretold - 1.0));
  }
  fmt::print("{} boards: peak within {:.1f} %, i2t within {:.1f} %, switch-over within {:.1f} % of {:.2f} s\n", seeds,
             100.0 * worst_peak, 100.0 * worst_i2t, 100.0 * worst_time, foretold);
}

// Fine after each switch of the rail, bounded in number, without a gap.
TEST(Curves, AreFineFirstAndCoverAllOfTheTime) {
  auto plan = plan_of(kBoard);
  ASSERT_TRUE(plan);
  auto bench = bench_of(*plan, 3);
  ASSERT_TRUE(bench);
  const Powered run = power_once(*bench, *plan);
  const record::CurveRecord* amps = curve_of(run, "heater", "amps");
  ASSERT_NE(amps, nullptr);
  const std::vector<double>& t = amps->time_s;
  EXPECT_LT(t.front(), 1.2e-3);
  EXPECT_LT(t[30] - t[29], 1.2e-3);
  EXPECT_GT(t.back(), 10.0);  // soft start, inrush, tail
  EXPECT_LT(t.size(), 1500u);
  for (std::size_t i = 1; i < t.size(); ++i) {
    ASSERT_GT(t[i], t[i - 1]);
    ASSERT_LT(t[i] - t[i - 1], 0.6) << "at " << t[i];
  }
}

// A valve without filament shows in the steady current.
TEST(Curves, DeadFilamentShowsInTheSteadyCurrent) {
  auto plan = plan_of(kBoard);
  ASSERT_TRUE(plan);
  const auto steady = [&](const std::vector<std::string>& faults) {
    auto bench = bench_of(*plan, 2, faults);
    EXPECT_TRUE(bench) << bench.error().text();
    const Powered run = power_once(*bench, *plan);
    EXPECT_FALSE(run.fault.has_value());
    return figures_of(*curve_of(run, "heater", "amps")).steady;
  };
  EXPECT_NEAR(steady({}) - steady({"V3 dead"}), 0.3, 0.1);
}

// Filaments that are not there (or a lead that is off) let the volts rise at once: no soft start is finished by that.
TEST(SoftStart, OpenHeaterIsNotAFinishedSoftStart) {
  auto plan = plan_of(kBoard);
  ASSERT_TRUE(plan);
  const std::vector<std::vector<std::string>> cases = {
      {"fixture.rail.0 open"},
      {"V1 dead", "V2 dead", "V3 dead", "V4 dead", "V5 dead", "V6 dead", "V7 dead", "V8 dead", "V9 dead"}};
  for (const auto& faults : cases) {
    auto bench = bench_of(*plan, 1, faults);
    ASSERT_TRUE(bench) << bench.error().text();
    bool main_on = false;
    bench->controller->watch(kMs, [&](Picoseconds t, FixtureCircuit& c) {
      main_on = main_on || (c.truth(t).supplied & 0b1110) != 0;
    });
    const Powered run = power_once(*bench, *plan);
    ASSERT_TRUE(run.fault.has_value()) << faults.front();
    EXPECT_EQ(run.fault->cause, "rail-not-up");
    EXPECT_EQ(aborted_by(*run.fault, *plan).where, "heater");
    EXPECT_FALSE(main_on) << "a rail that needs the heater came on";
  }
}

// The discharge of the whole bench, with whole and with open sense wires.
TEST(Down, WholeBenchIsMeasuredBelow) {
  auto plan = plan_of(kBoard);
  ASSERT_TRUE(plan);
  auto bench = bench_of(*plan, 1);
  ASSERT_TRUE(bench);
  const Powered run = power_once(*bench, *plan);
  EXPECT_TRUE(run.down.below) << run.down.message;
  for (int r = 0; r < 4; ++r) EXPECT_LT(std::fabs(bench->circuit().rail_volts(bench->controller->now(), r)), 5.0);
  EXPECT_FALSE(bench->circuit().truth(bench->controller->now()).any_rail_on);
}

TEST(Down, OpenSenseWireIsNeverMeasuredBelow) {
  auto plan = plan_of(kBoard);
  ASSERT_TRUE(plan);
  for (const char* wire : {"rail-first", "rail-second"}) {
    for (int r = 0; r < 4; ++r) {
      const std::string fault = fmt::format("fixture.{}.{} open", wire, r);
      auto bench = bench_of(*plan, 1, {fault});
      ASSERT_TRUE(bench) << bench.error().text();
      const Powered run = power_once(*bench, *plan);
      EXPECT_FALSE(run.down.below) << fault << ": " << run.down.message;
      EXPECT_THAT(run.down.message, Not(HasSubstr("measured rails"))) << fault;
      EXPECT_THAT(run.down.message, HasSubstr("sense wire")) << fault;
    }
  }
}

// 1 kohm and 470 uF, charged through 100 ohm: a single exponential.
TEST(Down, TimeIsForeseenWithinTenPerCent) {
  auto plan = plan_of(R"(board: store
rails: {plate: {nominal: 30 V, window: [27 V, 33 V], limit: 4 A, capacitance: 470 uF, soft-start: {until: 29 V, hold: 50 ms, within: 5 s}}}
families: {next: {drive: {low: ground, high: plate}, needs: {low: [-1 V, 1 V], high: [14 V, 33 V]}}}
lines: {A: {in: next}, Y: {out: next}}
hookup: {plate: rail.0, A: drive.0, Y: sense.0}
)");
  ASSERT_TRUE(plan) << plan.error().text();
  commands::Adjust adjust;
  adjust.parts = [](emulated::FixtureOptions& fixture, emulated::BoardDescription&) { fixture.pre_charge_ohms = {100.0}; };
  for (std::uint64_t seed = 1; seed <= 5; ++seed) {
    auto bench = bench_of(*plan, seed, {}, Firmware::native, adjust);
    ASSERT_TRUE(bench) << bench.error().text();
    const Powered run = power_once(*bench, *plan);
    ASSERT_FALSE(run.fault.has_value()) << run.fault->text;
    ASSERT_TRUE(run.down.below) << run.down.message;
    ASSERT_TRUE(run.down.predicted.has_value());
    EXPECT_GT(run.down.took.value, 0.5);
    EXPECT_NEAR(run.down.predicted->value, run.down.took.value, 0.1 * run.down.took.value) << "seed " << seed;
  }
}

}  // namespace
}  // namespace tenterhook::power
