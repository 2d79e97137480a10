// The front end's arithmetic against its netlists, run by the circuit simulator.
#include "host/predict/front_end.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <random>

#include "host/predict/simulator.h"

namespace tenterhook::predict {
namespace {

constexpr double kOpen = std::numeric_limits<double>::infinity();

Netlist circuit(const std::string& name) {
  auto n = Netlist::read("fixtures/mega2560/spice/" + name);
  EXPECT_TRUE(n.ok()) << (n ? "" : n.error().text());
  return n.take();
}

Solution solve(Simulator& s, const Netlist& n, const Changes& c,
               const std::vector<std::string>& v) {
  auto flat = n.flatten(c);
  EXPECT_TRUE(flat.ok()) << (flat ? "" : flat.error().text());
  auto r = s.solve(*flat, v);
  EXPECT_TRUE(r.ok()) << (r ? "" : r.error().text());
  return r.take();
}

// Time at which v crosses `level` after `from`; rising or falling.
double crossing(const Solution& s, std::size_t vector, double level, bool rising,
                double from = 0.0) {
  const auto& v = s.vectors[vector];
  for (std::size_t i = 1; i < v.size(); ++i) {
    if (s.scale[i] <= from) continue;
    const bool crossed =
        rising ? v[i - 1] < level && v[i] >= level : v[i - 1] > level && v[i] <= level;
    if (crossed) {
      return s.scale[i - 1] +
             (s.scale[i] - s.scale[i - 1]) * (level - v[i - 1]) / (v[i] - v[i - 1]);
    }
  }
  ADD_FAILURE() << "never crosses " << level;
  return 0.0;
}

FrontEnd fixture() {
  return design_front_end({}).take();
}

TEST(FrontEnd, TheFixturesValuesFollowFromTheSpan) {
  const FrontEnd f = fixture();
  EXPECT_DOUBLE_EQ(f.r_ref.value, 274e3);
  EXPECT_DOUBLE_EQ(f.r_ground.value, 73.2e3);
  EXPECT_NEAR(f.offset.value, -14.949, 0.001);
  EXPECT_NEAR(f.per_count.value, 0.073243, 1e-6);
  EXPECT_NEAR(f.span_max.value, 60.05, 0.01);
  EXPECT_NEAR(f.open_reads.value, 0.8636, 0.0001);
  EXPECT_NEAR(f.thevenin.value, 57767, 1);
  EXPECT_NEAR(f.c_ground.value, 168e-12, 0.5e-12);
  EXPECT_LT(f.clamp_peak.value, 2e-3);
}

TEST(FrontEnd, EverySpanIsCoveredWithinTwoPercent) {
  for (double low = -60; low <= 10; low += 2.5) {
    for (double high = 5; high <= 60; high += 2.5) {
      if (high - low < 4.096) continue;
      auto f = design_front_end({Volts{low}, Volts{high}, {}});
      ASSERT_TRUE(f.ok()) << low << ".." << high;
      const double wide = high - std::min(low, 0.0);
      EXPECT_LE(f->span_min.value, std::min(low, 0.0) + 0.01 * wide) << low << ".." << high;
      EXPECT_GE(f->span_max.value, high - 0.01 * wide) << low << ".." << high;
      EXPECT_LE(f->span_max.value - f->span_min.value, wide * 1.04) << low << ".." << high;
    }
  }
}

TEST(FrontEnd, SpansWithoutSenseAreRefused) {
  for (auto [low, high] :
       {std::pair{-61.0, 10.0}, {-5.0, 61.0}, {20.0, 10.0}, {1.0, 3.0}, {NAN, 3.0}}) {
    auto f = design_front_end({Volts{low}, Volts{high}, {}});
    ASSERT_FALSE(f.ok());
    EXPECT_EQ(f.error().trouble, Trouble::input);
  }
}

TEST(FrontEnd, StraightLineAgreesWithTheSimulator) {
  const FrontEnd f = fixture();
  const Netlist n = circuit("sense-dc.cir");
  Simulator s;
  for (double v : {-15.0, -9.0, 0.0, 0.8636, 5.0, 30.0, 60.0}) {
    Changes c;
    c.parameters["vlead"] = v;
    const double node = solve(s, n, c, {"node"}).vectors[0][0];
    EXPECT_NEAR(f.volts(node / 4.096 * kAdcCounts).value, v, 1e-3);
    EXPECT_NEAR(f.node(Volts{v}).value, node, 1e-5);
  }
}

// 1,000 fixtures with parts drawn within their tolerances: each reading, converted with the nominal
// line, stays inside the uncalibrated budget; and the budget is not idle (half of it is used).
TEST(FrontEnd, ThousandFixturesStayInsideTheBudget) {
  const FrontEnd f = fixture();
  const Netlist n = circuit("sense-dc.cir");
  Simulator s;
  std::mt19937_64 random(7);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  double most_used = 0.0;
  for (int i = 0; i < 1000; ++i) {
    const double v = 22.5 + 37.0 * unit(random);
    const FrontEndParts& p = f.parts;
    const auto resistor = [&](double r) {
      return r * (1 + p.resistor_tolerance * unit(random)) *
             (1 + p.resistor_drift / std::sqrt(3.0) * unit(random));
    };
    const double aref = 4.096 * (1 + p.aref_tolerance * unit(random));
    Changes c;
    c.parameters = {{"vlead", v},
                    {"rtop", resistor(1e6)},
                    {"rref", resistor(274e3)},
                    {"rgnd", resistor(73.2e3)},
                    {"aref", aref}};
    const double node =
        solve(s, n, c, {"node"}).vectors[0][0] + p.buffer_offset.value * unit(random);
    const double count =
        std::floor(node / aref * kAdcCounts + 0.5 + p.adc_absolute_lsb * unit(random));
    const ErrorBudget b = error_budget(f, Volts{v}, false);
    const double error = std::fabs(f.volts(count).value - v);
    EXPECT_LE(error, b.worst.value) << "at " << v << " V";
    most_used = std::max(most_used, error / b.worst.value);
  }
  EXPECT_GT(most_used, 0.5);
}

// An edge of 0.87 us keeps its length within 1 % with matched capacitors, within 6 % when the two
// capacitors are 5 % apart.
TEST(FrontEnd, EdgesAreCopiedTruly) {
  const FrontEnd f = fixture();
  const Netlist n = circuit("sense-edge.cir");
  Simulator s;
  const auto rise = [&](double ctop) {
    Changes c;
    c.parameters["ctop"] = ctop;
    const Solution r = solve(s, n, c, {"lead", "out"});
    const double lead = crossing(r, 0, 23, true) - crossing(r, 0, 7, true);
    const double out = crossing(r, 1, f.node(Volts{23}).value, true) -
                       crossing(r, 1, f.node(Volts{7}).value, true);
    EXPECT_NEAR(lead, 0.87e-6, 1e-9);
    return out / lead;
  };
  EXPECT_NEAR(rise(10e-12), 1.0, 0.01);
  EXPECT_NEAR(rise(10.5e-12), 1.0, 0.06);
  EXPECT_NEAR(rise(9.5e-12), 1.0, 0.06);
  EXPECT_GT(std::fabs(rise(10.5e-12) - 1.0), 0.02);  // the mismatch is seen: the test bites
}

// The buffer's clamp takes less than 2 mA at +-60 V with the fixture's power off, and the unpowered
// +5 V stays below the 0.7 V at which logic could wake.
TEST(FrontEnd, ClampCurrentAtSixtyVoltsIsHarmless) {
  const FrontEnd f = fixture();
  const Netlist n = circuit("clamp-off.cir");
  Simulator s;
  for (double v : {60.0, -60.0}) {
    Changes c;
    c.parameters["vin"] = v;
    const Solution r = solve(s, n, c, {"node", "inp"});
    double peak = 0.0;
    for (std::size_t i = 0; i < r.scale.size(); ++i) {
      peak = std::max(peak, std::fabs(r.vectors[0][i] - r.vectors[1][i]) / 2200.0);
    }
    EXPECT_LT(peak, 2e-3);
    EXPECT_NEAR(peak, f.clamp_peak.value, 0.1 * peak);
    EXPECT_NEAR(std::fabs(r.vectors[0].back() - r.vectors[1].back()) / 2200.0, f.clamp_steady.value,
                2e-6);
  }
  Changes dc;
  dc.waves["vin"] = "PWL(0 60 1 60)";
  auto flat = n.flatten(dc);
  ASSERT_TRUE(flat.ok());
  auto r = s.solve(*flat, {"vdd"}, "op");
  ASSERT_TRUE(r.ok()) << r.error().text();
  EXPECT_LT(r->vectors[0][0], 0.7);
}

TEST(FrontEnd, ContactCheckSeparatesWhatItClaims) {
  const FrontEnd f = fixture();
  const Netlist n = circuit("contact-check.cir");
  Simulator s;
  const auto loads = bus_loads();
  for (const BusLoad& load : loads) {
    for (double board : {1e3, 22e3, 100e3, 470e3, kOpen}) {
      Changes c;
      c.parameters = {{"rboard", std::isinf(board) ? 1e13 : board},
                      {"vboard", 0.0},
                      {"rbus", load.ohms.value > 0 ? load.ohms.value : 1e13},
                      {"vbus", load.to.value}};
      const double simulated = solve(s, n, c, {"lead"}).vectors[0][0];
      EXPECT_NEAR(lead_volts(f, Volts{0}, Ohms{board}, load).value, simulated, 2e-4)
          << load.name << ' ' << board;
    }
  }
  const BusLoad& pull = loads[3];
  const BusLoad& high = loads[4];
  const double open = lead_volts(f, Volts{0}, Ohms{kOpen}, pull).value;
  EXPECT_NEAR(open, 4.961, 0.001);
  // 100 kohm to ground lies 6 counts below an open lead; 1 Mohm does not separate (less than 1).
  EXPECT_GT((open - lead_volts(f, Volts{0}, Ohms{100e3}, pull).value) / f.per_count.value, 6.0);
  EXPECT_LT((open - lead_volts(f, Volts{0}, Ohms{1e6}, pull).value) / f.per_count.value, 1.0);
  EXPECT_NEAR(lead_volts(f, Volts{0}, Ohms{kOpen}, high).value, 12.76, 0.01);
  EXPECT_NEAR(lead_volts(f, Volts{0}, Ohms{470e3}, high).value, 6.09, 0.01);
  EXPECT_NEAR(lead_volts(f, Volts{0}, Ohms{kOpen}, loads[1]).value, 0.018, 0.001);
}

TEST(FrontEnd, TwoLoadsGiveTheSourceBack) {
  const FrontEnd f = fixture();
  const auto loads = bus_loads();
  for (double ohms : {530.0, 3.1e3, 22e3, 100e3}) {
    for (double volts : {5.0, 24.6, -7.0}) {
      const Volts a = lead_volts(f, Volts{volts}, Ohms{ohms}, loads[2]);
      const Volts b = lead_volts(f, Volts{volts}, Ohms{ohms}, loads[1]);
      const SourceEstimate e = two_loads(f, loads[2], a, loads[1], b);
      EXPECT_NEAR(e.ohms.value, ohms, 1e-6 * ohms);
      EXPECT_NEAR(e.open.value, volts, 1e-6 * std::fabs(volts));
    }
  }
}

// Edges of 0.05 to 0.1 us into 500 pF on every pair of rails, levels at the rails themselves.
TEST(LevelShifter, EdgesIntoFiveHundredPicofarads) {
  const Netlist n = circuit("level-shifter.cir");
  Simulator s;
  for (auto [high, low] :
       {std::pair{30.0, -9.0}, {24.0, 0.0}, {12.0, 0.0}, {60.0, 0.0}, {45.0, -15.0}}) {
    Changes c;
    c.parameters = {{"vhigh", high}, {"vlow", low}};
    const Solution r = solve(s, n, c, {"out", "in"});
    const double ten = low + 0.1 * (high - low), half = low + 0.5 * (high - low),
                 ninety = low + 0.9 * (high - low);
    EXPECT_NEAR(r.vectors[0].back(), low, 0.01);
    const double rise = crossing(r, 0, ninety, true) - crossing(r, 0, ten, true);
    const double fall = crossing(r, 0, ten, false, 5e-6) - crossing(r, 0, ninety, false, 5e-6);
    EXPECT_GT(rise, 0.05e-6);
    EXPECT_LT(rise, 0.10e-6);
    EXPECT_GT(fall, 0.05e-6);
    EXPECT_LT(fall, 0.10e-6);
    EXPECT_LT(crossing(r, 0, half, true) - crossing(r, 1, 2.5, true), 0.1e-6);
    EXPECT_LT(crossing(r, 0, half, false, 5e-6) - crossing(r, 1, 2.5, false), 0.12e-6);
  }
}

// Twenty 0.3 A heaters: at most 1.5 times the hot current of 6 A through 0.56 ohm, and no more when
// the main contact closes later. Without the resistor: the stiff inrush.
TEST(PreCharge, HoldsInrushToOneAndAHalf) {
  const Netlist n = circuit("precharge.cir");
  Simulator s;
  const Solution r = solve(s, n, {}, {"i(vs)", "h", "t"});
  double peak = 0.0, second = 0.0;
  for (std::size_t i = 0; i < r.scale.size(); ++i) {
    double& at = r.scale[i] < 14.99 ? peak : second;
    at = std::max(at, -r.vectors[0][i]);
  }
  EXPECT_LT(peak, 1.5 * 6.0);
  EXPECT_GT(peak, 1.25 * 6.0);
  EXPECT_LT(second, 1.5 * 6.0);
  EXPECT_NEAR(-r.vectors[0].back(), 6.0, 0.1);
  EXPECT_NEAR(r.vectors[2].back(), 1400, 10);
  EXPECT_LT(peak * peak * 0.56, 45.0);  // watts in the resistor
  Changes stiff;
  stiff.parameters["rpre"] = 1e-3;
  const Solution hard = solve(s, n, stiff, {"i(vs)"});
  double most = 0.0;
  for (double i : hard.vectors[0]) most = std::max(most, -i);
  EXPECT_GT(most, 33.0);
}

}  // namespace
}  // namespace tenterhook::predict
