// Specimens: one point a slice, the right distribution, the same points for the same seed.
#include "host/predict/sampling.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

namespace tenterhook::predict {
namespace {

TEST(LatinHypercube, EverySliceOfEveryDimensionHoldsOnePoint) {
  const auto points = latin_hypercube(200, 7, 3);
  for (int d = 0; d < 7; ++d) {
    std::vector<int> seen(200, 0);
    for (const auto& p : points) ++seen[static_cast<std::size_t>(p[d] * 200)];
    EXPECT_EQ(*std::min_element(seen.begin(), seen.end()), 1);
    EXPECT_EQ(*std::max_element(seen.begin(), seen.end()), 1);
  }
}

TEST(LatinHypercube, DimensionsAreNotCorrelated) {
  const auto points = latin_hypercube(1000, 2, 5);
  double sum = 0.0;
  for (const auto& p : points) sum += (p[0] - 0.5) * (p[1] - 0.5);
  EXPECT_LT(std::fabs(sum / 1000 * 12), 0.1);  // 3 standard errors of a correlation
}

TEST(LatinHypercube, SeedDecides) {
  EXPECT_EQ(latin_hypercube(50, 3, 9), latin_hypercube(50, 3, 9));
  EXPECT_NE(latin_hypercube(50, 3, 9), latin_hypercube(50, 3, 10));
}

// The mean of a product of coordinates over the cube is (1/2)^5; plain random points would err by
// 5.6 % at 1,024 (the product's relative deviation, 1.79, over 32); Sobol's must stay below 2 %.
TEST(Sobol, IntegratesAProductClosely) {
  auto points = sobol(1024, 5, 1);
  ASSERT_TRUE(points.ok());
  double sum = 0.0;
  for (const auto& p : *points) sum += p[0] * p[1] * p[2] * p[3] * p[4];
  EXPECT_NEAR(sum / 1024, 1.0 / 32, 0.02 / 32);
}

TEST(Sobol, TooManyDimensionsAreAnError) {
  EXPECT_FALSE(sobol(10, 41, 1).ok());
}

TEST(Varied, NormalIsCutAtItsClipAndKeepsItsSpread) {
  Varied v;
  v.nominal = -0.12;
  v.reach = 0.175;
  v.normal = true;
  v.clip = 2.0;
  double sum = 0.0, squares = 0.0;
  const int n = 10000;
  for (int i = 0; i < n; ++i) {
    const double x = value_at(v, (i + 0.5) / n);
    EXPECT_LE(std::fabs(x + 0.12), 0.35 + 1e-9);
    sum += x + 0.12;
    squares += (x + 0.12) * (x + 0.12);
  }
  EXPECT_NEAR(sum / n, 0.0, 1e-9);
  // Standard deviation of a normal cut at +-2: sqrt(1 - 4 phi(2) / (2 Phi(2) - 1)) = 0.87963.
  EXPECT_NEAR(std::sqrt(squares / n) / 0.175, 0.87963, 2e-4);
}

TEST(Varied, UniformFillsItsReach) {
  Varied v;
  v.nominal = 30;
  v.reach = 1.5;
  EXPECT_NEAR(value_at(v, 1e-9), 28.5, 1e-6);
  EXPECT_NEAR(value_at(v, 0.5), 30, 1e-12);
}

}  // namespace
}  // namespace tenterhook::predict
