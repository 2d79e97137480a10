// Delays, edges, set-up and hold of the emulated gates against the simulated gate set (ngspice,
// ECC88 on +30 V / -9 V), relay travel and bounce, clock bounce.
#include <algorithm>
#include <cmath>

#include "tests/emulated/boards/bench.h"

namespace tenterhook::emulated {
namespace {

TEST(ValveInverter, EdgesAndDelaysLieInTheSimulatedRanges) {
  for (std::uint64_t seed = 1; seed <= 20; ++seed) {
    BoardTruth t = bench(one_gate("not", "triode-inverter", 1), seed);
    t.set("A", true);
    t.power_up(1.0);
    auto rise = t.edge("A", false, "Y", 50e-6);
    ASSERT_TRUE(rise.ok());
    EXPECT_GT(rise->transition_s, 0.8e-6);
    EXPECT_LT(rise->transition_s, 2.0e-6);
    EXPECT_GT(rise->delay_s, 0.4e-6);
    EXPECT_LT(rise->delay_s, 0.9e-6);
    auto fall = t.edge("A", true, "Y", 50e-6);
    ASSERT_TRUE(fall.ok());
    EXPECT_GT(fall->transition_s, 1.3e-6);
    EXPECT_LT(fall->transition_s, 4.7e-6);
    EXPECT_GT(fall->delay_s, 0.62e-6);
    EXPECT_LT(fall->delay_s, 2.4e-6);
  }
}

TEST(ValveOr, RisesFastAndFallsSlowly) {
  BoardTruth t = bench(one_gate("or", "cathode-follower", 2));
  t.set("A", false);
  t.set("B", false);
  t.power_up(1.0);
  auto rise = t.edge("A", true, "Y", 100e-6);
  ASSERT_TRUE(rise.ok());
  EXPECT_LT(rise->transition_s, 0.35e-6);
  auto fall = t.edge("A", false, "Y", 100e-6);
  ASSERT_TRUE(fall.ok());
  EXPECT_NEAR(fall->transition_s, 6.6e-6, 1.2e-6);  // from 28.2 to 0.9 V; 4.5 us between gates' levels
}

// The input comes down in twenty steps within a microsecond: still one fall, and as slow.
TEST(ValveOr, FallsAlikeWhenItsInputRamps) {
  BoardTruth stepped = bench(one_gate("or", "cathode-follower", 2));
  BoardTruth ramped = bench(one_gate("or", "cathode-follower", 2));
  for (BoardTruth* t : {&stepped, &ramped}) {
    t->set("A", true);
    t->set("B", false);
    t->power_up(1.0);
  }
  const auto fall = stepped.edge("A", false, "Y", 100e-6);
  ASSERT_TRUE(fall.ok());
  const double high = ramped.volts("Y"), low = stepped.settled("Y"), from = ramped.volts("A");
  std::vector<double> seen;
  constexpr double kEvery = 50e-9;
  for (int i = 1; i <= 1000; ++i) {
    if (i <= 20) ramped.set_volts("A", from * (20 - i) / 20.0);
    ramped.wait(kEvery);
    seen.push_back(ramped.volts("Y"));
  }
  const auto reaches = [&](double share) {
    return kEvery * static_cast<double>(std::find_if(seen.begin(), seen.end(), [&](double v) { return v <= low + share * (high - low); }) - seen.begin());
  };
  EXPECT_NEAR(reaches(0.1) - reaches(0.9), fall->transition_s, 0.05 * fall->transition_s);
}

TEST(ValveFlipFlop, ClockToOutputIsInTheSimulatedRange) {
  for (std::uint64_t seed = 1; seed <= 20; ++seed) {
    BoardTruth t = shed_latch(seed);
    t.set("F0", true);
    t.wait(1e-3);
    auto edge = t.edge("PICK", true, "Q0", 100e-6);
    ASSERT_TRUE(edge.ok());
    EXPECT_GT(edge->delay_s, 2.8e-6) << seed;
    EXPECT_LT(edge->delay_s, 4.5e-6) << seed;
    EXPECT_NEAR(edge->delay_s, t.timing("Q0")->clock_to_output_s, 0.2e-6);
  }
}

// Data changes `before_s` before the clock's edge: was it taken?
double caught(std::uint64_t seed, double before_s, int tries) {
  BoardDescription d = one_gate("d-flip-flop", "triode-flip-flop", 1);
  Terminal clock;
  clock.name = "CK";
  d.terminals.push_back(clock);
  d.elements[0].clock = "CK";
  BoardTruth t = bench(d, seed);
  t.set("CK", false);
  t.set("A", false);
  t.power_up(1.0);
  int taken = 0;
  for (int i = 0; i < tries; ++i) {
    t.set("A", false);
    t.wait(1e-3);
    t.pulse("CK", 100e-6);
    t.wait(1e-3);
    if (before_s >= 0.0) {
      t.set("A", true);
      t.wait(before_s);
      t.set("CK", true);
    } else {
      t.set("CK", true);
      t.wait(-before_s);
      t.set("A", true);
    }
    t.wait(100e-6);
    t.set("CK", false);
    t.wait(100e-6);
    taken += t.volts("Y") > 15.0;
  }
  return static_cast<double>(taken) / tries;
}

TEST(ValveFlipFlop, TakesDataOnlyOutsideItsAperture) {
  for (std::uint64_t seed = 1; seed <= 5; ++seed) {
    EXPECT_EQ(caught(seed, 3.2e-6, 20), 1.0);  // set-up 2.5-2.9 us kept
    EXPECT_EQ(caught(seed, 2.1e-6, 20), 0.0);  // hold is -2.4 to -2.9 us: too late
    EXPECT_EQ(caught(seed, -1e-6, 20), 0.0);
  }
}

TEST(ValveFlipFlop, InsideItsApertureChanceDecides) {
  BoardDescription d = one_gate("d-flip-flop", "triode-flip-flop", 1);
  d.elements[0].clock = "CK";
  Terminal clock;
  clock.name = "CK";
  d.terminals.push_back(clock);
  const FlipFlopTiming timing = *bench(d, 2).timing("Y");
  EXPECT_GT(timing.setup_s, 2.4e-6);
  EXPECT_LT(timing.setup_s, 3.0e-6);
  EXPECT_LT(timing.hold_s, -2.2e-6);
  const double share = caught(2, 0.5 * (timing.setup_s - timing.hold_s), 200);
  EXPECT_GT(share, 0.3);
  EXPECT_LT(share, 0.7);
}

TEST(ValveFlipFlop, StopsAtItsTopRate) {
  BoardDescription d = one_gate("t-flip-flop", "triode-flip-flop", 1);
  Terminal clock;
  clock.name = "CK";
  d.terminals.push_back(clock);
  d.elements[0].clock = "CK";
  const auto toggles = [&d](double share_of_top) {
    BoardTruth t = bench(d, 6);
    t.set("A", true);
    t.set("CK", false);
    t.power_up(1.0);
    const double half = 0.5 / (share_of_top * *t.top_rate("Y"));
    int changes = 0;
    bool last = t.volts("Y") > 15.0;
    for (int i = 0; i < 40; ++i) {
      t.pulse("CK", half);
      const bool now = t.volts("Y") > 15.0;
      changes += now != last;
      last = now;
    }
    return changes;
  };
  EXPECT_EQ(toggles(0.95), 40);
  EXPECT_LT(toggles(1.08), 30);
  BoardTruth t = bench(d, 6);
  EXPECT_GT(*t.top_rate("Y"), 65e3);  // a third of the bare simulation's 220-235 kHz
  EXPECT_LT(*t.top_rate("Y"), 90e3);
}

TEST(ShortPulse, IsSwallowedByAGateAndByAFlipFlop) {
  BoardTruth t = bench(one_gate("not", "triode-inverter", 1));
  t.set("A", false);
  t.power_up(1.0);
  const double high = t.volts("Y");
  t.set("A", true);
  t.wait(20e-9);
  t.set("A", false);
  double lowest = high;
  for (int i = 0; i < 200; ++i) {
    t.wait(20e-9);
    lowest = std::min(lowest, t.volts("Y"));
  }
  EXPECT_GT(lowest, high - 0.5);
  BoardTruth latch = shed_latch();
  latch.set("F0", true);
  latch.wait(1e-3);
  latch.pulse("PICK", 0.5e-6);
  latch.wait(1e-3);
  EXPECT_LT(latch.volts("Q0"), 9.0);
}

TEST(Relay, TravelsForMillisecondsAndBounces) {
  int closures = 0;
  BoardTruth t = bench(one_gate("buf", "relay", 1));
  t.set("A", false);
  t.power_up(1.0);
  t.set("A", true);
  bool last = false;
  double first = 0.0, final = 0.0;
  for (int i = 0; i < 20000; ++i) {
    t.wait(1e-6);
    const bool high = t.volts("Y") > 20.0;
    if (high && !last) {
      ++closures;
      if (first == 0.0) first = 1e-6 * i;
      final = 1e-6 * i;
    }
    last = high;
  }
  EXPECT_GT(first, 4e-3);
  EXPECT_LT(first, 10e-3);
  EXPECT_GE(closures, 3);
  EXPECT_LT(final - first, 3e-3);
  EXPECT_TRUE(last);
  t.set("A", false);
  t.wait(2e-3);
  EXPECT_GT(t.volts("Y"), 20.0);  // release takes its time too
  t.wait(8e-3);
  EXPECT_LT(t.volts("Y"), 1.0);
}

TEST(Relay, HoldsBetweenPullInAndDropOut) {
  BoardTruth t = bench(one_gate("buf", "relay", 1));
  t.set_volts("A", 11.0);
  t.power_up(1.0);
  EXPECT_LT(t.volts("Y"), 1.0);
  t.set_volts("A", 24.0);
  t.wait(0.05);
  t.set_volts("A", 11.0);
  t.wait(0.05);
  EXPECT_GT(t.volts("Y"), 20.0);
  t.set_volts("A", 5.0);
  t.wait(0.05);
  EXPECT_LT(t.volts("Y"), 1.0);
}

int count_after(const std::vector<std::string>& planted, int pulses) {
  BoardTruth t = bench(demo("pick-counter"), 2, planted);
  t.set("STEP", false);
  t.set("CLEARn", false);
  t.power_up(1.0);
  t.set("CLEARn", true);
  t.wait(0.01);
  for (int i = 0; i < pulses; ++i) {
    t.pulse("STEP", 200e-6);
    t.wait(1e-3);
  }
  return 4 * (t.volts("N2") > 5.0) + 2 * (t.volts("N1") > 5.0) + (t.volts("N0") > 5.0);
}

TEST(PickCounter, CountsClearsAndGoesRound) {
  for (int n = 0; n < 10; ++n) EXPECT_EQ(count_after({}, n), n % 8);
}

TEST(Bounce, OfTheClockMakesACounterCountMore) {
  EXPECT_EQ(count_after({"STEP bounce 1"}, 1),
            3);  // up, down, up at the rise; and at the fall again
  EXPECT_NE(count_after({"STEP bounce 2"}, 1), 1);
}

TEST(Bounce, OfOneFlipFlopStepsThatOneTwice) {
  // N0 toggles twice, so it never leaves 0.
  EXPECT_EQ(count_after({"T0a bounce 1"}, 1) & 1, 0);
}

TEST(NextEvent, NamesTheEdgeUnderWayAndThenNothing) {
  BoardTruth t = bench(one_gate("not", "transistor", 1));
  t.set("A", false);
  t.power_up(400.0);
  EXPECT_EQ(t.board().next_event(t.now()), INT64_MAX);
  t.set("A", true);
  EXPECT_LT(t.board().next_event(t.now()), t.now() + 1'000'000);
  t.wait(1e-3);
  EXPECT_EQ(t.board().next_event(t.now()), INT64_MAX);
}

TEST(Seed, DecidesEverything) {
  const auto trace = [](std::uint64_t seed) {
    auto board = make_board(demo("shed-latch"), seed, faults({"Q0 intermittent 0.5"}));
    std::vector<double> v;
    for (int r = 0; r < 3; ++r) (*board)->supply(0, r, {r == 0 ? 6.3 : r == 1 ? -9.0 : 30.0, 50.0});
    Picoseconds t = 60'000'000'000'000;
    for (int i = 0; i < 40; ++i) {
      (*board)->drive(t, 0, {i % 2 ? 30.0 : 0.0, 0.1});
      (*board)->drive(t, 5, {i % 3 ? 30.0 : 0.0, 0.1});
      t += 3'333'333;
      for (int n = 0; n < (*board)->terminal_count(); ++n) v.push_back((*board)->volts(t, n));
    }
    return v;
  };
  EXPECT_EQ(trace(9), trace(9));
  EXPECT_NE(trace(9), trace(10));
}

}  // namespace
}  // namespace tenterhook::emulated
