#include "host/power/discharge.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace tenterhook::power {
namespace {

using testing::HasSubstr;
using testing::Not;
constexpr Volts kLimit{5.0};
constexpr Volts kOpen{0.8636};
constexpr Volts kU{0.29};

WireLook wire(double volts) { return {true, Volts{volts}, kU}; }

DischargeState state_of(const std::vector<RailLook>& looks) {
  std::vector<std::string> names;
  for (std::size_t i = 0; i < looks.size(); ++i) names.push_back("rail" + std::to_string(i));
  DischargeWatch watch(kLimit, kOpen, names);
  watch.add(Seconds{0.0}, looks);
  return watch.state();
}

TEST(Discharge, TwoHeldWiresBelowTheLimitAreMeasured) {
  const DischargeState state = state_of({{wire(0.05), wire(-0.04)}, {wire(-3.0), wire(-3.1)}});
  EXPECT_TRUE(state.below);
  EXPECT_EQ(sentence(state).rfind("measured rails below 5 V", 0), 0u);
  EXPECT_THAT(sentence(state), HasSubstr("hot glass"));
}

TEST(Discharge, AnOpenWireIsNoProofThoughItReadsLow) {
  for (const auto& looks : {RailLook{wire(0.86), wire(0.05)}, RailLook{wire(0.05), wire(0.86)}, RailLook{wire(0.86), wire(0.86)}}) {
    const DischargeState state = state_of({looks});
    EXPECT_FALSE(state.below);
    EXPECT_THAT(sentence(state), Not(HasSubstr("measured rails")));
  }
}

TEST(Discharge, OneWireHighIsHigh) {
  EXPECT_THAT(sentence(state_of({{wire(0.0), wire(24.0)}})), HasSubstr("rail0 still reads 24 V"));
  EXPECT_THAT(sentence(state_of({{wire(-8.0), wire(-8.0)}})), HasSubstr("-8 V"));
  // Within the uncertainty of the limit is not below it.
  EXPECT_FALSE(state_of({{wire(4.8), wire(4.6)}}).below);
}

TEST(Discharge, NothingReadIsNothingKnown) {
  EXPECT_FALSE(state_of({}).below);
  EXPECT_THAT(sentence(state_of({{wire(0.0), {}}})), HasSubstr("second sense wire of rail rail0 was not read"));
  DischargeWatch watch(kLimit, kOpen, {"plate", "bias"});
  EXPECT_FALSE(watch.state().below);
  watch.add(Seconds{0.0}, {{wire(0.0), wire(0.0)}});
  EXPECT_FALSE(watch.state().below) << "the second rail was never read";
}

// 200 cases drawn from the physics: a rail has a true voltage; a connected wire reads it, an open one the bias,
// an unread one nothing; all within U. The sentence may come only when no wire is open or unread and every
// true voltage lies below the limit; and it must come when they are well below it and away from the bias.
TEST(Discharge, NeverSaysBelowWithAnOpenWireAHighRailOrAnUnreadOne) {
  int said = 0, due = 0;
  for (unsigned seed = 0; seed < 200; ++seed) {
    std::mt19937 random(seed);
    const auto uniform = [&](double a, double b) { return std::uniform_real_distribution<>(a, b)(random); };
    const int rails = 1 + static_cast<int>(seed % 4);
    // A third of the cases are whole; the others have their share of troubles.
    const double trouble = seed % 3 == 0 ? 0.0 : 0.25;
    bool whole = true, clear = true;
    std::vector<RailLook> looks;
    for (int r = 0; r < rails; ++r) {
      const double truth = uniform(0.0, 1.0) < trouble ? uniform(-60.0, 60.0) : uniform(-0.2, 0.2);
      whole = whole && std::fabs(truth) < kLimit.value;
      clear = clear && std::fabs(truth) < 0.3;
      const auto look = [&] {
        const double kind = uniform(0.0, 1.0);
        const double error = uniform(-0.14, 0.14);
        if (kind < trouble * 0.5) {
          whole = false;
          return kind < trouble * 0.25 ? WireLook{} : wire(kOpen.value + error);
        }
        return wire(truth + error);
      };
      const WireLook first = look();
      looks.push_back({first, look()});
    }
    const DischargeState state = state_of(looks);
    if (!whole) {
      EXPECT_FALSE(state.below) << "seed " << seed << ": " << sentence(state);
      EXPECT_THAT(sentence(state), Not(HasSubstr("measured rails"))) << "seed " << seed;
    } else if (clear) {
      ++due;
      EXPECT_TRUE(state.below) << "seed " << seed << ": " << sentence(state);
    }
    said += state.below;
  }
  EXPECT_GT(due, 60);
  EXPECT_GE(said, due);
  EXPECT_LT(said, 150);
}

// Single exponentials as the converter sees them: 73 mV steps, a step of noise.
TEST(Discharge, PredictsTheRestOfAnExponentialWithinTenPerCent) {
  for (unsigned seed = 0; seed < 100; ++seed) {
    std::mt19937 random(seed);
    const double volts = std::uniform_real_distribution<>(15.0, 60.0)(random) * (seed % 2 ? 1.0 : -1.0);
    const double tau = std::exp(std::uniform_real_distribution<>(std::log(0.2), std::log(20.0))(random));
    const double step = 0.073244;
    DischargeWatch watch(kLimit, kOpen, {"plate"});
    const double until = tau * std::log(std::fabs(volts) / kLimit.value);
    const int looks = 40;
    for (int i = 0; i <= looks; ++i) {
      const double t = 0.5 * until * i / looks;
      const double read = std::round(volts * std::exp(-t / tau) / step + std::normal_distribution<>(0.0, 0.5)(random)) * step;
      watch.add(Seconds{t}, {{wire(read), {}}});
    }
    ASSERT_TRUE(watch.state().remaining.has_value()) << seed;
    EXPECT_NEAR(watch.state().remaining->value, 0.5 * until, 0.1 * 0.5 * until) << "seed " << seed;
  }
}

TEST(Discharge, PredictsNothingWhileARailDoesNotFall) {
  DischargeWatch watch(kLimit, kOpen, {"plate"});
  for (int i = 0; i < 50; ++i) watch.add(Seconds{0.02 * i}, {{wire(30.0), wire(30.0)}});
  EXPECT_FALSE(watch.state().remaining.has_value());
  EXPECT_FALSE(watch.state().below);
}

}  // namespace
}  // namespace tenterhook::power
