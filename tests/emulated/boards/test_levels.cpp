// Levels of the valve boards against the simulated gate set (ngspice: ECC88 double triodes on
// +30 V / -9 V; 500 samples of a 24-triode board with measured tubes and 5 % resistors).
#include <algorithm>
#include <cmath>

#include "tests/emulated/boards/bench.h"

namespace tenterhook::emulated {
namespace {

TEST(ValveLevels, SpreadOver500SeedsIsThatOfTheSimulatedBoards) {
  const BoardDescription d = demo("shed-latch");
  std::vector<double> lows, highs;
  for (std::uint64_t seed = 1; seed <= 500; ++seed) {
    auto layout = lay_out(d, seed);
    ASSERT_TRUE(layout.ok());
    for (const Driver& driver : layout->drivers) {
      if (driver.analog) continue;
      lows.push_back(driver.low_v);
      highs.push_back(driver.high_v);
    }
  }
  std::sort(lows.begin(), lows.end());
  std::sort(highs.begin(), highs.end());
  const auto at = [](const std::vector<double>& v, double share) {
    return v[static_cast<std::size_t>(share * static_cast<double>(v.size() - 1))];
  };
  EXPECT_NEAR(at(lows, 0.001), 3.2, 0.15);
  EXPECT_NEAR(at(lows, 0.999), 8.2, 0.25);
  EXPECT_NEAR(at(highs, 0.001), 22.7, 0.15);
  EXPECT_NEAR(at(highs, 0.999), 26.3, 0.15);
  EXPECT_NEAR(at(lows, 0.5), 5.0, 0.25);
  EXPECT_NEAR(at(highs, 0.5), 24.6, 0.25);
}

TEST(ValveLevels, ShowAtTheLeadsWhatThePartsGive) {
  for (std::uint64_t seed = 1; seed <= 20; ++seed) {
    BoardTruth t = shed_latch(seed);
    for (const char* line : {"Q0", "Q1", "Q2", "Q3"}) {
      EXPECT_GT(t.volts(line), 3.0) << line << " seed " << seed;
      EXPECT_LT(t.volts(line), 8.5) << line << " seed " << seed;
      EXPECT_GT(t.volts(std::string("Qn") + line[1]), 22.5);
      EXPECT_LT(t.volts(std::string("Qn") + line[1]), 26.5);
    }
  }
}

TEST(ValveOutputs, SagByKilohmsWhenLoadedAndRiseLittleWhenSinking) {
  BoardTruth t = shed_latch();
  const double high = t.volts("Qn0"), low = t.volts("Q0");
  t.set_volts("Qn0", 0.0, 22e3);
  t.wait(1e-3);
  const double ohms = (high - t.volts("Qn0")) / (t.volts("Qn0") / 22e3);
  EXPECT_NEAR(ohms, 3.1e3, 0.25e3);
  // 0.3 mA into the low: 0.25 V.
  t.set_volts("Q0", 300.0 + low + 0.25, 1e6);
  t.wait(1e-3);
  EXPECT_NEAR(t.volts("Q0") - low, 0.25, 0.06);
}

TEST(ValveOr, ShiftsAsAFollowerAndDrawsTheSimulatedCurrents) {
  double low_shift = 0.0, high_shift = 0.0;
  for (std::uint64_t seed = 1; seed <= 200; ++seed) {
    BoardTruth t = bench(one_gate("or", "cathode-follower", 2), seed);
    t.set_volts("A", 5.0);
    t.set_volts("B", 5.0);
    t.power_up(1.0);
    low_shift += (t.volts("Y") - 5.0) / 200.0;
    t.set_volts("A", 24.6);
    t.wait(1e-3);
    high_shift += (t.volts("Y") - 24.6) / 200.0;
  }
  EXPECT_NEAR(low_shift, 0.6, 0.06);
  EXPECT_NEAR(high_shift, -0.5, 0.06);
  BoardTruth t = bench(one_gate("or", "cathode-follower", 2), 3);
  t.set_volts("B", -9.0);  // so that A alone feeds the grid
  t.set_volts("A", 0.0, 1e3);
  t.power_up(1.0);
  EXPECT_NEAR((0.0 - t.volts("A")) / 1e3, 14e-6, 1.5e-6);
  t.set_volts("A", 24.6, 1e3);
  t.wait(1e-3);
  EXPECT_NEAR((24.6 - t.volts("A")) / 1e3, 131e-6, 8e-6);
}

TEST(ValveOr, WithOpenInputsSitsFarBelowALow) {
  BoardTruth t = bench(one_gate("or", "cathode-follower", 2));
  t.power_up(1.0);
  EXPECT_NEAR(t.volts("Y"), -7.0, 0.5);
}

TEST(ValveInverter, SwitchesBetweenItsSimulatedThresholds) {
  double vil = 0.0, vsw = 0.0;
  constexpr int kSeeds = 40;
  for (std::uint64_t seed = 1; seed <= kSeeds; ++seed) {
    BoardTruth t = bench(one_gate("not", "triode-inverter", 1), seed);
    t.set_volts("A", 0.0);
    t.power_up(1.0);
    const double high = t.volts("Y");
    bool left = false;
    for (double v = 7.0; v < 15.0; v += 0.1) {
      t.set_volts("A", v);
      t.wait(1e-3);
      if (!left && t.volts("Y") < high - 0.5) {
        left = true;
        vil += v / kSeeds;
      }
      if (t.volts("Y") < 14.8) {
        vsw += v / kSeeds;
        break;
      }
    }
  }
  EXPECT_NEAR(vil, 9.7, 0.3);
  EXPECT_NEAR(vsw, 11.8, 0.3);
}

TEST(SupplyDependence, HighsFollowThePlateRailAndLowsHardly) {
  BoardTruth t = shed_latch();
  const double high = t.volts("Qn0"), low = t.volts("Q0");
  t.board().supply(t.now(), 2, {28.5, 50.0});
  t.wait(0.5);
  EXPECT_NEAR(t.volts("Qn0"), high * 0.95, 0.1);
  EXPECT_NEAR(t.volts("Q0"), low, 0.4);
}

TEST(Noise, IsMillivoltsAndRepeats) {
  const BoardDescription d = demo("shed-latch");
  const auto sample = [&d](std::uint64_t seed) {
    auto board = make_board(d, seed, {});
    std::vector<double> v;
    for (int i = 0; i < 2000; ++i) v.push_back((*board)->volts(1'000'000LL * i, 7));
    return v;
  };
  const std::vector<double> a = sample(3), b = sample(3), c = sample(4);
  EXPECT_EQ(a, b);
  EXPECT_NE(a, c);
  double mean = 0.0, square = 0.0;
  for (const double v : a) mean += v / 2000.0;
  for (const double v : a) square += (v - mean) * (v - mean) / 2000.0;
  EXPECT_GT(std::sqrt(square), 2e-3);
  EXPECT_LT(std::sqrt(square), 15e-3);
}

TEST(PowerUp, LatchesWakeInStatesOfTheirOwn) {
  int ones = 0;
  for (std::uint64_t seed = 1; seed <= 60; ++seed) {
    BoardTruth t = bench(demo("shed-latch"), seed);
    for (const char* line : {"F3", "F2", "F1", "F0", "SKIP", "PICK"}) t.set(line, false);
    t.power_up();
    for (const char* line : {"Q0", "Q1", "Q2", "Q3"}) ones += t.volts(line) > 15.0;
  }
  EXPECT_GT(ones, 80);  // of 240
  EXPECT_LT(ones, 160);
}

TEST(SkipLine, ForcesOnesAndOtherwisePassesThePattern) {
  BoardTruth t = shed_latch(11);
  for (int pattern = 0; pattern < 32; ++pattern) {
    const bool skip = pattern >= 16;
    t.set("SKIP", skip);
    for (int i = 0; i < 4; ++i) t.set("F" + std::to_string(i), (pattern >> i) & 1);
    t.wait(0.02);
    t.pulse("PICK", 200e-6);
    for (int i = 0; i < 4; ++i) {
      const bool one = skip || ((pattern >> i) & 1);
      EXPECT_EQ(t.volts("Q" + std::to_string(i)) > 15.0, one) << pattern << " Q" << i;
      EXPECT_EQ(t.volts("Qn" + std::to_string(i)) > 15.0, !one) << pattern << " Qn" << i;
    }
  }
}

}  // namespace
}  // namespace tenterhook::emulated
