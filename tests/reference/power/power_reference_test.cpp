// The arithmetic of supplies against published values; each with its source.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <vector>

#include "fixtures/emulated/boards/heater.h"
#include "host/power/filaments.h"
#include "host/power/wiring.h"

namespace tenterhook::power {
namespace {

// Tungsten: Forsythe and Worthing 1925 (ratios computed from the tabulated resistivities).
TEST(Tungsten, RatiosToRoomTemperatureAreThePublishedOnes) {
  const double room = tungsten_resistivity(300.0);
  EXPECT_DOUBLE_EQ(room, 5.65);
  const std::vector<std::pair<double, double>> published = {
      {1000, 4.412}, {1200, 5.483}, {1400, 6.582}, {1500, 7.143}, {1600, 7.708}, {2000, 10.03}, {2500, 13.081}};
  for (const auto& [kelvin, ratio] : published) {
    EXPECT_NEAR(tungsten_resistivity(kelvin) / room, ratio, 0.001 * ratio) << kelvin << " K";
  }
}

// 12AU7/ECC82: 6.3 V 0.30 A in parallel (Brimar VAD/513.4): 21 ohm hot. Hot to cold 4.5 to 9 is accepted for
// oxide-cathode heaters at 1,300 to 1,600 K (temperature range from memory; alloyed heaters lie lower).
TEST(Tungsten, FilamentHasItsRatedResistanceHotAndAFractionOfItCold) {
  const Filaments one{Volts{6.3}, Amps{0.30}, 1};
  EXPECT_NEAR(one.ohms(kHotKelvin).value, 21.0, 1e-9);
  const double ratio = one.ohms(kHotKelvin) / one.cold();
  EXPECT_GT(ratio, 4.5);
  EXPECT_LT(ratio, 9.0);
}

// Solid copper at 20 C, ohm per 1000 ft: hyperphysics.phy-astr.gsu.edu/hbase/Tables/wirega.html and
// wp.1728.org/?p=4314 (both read).
TEST(Wire, ResistanceIsThatOfThePublishedGaugeTable) {
  const std::vector<std::pair<int, double>> per_1000_ft = {
      {16, 4.016}, {17, 5.064}, {18, 6.385}, {19, 8.051}, {20, 10.15}, {21, 12.80}, {22, 16.14}, {23, 20.36},
      {24, 25.67}, {25, 32.37}, {26, 40.81}, {27, 51.47}, {28, 64.90}, {29, 81.83}, {30, 103.2}};
  for (const auto& [awg, ohms] : per_1000_ft) {
    EXPECT_NEAR(ohms_per_metre(awg) * 304.8, ohms, 0.001 * ohms) << awg << " AWG";
  }
  // Temperature coefficient 0.00393 a kelvin from 20 C: from memory; the arithmetic of the rule alone.
  EXPECT_NEAR(copper_rise(60.0), 1.1572, 1e-4);
}

// E24 of IEC 60063, as printed in resistor tables; it differs from round(10^(i/24)) in exactly eight places
// (computed).
TEST(Series, E24HasTheStandardValuesAndItsEightExceptions) {
  const std::vector<double> e24 = {1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
                                   3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1};
  int exceptions = 0;
  for (std::size_t i = 0; i < e24.size(); ++i) {
    EXPECT_DOUBLE_EQ(e24_at_least(e24[i]), e24[i]);
    EXPECT_NEAR(e24_at_least(e24[i] * 1.0001), i + 1 < e24.size() ? e24[i + 1] : 10.0, 1e-9);
    EXPECT_NEAR(e24_below(e24[i]), i > 0 ? e24[i - 1] : 0.91, 1e-9);
    EXPECT_NEAR(e24_at_least(e24[i] * 1e-2), e24[i] * 1e-2, 1e-12);
    const double rule = std::round(std::pow(10.0, static_cast<double>(i) / 24.0) * 10.0) / 10.0;
    exceptions += std::fabs(rule - e24[i]) > 0.01;
  }
  EXPECT_EQ(exceptions, 8);
}

// t = R C ln(V0 / V1): 100 uF, 100 kohm, 300 V to 60 V is 16.0943791243 s (computed). 4,700 uF at 60 V stores
// 8.5 J, and 1 kohm bleeds it to 10 V in 8.4 s (computed).
TEST(Discharge, FollowsTheExponential) {
  EXPECT_NEAR(bleed_time(Ohms{100e3}, Farads{100e-6}, Volts{300}, Volts{60}).value, 16.0943791243, 1e-9);
  EXPECT_NEAR(stored_joules(Farads{4700e-6}, Volts{60}), 8.46, 1e-9);
  EXPECT_NEAR(bleed_time(Ohms{1000}, Farads{4700e-6}, Volts{60}, Volts{10}).value, 8.42, 0.01);
  EXPECT_NEAR(bleed_time(Ohms{1000}, Farads{4700e-6}, Volts{-9}, Volts{5}).value, 4.7 * std::log(9.0 / 5.0), 1e-9);
  EXPECT_EQ(bleed_time(Ohms{1000}, Farads{4700e-6}, Volts{4}, Volts{5}).value, 0.0);
}

// GSL's adaptive (8, 9) against the emulator's fixed-step fourth-order Runge-Kutta: two independent
// integrations of the same physics from two separately typed tables. A lead_fraction of 0 has no leads.
TEST(Heating, SolverOfTheLibraryAgreesWithTheEmulatorsIntegration) {
  for (const double volts : {2.0, 4.2, 6.3}) {
    const Filaments one{Volts{6.3}, Amps{0.30}, 1};
    const auto curve = heat(one, {Volts{volts}, Ohms{0.0}, std::nullopt}, kRoomKelvin, Seconds{20.0}, Seconds{0.5});
    ASSERT_TRUE(curve.ok());
    emulated::Heater emulated(6.3, 0.30, 0.0, 2.65);
    for (const HeatPoint& p : *curve) {
      EXPECT_NEAR(p.kelvin, emulated.kelvin(), 0.5) << volts << " V at " << p.time.value << " s";
      EXPECT_NEAR(p.amps.value, volts / emulated.ohms(), 2e-3 * p.amps.value);
      for (int i = 0; i < 100; ++i) emulated.advance(0.005, volts);
    }
  }
}

// Simulated 6.3 V 300 mA filament: 1.44 A at 0.1 s, 0.82 at 0.5, 0.59 at 1, 0.43 at 2, 0.32 at 5 s; inrush
// 5.9 to 6.7 times (published range of such inrush 2.7 to 7.2 times).
TEST(Heating, WarmUpHasTheFittedCurve) {
  const Filaments one{Volts{6.3}, Amps{0.30}, 1};
  const auto curve = heat(one, {Volts{6.3}, Ohms{0.0}, std::nullopt}, kRoomKelvin, Seconds{6.0}, Seconds{0.1});
  ASSERT_TRUE(curve.ok());
  EXPECT_NEAR((*curve)[0].amps / one.hot(), 6.7, 0.05);
  const std::vector<std::pair<std::size_t, double>> fitted = {{1, 1.44}, {5, 0.82}, {10, 0.59}, {20, 0.43}, {50, 0.32}};
  for (const auto& [index, amps] : fitted) EXPECT_NEAR((*curve)[index].amps.value, amps, 0.05 * amps + 0.005) << index;
}

TEST(Heating, SettlesWhereHeatAndRadiationBalance) {
  const Filaments one{Volts{6.3}, Amps{0.30}, 1};
  EXPECT_NEAR(settled_kelvin(one, {Volts{6.3}, Ohms{0.0}, std::nullopt}), kHotKelvin, 0.01);
  const Feed weak{Volts{6.3}, Ohms{10.0}, std::nullopt};
  const auto curve = heat(one, weak, kRoomKelvin, Seconds{200.0}, Seconds{1.0});
  ASSERT_TRUE(curve.ok());
  EXPECT_NEAR(curve->back().kelvin, settled_kelvin(one, weak), 0.01);
}

// A valve takes about a minute to glow and ten to be stable (common practice, no source): ours glows (Draper point,
// 798 K) and emits well before a minute has passed, and does not move any more after ten.
TEST(Heating, GlowsWithinAMinuteAndIsStableAfterTen) {
  emulated::Heater heater(6.3, 0.30, 0.02, 2.65);
  const auto pass = [&heater](int seconds) {
    for (int i = 0; i < 20 * seconds; ++i) heater.advance(0.05, 6.3);
  };
  pass(1);
  EXPECT_LT(heater.emission(), 0.01);
  pass(59);
  EXPECT_GT(heater.kelvin(), 798.0);
  EXPECT_GT(heater.emission(), 0.9);
  pass(540);
  const double then = heater.emission();
  pass(60);
  EXPECT_NEAR(heater.emission(), then, 1e-3);
}

}  // namespace
}  // namespace tenterhook::power
