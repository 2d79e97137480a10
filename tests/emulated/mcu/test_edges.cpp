// Crossings, edge counts, delayed samples and bursts: the chip's own program and the native core, against boards
// whose edges are known in closed form.
#include <cstdio>
#include <cstdlib>
#include <functional>

#include "tests/emulated/mcu/edges_rig.h"

namespace tenterhook::emulated {
namespace {

constexpr Picoseconds kTick = McuEmulator::kCycle;
constexpr double kTicksPerUs = 16.0;
// Ideal: from the pin to the middle of the fast line's edge; through the front end, for an edge that it slews
// and for a slow one; through the comparator.
constexpr double kLineUs = 0.075, kSlewUs = 0.067, kLagUs = 0.021, kComparatorUs = 0.050;

class Edges : public ::testing::TestWithParam<bool> {
 protected:
  EdgesRig rig{GetParam()};
};
INSTANTIATE_TEST_SUITE_P(On, Edges, ::testing::Values(false, true),
                         [](const auto& p) { return p.param ? "Native" : "Chip"; });

wire::CrossingOp crossing(std::uint8_t sense, double volts, std::uint32_t window, std::uint8_t most = 4) {
  return {sense, wire::kEdgeRising | wire::kEdgeFalling, most, EdgesRig::threshold(volts), window};
}

TEST_P(Edges, CrossingsComeWithTheirTimesForEveryWayOfPulsing) {
  Steps s = EdgesRig::powered();
  struct Case {
    std::uint32_t width, window;
  };
  // Narrow and wide pulses, with the converter at rest and with it running.
  const Case cases[] = {{160, 15000}, {320, 15000}, {8000, 15900}, {160, 60000}, {8000, 60000}, {100000, 300000}};
  for (const Case& c : cases) {
    s.crossing(crossing(1, 15.0, c.window)).add(wire::PulseOp{0, 1, 1, c.width, 640}).step();
    s.crossing(crossing(0, 15.0, c.window)).add(wire::PulseOp{0, 1, 1, c.width, 640}).step();
  }
  rig.run_well(s.ended());
  ASSERT_EQ(rig.edges.size(), 2 * std::size(cases));
  for (std::size_t i = 0; i < std::size(cases); ++i) {
    // Y: half way after the delay and ln 2 time constants.
    const double width_us = cases[i].width / kTicksPerUs;
    const auto& y = rig.edges[2 * i];
    EXPECT_EQ(y.sense, 1);
    EXPECT_TRUE(y.crossing);
    EXPECT_FALSE(y.missed);
    EXPECT_FALSE(y.more);
    EXPECT_FALSE(y.high_before);
    EXPECT_FALSE(y.high_after);
    EXPECT_EQ(y.rises, 1U);
    EXPECT_EQ(y.falls, 1U);
    ASSERT_EQ(y.crossings.size(), 2U) << i;
    const double full = 1.0 - std::exp(-width_us);  // a short pulse ends while Y still rises
    const double rise = kLineUs + kLagUs + kComparatorUs + 3.0 + std::log(2.0), fall = kLineUs + kLagUs + kComparatorUs + 3.0 + width_us + std::log(2.0 * full);
    EXPECT_TRUE(y.crossings[0].rising);
    EXPECT_FALSE(y.crossings[1].rising);
    EXPECT_NEAR(y.crossings[0].ticks + 0.5, rise * kTicksPerUs, 1.0) << i;
    EXPECT_NEAR(y.crossings[1].ticks + 0.5, fall * kTicksPerUs, 1.2) << i;
    const auto& clk = rig.edges[2 * i + 1];
    ASSERT_EQ(clk.crossings.size(), 2U) << i;
    constexpr double kPathUs = kLineUs + kSlewUs + kComparatorUs;
    EXPECT_NEAR(clk.crossings[0].ticks + 0.5, kPathUs * kTicksPerUs, 1.0) << i;
    EXPECT_NEAR(clk.crossings[1].ticks + 0.5, (kPathUs + width_us) * kTicksPerUs, 1.0) << i;
  }
}

TEST_P(Edges, OneDirectionAndAFullListAreSaid) {
  Steps s = EdgesRig::powered();
  wire::CrossingOp falling = crossing(1, 15.0, 60000);
  falling.edges = wire::kEdgeFalling;
  s.crossing(falling).add(wire::PulseOp{0, 1, 1, 3200, 640}).step();
  s.crossing(crossing(0, 15.0, 90000, 3)).add(wire::PulseOp{0, 1, 4, 3200, 3200}).step();
  rig.run_well(s.ended());
  ASSERT_EQ(rig.edges.size(), 2U);
  ASSERT_EQ(rig.edges[0].crossings.size(), 1U);
  EXPECT_FALSE(rig.edges[0].crossings[0].rising);
  EXPECT_EQ(rig.edges[0].rises, 1U);
  EXPECT_FALSE(rig.edges[0].missed);
  const auto& many = rig.edges[1];
  ASSERT_EQ(many.crossings.size(), 3U);
  EXPECT_TRUE(many.more);
  EXPECT_FALSE(many.missed);
  EXPECT_EQ(many.rises, 4U);
  EXPECT_EQ(many.falls, 4U);
  EXPECT_EQ(many.crossings[2].ticks - many.crossings[0].ticks, 6400);
}

TEST_P(Edges, APairsDataMovesAgainstItsClock) {
  Steps s = EdgesRig::powered();
  const int offsets[] = {-16000, -1000, -80, -16, 0, 16, 80, 8000};
  for (int offset : offsets) {
    for (std::uint8_t sense : {std::uint8_t{0}, std::uint8_t{2}}) {
      s.crossing(crossing(sense, 15.0, 15000));
      s.add(wire::PulsePairOp{{1, 1}, {3200, 3200}, std::int16_t(offset)}).step();
    }
  }
  rig.run_well(s.ended());
  ASSERT_EQ(rig.edges.size(), 2 * std::size(offsets));
  for (std::size_t i = 0; i < std::size(offsets); ++i) {
    ASSERT_GE(rig.edges[2 * i].crossings.size(), 1U);
    ASSERT_GE(rig.edges[2 * i + 1].crossings.size(), 1U);
    EXPECT_EQ(rig.edges[2 * i + 1].crossings[0].ticks - rig.edges[2 * i].crossings[0].ticks, offsets[i]);
  }
}

TEST_P(Edges, NothingMovesNothingIsFound) {
  rig.board->dead = true;
  Steps s = EdgesRig::powered();
  s.crossing(crossing(1, 15.0, 15000)).add(wire::PulseOp{0, 1, 1, 3200, 640}).step();
  s.crossing(crossing(1, -5.0, 15000)).add(wire::PulseOp{0, 1, 1, 3200, 640}).step();
  rig.run_well(s.ended());
  ASSERT_EQ(rig.edges.size(), 2U);
  for (const auto& e : rig.edges) EXPECT_EQ(e.crossings.size() + e.rises + e.falls, 0U);
  EXPECT_FALSE(rig.edges[0].high_before);
  EXPECT_TRUE(rig.edges[1].high_before);
  EXPECT_TRUE(rig.edges[1].high_after);
}

TEST_P(Edges, DelayedSamplesFollowTheExponential) {
  rig.board->tau = 5.0e-6;
  Steps s = EdgesRig::powered();
  std::vector<int> delays;
  for (int d = -800; d <= 0; d += 160) delays.push_back(d);
  for (int d = 16; d <= 640; d += 16) delays.push_back(d);
  for (int d = 800; d <= 16000; d += 1600) delays.push_back(d);
  for (std::uint32_t width : {std::uint32_t{480}, std::uint32_t{20000}}) {  // narrow, wide
    for (int d : delays) {
      s.delayed({1, std::int16_t(d), 1}).add(wire::PulseOp{0, 1, 1, width, 640}).step();
    }
  }
  rig.run_well(s.ended());
  ASSERT_EQ(rig.samples.size(), 2 * delays.size());
  double worst = 0.0;
  for (std::size_t i = 0; i < rig.samples.size(); ++i) {
    const auto& c = rig.samples[i].channels.at(0);
    EXPECT_EQ(c.index, 1);
    EXPECT_EQ(c.counts.n, 1);
    const double us = delays[i % delays.size()] / kTicksPerUs - kLineUs - kLagUs;
    const double width_us = (i < delays.size() ? 480 : 20000) / kTicksPerUs;
    double volts = us < 3.0 ? 0.0 : 30.0 * (1.0 - std::exp(-(us - 3.0) / 5.0));
    if (us > 3.0 + width_us) {
      volts = 30.0 * (1.0 - std::exp(-width_us / 5.0)) * std::exp(-(us - 3.0 - width_us) / 5.0);
    }
    const double read = -14.948 + 0.07324 * double(c.counts.sum);
    worst = std::max(worst, std::abs(read - volts));
  }
  // Half a count is 0.037 V; one tick on the steepest slope (6 V/us) 0.375 V.
  EXPECT_LT(worst, 0.2);
  std::printf("delayed samples: at most %.3f V from the curve\n", worst);
}

TEST_P(Edges, ShotsAddUp) {
  Steps s = EdgesRig::powered();
  s.delayed({1, 3200, 64}).add(wire::PulseOp{0, 1, 1, 8000, 640}).sample(2, 0, 8).step();
  rig.run_well(s.ended());
  ASSERT_EQ(rig.samples.size(), 2U);
  EXPECT_EQ(rig.samples[0].index, 0);
  EXPECT_EQ(rig.samples[1].index, 1);
  const auto& c = rig.samples[0].channels.at(0).counts;
  EXPECT_EQ(c.n, 64);
  EXPECT_EQ(rig.board->rises, 64);
  EXPECT_EQ(c.sum, 64U * c.min);
  EXPECT_NEAR(-14.948 + 0.07324 * c.min, 30.0, 0.2);
  EXPECT_NEAR(-14.948 + 0.07324 * rig.samples[1].channels.at(0).counts.min, 0.0, 0.1);
}

// Pulses that the board really had: its own count, not the comparator's.
TEST_P(Edges, BurstsAreExactInCountAndPeriod) {
  rig.board->tau = 0.2e-6;
  rig.board->delay = 300'000;
  struct Burst {
    std::uint32_t width, gap, count;
  };
  std::vector<Burst> bursts;
  for (std::uint32_t n : {2U, 3U, 7U, 19U, 20U, 21U, 22U, 23U, 24U, 25U, 40U, 100U, 1000U}) bursts.push_back({5, 40, n});
  for (std::uint32_t n : {2U, 11U, 12U, 13U, 14U, 100U, 819U, 820U, 821U}) bursts.push_back({40, 40, n});
  for (std::uint32_t n : {2U, 3U, 4U, 5U, 6U, 50U, 205U, 410U}) bursts.push_back({160, 160, n});
  for (std::uint32_t n : {2U, 3U, 50U}) bursts.push_back({1000, 100, n});
  for (std::uint32_t n : {2U, 3U, 50U}) bursts.push_back({100, 639, n});
  for (std::uint32_t n : {2U, 5U}) bursts.push_back({32000, 40, n});
  if (!GetParam()) rig.controller->record_edges(true);
  std::vector<int> rises;
  Steps s = EdgesRig::powered();
  rig.run_well(s.open_ended());
  for (const Burst& b : bursts) {
    Steps burst;
    burst.count(0, EdgesRig::threshold(15.0));
    burst.add(wire::PulseOp{0, 1, b.count, b.width, b.gap}).add(wire::WaitOp{100}).count_stop().step();
    const int before = rig.board->rises;
    rig.run_well(burst.open_ended());
    rises.push_back(rig.board->rises - before);
  }
  ASSERT_EQ(rig.edges.size(), bursts.size());
  for (std::size_t i = 0; i < bursts.size(); ++i) {
    EXPECT_EQ(rises[i], int(bursts[i].count)) << bursts[i].width << "/" << bursts[i].gap;
    EXPECT_EQ(rig.edges[i].rises, bursts[i].count) << bursts[i].width << "/" << bursts[i].gap;
    EXPECT_EQ(rig.edges[i].falls, bursts[i].count);
    EXPECT_FALSE(rig.edges[i].crossing);
  }
  if (GetParam()) return;
  // Stamped at the chip's pin: every edge to the tick.
  const auto& pins = rig.controller->edges();
  std::size_t e = 0, wrong = 0;
  for (const Burst& b : bursts) {
    for (std::uint32_t n = 0; n < b.count && e + 1 < pins.size(); ++n, e += 2) {
      if (!pins[e].level || pins[e + 1].t - pins[e].t != b.width * kTick) ++wrong;
      if (n != 0 && pins[e].t - pins[e - 2].t != (b.width + b.gap) * kTick) ++wrong;
    }
  }
  EXPECT_EQ(e, pins.size());
  EXPECT_EQ(wrong, 0U);
  std::printf("bursts: %zu of %zu edges, wrong: %zu\n", e, pins.size(), wrong);
}

TEST_P(Edges, BurstsOfTheSecondLineAndOfLowPulses) {
  Steps s = EdgesRig::powered();
  s.add(wire::FastOp{1, 1, 1}).add(wire::WaitOp{1000}).count(2, EdgesRig::threshold(15.0));
  s.add(wire::PulseOp{1, 0, 500, 80, 80}).count_stop().step();
  rig.run_well(s.ended());
  ASSERT_EQ(rig.edges.size(), 1U);
  EXPECT_TRUE(rig.edges[0].high_before);
  EXPECT_TRUE(rig.edges[0].high_after);
  EXPECT_EQ(rig.edges[0].rises, 500U);
  EXPECT_EQ(rig.edges[0].falls, 500U);
}

// One pulse, one change: a flip-flop that toggles halves the edges; one that steps twice does not.
TEST_P(Edges, CountsTellWhatTheBoardMadeOfThePulses) {
  rig.board->divide = 2;
  Steps s = EdgesRig::powered();
  s.count(1, EdgesRig::threshold(15.0)).add(wire::PulseOp{0, 1, 400, 320, 3200}).add(wire::WaitOp{100}).count_stop().step();
  rig.run_well(s.ended());
  ASSERT_EQ(rig.edges.size(), 1U);
  EXPECT_EQ(rig.edges[0].rises, 100U);
  EXPECT_EQ(rig.edges[0].falls, 100U);
}

// Commanded and counted edges, TENTERHOOK_PULSES of them (docs/wire-protocol.md).
TEST_P(Edges, CountedEdgesAreTheCommandedOnes) {
  const char* asked = std::getenv("TENTERHOOK_PULSES");
  const std::uint32_t n = asked != nullptr ? std::uint32_t(std::atol(asked)) : (GetParam() ? 5000 : 2000);
  Steps s = EdgesRig::powered();
  s.count(0, EdgesRig::threshold(15.0)).add(wire::PulseOp{0, 1, n, 160, 160}).count_stop().step();
  s.count(0, EdgesRig::threshold(15.0)).add(wire::PulseOp{0, 1, n, 160, 640}).count_stop().step();
  rig.run_well(s.ended());
  ASSERT_EQ(rig.edges.size(), 2U);
  for (const auto& e : rig.edges) {
    EXPECT_EQ(e.rises, n);
    EXPECT_EQ(e.falls, n);
  }
  EXPECT_EQ(rig.board->rises, int(2 * n));
  std::printf("%u pulses twice: %u and %u edges\n", n, rig.edges[0].rises, rig.edges[1].rises);
}

// Who clocks a board through a relay's contact clocks it several times.
TEST(Bounce, OfARelayIsCounted) {
  FixtureOptions o = EdgesRig::options();
  o.ideal = false;
  int clean = 0, bounced = 0;
  for (std::uint64_t seed = 1; seed <= 8; ++seed) {
    o.seed = seed;
    EdgesRig rig(true, o);
    Steps s = EdgesRig::powered();
    for (int i = 0; i < 4; ++i) {
      s.count(3, EdgesRig::threshold(15.0)).add(wire::DriveOp{1, 1}).add(wire::WaitOp{30000}).count_stop();
      s.add(wire::DriveOp{1, 0}).add(wire::WaitOp{30000}).step();
    }
    rig.run_well(s.ended());
    for (const auto& e : rig.edges) (e.rises > 1 ? bounced : clean) += 1;
  }
  std::printf("relay as a clock: %d of %d closings bounced\n", bounced, clean + bounced);
  EXPECT_GT(bounced, 8);
}

TEST(Alike, ChipAndNativeGiveTheSameResults) {
  const auto trace = [](bool native) {
    EdgesRig rig(native);
    rig.board->tau = 4.0e-6;
    Steps s = EdgesRig::powered();
    for (std::uint32_t width : {5U, 300U, 333U, 640U, 5000U}) {
      s.crossing(crossing(1, 11.0, 15000)).add(wire::PulseOp{0, 1, 1, width, 640}).step();
      s.crossing(crossing(0, 13.0, 40000, 6)).add(wire::PulseOp{0, 1, 3, width + 1000, 1000}).step();
      s.delayed({1, std::int16_t(width), 3}).add(wire::PulseOp{0, 1, 1, width, 640}).step();
      s.delayed({1, 200, 2}).add(wire::PulsePairOp{{1, 1}, {3200, 3200}, -100}).step();
      s.count(0, EdgesRig::threshold(12.0)).add(wire::PulseOp{0, 1, 77, width, 90}).add(wire::WaitOp{50}).count_stop();
      s.sample(2, 0, 5).step();
    }
    rig.run_well(s.ended());
    std::vector<std::int64_t> all;
    for (const auto& e : rig.edges) {
      all.insert(all.end(), {e.step, e.index, e.sense, e.crossing, e.missed, e.more, e.high_before, e.high_after,
                             e.rises, e.falls});
      for (const auto& c : e.crossings) all.insert(all.end(), {c.ticks, c.rising});
    }
    for (const auto& b : rig.samples) {
      all.insert(all.end(), {b.step, b.index});
      for (const auto& c : b.channels) all.insert(all.end(), {c.index, std::int64_t(c.counts.n), std::int64_t(c.counts.sum)});
    }
    return all;
  };
  const auto chip = trace(false);
  EXPECT_GT(chip.size(), 150U);
  const auto native = trace(true);
  ASSERT_EQ(chip.size(), native.size());
  for (std::size_t i = 0; i < chip.size(); ++i) EXPECT_EQ(chip[i], native[i]) << "number " << i;
}

// Edges too close to each other to be stored one by one: never passed over in silence, and from the declared dead
// time on all are caught.
TEST_P(Edges, EdgesCloserThanTheDeadTimeAreSaidToBeMissed) {
  struct Case {
    std::uint32_t window;
    std::uint16_t dead;
  };
  const Case cases[] = {{15000, wire::kCrossingDeadTicksBrief}, {60000, wire::kCrossingDeadTicks}};
  for (const Case& c : cases) {
    rig.edges.clear();
    std::vector<std::uint32_t> widths;
    Steps s = EdgesRig::powered();
    for (std::uint32_t width = 5; width <= c.dead + 100U; width += 5) {
      widths.push_back(width);
      s.crossing(crossing(0, 15.0, c.window)).add(wire::PulseOp{0, 1, 1, width, 640}).step();
    }
    rig.run_well(s.ended());
    ASSERT_EQ(rig.edges.size(), widths.size());
    std::uint32_t least_caught = 0, longest_missed = 0;
    for (std::size_t i = 0; i < widths.size(); ++i) {
      const auto& e = rig.edges[i];
      EXPECT_EQ(e.rises, 1U);
      EXPECT_EQ(e.falls, 1U);
      EXPECT_EQ(e.missed, e.crossings.size() != 2U) << widths[i];
      ASSERT_GE(e.crossings.size(), 1U);
      EXPECT_NEAR(e.crossings[0].ticks, 3, 1) << "what is listed is true";
      if (e.missed) longest_missed = widths[i];
      if (!e.missed && least_caught == 0) least_caught = widths[i];
    }
    std::printf("window %u: two edges caught from %u ticks, the longest missed %u\n", c.window, least_caught, longest_missed);
    EXPECT_LT(longest_missed, c.dead);
  }
}

// --- safety: the converter is lent, never given away
// --------------------------------------------------------------------------------------

struct Busy {
  const char* name;
  void (*fill)(Steps&);
};
const Busy kBusy[] = {
    {"latest delayed samples", [](Steps& s) { s.delayed({1, 16000, 400}).add(wire::PulseOp{0, 1, 1, 8000, 640}); }},
    {"early delayed samples", [](Steps& s) { s.delayed({1, -800, 400}).add(wire::PulseOp{0, 1, 1, 160, 640}); }},
    {"pairs sampled late",
     [](Steps& s) { s.delayed({1, 8000, 400}).add(wire::PulsePairOp{{1, 1}, {32000, 3200}, -8000}); }},
    {"brief windows",
     [](Steps& s) {
       for (int i = 0; i < 20; ++i) s.crossing(crossing(1, 15.0, 16000, 2)).add(wire::PulseOp{0, 1, 1, 320, 640});
     }},
    {"long windows",
     [](Steps& s) {
       for (int i = 0; i < 4; ++i) s.crossing(crossing(1, 15.0, 160000, 2)).add(wire::PulseOp{0, 1, 1, 320, 640});
     }},
    {"counted bursts",
     [](Steps& s) { s.count(0, EdgesRig::threshold(15.0)).add(wire::PulseOp{0, 1, 900, 40, 40}).add(wire::PulseOp{0, 1, 4000, 40, 40}).count_stop(); }},
    {"short bursts",
     [](Steps& s) {
       for (int i = 0; i < 24; ++i) s.add(wire::PulseOp{0, 1, 12, 40, 40});
     }},
};

// From the true crossing until no supply reaches the rail, wherever in the sequence it comes.
TEST_P(Edges, TripsCutWithinThreeMillisecondsWhateverIsWatched) {
  for (const Busy& busy : kBusy) {
    double worst = 0.0;
    for (int i = 0; i < 16; ++i) {
      EdgesRig r(GetParam());
      r.board->sags = i % 2 == 1;
      Steps s = EdgesRig::powered();
      s.add(wire::CurveOp{2}).step();
      r.run_well(s.open_ended());
      r.board->upset_at = r.controller->now() + 6 * kMs + i * 137 * kUs;
      Steps long_one;
      for (int n = 0; n < 12; ++n) {
        busy.fill(long_one);
        long_one.step();
      }
      const auto fault = r.run(long_one.open_ended());
      ASSERT_TRUE(fault) << busy.name;
      EXPECT_EQ(fault->cause, r.board->sags ? "rail-out-of-window" : "over-current") << busy.name;
      ASSERT_NE(r.board->cut_at, INT64_MAX);
      worst = std::max(worst, double(r.board->cut_at - r.board->upset_at) * 1e-9);
    }
    std::printf("%-24s cut at most %.2f ms after the true crossing\n", busy.name, worst);
    EXPECT_LE(worst, 3.0) << busy.name;
    EXPECT_GT(worst, 0.05) << busy.name;
  }
}

TEST_P(Edges, AStopInTheMiddleOfAShotOpensEverything) {
  for (int i = 0; i < 8; ++i) {
    EdgesRig r(GetParam());
    r.run_well(EdgesRig::powered().open_ended());
    const Picoseconds when = r.controller->now() + 5 * kMs + i * 173 * kUs;
    Steps s;
    for (int n = 0; n < 10; ++n) {
      s.delayed({1, 16000, 60}).add(wire::PulseOp{0, 1, 1, 8000, 640});
      s.crossing(crossing(1, 15.0, 15000)).add(wire::PulseOp{0, 1, 1, 8000, 640}).step();
    }
    r.board->on_time = {when, [&r](Picoseconds t) { r.controller->circuit().press_stop(t, true); }};
    const auto fault = r.run(s.open_ended());
    ASSERT_TRUE(fault);
    EXPECT_EQ(fault->cause, "stop");
    const Picoseconds began = r.controller->now();
    bool open = false;
    for (int n = 0; n < 100 && !open; ++n) {
      const auto truth = r.controller->circuit().truth(r.controller->now());
      open = !truth.any_contact_closed && !truth.any_rail_on;
      r.controller->run_until(r.controller->now() + kMs, false);
    }
    EXPECT_TRUE(open);
    EXPECT_LT(r.controller->now() - began, 60 * kMs);
    // The converter is back: the discharge is followed.
    auto live = r.session->rails();
    ASSERT_TRUE(live.ok());
    EXPECT_NEAR(-14.948 + 0.07324 * live.value().volts[2], 0.0, 0.5);
    // And the next session's shots are right again.
    r.controller->circuit().press_stop(r.controller->now(), false);
    ASSERT_TRUE(r.session->reset_faults().ok());
    r.samples.clear();
    Steps again = EdgesRig::powered();
    again.delayed({1, 3200, 4}).add(wire::PulseOp{0, 1, 1, 8000, 640}).step();
    r.board->on_time = {};
    r.run_well(again.ended());
    ASSERT_EQ(r.samples.size(), 1U);
    EXPECT_NEAR(-14.948 + 0.07324 * r.samples[0].channels.at(0).counts.min, 30.0, 0.2);
    EXPECT_EQ(r.samples[0].channels.at(0).counts.n, 4);
  }
}

// A stop while a line is at its active level: afterwards it rests, and the next pulses are those asked for.
TEST_P(Edges, AStopInTheMiddleOfAPulseLeavesNoEdgeBehind) {
  const wire::PulseOp trains[] = {{0, 1, 4000, 600, 640}, {0, 1, 2000, 900, 640}, {0, 1, 8000, 600, 40}};
  for (const wire::PulseOp& train : trains) {
    for (int i = 0; i < 6; ++i) {
      EdgesRig r(GetParam());
      r.run_well(EdgesRig::powered().open_ended());
      const Picoseconds when = r.controller->now() + 5 * kMs + i * 13 * kUs;
      r.board->on_time = {when, [&r](Picoseconds t) { r.controller->circuit().press_stop(t, true); }};
      Steps s;
      s.add(train).step();
      ASSERT_TRUE(r.run(s.open_ended()));
      r.controller->circuit().press_stop(r.controller->now(), false);
      ASSERT_TRUE(r.session->reset_faults().ok());
      Steps up = EdgesRig::powered();
      r.run_well(up.open_ended());
      EXPECT_LT(r.board->volts(r.controller->now(), 0), 1.0) << "the line rests";
      const int before = r.board->rises;
      r.controller->record_edges(true);
      Steps again;
      again.count(0, EdgesRig::threshold(15.0)).add(wire::PulseOp{0, 1, 3, 160, 1600});
      again.add(wire::PulseOp{0, 1, 3, 1600, 1600}).count_stop().step();
      r.run_well(again.ended());
      EXPECT_EQ(r.board->rises - before, 6);
      ASSERT_EQ(r.edges.size(), 1U);
      EXPECT_EQ(r.edges[0].rises, 6U) << "train of " << train.width_ticks << ", stop " << i;
      if (GetParam()) continue;
      const auto& pins = r.controller->edges();
      ASSERT_EQ(pins.size(), 12U);
      for (std::size_t e = 0; e < 12; e += 2) {
        EXPECT_EQ((pins[e + 1].t - pins[e].t) / kTick, e < 6 ? 160 : 1600) << "train of " << train.width_ticks << ", stop " << i;
      }
    }
  }
}

TEST_P(Edges, WhatCannotBeIsABadProgram) {
  const auto cause = [](bool native, const std::function<void(Steps&)>& fill) {
    EdgesRig r(native);
    Steps s = EdgesRig::powered();
    fill(s);
    s.step();
    const auto fault = r.run(s.ended());
    return fault ? fault->cause : std::string("none");
  };
  const wire::PulseOp pulse{0, 1, 1, 3200, 640};
  const std::vector<std::function<void(Steps&)>> bad = {
      [&](Steps& s) { s.crossing(crossing(0, 15.0, 1000)); },  // nothing follows
      [&](Steps& s) { s.crossing(crossing(0, 15.0, 1000)).add(wire::WaitOp{1}).add(pulse); },
      [&](Steps& s) { s.crossing(crossing(0, 15.0, 0)).add(pulse); },
      [&](Steps& s) { s.crossing(crossing(32, 15.0, 100)).add(pulse); },
      [&](Steps& s) { s.crossing(crossing(0, 15.0, 100, wire::kCrossingsMax + 1)).add(pulse); },
      [&](Steps& s) { s.delayed({0, 100, 1}).add(wire::PulseOp{0, 1, 2, 3200, 640}); },
      [&](Steps& s) { s.delayed({0, wire::kDelayTicksMax + 1, 1}).add(pulse); },
      [&](Steps& s) { s.delayed({0, 100, 0}).add(pulse); },
      [&](Steps& s) { s.delayed({0, 1000, 1}).add(wire::PulsePairOp{{1, 1}, {3200, 3200}, -15500}); },
      [&](Steps& s) { s.count_stop(); },
      [&](Steps& s) { s.count(0, 100).count(0, 100); },
      [&](Steps& s) { s.count(0, 100).sample(2, 0, 1); },
      [&](Steps& s) { s.count(0, 100).crossing(crossing(0, 15.0, 100)).add(pulse); },
      [&](Steps& s) { s.add(wire::PulseOp{0, 1, 2, 100, 39}); },
      [&](Steps& s) { s.add(wire::PulseOp{0, 1, 2, 32001, 100}); },
      [&](Steps& s) { s.add(wire::PulseOp{0, 1, 50'000'000, 100, 100}); },
  };
  for (std::size_t i = 0; i < bad.size(); ++i) EXPECT_EQ(cause(GetParam(), bad[i]), "bad-program") << i;
  EXPECT_EQ(cause(GetParam(), [&](Steps& s) { s.crossing(crossing(0, 15.0, 1000)).add(pulse); }), "none");
}

}  // namespace
}  // namespace tenterhook::emulated
