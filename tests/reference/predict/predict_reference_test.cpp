// Models, formulas and trade facts against values published outside this project.
#include <gtest/gtest.h>

#include <cmath>
#include <set>

#include "host/predict/front_end.h"
#include "host/predict/simulator.h"

namespace tenterhook::predict {
namespace {

Simulator& simulator() {
  static Simulator s;
  return s;
}

double solve(const std::string& cards, const std::string& vector, const Changes& changes = {}) {
  auto n = Netlist::parse("reference.cir", "t\n" + cards);
  EXPECT_TRUE(n.ok()) << (n ? "" : n.error().text());
  if (!n) return NAN;
  auto flat = n->flatten(changes);
  EXPECT_TRUE(flat.ok()) << (flat ? "" : flat.error().text());
  if (!flat) return NAN;
  auto r = simulator().solve(*flat, {vector}, "op");
  EXPECT_TRUE(r.ok()) << (r ? "" : r.error().text());
  return r ? r->vectors[0][0] : NAN;
}

double plate_milliamps(const std::string& tube, double vp, double vg) {
  Changes c;
  c.sources = {{"vp", vp}, {"vg", vg}};
  return -1e3 * solve("Vp p 0 0\nVg g 0 0\nX1 p g 0 " + tube + "\n", "i(vp)", c);
}

// N. Koren, "Improved vacuum tube models for SPICE", Glass Audio 8(5) 1996 p. 18, with his
// parameter sets; values computed from that formula by independent means. Formula to 1e-4.
struct TubePoint {
  const char* tube;
  double vp, vg, milliamps, microsiemens, ohms;
};
constexpr TubePoint kKoren[] = {
    {"ecc82", 250, -8.5, 10.3940, 2479.6, 7249}, {"ecc82", 100, 0, 12.5848, 3380.3, 6112},
    {"ecc83", 250, -2, 0.9518, 1670.0, 53688},   {"ecc83", 100, -1, 0.1004, 587.6, 140638},
    {"6dj8", 90, -1.3, 14.3244, 9426.0, 2957},   {"ecc81", 250, -2, 12.8440, 7220.8, 7883},
};

TEST(KorenTriode, PlateCurrentAtThePublishedPoints) {
  for (const TubePoint& p : kKoren) {
    const double printed = 5e-5;  // half of the last digit printed, mA
    EXPECT_NEAR(plate_milliamps(p.tube, p.vp, p.vg), p.milliamps, 1e-4 * p.milliamps + printed)
        << p.tube;
  }
  EXPECT_NEAR(plate_milliamps("ecc82", 60, 0), 6.4780, 7e-4);
  EXPECT_NEAR(plate_milliamps("ecc82", 30, 0), 2.6309, 3e-4);
  EXPECT_NEAR(plate_milliamps("ecc82", 24, 0), 1.9684, 3e-4);
  EXPECT_NEAR(plate_milliamps("ecc82", 60, -2), 1.8159, 3e-4);
  EXPECT_NEAR(plate_milliamps("6dj8", 60, -1), 7.5357, 8e-4);
  EXPECT_NEAR(plate_milliamps("6dj8", 24, 0), 4.9600, 5e-4);
}

TEST(KorenTriode, SlopeAndPlateResistanceAtThePublishedPoints) {
  for (const TubePoint& p : kKoren) {
    const double d = 1e-3;
    const double gm = (plate_milliamps(p.tube, p.vp, p.vg - d / 2 + (p.vg == 0 ? -d / 2 : 0)) -
                       plate_milliamps(p.tube, p.vp, p.vg + d / 2 + (p.vg == 0 ? -d / 2 : 0))) /
                      -d * 1e3;
    EXPECT_NEAR(gm, p.microsiemens, 2e-3 * p.microsiemens) << p.tube;
    const double rp =
        0.2 /
        ((plate_milliamps(p.tube, p.vp + 0.1, p.vg) - plate_milliamps(p.tube, p.vp - 0.1, p.vg)) *
         1e-3);
    EXPECT_NEAR(rp, p.ohms, 2e-3 * p.ohms) << p.tube;
  }
}

// Tube manuals' operating points (from memory; mu 17 and 2200 uS of the 12AU7 were read): the model
// lies within 10 % for 12AU7 and 6DJ8, within -25 to +30 % for the others at 250 V.
TEST(KorenTriode, NearTheTubeManuals) {
  EXPECT_NEAR(plate_milliamps("ecc82", 250, -8.5) / 10.5, 1.0, 0.10);
  EXPECT_NEAR(plate_milliamps("6dj8", 90, -1.3) / 15.0, 1.0, 0.10);
  const double ecc83 = plate_milliamps("ecc83", 250, -2) / 1.2,
               ecc81 = plate_milliamps("ecc81", 250, -2) / 10.0;
  for (double ratio : {ecc83, ecc81}) {
    EXPECT_GT(ratio, 0.75);
    EXPECT_LT(ratio, 1.30);
  }
}

// 1N4148, published set Is 2.52n Rs 0.568 N 1.752, at 300.15 K: computed from the diode equation.
TEST(Diode, SwitchingDiodeAtThreeCurrents) {
  const auto drop = [](const char* model, double amps) {
    Changes c;
    c.sources["i1"] = amps;
    return solve(std::string("I1 0 a 0\nD1 a 0 ") + model + "\nR1 a 0 1t\n", "a", c);
  };
  EXPECT_NEAR(drop("1n4148", 1e-4), 0.4799, 1e-4);
  EXPECT_NEAR(drop("1n4148", 1e-3), 0.5847, 1e-4);
  EXPECT_NEAR(drop("1n4148", 1e-2), 0.6942, 1e-4);
  // 1N34A: no agreed set exists (published ones differ tenfold); not tighter than 50 mV.
  EXPECT_NEAR(drop("1n34a", 1e-4), 0.2097, 0.05);
  EXPECT_NEAR(drop("1n34a", 1e-3), 0.2934, 0.05);
  EXPECT_NEAR(drop("1n34a", 1e-2), 0.4338, 0.05);
}

// Cathode follower with mu 17, rp 7.7 kohm: A = mu Rk / (rp + (mu + 1) Rk), Zo = rp / (mu + 1) ||
// Rk (form of Zo: a maker's user guide,
// manualshelf.com/manual/aopen/tube/user-guide-english/page-12.html; values computed from the
// formulas). The circuit: a linear triode, gm = mu / rp.
TEST(CathodeFollower, GainAndOutputResistanceOfTheFormulas) {
  const struct {
    double rk, gain, zo;
  } rows[] = {{1e3, 0.6615, 299.6}, {10e3, 0.9057, 410.2}, {47e3, 0.9359, 423.9}};
  for (const auto& row : rows) {
    Changes c;
    c.parameters["rk"] = row.rk;
    c.sources = {{"vg", 1.0}, {"it", 0.0}};
    const std::string cards =
        ".param rk=1k\nVg g 0 0\nGm 0 k g k {17/7700}\nRp k 0 7700\nRk k 0 {rk}\nIt 0 k 0\n";
    EXPECT_NEAR(solve(cards, "k", c), row.gain, 1e-4);
    c.sources = {{"vg", 0.0}, {"it", 1e-3}};
    EXPECT_NEAR(solve(cards, "k", c) / 1e-3, row.zo, 0.1);
  }
}

// IEC 60063: E96 is round(10^(i/96)) to three digits (the rule: from memory for E96; it was
// recomputed for the whole series). 96 values a decade, neighbours 1.5 to 3.1 % apart.
TEST(E96, SeriesFollowsTheRule) {
  std::set<long> values;
  for (int i = 0; i < 96; ++i) {
    const double v = step_e96(Ohms{1000.0}, i).value;
    EXPECT_NEAR(v, std::round(100 * std::pow(10.0, i / 96.0)) * 10, 1e-6);
    values.insert(std::lround(v));
    EXPECT_NEAR(nearest_e96(Ohms{v * 1.004}).value, v, 1e-6);
  }
  EXPECT_EQ(values.size(), 96u);
  for (long v : {1000, 1020, 1050, 1070, 1100, 2740, 7150, 7320, 9760})
    EXPECT_TRUE(values.count(v)) << v;
  EXPECT_NEAR(step_e96(Ohms{976e3}, 1).value, 1e6, 1e-3);
}

// Johnson noise, v = sqrt(4 k T R B), over an RC's noise bandwidth 1 / (4 R C) is sqrt(k T / C)
// whatever R is.
TEST(FrontEnd, ThermalNoiseIsJohnsonsFormula) {
  const FrontEnd f = design_front_end({}).take();
  const double c = 10e-12 + 5e-12 + f.c_ground.value, r = 1.0 / (1e-6 + 1.0 / f.thevenin.value);
  const double johnson = std::sqrt(4 * 1.380649e-23 * 300 * r * (1 / (4 * r * c)));
  EXPECT_NEAR(f.noise.value * f.ratio, johnson, 1e-9);
  EXPECT_LT(f.noise.value, 0.01 * f.per_count.value);
}

// Common practice, no source: a two-diode OR into a cathode follower on 24 V, cathode resistor
// 220 kohm, plate through 100 ohm, inputs from 24 V through 33 kohm, sits at about 1.5 V low and
// 22.5 to 23 V high, one input high. Predicted with two published triode sets and a stated grid
// leak.
double or_follower(const std::string& tube, double leak, bool high) {
  Changes c;
  c.parameters["leak"] = leak;
  c.sources["va"] = high ? 24 : 0;
  return solve(
      ".param leak=1meg\nVs s 0 24\nVa a0 0 0\nRa a0 a 33k\nVb b0 0 0\nRb b0 b 33k\nD1 a g "
      "1n4148\nD2 b g 1n4148\n"
      "Rleak g 0 {leak}\nRp s p 100\nX1 p g k " +
          tube + "\nRk k 0 220k\n",
      "k", c);
}

TEST(OrFollower, SitsWhereBuildersFindIt) {
  for (const char* tube : {"6dj8", "ecc88"}) {
    EXPECT_NEAR(or_follower(tube, 1e6, false), 1.5, 0.5) << tube;
    EXPECT_NEAR(or_follower(tube, 1e6, true), 22.75, 0.5) << tube;
  }
  // The same circuit computed by independent trials: 1.26 and 1.70 V low; 22.5 and 22.7 V high.
  EXPECT_NEAR(or_follower("6dj8", 1e6, false), 1.26, 0.05);
  EXPECT_NEAR(or_follower("6dj8", 1e6, true), 22.5, 0.15);
  EXPECT_NEAR(or_follower("ecc88", 1e6, false), 1.70, 0.05);
  EXPECT_NEAR(or_follower("ecc88", 1e6, true), 22.7, 0.15);
}

// By the same trials 20.9 V at 220 kohm and 22.9 V at 2.2 Mohm.
TEST(OrFollower, TheHighDependsOnTheGridLeakTheLowDoesNot) {
  EXPECT_NEAR(or_follower("ecc88", 220e3, true), 20.9, 0.2);
  EXPECT_NEAR(or_follower("ecc88", 2.2e6, true), 22.9, 0.15);
  EXPECT_GT(or_follower("ecc88", 2.2e6, true), or_follower("ecc88", 220e3, true) + 1.5);
  EXPECT_NEAR(or_follower("ecc88", 220e3, false), or_follower("ecc88", 2.2e6, false), 0.05);
}

// Common practice, no source: a tube of about 2.5 kohm inside over 220 kohm loses about 1 %.
TEST(Divider, TubeOverCathodeResistorLosesOnePercent) {
  EXPECT_NEAR(solve("V1 a 0 24\nR1 a b 2.5k\nR2 b 0 220k\n", "b") / 24, 0.99, 0.002);
}

// Tungsten: resistivity over that at 300 K, Forsythe & Worthing 1925 (as quoted in a secondary
// copy). The pre-charge netlist's (T/300)^1.2 follows within 6 % where heaters are.
TEST(Tungsten, PowerLawFollowsTheTable) {
  const struct {
    double kelvin, ratio;
  } rows[] = {{1000, 4.412}, {1200, 5.483}, {1400, 6.582}, {1500, 7.143}, {1600, 7.708}};
  for (const auto& row : rows)
    EXPECT_NEAR(std::pow(row.kelvin / 300, 1.2) / row.ratio, 1.0, 0.06) << row.kelvin;
}

}  // namespace
}  // namespace tenterhook::predict
