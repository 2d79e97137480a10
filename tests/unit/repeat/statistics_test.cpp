#include "host/repeat/statistics.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

namespace tenterhook::repeat {
namespace {

// Binomial probability of `k` or fewer of `n`, summed directly: no beta function in it.
double at_most(long k, long n, double p) {
  double sum = 0.0;
  for (long i = 0; i <= k; ++i) {
    sum += std::exp(std::lgamma(n + 1.0) - std::lgamma(i + 1.0) - std::lgamma(n - i + 1.0) + static_cast<double>(i) * std::log(p) +
                    static_cast<double>(n - i) * std::log1p(-p));
  }
  return sum;
}

TEST(PassesNeeded, FollowTheTextbookFormula) {
  // n = ceil(ln(1 - c) / ln(1 - p)), worked by hand: ln 0.05 / ln 0.95 = 58.4, ln 0.01 / ln 0.95 = 89.8, ln 0.05 / ln 0.99 = 298.1.
  EXPECT_EQ(*passes_needed(0.95, 0.05), 59);
  EXPECT_EQ(*passes_needed(0.99, 0.05), 90);
  EXPECT_EQ(*passes_needed(0.95, 0.01), 299);
}

TEST(PassesNeeded, AreEnoughAndOneFewerIsNot) {
  for (const double confidence : {0.5, 0.8, 0.9, 0.95, 0.99, 0.999}) {
    for (const double rate : {0.5, 0.2, 0.1, 0.05, 0.02, 0.001}) {
      const long n = *passes_needed(confidence, rate);
      EXPECT_GE(1.0 - std::pow(1.0 - rate, static_cast<double>(n)), confidence - 1e-9);
      EXPECT_LT(1.0 - std::pow(1.0 - rate, static_cast<double>(n - 1)), confidence) << confidence << " " << rate;
    }
  }
}

TEST(PassesNeeded, RefuseWhatIsNoShare) {
  for (const double bad : {0.0, 1.0, -0.1, 1.5, std::nan("")}) {
    EXPECT_FALSE(passes_needed(bad, 0.05).ok());
    EXPECT_FALSE(passes_needed(0.95, bad).ok());
  }
}

// The interval's definition (Clopper and Pearson, Biometrika 26 (1934), 404-413): at its lower end so many or more, at
// its upper end so many or fewer have half of what is left of the confidence.
TEST(ExactInterval, LeavesHalfTheDoubtOnEitherSide) {
  for (const long n : {1L, 5L, 59L, 300L}) {
    for (const long k : {0L, 1L, 3L, n / 2, n - 1, n}) {
      if (k > n || k < 0) continue;
      for (const double confidence : {0.9, 0.95, 0.99}) {
        const Interval i = exact_interval(k, n, confidence);
        const double tail = (1.0 - confidence) / 2.0;
        if (k > 0) {
          EXPECT_NEAR(1.0 - at_most(k - 1, n, i.low), tail, 1e-9) << k << " of " << n;
        } else {
          EXPECT_EQ(i.low, 0.0);
        }
        if (k < n) {
          EXPECT_NEAR(at_most(k, n, i.high), tail, 1e-9) << k << " of " << n;
        } else {
          EXPECT_EQ(i.high, 1.0);
        }
      }
    }
  }
  EXPECT_NEAR(exact_interval(0, 59).high, 1.0 - std::pow(0.025, 1.0 / 59), 1e-12);
  EXPECT_EQ(exact_interval(0, 0).high, 1.0);
}

TEST(RateExcluded, IsWhatThePassesWereCountedFor) {
  EXPECT_LE(rate_excluded(*passes_needed(0.95, 0.05), 0.95), 0.05);
  EXPECT_GT(rate_excluded(*passes_needed(0.95, 0.05) - 1, 0.95), 0.05);
  EXPECT_EQ(rate_excluded(0, 0.95), 1.0);
}

TEST(MoreHere, CountsTheTables) {
  // Four of eight things are wrong, four were taken: three or four of the wrong ones among them in 16 + 1 of 70 ways.
  EXPECT_NEAR(more_here(3, 4, 1, 4), 17.0 / 70.0, 1e-12);
  EXPECT_NEAR(more_here(4, 4, 0, 4), 1.0 / 70.0, 1e-12);
  EXPECT_EQ(more_here(0, 4, 4, 4), 1.0);
}

// All ways of choosing which values are the first sample, counted one by one.
double by_counting(const std::vector<double>& a, const std::vector<double>& b) {
  std::vector<double> all = a;
  all.insert(all.end(), b.begin(), b.end());
  const auto rank = [&](double x) {
    double r = 0.5;
    for (const double y : all) r += y < x ? 1.0 : y == x ? 0.5 : 0.0;
    return r;
  };
  const double mean = 0.5 * static_cast<double>(a.size()) * static_cast<double>(all.size() + 1);
  double seen = -mean;
  for (const double x : a) seen += rank(x);
  std::vector<int> chosen(all.size(), 0);
  std::fill(chosen.end() - static_cast<long>(a.size()), chosen.end(), 1);
  long extreme = 0, total = 0;
  do {
    double off = -mean;
    for (std::size_t i = 0; i < all.size(); ++i) off += chosen[i] ? rank(all[i]) : 0.0;
    ++total;
    extreme += std::fabs(off) >= std::fabs(seen) - 1e-9;
  } while (std::next_permutation(chosen.begin(), chosen.end()));
  return static_cast<double>(extreme) / static_cast<double>(total);
}

TEST(RanksApart, IsNearTheExactProbability) {
  const std::vector<double> low{1, 2, 3, 4, 5.5, 7}, high{6, 8, 9, 10, 11, 12, 13, 14}, mixed{0.5, 3.5, 9.5, 12.5, 20, 21};
  EXPECT_NEAR(ranks_apart(low, high), by_counting(low, high), 0.003);
  EXPECT_NEAR(ranks_apart(mixed, high), by_counting(mixed, high), 0.02);
  const std::vector<double> ties{1, 1, 2, 2, 2, 3}, more{2, 2, 3, 3, 3, 4, 4};
  EXPECT_NEAR(ranks_apart(ties, more), by_counting(ties, more), 0.02);
  EXPECT_EQ(ranks_apart({1, 1}, {1, 1, 1}), 1.0);
  EXPECT_EQ(ranks_apart({}, {1.0}), 1.0);
}

}  // namespace
}  // namespace tenterhook::repeat
