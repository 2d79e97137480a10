// Searches against edges that are known: clean, blurred, with memory, with holes.
#include "host/timing/search.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace tenterhook::timing {
namespace {

// Passes below `edge`; between edge and edge + blur chance decides, ever worse.
Trial blurred(long edge, long blur, std::mt19937& random) {
  return [=, &random](long x, int n) -> Result<Tally> {
    Tally t;
    for (int i = 0; i < n; ++i) {
      const double p = x < edge ? 1.0 : x >= edge + blur ? 0.0 : 1.0 - static_cast<double>(x - edge + 1) / static_cast<double>(blur + 1);
      (std::uniform_real_distribution<>(0.0, 1.0)(random) < p ? t.passes : t.fails)++;
    }
    return t;
  };
}

TEST(Search, FindsACleanEdgeInBracketsHalvingsAndRepeats) {
  std::mt19937 random(1);
  for (const long edge : {1L, 7L, 500L, 998L}) {
    SearchOptions o;
    o.good = 0;
    o.bad = 1000;
    auto r = search(blurred(edge, 0, random), o);
    ASSERT_TRUE(r.ok());
    EXPECT_EQ(r->edge, edge - 1);
    EXPECT_EQ(*r->worst, edge);
    EXPECT_EQ(r->bracket, 2);
    EXPECT_LE(r->bisect, halvings(1000));
    EXPECT_EQ(r->repeat, 59);
    EXPECT_FALSE(r->hysteresis);
    EXPECT_TRUE(r->holes.empty());
  }
}

TEST(Search, WorksDownwardsToo) {
  SearchOptions o;
  o.good = 100;
  o.bad = -100;
  auto r = search([](long x, int n) -> Result<Tally> { return x >= -17 ? Tally{n, 0, 0} : Tally{0, n, 0}; }, o);
  ASSERT_TRUE(r.ok());
  EXPECT_EQ(r->edge, -17);
  EXPECT_EQ(*r->worst, -18);
}

TEST(Search, GivesWayToAnEdgeThatFailsNowAndThen) {
  std::mt19937 random(3);
  for (int seed = 0; seed < 50; ++seed) {
    SearchOptions o;
    o.bad = 400;
    o.scan = 0;
    o.sweeps = 0;
    auto r = search(blurred(200, 8, random), o);
    ASSERT_TRUE(r.ok());
    EXPECT_EQ(r->state, SearchResult::State::found);
    EXPECT_GE(r->edge, 198);
    EXPECT_LE(r->edge, 201);  // a step that fails in one of nine is hardly missed in 59
    EXPECT_LE(r->bracket + r->bisect + r->repeat, steps_most(o));
    EXPECT_EQ(r->at_edge.trials(), 59);
    EXPECT_NEAR(r->fails_at_most, 0.0495, 1e-3);
  }
}

TEST(Search, SaysWhenABracketIsWrong) {
  SearchOptions o;
  o.bad = 64;
  auto all = search([](long, int n) -> Result<Tally> { return Tally{n, 0, 0}; }, o);
  ASSERT_TRUE(all.ok());
  EXPECT_EQ(all->state, SearchResult::State::never_fails);
  EXPECT_EQ(all->edge, 64);
  auto none = search([](long, int n) -> Result<Tally> { return Tally{0, n, 0}; }, o);
  ASSERT_TRUE(none.ok());
  EXPECT_EQ(none->state, SearchResult::State::never_passes);
  EXPECT_EQ(none->bracket, 2);
  EXPECT_EQ(none->bisect + none->repeat + none->sweep + none->scan, 0);
}

TEST(Search, SaysWhenTheEdgeNeverSettles) {
  std::mt19937 random(5);
  SearchOptions o;
  o.bad = 200;
  o.yields = 4;
  o.scan = 0;
  o.sweeps = 0;
  auto r = search([&random](long x, int n) -> Result<Tally> {
    Tally t;  // one in ten fails wherever it is tried again
    for (int i = 0; i < n; ++i) (x >= 100 || (n > 1 && random() % 10 == 0) ? t.fails : t.passes)++;
    return t;
  }, o);
  ASSERT_TRUE(r.ok());
  EXPECT_EQ(r->state, SearchResult::State::unsettled);
  EXPECT_GT(r->fails_at_most, 0.05);
  EXPECT_LE(r->bracket + r->bisect + r->repeat, steps_most(o));
}

TEST(Search, FindsAHoleWithBothItsEnds) {
  const auto holed = [](long x, int n) -> Result<Tally> {
    const bool ok = x < 700 && !(x >= 300 && x <= 341);
    return ok ? Tally{n, 0, 0} : Tally{0, n, 0};
  };
  SearchOptions o;
  o.bad = 1000;
  auto r = search(holed, o);
  ASSERT_TRUE(r.ok());
  EXPECT_EQ(r->edge, 699);
  ASSERT_EQ(r->holes.size(), 1u);
  EXPECT_EQ(r->holes[0].from, 300);
  EXPECT_EQ(r->holes[0].to, 341);
  EXPECT_FALSE(r->holes[0].passes);
  EXPECT_LE(r->hole_width_seen, 42);
}

TEST(Search, FindsAnIslandThatPassesAmongFailures) {
  SearchOptions o;
  o.good = 1000;
  o.bad = 0;
  auto r = search([](long x, int n) -> Result<Tally> {
    return x > 600 || (x >= 100 && x <= 180) ? Tally{n, 0, 0} : Tally{0, n, 0};
  }, o);
  ASSERT_TRUE(r.ok());
  EXPECT_EQ(r->edge, 601);
  ASSERT_EQ(r->holes.size(), 1u);
  EXPECT_TRUE(r->holes[0].passes);
  EXPECT_EQ(r->holes[0].from, 100);
  EXPECT_EQ(r->holes[0].to, 180);
}

// A board that, once it failed, needs more before it works again.
struct Memory {
  long up, down;  // recovers at or below `up`, keeps working at or below `down`
  bool works = true;
  Result<Tally> operator()(long x, int n) {
    works = x <= up || (works && x <= down);
    return works ? Tally{n, 0, 0} : Tally{0, n, 0};
  }
};

TEST(Search, ReportsHysteresisWithinItsStride) {
  for (const long width : {4L, 40L, 200L}) {
    Memory memory{500, 500 + width};
    SearchOptions o;
    o.bad = 1024;
    auto r = search([&memory](long x, int n) { return memory(x, n); }, o);
    ASSERT_TRUE(r.ok());
    ASSERT_TRUE(r->hysteresis) << width;
    EXPECT_NEAR(static_cast<double>(*r->hysteresis), static_cast<double>(width), std::max(2.0, 0.35 * static_cast<double>(width)));
  }
}

TEST(Search, DoesNotTakeChanceForHysteresis) {
  std::mt19937 random(7);
  for (int seed = 0; seed < 100; ++seed) {
    SearchOptions o;
    o.bad = 300;
    auto r = search(blurred(150, 10, random), o);
    ASSERT_TRUE(r.ok());
    EXPECT_FALSE(r->hysteresis) << seed;
    EXPECT_TRUE(r->holes.empty()) << seed;
  }
}

TEST(Search, PassesTheTrialsErrorOn) {
  auto r = search([](long, int) -> Result<Tally> { return fixture_error("x", "gone"); }, {.bad = 8});
  ASSERT_FALSE(r.ok());
  EXPECT_EQ(r.error().trouble, Trouble::fixture);
  EXPECT_EQ(search([](long, int n) -> Result<Tally> { return Tally{n, 0, 0}; }, {.good = 3, .bad = 3}).error().trouble, Trouble::bug);
}

TEST(Told, FailedOnceIsSaidAsSuch) {
  EXPECT_EQ(told({59, 0, 0}), "none of 59 failed: at most 5.0 % fail (95 %)");
  EXPECT_EQ(told({58, 1, 0}), "failed once in 59: at most 7.8 % fail (95 %)");
  EXPECT_EQ(told({}), "not tried");
}

}  // namespace
}  // namespace tenterhook::timing
