// Wrong passes and wrong fails of the verdict rule, both looks counted, by simulation.
#include <gtest/gtest.h>

#include <random>

#include "host/measure/verdict.h"

namespace tenterhook::measure {
namespace {

constexpr double kLimit = 10.0;
constexpr int kTrials = 100000;
constexpr double kRatio = 4.0;  // conversions of the second look over those of the first

// u of what is the same in both looks, and of the noise of the first one alone.
struct Errors {
  double common, noise;
};

Estimate known(double volts, double u) {
  Estimate e;
  e.volts = Volts{volts};
  e.u = Volts{u};
  e.U = Volts{1.959964 * u};
  return e;
}

double first_u(Errors e) { return std::hypot(e.common, e.noise); }
double first_U(Errors e) { return 1.959964 * first_u(e); }

// Share of trials that end as `wanted` for this true value; the window is open below.
double share(double truth, Errors errors, Verdict wanted) {
  std::mt19937_64 draws(static_cast<std::uint64_t>(truth * 1e6) + static_cast<std::uint64_t>(errors.noise * 1e9));
  std::normal_distribution<double> bell;
  const files::Window window{Volts{-1e6}, Volts{kLimit}};
  const double pooled_u = std::hypot(errors.common, errors.noise / std::sqrt(1.0 + kRatio));
  int hits = 0;
  for (int i = 0; i < kTrials; ++i) {
    const double common = truth + errors.common * bell(draws);
    const double first = errors.noise * bell(draws);
    const double second = errors.noise / std::sqrt(kRatio) * bell(draws);
    Verdict v = judge(known(common + first, first_u(errors)), window, Decision::guarded);
    if (v == Verdict::unsure) {
      v = judge_again(known(common + (first + kRatio * second) / (1.0 + kRatio), pooled_u), window);
    }
    hits += v == wanted;
  }
  return static_cast<double>(hits) / kTrials;
}

const Errors kCases[] = {{0.0, 0.05}, {0.02, 0.05}, {0.05, 0.05}, {0.05, 0.01}};

TEST(SecondLook, WrongPassesAtTheLimitAreAtMostThreePercent) {
  for (const Errors& e : kCases) EXPECT_LE(share(kLimit, e, Verdict::pass), 0.03) << e.common << " " << e.noise;
}

TEST(SecondLook, WrongPassesAtUBeyondTheLimitAreAtMostOneInTenThousand) {
  for (const Errors& e : kCases) EXPECT_LE(share(kLimit + first_U(e), e, Verdict::pass), 1e-4) << e.common << " " << e.noise;
}

TEST(SecondLook, WrongFailsLikewise) {
  for (const Errors& e : kCases) {
    EXPECT_LE(share(kLimit, e, Verdict::fail), 0.03);
    EXPECT_LE(share(kLimit - first_U(e), e, Verdict::fail), 1e-4);
  }
}

// Half a U inside the limit one look leaves most readings unsure; a second one decides many of them.
TEST(SecondLook, DecidesWhereNoiseWasTheDoubt) {
  const Errors noisy{0.005, 0.05};
  EXPECT_GT(share(kLimit - 0.75 * first_U(noisy), noisy, Verdict::pass), 0.6);
}

}  // namespace
}  // namespace tenterhook::measure
