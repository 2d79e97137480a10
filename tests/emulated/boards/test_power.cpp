// Filaments, warm-up and rails. Heater numbers: a 6.3 V, 300 mA filament fitted to a controlled
// 11 s warm-up (peak 5.9-6.7 times; 1.44 A at 0.1 s, 0.82 at 0.5, 0.59 at 1, 0.43 at 2, 0.32 at 5
// s; below 1.5 times after 1.8 s; cathode at 90 / 99 % after 12 / 20 s).
#include <cmath>

#include "tests/emulated/boards/bench.h"

namespace tenterhook::emulated {
namespace {

TEST(Tungsten, ResistivityIsThePublishedTable) {
  // Forsythe and Worthing 1925, micro-ohm cm.
  EXPECT_DOUBLE_EQ(tungsten_resistivity(300), 5.65);
  EXPECT_DOUBLE_EQ(tungsten_resistivity(1400), 37.19);
  EXPECT_DOUBLE_EQ(tungsten_resistivity(2500), 73.91);
  EXPECT_NEAR(tungsten_resistivity(1450), 0.5 * (37.19 + 40.36), 1e-9);
}

TEST(Filament, DrawsItsInrushAndFallsAsMeasured) {
  Heater heater(6.3, 0.3, 0.006, 2.65);
  const auto amps = [&heater] { return 6.3 / heater.ohms(); };
  EXPECT_GT(amps() / 0.3, 5.9);
  EXPECT_LT(amps() / 0.3, 6.7);
  const double at[] = {0.1, 0.5, 1.0, 2.0, 5.0}, expected[] = {1.44, 0.82, 0.59, 0.43, 0.32};
  double now = 0.0;
  for (int i = 0; i < 5; ++i) {
    while (now < at[i] - 1e-9) {
      heater.advance(0.01, 6.3);
      now += 0.01;
    }
    EXPECT_NEAR(amps(), expected[i], 0.08 * expected[i]) << at[i] << " s";
    if (i == 3) {
      EXPECT_LT(amps() / 0.3, 1.5);
    }
  }
}

TEST(Filament, IntegrationAgreesWithAFineEulerOne) {
  // An independent integration of the same equation with steps of 20 us.
  Heater heater(6.3, 0.3, 0.0, 2.65);
  double kelvin = kRoomKelvin;
  const double k = 1.89 / (std::pow(1400.0, 4) - std::pow(kRoomKelvin, 4));
  double worst = 0.0;
  for (int tenth = 1; tenth <= 100; ++tenth) {
    heater.advance(0.1, 6.3);
    for (int i = 0; i < 5000; ++i) {
      const double ohms = 21.0 * tungsten_resistivity(kelvin) / tungsten_resistivity(1400);
      kelvin += 20e-6 * (6.3 * 6.3 / ohms - k * (std::pow(kelvin, 4) - std::pow(kRoomKelvin, 4))) /
                11.6e-3;
    }
    worst = std::max(worst, std::fabs(kelvin - heater.kelvin()));
  }
  EXPECT_LT(worst, 0.2);
  EXPECT_NEAR(kelvin, 1400.0, 5.0);
}

TEST(Filament, PeaksSpreadWithinThePublishedBand) {
  for (std::uint64_t seed = 1; seed <= 50; ++seed) {
    BoardTruth t = bench(demo("shed-latch"), seed);
    t.power_up(0.0005, 0.001);
    const double peak = t.rail_amps("heater");
    t.wait(60.0);
    EXPECT_GT(peak / t.rail_amps("heater"), 5.8) << seed;
    EXPECT_LT(peak / t.rail_amps("heater"), 6.7) << seed;
    EXPECT_NEAR(t.rail_amps("heater"), 6.0, 0.17);
  }
}

TEST(WarmUp, LevelsAppearAfterSecondsAndCreep) {
  for (std::uint64_t seed = 1; seed <= 30; ++seed) {
    BoardTruth t = bench(demo("shed-latch"), seed);
    for (const char* line : {"F3", "F2", "F1", "F0", "SKIP", "PICK"}) t.set(line, false);
    t.power_up(0.001);
    double appeared = 0.0, settled = 0.0;
    std::vector<double> curve;
    for (int i = 0; i < 240; ++i) {
      t.wait(0.25);
      curve.push_back(std::max(t.volts("Q0"), t.volts("Qn0")));
    }
    for (std::size_t i = 0; i < curve.size(); ++i) {
      if (appeared == 0.0 && curve[i] > 0.0) appeared = 0.25 * static_cast<double>(i + 1);
      if (std::fabs(curve[i] - curve.back()) > 0.1) settled = 0.25 * static_cast<double>(i + 1);
    }
    EXPECT_GE(appeared, 4.0) << seed;
    EXPECT_LE(appeared, 9.5) << seed;
    EXPECT_GE(settled, 10.0) << seed;
    EXPECT_LE(settled, 35.0) << seed;
    EXPECT_LT(curve[0], -5.0);  // cold followers hang on the bias rail
  }
}

TEST(WarmUp, StartsWhenTheHeaterIsSwitchedOnAndNotBefore) {
  BoardTruth t = bench(demo("shed-latch"));
  t.wait(100.0);
  t.power_up(0.001);
  EXPECT_GT(t.rail_amps("heater"), 30.0);
  t.wait(2.0);
  EXPECT_LT(t.volts("Qn0"), -5.0);
}

TEST(WarmUp, AShortInterruptionLeavesWarmFilaments) {
  BoardTruth t = shed_latch();
  t.wait(500.0);
  const double hot = t.rail_amps("heater");
  t.board().supply(t.now(), 0, {0.0, 1e-3});
  t.wait(0.5);
  t.board().supply(t.now(), 0, {6.3, 50.0});
  t.wait(0.001);
  EXPECT_LT(t.rail_amps("heater"), 1.7 * hot);
  EXPECT_GT(t.rail_amps("heater"), 1.05 * hot);
  EXPECT_GT(t.volts("Qn0"), 20.0);  // the cathodes hardly noticed
}

TEST(WarmUp, LatchesLoseTheirStateWithThePlateRail) {
  int changed = 0;
  for (std::uint64_t seed = 1; seed <= 40; ++seed) {
    BoardTruth t = shed_latch(seed);
    t.board().supply(t.now(), 2, {0.0, 1.0});
    t.wait(1.0);
    t.board().supply(t.now(), 2, {30.0, 50.0});
    t.wait(1.0);
    changed += t.volts("Q0") > 15.0;
  }
  EXPECT_GT(changed, 8);
  EXPECT_LT(changed, 32);
}

TEST(Rails, DischargeAsAnExponentialOfTheirCapacitance) {
  BoardDescription d = one_gate("not", "transistor", 1);
  d.rails[0].farads = 100e-6;
  BoardTruth t = bench(d);
  t.set("A", false);
  t.power_up(1.0);
  t.power_down();  // 1 kohm to ground
  const double start = t.volts("main");
  t.wait(20e-3);
  const double ratio = t.volts("main") / start;
  EXPECT_LT(ratio, std::exp(-20e-3 / 0.1));  // at least the bleeder's
  EXPECT_GT(ratio, 0.6 * std::exp(-20e-3 / 0.1));
}

TEST(Rails, CurrentsAreThoseOfTheGateSet) {
  BoardTruth t = shed_latch();
  EXPECT_GT(t.rail_amps("plate"), 13e-3);
  EXPECT_LT(t.rail_amps("plate"), 40e-3);
  EXPECT_LT(t.rail_amps("bias"), -8e-3);
  EXPECT_GT(t.rail_amps("bias"), -40e-3);
}

TEST(Rails, FoldBackLimitsTheCurrentAndDropsTheVolts) {
  BoardTruth t = bench(demo("shed-latch"), 1, {"heater folds-back 8 A"});
  t.power_up(0.01);
  EXPECT_LE(t.rail_amps("heater"), 8.0);
  EXPECT_LT(t.volts("heater"), 3.0);
}

TEST(Filament, BelongsToAValveGateWithoutNamedParts) {
  BoardDescription d = one_gate("not", "triode-inverter", 1);
  d.rails.push_back({"heater", 6.3, 2, 0.0, true});
  BoardTruth t = bench(d);
  t.set("A", false);
  t.power_up(1.0);
  EXPECT_LT(t.volts("Y"), -5.0);
  t.wait(60.0);
  EXPECT_NEAR(t.rail_amps("heater"), 0.3, 0.03);
  EXPECT_GT(t.volts("Y"), 22.0);
}

TEST(DeadFilament, DrawsNothing) {
  BoardTruth good = shed_latch(), bad = shed_latch(1, {"V2d dead"});
  EXPECT_NEAR(good.rail_amps("heater") - bad.rail_amps("heater"), 0.3, 0.02);
}

}  // namespace
}  // namespace tenterhook::emulated
