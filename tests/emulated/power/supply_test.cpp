// The budget's resistor and switch-over on emulated supplies that fold back. The filaments' spread, their leads
// and the supply's behaviour are the emulator's; the budget sees ratings only.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "fixtures/emulated/boards/board.h"
#include "host/power/budget.h"
#include "host/power/sequence.h"
#include "tests/emulated/power/watched.h"

namespace tenterhook::power {
namespace {

using emulated::BoardDescription;
using emulated::Picoseconds;
constexpr double kPath = 0.06;  // supply, switch, sensor and wires of the emulated fixture, ohm
constexpr double kVolts = 6.3;

BoardDescription rack(int filaments) {
  BoardDescription d;
  d.name = "filament-rack";
  d.rails.push_back({"heater", kVolts, 0, 0.0, true, 0.300});
  d.rails.push_back({"plate", 30.0, 2, 0.0, false, 0.0});
  d.terminals.push_back({});
  d.terminals.back().name = "A";
  for (int i = 0; i < filaments; ++i) {
    emulated::Element e;
    e.type = "buf";
    e.build = "cathode-follower";
    e.inputs = {"A"};
    e.input_inverted = {false};
    e.outputs = {fmt::format("n{}", i)};
    e.parts = {fmt::format("V{}", i)};
    d.elements.push_back(e);
  }
  return d;
}

struct Seen {
  double first_peak = 0.0, second_peak = 0.0, volts = 0.0;
  double switched_s = -1.0, full_s = -1.0;  // main contact closed; 95 % of the volts reached
  bool folded = false;
};

// Switches the rack on, through `ohms` until the board shows `until`, and watches for so long.
Seen switch_on(int filaments, double limit, double ohms, double until, std::uint64_t seed, double seconds) {
  const std::vector<emulated::FaultSpec> folds = {{"heater", "folds-back", fmt::format("{}", limit)}};
  auto made = emulated::make_board(rack(filaments), seed, folds);
  EXPECT_TRUE(made) << made.error().text();
  emulated::Board& board = **made;
  Seen seen;
  bool main = ohms == 0.0;
  const auto source = [&] { return emulated::Source{kVolts, 1.0 / (kPath + (main ? 0.0 : ohms))}; };
  board.supply(0, 0, source());
  for (Picoseconds t = test::kMs; t < Picoseconds(seconds * 1e12); t += test::kMs) {
    const double volts = board.rail_volts(t, 0);
    const double amps = board.rail_amps(t, 0);
    double& peak = main && ohms > 0.0 ? seen.second_peak : seen.first_peak;
    peak = std::max(peak, amps);
    // What the source would give at these volts, had it no limit.
    const double wanted = (kVolts - volts) * source().siemens;
    seen.folded = seen.folded || wanted > limit * 1.001;
    if (!main && volts >= until) {
      main = true;
      seen.switched_s = double(t) * 1e-12;
      board.supply(t, 0, source());
    }
    if (seen.full_s < 0.0 && volts > 0.95 * kVolts) seen.full_s = double(t) * 1e-12;
    seen.volts = volts;
  }
  return seen;
}

class Racks : public testing::TestWithParam<int> {};
INSTANTIATE_TEST_SUITE_P(SixAndSixty, Racks, testing::Values(6, 60));

TEST_P(Racks, FoldBackWithoutASoftStart) {
  const double limit = GetParam() * 0.6;
  const Seen seen = switch_on(GetParam(), limit, 0.0, 0.0, 1, 10.0);
  fmt::print("{} filaments, {} A, no soft start: folded {}, {:.2f} V after 10 s\n", GetParam(), limit, seen.folded, seen.volts);
  EXPECT_TRUE(seen.folded);
}

TEST_P(Racks, NeverFoldBackWithTheComputedResistorAndSwitchOver) {
  const int n = GetParam();
  const Amps limit{n * 0.6};
  auto plan = pre_charge_for({Volts{kVolts}, Amps{0.3}, n}, Volts{kVolts}, Ohms{kPath}, limit);
  ASSERT_TRUE(plan) << plan.error().text();
  ASSERT_TRUE(plan->fits);
  double worst_time = 0.0, first = 0.0, second = 0.0;
  const int seeds = n == 6 ? 50 : 5;
  for (int seed = 1; seed <= seeds; ++seed) {
    const Seen seen = switch_on(n, limit.value, plan->resistor.value, plan->until.value, seed, 12.0);
    EXPECT_FALSE(seen.folded) << "seed " << seed;
    ASSERT_GT(seen.switched_s, 0.0) << "seed " << seed;
    first = std::max(first, seen.first_peak);
    second = std::max(second, seen.second_peak);
    const double away = seen.switched_s / plan->switch_over.value - 1.0;
    worst_time = std::max(worst_time, std::fabs(away));
    EXPECT_LT(std::fabs(away), 0.15) << "seed " << seed << ": " << seen.switched_s << " s";
  }
  fmt::print("{} filaments, {}: {} until {} at {}; peaks {:.2f} A and {:.2f} A (computed {}, {}); time within {:.1f} %\n", n,
             tenterhook::text(limit), tenterhook::text(plan->resistor), tenterhook::text(plan->until),
             tenterhook::text(plan->switch_over), first, second, tenterhook::text(plan->first), tenterhook::text(plan->second),
             100.0 * worst_time);
  EXPECT_LT(first, limit.value);
  EXPECT_LT(second, limit.value);
  EXPECT_NEAR(first, plan->first.value, 0.05 * plan->first.value);
  EXPECT_NEAR(second, plan->second.value, 0.07 * plan->second.value);
}

}  // namespace
}  // namespace tenterhook::power
