#include "host/power/drift.h"

#include <gtest/gtest.h>

#include <cmath>

namespace tenterhook::power {
namespace {

constexpr double kEvery = 0.5;

// When the watch calls an exponential steady: first look at which the window is covered and moved less than drift.
double steady_at(double start, double end, double tau, double drift, double hold, double at_most) {
  DriftWatch watch(Seconds{hold});
  for (double t = 0.0; t <= at_most; t += kEvery) {
    watch.add(Seconds{t}, {{0, end + (start - end) * std::exp(-t / tau)}, {1, 5.0}});
    if (watch.covers_window() && watch.most_moved().second < drift) return t;
  }
  return -1.0;
}

// The true criterion: |start - end| (e^(-(t - hold) / tau) - e^(-t / tau)) = drift, so
// t = tau ln(|start - end| (e^(hold / tau) - 1) / drift).
TEST(Drift, ExponentialIsSteadyWithinOneReadingOfTheTrueCriterion) {
  for (const double tau : {0.7, 2.0, 6.0, 15.0}) {
    for (const double from : {-9.0, 0.0, 24.0}) {
      const double end = 24.6, drift = 0.05, hold = 5.0;
      const double truth = std::max(hold, tau * std::log(std::fabs(from - end) * (std::exp(hold / tau) - 1.0) / drift));
      const double seen = steady_at(from, end, tau, drift, hold, 300.0);
      EXPECT_GE(seen, truth - 1e-9) << "tau " << tau << " from " << from;
      EXPECT_LE(seen, truth + kEvery + 1e-9) << "tau " << tau << " from " << from;
    }
  }
}

TEST(Drift, BoardThatNeverSettlesIsNeverSteady) {
  DriftWatch watch(Seconds{5.0});
  for (int i = 0; i < 500; ++i) {
    watch.add(Seconds{i * kEvery}, {{0, 5.0 + 0.06 * (i % 2)}});
    EXPECT_FALSE(watch.covers_window() && watch.most_moved().second < 0.05);
  }
  EXPECT_EQ(watch.most_moved().first, 0);
}

TEST(Drift, NothingIsSteadyBeforeTheWindowIsCovered) {
  DriftWatch watch(Seconds{5.0});
  for (int i = 0; i < 10; ++i) {
    watch.add(Seconds{i * kEvery}, {{0, 1.0}});
    EXPECT_FALSE(watch.covers_window()) << i;
  }
  watch.add(Seconds{5.0}, {{0, 1.0}});
  EXPECT_TRUE(watch.covers_window());
}

TEST(Drift, NamesTheLineThatMoved) {
  DriftWatch watch(Seconds{1.0});
  watch.add(Seconds{0.0}, {{3, 1.0}, {7, 2.0}});
  watch.add(Seconds{1.0}, {{3, 1.1}, {7, 1.5}});
  EXPECT_EQ(watch.most_moved().first, 7);
  EXPECT_NEAR(watch.most_moved().second, 0.5, 1e-12);
}

}  // namespace
}  // namespace tenterhook::power
