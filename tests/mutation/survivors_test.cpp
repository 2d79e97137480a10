// Tests that exist because a planted change went unnoticed (tests/mutation/mutate): edges, and sums that only
// whole runs had looked at.
#include <gtest/gtest.h>

#include <cmath>

#include "host/measure/uncertainty.h"
#include "host/measure/verdict.h"

namespace tenterhook::measure {
namespace {

// Volts that are exact in binary, so that an edge is an edge.
Estimate at(double volts) {
  Estimate e;
  e.volts = Volts{volts};
  e.u = Volts{0.125};
  e.U = Volts{0.25};
  return e;
}
const files::Window kWindow{Volts{1.0}, Volts{9.0}};

TEST(Judge, EdgesBelongToTheWindowAndToItsGuardBand) {
  EXPECT_EQ(judge(at(1.25), kWindow, Decision::guarded), Verdict::pass);
  EXPECT_EQ(judge(at(8.75), kWindow, Decision::guarded), Verdict::pass);
  EXPECT_EQ(judge(at(0.75), kWindow, Decision::guarded), Verdict::unsure);
  EXPECT_EQ(judge(at(9.25), kWindow, Decision::guarded), Verdict::unsure);
  EXPECT_EQ(judge(at(1.0), kWindow, Decision::simple), Verdict::pass);
  EXPECT_EQ(judge(at(9.0), kWindow, Decision::simple), Verdict::pass);
}

Counts counts_of(std::initializer_list<int> codes) {
  Counts counts;
  counts.min = 1023;
  for (const int code : codes) {
    ++counts.n;
    counts.sum += static_cast<std::uint32_t>(code);
    counts.sum_of_squares += static_cast<std::uint32_t>(code * code);
    counts.min = std::min(counts.min, static_cast<std::uint16_t>(code));
    counts.max = std::max(counts.max, static_cast<std::uint16_t>(code));
  }
  return counts;
}

TEST(Pooled, TwoLooksAreAsOneLook) {
  const Counts both = pooled(counts_of({500, 503, 502}), counts_of({505, 499}));
  const Counts once = counts_of({500, 503, 502, 505, 499});
  EXPECT_EQ(both.n, once.n);
  EXPECT_EQ(both.sum, once.sum);
  EXPECT_EQ(both.sum_of_squares, once.sum_of_squares);
  EXPECT_EQ(both.min, once.min);
  EXPECT_EQ(both.max, once.max);
}

ChannelModel ten_millivolts_a_count() {
  ChannelModel channel;
  channel.per_count = Volts{0.01};
  return channel;
}

const Component* part(const Estimate& e, const std::string& name) {
  for (const Component& c : e.budget) {
    if (c.name == name) return &c;
  }
  return nullptr;
}

// Two values scatter already: their mean's standard deviation is half of what lies between them (JCGM 100, 4.2.3).
TEST(Estimate, TwoConversionsHaveNoiseOneHasNone) {
  const Estimate two = estimate(counts_of({500, 502}), ten_millivolts_a_count());
  ASSERT_NE(part(two, "noise of the mean"), nullptr);
  EXPECT_NEAR(part(two, "noise of the mean")->u.value, 0.01, 1e-12);
  EXPECT_EQ(part(two, "noise of the mean")->dof, 1.0);
  EXPECT_EQ(part(estimate(counts_of({500}), ten_millivolts_a_count()), "noise of the mean"), nullptr);
}

// 1.960 for a normal state of knowledge at 95 % (JCGM 100, table G.2, last line).
TEST(Estimate, ExpandedIsTheCoverageFactorTimesTheCombined) {
  ChannelModel channel = ten_millivolts_a_count();
  channel.known.push_back({"reference", Volts{0.5}, 0.0});
  const Estimate e = estimate(counts_of({500}), channel);
  EXPECT_NEAR(e.U.value / e.u.value, 1.960, 0.0005);
  EXPECT_GT(e.u.value, 0.5);
  EXPECT_NEAR(coverage_factor(0.95, 0.0), 1.960, 0.0005);
}

}  // namespace
}  // namespace tenterhook::measure
