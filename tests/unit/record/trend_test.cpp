#include "host/record/trend.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace tenterhook::record {
namespace {

// Synthetic histories of a high that must stay above 22 V: one run every few days.
struct History {
  double start_v = 25.0;
  double volts_a_day = 0.0;
  double noise_v = 0.05;
  int runs = 20;
  double step_v = 0.0;  // added from run step_at on
  int step_at = 1000;
};

std::vector<TrendPoint> make(const History& h, std::mt19937_64& random) {
  std::normal_distribution<double> noise(0.0, h.noise_v);
  std::uniform_real_distribution<double> gap(3.0, 11.0);
  std::vector<TrendPoint> points;
  double day = 0.0;
  for (int i = 0; i < h.runs; ++i) {
    const double step = i >= h.step_at ? h.step_v : 0.0;
    points.push_back({i + 1, day, h.start_v + h.volts_a_day * day + step + noise(random)});
    day += gap(random);
  }
  return points;
}

Trend assess(const std::vector<TrendPoint>& points, const std::vector<Restart>& restarts = {}) {
  return assess_trend(points, 22.0, true, restarts);
}

constexpr int kHistories = 1000;

TEST(Trend, KnownCrossingLiesInsideTheIntervalIn93To97OfAHundred) {
  std::mt19937_64 random(20261125);
  int inside = 0, told = 0;
  for (int i = 0; i < kHistories; ++i) {
    History h;
    h.volts_a_day = -0.006;
    h.runs = 12 + i % 30;
    const std::vector<TrendPoint> points = make(h, random);
    const Trend trend = assess(points);
    if (trend.state != TrendState::to_limit || !trend.reaches) continue;
    ++told;
    const double truth = (22.0 - h.start_v) / h.volts_a_day - points.back().x;
    if (truth >= trend.reaches->low && truth <= trend.reaches->high) ++inside;
  }
  EXPECT_GT(told, 950);
  EXPECT_GE(inside, 0.93 * told) << inside << " of " << told;
  EXPECT_LE(inside, 0.97 * told) << inside << " of " << told;
}

TEST(Trend, SteadyBoardsRaiseFewerThanOneFalseAlarmInAHundred) {
  std::mt19937_64 random(7);
  int alarms = 0;
  for (int i = 0; i < kHistories; ++i) {
    History h;
    h.runs = 8 + i % 40;
    const Trend trend = assess(make(h, random));
    const bool drift = trend.state == TrendState::to_limit || trend.state == TrendState::beyond;
    if (drift || !trend.restart.empty()) ++alarms;
  }
  EXPECT_LT(alarms, kHistories / 100) << alarms;
}

TEST(Trend, StepChangeIsNotTakenForADrift) {
  std::mt19937_64 random(11);
  int refused = 0, wrong = 0;
  for (int i = 0; i < 200; ++i) {
    History h;
    h.runs = 20;
    h.step_at = 14 + i % 3;
    h.step_v = -0.6;
    const Trend trend = assess(make(h, random));
    if (trend.start == h.step_at) ++refused;
    if (trend.state == TrendState::to_limit) ++wrong;
  }
  EXPECT_GT(refused, 190);
  EXPECT_LE(wrong, 2);
}

TEST(Trend, SwappedPartRestartsTheTrend) {
  std::mt19937_64 random(3);
  History h;
  h.volts_a_day = -0.01;
  h.runs = 30;
  std::vector<TrendPoint> points = make(h, random);
  EXPECT_EQ(assess(points).state, TrendState::to_limit);
  // Four runs since: not enough to say anything.
  const std::vector<Restart> late = {{points[26].x - 0.5, "V3 was replaced"}};
  const Trend refused = assess(points, late);
  EXPECT_EQ(refused.state, TrendState::too_few);
  EXPECT_EQ(refused.start, 26);
  EXPECT_EQ(refused.restart, "V3 was replaced");
  // Twelve runs since: only those are used.
  const std::vector<Restart> early = {{points[18].x - 0.5, "V3 was replaced"}};
  EXPECT_EQ(assess(points, early).start, 18);
  EXPECT_EQ(assess(points, early).fit->n, 12);
}

TEST(Trend, TooFewPointsAreRefused) {
  std::mt19937_64 random(5);
  History h;
  h.volts_a_day = -0.05;
  h.runs = kTrendPointsMin - 1;
  EXPECT_EQ(assess(make(h, random)).state, TrendState::too_few);
  h.runs = kTrendPointsMin;
  EXPECT_EQ(assess(make(h, random)).state, TrendState::to_limit);
  EXPECT_EQ(assess({}).state, TrendState::too_few);
}

TEST(Trend, DriftAwayFromTheLimitIsNoAlarm) {
  std::mt19937_64 random(9);
  History h;
  h.volts_a_day = 0.01;
  EXPECT_EQ(assess(make(h, random)).state, TrendState::away);
  // For a low the limit lies above, and the same drift leads to it.
  EXPECT_EQ(assess_trend(make(h, random), 30.0, false, {}).state, TrendState::to_limit);
  EXPECT_EQ(assess_trend(make(h, random), std::nullopt, false, {}).state, TrendState::no_limit);
}

TEST(Trend, OneOddReadingIsToldButCondemnsNothing) {
  std::mt19937_64 random(13);
  History h;
  std::vector<TrendPoint> points = make(h, random);
  points.back().value -= 0.8;
  const Trend trend = assess(points);
  ASSERT_TRUE(trend.unlike.has_value());
  EXPECT_EQ(*trend.unlike, 19);
  EXPECT_EQ(trend.state, TrendState::steady);
}

TEST(Trend, ChartsOfASteadyLineStayQuietAndOfADriftSignal) {
  std::mt19937_64 random(19);
  const Trend steady = assess(make({}, random));
  EXPECT_TRUE(steady.sums.outside.empty());
  EXPECT_TRUE(steady.average.outside.empty());
  History h;
  h.volts_a_day = -0.02;
  h.runs = 30;
  const Trend drift = assess(make(h, random));
  EXPECT_FALSE(drift.sums.outside.empty());
  EXPECT_FALSE(drift.average.outside.empty());
}

TEST(Trend, FittedLinePastTheLimitIsBeyond) {
  std::mt19937_64 random(17);
  History h;
  h.start_v = 22.4;
  h.volts_a_day = -0.01;
  EXPECT_EQ(assess(make(h, random)).state, TrendState::beyond);
}

TEST(Trend, RunsAllAtOneMomentHaveNoTrend) {
  std::vector<TrendPoint> points;
  for (int i = 0; i < 12; ++i) points.push_back({i, 0.0, 25.0 + 0.01 * i});
  EXPECT_EQ(assess(points).state, TrendState::too_few);
}

TEST(FitLine, NeedsThreeDifferentTimes) {
  EXPECT_FALSE(fit_line({1, 2}, {1, 2}).ok());
  EXPECT_FALSE(fit_line({1, 1, 1}, {1, 2, 3}).ok());
  EXPECT_TRUE(fit_line({1, 2, 3}, {1, 2, 3}).ok());
}

}  // namespace
}  // namespace tenterhook::record
