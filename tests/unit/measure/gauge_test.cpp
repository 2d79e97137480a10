#include <gtest/gtest.h>

#include <random>

#include "host/measure/gauge.h"

namespace tenterhook::measure {
namespace {

TEST(Gauge, FindsTheVariancesThatMadeTheReadings) {
  std::mt19937 draws(3);
  std::normal_distribution<double> bell;
  constexpr int kParts = 60, kMakings = 30, kTrials = 4;
  std::vector<double> making(kMakings);
  for (double& m : making) m = 0.03 * bell(draws);
  std::vector<std::vector<std::vector<double>>> v(kParts);
  for (auto& part : v) {
    const double level = 2.0 * bell(draws);
    for (int j = 0; j < kMakings; ++j) {
      part.emplace_back();
      for (int t = 0; t < kTrials; ++t) part.back().push_back(level + making[static_cast<std::size_t>(j)] + 0.01 * bell(draws));
    }
  }
  const auto g = gauge_study(v);
  ASSERT_TRUE(g.ok());
  EXPECT_NEAR(g->repeatability.value, 0.01, 0.0005);
  EXPECT_NEAR(g->reproducibility.value, 0.03, 0.010);
  EXPECT_NEAR(g->parts.value, 2.0, 0.5);
  EXPECT_NEAR(g->percent, 100.0 * g->both.value / std::hypot(g->both.value, g->parts.value), 0.01);
}

// By hand: two parts, two makings, two trials; only the trials differ, by +-1: within-variance 2.
TEST(Gauge, TrialsAloneAreRepeatability) {
  const auto g = gauge_study({{{9.0, 11.0}, {11.0, 9.0}}, {{19.0, 21.0}, {21.0, 19.0}}});
  ASSERT_TRUE(g.ok());
  EXPECT_NEAR(g->repeatability.value, std::sqrt(2.0), 1e-12);
  EXPECT_EQ(g->reproducibility.value, 0.0);
  EXPECT_NEAR(g->parts.value, std::sqrt(50.0), 0.1);
}

TEST(Gauge, NeedsTwoOfEach) { EXPECT_FALSE(gauge_study({{{1.0, 2.0}, {1.0, 2.0}}}).ok()); }

}  // namespace
}  // namespace tenterhook::measure
