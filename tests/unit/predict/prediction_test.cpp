// Predictions against circuits whose answer is known by hand.
#include "host/predict/prediction.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

namespace tenterhook::predict {
namespace {

Netlist parse(const std::string& cards) {
  auto n = Netlist::parse("t.cir", "t\n" + cards);
  EXPECT_TRUE(n.ok()) << (n ? "" : n.error().text());
  return n.take();
}

Varied factor(const std::string& name, double reach) {
  Varied v;
  v.what = Varied::What::factor;
  v.name = name;
  v.nominal = 1.0;
  v.reach = reach;
  return v;
}

// A 10 V input over two equal resistors within 5 %: y = 10 r2 / (r1 + r2).
Question divider(int samples) {
  Settings s;
  s.name = "divider";
  s.inputs = {{"A", "va", Volts{0}, Volts{10}, -1, -1, Volts{0}, Volts{10}}};
  s.outputs = {{"Y", "y"}};
  s.varied = {factor("r1", 0.05), factor("r2", 0.05)};
  s.needs.low = files::Window{Volts{-1}, Volts{2}};
  s.needs.high = files::Window{Volts{4}, Volts{6}};
  s.samples = samples;
  return {s, parse("Va a 0 0\nR1 a y 10k\nR2 y 0 10k\n")};
}

TEST(Prediction, DividerHasTheLevelsAndTheSpreadOfArithmetic) {
  Simulator sim;
  auto p = predict(divider(500), sim);
  ASSERT_TRUE(p.ok()) << p.error().text();
  const OutputPrediction& y = p->outputs[0];
  ASSERT_EQ(y.states.size(), 2u);
  const Levels& one = y.states[1];
  EXPECT_TRUE(one.high);
  EXPECT_NEAR(one.nominal, 5.0, 1e-9);
  // Both resistors uniform within 5 %: s = 10/4 * sqrt(2) * 0.05/sqrt(3).
  EXPECT_NEAR(one.deviation, 2.5 * std::sqrt(2.0) * 0.05 / std::sqrt(3.0),
              0.01);  // 3 standard errors at 500
  EXPECT_NEAR(one.worst_from, 10 * 0.95 / 2.0, 1e-6);
  EXPECT_NEAR(one.worst_to, 10 * 1.05 / 2.0, 1e-6);
  EXPECT_GE(one.from, one.worst_from - 1e-9);
  EXPECT_LE(one.to, one.worst_to + 1e-9);
  EXPECT_NEAR(one.from, 4.76, 0.02);
  ASSERT_TRUE(y.margin_high.has_value());
  EXPECT_NEAR(*y.margin_high, one.from - 4.0, 1e-9);
  EXPECT_NEAR(*y.margin_low, std::min(2.0 - y.low->to, y.low->from + 1.0), 1e-9);
  EXPECT_EQ(y.wrong, 0);
  // From limit to limit: 10 * (1.05/2.05 - 0.95/1.95).
  EXPECT_NEAR(std::fabs(y.sensitivities[0].high_volts), 0.2502, 0.0002);
  EXPECT_THAT(p->families, testing::HasSubstr("high: [4.7 V, 5.8 V]"));
}

// A window's inner end holds a share of the specimens, its outer end the worst case; and it holds what the
// bench shows, where only the parts differ.
TEST(Prediction, WindowsHoldTheBenchAndTheBandIsNarrower) {
  Simulator sim;
  Question q = divider(500);
  q.settings.inputs[0].high_varied = 2;  // 9 to 11 V
  q.settings.varied.push_back({Varied::What::input, "A high", 10.0, 1.0, false, 2.0});
  q.settings.inputs[0].bench_high = Volts{12.0};
  auto p = predict(q, sim);
  ASSERT_TRUE(p.ok()) << p.error().text();
  const OutputPrediction& y = p->outputs[0];
  ASSERT_TRUE(y.bench_high.has_value());
  // 12 V over two resistors within 5 %: 6 V +- 5 %, and the central 99 % inside that.
  EXPECT_GT(y.bench_high->from, 5.70);
  EXPECT_LT(y.bench_high->to, 6.30);
  EXPECT_NEAR(y.bench_high->from, 5.72, 0.03);
  const files::Family& f = p->family;
  ASSERT_TRUE(f.gives.high && f.predicted.levels.high);
  EXPECT_LE(f.gives.high->min, Volts{y.high->from});
  EXPECT_GT(f.gives.high->min, Volts{y.high->worst_from - 0.1});  // a share of the specimens, not the worst
  EXPECT_GE(f.gives.high->max, Volts{y.bench_high->max});
  EXPECT_LT(f.predicted.levels.high->max - f.predicted.levels.high->min, f.gives.high->max - f.gives.high->min);
  EXPECT_THAT(p->families, testing::HasSubstr("high: [5.7 V, 6.3 V]}\n"));
}

TEST(Prediction, SameSeedSameAnswerOtherSeedOther) {
  Simulator sim;
  Question q = divider(40);
  auto a = predict(q, sim), b = predict(q, sim);
  q.settings.seed = 2;
  auto c = predict(q, sim);
  EXPECT_EQ(a->outputs[0].states[1].mean, b->outputs[0].states[1].mean);
  EXPECT_NE(a->outputs[0].states[1].min, c->outputs[0].states[1].min);
}

TEST(Prediction, SpecimensOnTheWrongSideAreCounted) {
  Simulator sim;
  Question q = divider(100);
  q.settings.needs = {files::Window{Volts{-1}, Volts{4.9}},
                      files::Window{Volts{5.05}, Volts{9}}};  // 4.975 V decides
  auto p = predict(q, sim);
  ASSERT_TRUE(p.ok());
  EXPECT_GT(p->outputs[0].wrong, 10);
  EXPECT_LT(*p->outputs[0].margin_high, 0.0);
}

// The quantity that dominates stands first: y follows r2 only through the tiny rbig.
TEST(Prediction, SensitivitiesAreOrdered) {
  Settings s;
  s.name = "order";
  s.inputs = {{"A", "va", Volts{0}, Volts{10}, -1, -1, Volts{0}, Volts{10}}};
  s.outputs = {{"Y", "y"}};
  s.varied = {factor("r3", 0.05), factor("r1", 0.05)};
  s.samples = 10;
  Simulator sim;
  auto p = predict({s, parse("Va a 0 0\nR1 a y 10k\nR2 y 0 10k\nR3 y 0 10meg\n")}, sim);
  ASSERT_TRUE(p.ok());
  EXPECT_EQ(p->outputs[0].sensitivities[0].quantity, "r1");
  EXPECT_GT(std::fabs(p->outputs[0].sensitivities[0].high_volts),
            100 * std::fabs(p->outputs[0].sensitivities[1].high_volts));
}

TEST(Prediction, WorstCaseIsNeverInsideTheSpecimens) {
  Simulator sim;
  auto p = predict(divider(300), sim);
  ASSERT_TRUE(p.ok());
  for (const Levels& l : p->outputs[0].states) {
    EXPECT_LE(l.worst_from, l.min + 1e-9);
    EXPECT_GE(l.worst_to, l.max - 1e-9);
  }
}

// One pole of 1 us: 10-90 % in 2.197 us, half after 0.693 us, both edges alike.
TEST(Prediction, EdgesOfAnRcAreThoseOfTheExponential) {
  Settings s;
  s.name = "rc";
  s.inputs = {{"A", "va", Volts{0}, Volts{10}, -1, -1, Volts{0}, Volts{10}}};
  s.outputs = {{"Y", "y"}};
  EdgeSettings e;
  e.input = "A";
  e.ramp = Seconds{1e-9};
  e.hold = Seconds{20e-6};
  e.samples = 2;
  s.edges = e;
  s.samples = 2;
  Simulator sim;
  auto p = predict({s, parse("Va a 0 0\nR1 a y 1k\nC1 y 0 1n\nR2 y 0 1g\n")}, sim);
  ASSERT_TRUE(p.ok()) << p.error().text();
  ASSERT_EQ(p->edges.size(), 1u);
  const Edges& edge = p->edges[0];
  EXPECT_EQ(edge.state, "*");
  EXPECT_FALSE(edge.inverts);
  for (double t : {edge.rise.nominal, edge.fall.nominal}) EXPECT_NEAR(t, 2.197e-6, 0.02e-6);
  for (double t : {edge.delay_rise.nominal, edge.delay_fall.nominal})
    EXPECT_NEAR(t, 0.693e-6, 0.02e-6);
  EXPECT_NEAR(edge.toggle_hertz, 1.0 / (2 * 2.303e-6), 3e3);
}

// Receivers drawing 1 mA from 1 kohm move a high by 1 V each.
TEST(Prediction, FanOutSagsByOhmsLaw) {
  Settings s;
  s.name = "fan";
  s.inputs = {{"A", "va", Volts{0}, Volts{20}}};
  s.outputs = {{"Y", "y"}};
  s.needs = {files::Window{Volts{-1}, Volts{5}}, files::Window{Volts{15}, Volts{30}}};
  s.fan_out = FanOut{Amps{0}, Amps{1e-3}};
  s.samples = 3;
  Simulator sim;
  auto p = predict({s, parse("Va a 0 0\nR1 a y 1k\nR2 y 0 1g\n")}, sim);
  ASSERT_TRUE(p.ok());
  const auto& f = p->outputs[0].fan_out;
  ASSERT_EQ(f.size(), 9u);
  EXPECT_NEAR(f[4].high, 16.0, 1e-3);
  EXPECT_NEAR(f[4].margin_high, 1.0, 1e-3);
  EXPECT_LT(f[6].margin_high, 0.0);
}

TEST(Prediction, ASpecimenWithoutSolutionIsNamed) {
  Settings s;
  s.name = "bad";
  s.inputs = {{"A", "va", Volts{0}, Volts{1}}};
  s.outputs = {{"Y", "b"}};
  s.samples = 1;
  Simulator sim;
  auto p =
      predict({s, parse("Va a 0 1\nR1 a b 1\nB1 b 0 I=exp(40*abs(v(b)))+5\nR2 b 0 1meg\n")}, sim);
  ASSERT_FALSE(p.ok());
  EXPECT_THAT(p.error().text(), testing::HasSubstr("t.cir, inputs 0"));
}

TEST(Prediction, TheOrGateOfTheDemoKeepsItsFamily) {
  auto q = read_question("fixtures/emulated/spice/or-follower.yaml");
  ASSERT_TRUE(q.ok()) << q.error().text();
  q->settings.samples = 100;
  q->settings.edges->samples = 3;
  Simulator sim;
  auto p = predict(*q, sim);
  ASSERT_TRUE(p.ok()) << p.error().text();
  const OutputPrediction& y = p->outputs[0];
  EXPECT_FALSE(y.states[0].high);
  for (int i : {1, 2, 3}) EXPECT_TRUE(y.states[i].high);
  EXPECT_GT(*y.margin_low, 0.0);
  EXPECT_GT(*y.margin_high, 3.0);
  EXPECT_EQ(y.wrong, 0);
}

}  // namespace
}  // namespace tenterhook::predict
