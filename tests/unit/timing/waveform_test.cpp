// What the measures do with noise, with unequal levels, with windows that are too short, and with a lag.
#include "host/timing/waveform.h"

#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <random>

namespace tenterhook::timing {
namespace {

Waveform sampled(const std::function<double(double)>& f, double from, double to, double step, double noise = 0.0, int seed = 1) {
  std::mt19937 random(static_cast<unsigned>(seed));
  std::normal_distribution<> draw(0.0, 1.0);
  Waveform w;
  for (double t = from; t <= to; t += step) {
    w.t_s.push_back(t);
    w.v.push_back(f(t) + noise * draw(random));
  }
  w.u_v = noise;
  return w;
}

double exponential(double t, double tau) { return t < 0.0 ? 5.0 : 24.5 - 19.5 * std::exp(-t / tau); }

TEST(Edge, StaysInsideItsUncertaintyUnderNoise) {
  constexpr double kTau = 1e-6;
  int inside = 0;
  for (int seed = 0; seed < 200; ++seed) {
    auto m = measure_edge(sampled([&](double t) { return exponential(t, kTau); }, -3e-6, 9e-6, 125e-9, 0.05, seed));
    ASSERT_TRUE(m.ok()) << m.error().text();
    inside += std::fabs(m->transition_s - kLn9 * kTau) < 2.0 * m->u_transition_s;
    EXPECT_NEAR(m->transition_s, kLn9 * kTau, 0.1 * kLn9 * kTau);
    EXPECT_NEAR(m->at_50.t_s, std::log(2.0) * kTau, 0.05e-6);
  }
  EXPECT_GE(inside, 180);  // of 200 at 95 %
}

TEST(Edge, FallsAsItRises) {
  auto m = measure_edge(sampled([](double t) { return 29.5 - exponential(t, 2e-6); }, -5e-6, 20e-6, 100e-9));
  ASSERT_TRUE(m.ok());
  EXPECT_FALSE(m->rising);
  EXPECT_NEAR(m->transition_s, kLn9 * 2e-6, 0.02e-6);
}

TEST(Edge, CountsHowOftenItCrossesTheMiddle) {
  auto ringing = [](double t) { return t < 0.0 ? 0.0 : 10.0 * (1.0 - std::exp(-t / 8e-6) * std::cos(t * 2e6)); };
  auto m = measure_edge(sampled(ringing, -5e-6, 80e-6, 50e-9), Levels{0.0, 10.0, 0.0, 0.0});
  ASSERT_TRUE(m.ok());
  EXPECT_GT(m->crossings, 1);
  EXPECT_NEAR(m->overshoot_percent, 100.0 * std::exp(-M_PI / 2e6 / 8e-6), 3.0);
}

TEST(Edge, SaysWhenThereIsNone) {
  EXPECT_FALSE(measure_edge(sampled([](double) { return 5.0; }, 0.0, 1.0, 0.01, 0.05)).ok());
  EXPECT_FALSE(measure_edge(sampled([](double t) { return exponential(t, 1.0); }, 0.05, 0.4, 0.01), Levels{5.0, 24.5, 0.0, 0.0}).ok());
  EXPECT_FALSE(measure_edge(Waveform{{0, 1}, {0, 1}, 0.0, 0.0}).ok());
}

TEST(Edge, ThatNoSampleResolvesIsToldAsSuch) {
  auto m = measure_edge(sampled([](double t) { return t < 0.31e-6 ? 0.0 : 12.0; }, -3e-6, 3e-6, 125e-9));
  ASSERT_TRUE(m.ok());
  EXPECT_LT(m->samples_inside, kInsideLeast);
  EXPECT_GE(m->at_50.u_s, 20e-9);  // it may lie anywhere between two samples
}

TEST(OwnTransition, IsLn9OfTheTimeConstant) {
  EXPECT_NEAR(own_transition_s(350e3), 1.0e-6, 0.002e-6);
}

}  // namespace
}  // namespace tenterhook::timing
