// The emulated boards' table of builds against ngspice runs of the gates it stands for: levels
// within 5 % of the swing, edges within 10 %.
#include <gtest/gtest.h>

#include <cmath>

#include "fixtures/emulated/boards/builds.h"
#include "host/predict/prediction.h"

namespace tenterhook::predict {
namespace {

constexpr double kLowVolts = 5.0, kHighVolts = 24.6;  // what one gate of the set gives the next

Result<Prediction> nominal(const std::string& gate) {
  auto q = read_question("fixtures/emulated/spice/" + gate + ".yaml");
  if (!q) return q.error();
  Settings& s = q->settings;
  s.samples = 1;
  s.edges->samples = 1;
  s.varied.clear();
  for (Input& i : s.inputs) {
    i.low = Volts{kLowVolts};
    i.high = Volts{kHighVolts};
    i.low_varied = i.high_varied = -1;
  }
  Simulator simulator;
  return predict(*q, simulator);
}

TEST(GateSet, InverterLevelsAndEdges) {
  const emulated::Build* b = emulated::find_build("triode-inverter");
  ASSERT_NE(b, nullptr);
  auto p = nominal("triode-inverter");
  ASSERT_TRUE(p.ok()) << p.error().text();
  const double swing = b->high_v - b->low_v;
  EXPECT_NEAR(p->outputs[0].states[0].nominal, b->high_v, 0.05 * swing);
  EXPECT_NEAR(p->outputs[0].states[1].nominal, b->low_v, 0.05 * swing);
  ASSERT_EQ(p->edges.size(), 1u);
  EXPECT_NEAR(p->edges[0].rise.nominal, b->rise_s, 0.10 * b->rise_s);
  EXPECT_NEAR(p->edges[0].fall.nominal, b->fall_s, 0.10 * b->fall_s);
}

TEST(GateSet, InverterSwitchesWhereTheTableSays) {
  const emulated::Build* b = emulated::find_build("triode-inverter");
  auto q = read_question("fixtures/emulated/spice/triode-inverter.yaml");
  ASSERT_TRUE(q.ok());
  Simulator simulator;
  const auto out = [&](double in) {
    Changes c;
    c.sources["va"] = in;
    auto flat = q->netlist.flatten(c);
    auto r = simulator.solve(*flat, {"y"}, "op");
    return r ? r->vectors[0][0] : NAN;
  };
  // The switching point gives back its own voltage; VIL and VIH are where the slope is -1.
  double at = 5.0, vil = 0.0, vih = 0.0;
  while (at < 20.0 && out(at) > at) at += 0.05;
  EXPECT_NEAR(at, b->vsw_v, 0.05 * b->vsw_v);
  for (double v = 5.0; v < 20.0; v += 0.1) {
    const bool steep = out(v + 0.05) - out(v - 0.05) < -0.1;
    if (steep && vil == 0.0) vil = v;
    if (steep) vih = v;
  }
  EXPECT_NEAR(vil, b->vil_v, 1.0);
  EXPECT_NEAR(vih, b->vih_v, 1.0);
  EXPECT_GT(vih, vil);
}

TEST(GateSet, InverterOutputResistance) {
  const emulated::Build* b = emulated::find_build("triode-inverter");
  auto q = read_question("fixtures/emulated/spice/triode-inverter.yaml");
  ASSERT_TRUE(q.ok());
  Simulator simulator;
  const auto out = [&](double in, double amps) {
    Changes c;
    c.sources["va"] = in;
    c.cards = {"iload y 0 dc " + std::to_string(amps)};
    auto flat = q->netlist.flatten(c);
    auto r = simulator.solve(*flat, {"y"}, "op");
    return r ? r->vectors[0][0] : NAN;
  };
  const double amps = 1e-4;
  EXPECT_NEAR((out(kLowVolts, 0) - out(kLowVolts, amps)) / amps / b->high_ohms, 1.0, 0.35);
  EXPECT_NEAR((out(kHighVolts, 0) - out(kHighVolts, amps)) / amps / b->low_ohms, 1.0, 0.35);
}

TEST(GateSet, OrFollowerShiftsAndEdges) {
  const emulated::Build* b = emulated::find_build("cathode-follower");
  ASSERT_NE(b, nullptr);
  auto p = nominal("or-follower");
  ASSERT_TRUE(p.ok()) << p.error().text();
  EXPECT_NEAR(p->outputs[0].states[0].nominal - kLowVolts, 0.6, 0.15);
  EXPECT_NEAR(p->outputs[0].states[1].nominal - kHighVolts, -0.5, 0.15);
  ASSERT_EQ(p->edges.size(), 1u);
  EXPECT_NEAR(p->edges[0].rise.nominal, b->rise_s, 0.10 * b->rise_s);
  EXPECT_NEAR(p->edges[0].fall.nominal, b->fall_s, 0.10 * b->fall_s);
}

TEST(GateSet, LatchLevelsAndDelay) {
  const emulated::Build* b = emulated::find_build("triode-latch");
  ASSERT_NE(b, nullptr);
  auto p = nominal("triode-latch");
  ASSERT_TRUE(p.ok()) << p.error().text();
  const double swing = b->high_v - b->low_v;
  for (int output : {0, 1}) {
    EXPECT_NEAR(p->outputs[output].states[output == 0 ? 1 : 0].nominal, b->high_v, 0.05 * swing);
    EXPECT_NEAR(p->outputs[output].states[output == 0 ? 0 : 1].nominal, b->low_v, 0.05 * swing);
  }
  // Data to output of an open latch: 2 to 4.6 us by edge and output; the table keeps one delay.
  ASSERT_EQ(p->edges.size(), 2u);
  double sum = 0.0;
  for (const Edges& e : p->edges) {
    for (double t : {e.delay_rise.nominal, e.delay_fall.nominal}) {
      EXPECT_GT(t, 1.9e-6);
      EXPECT_LT(t, 4.7e-6);
      sum += t / 4;
    }
  }
  EXPECT_NEAR(sum, b->clock_to_output_s, 0.15 * b->clock_to_output_s);
}

// Master and slave: takes data at the rising clock edge only, holds it at the falling one.
TEST(GateSet, FlipFlopTakesDataAtTheRisingEdge) {
  auto n = Netlist::read("fixtures/emulated/spice/triode-flip-flop.cir");
  ASSERT_TRUE(n.ok()) << n.error().text();
  Simulator simulator;
  auto r = simulator.solve(*n->flatten(), {"q", "qn", "ck"});
  ASSERT_TRUE(r.ok()) << r.error().text();
  const auto at = [&](std::size_t vector, double t) {
    std::size_t i = 0;
    while (i + 1 < r->scale.size() && r->scale[i] < t) ++i;
    return r->vectors[vector][i];
  };
  const struct {
    double t;
    bool q;
  } points[] = {{20e-6, false}, {38e-6, false}, {52e-6, true},
                {78e-6, true},  {92e-6, false}, {115e-6, false}};
  for (const auto& point : points) {
    EXPECT_EQ(at(0, point.t) > 14.8, point.q) << point.t;
    EXPECT_EQ(at(1, point.t) > 14.8, !point.q) << point.t;
  }
  const auto crossing = [&](double from, bool rising) {
    for (std::size_t i = 1; i < r->scale.size(); ++i) {
      if (r->scale[i] > from && (r->vectors[0][i] > 14.8) == rising) return r->scale[i];
    }
    return 1.0;
  };
  const double rise = crossing(40.25e-6, true) - 40.25e-6,
               fall = crossing(80.25e-6, false) - 80.25e-6;
  const emulated::Build* b = emulated::find_build("triode-latch");
  EXPECT_NEAR((rise + fall) / 2, b->clock_to_output_s, 0.15 * b->clock_to_output_s);
  EXPECT_LT(rise, 4.7e-6);
  EXPECT_GT(fall, 1.9e-6);
}

}  // namespace
}  // namespace tenterhook::predict
