// Trips: every cause opens everything, is latched with time, channel and value, and nothing is powered
// again without the deliberate reset.
#include <gtest/gtest.h>

#include <cmath>

#include "tests/unit/firmware/bench.h"

namespace tenterhook::test {
namespace {

using wire::Blame;
using wire::Fault;
using wire::RailMode;

constexpr std::uint16_t kLimit = 300;

wire::GuardOp guard(std::uint8_t rail, std::uint8_t flags = 0, std::uint8_t needs = 0) {
  wire::GuardOp g;
  g.rail = rail;
  g.flags = flags;
  g.needs = needs;
  g.min = 600;
  g.max = 800;
  g.limit = kLimit;
  return g;
}

// Two rails up (1 protects, 0 and 2 need it), a drive connected, then a long wait.
Program powered() {
  Program p;
  p.add(guard(1, wire::kGuardProtects)).add(guard(0, 0, 2)).add(guard(2, 0, 2));
  p.add(wire::RailOp{1, RailMode::on}).add(wire::ArmOp{2});
  p.add(wire::RailOp{0, RailMode::on}).add(wire::RailOp{2, RailMode::on}).add(wire::ArmOp{7});
  p.add(wire::DriveOp{1, 1}).mark(1).add(wire::WaitOp{60'000'000}).step(0).end();
  return p;
}
bool power_up(Bench& bench) {
  return bench.start(powered()) && bench.pump(2000 * kMs, [&] {
    return bench.events.size() == 2;
  });
}
bool faulted(Bench& bench) {
  return bench.pump(500 * kMs, [&] { return bench.status.state == wire::State::faulted; });
}

TEST(Trips, OverCurrentCutsWithinThreeMillisecondsWhateverTheSequence) {
  for (int rail : {0, 2}) {
    for (int offset_us = 0; offset_us < 2200; offset_us += 97) {
      Bench bench;
      ASSERT_TRUE(power_up(bench));
      const Picoseconds at = bench.firmware.now() + 20 * kMs + offset_us * kUs;
      bench.circuit.counts = [&, at](Picoseconds t, int adc, int) {
        return adc == map::kAdcCurrent + rail && t >= at ? kLimit + 1 : -1;
      };
      ASSERT_TRUE(faulted(bench));
      EXPECT_EQ(bench.status.first.fault, Fault::over_current);
      EXPECT_EQ(bench.status.first.channel, rail);
      EXPECT_EQ(bench.status.first.value, kLimit + 1);
      EXPECT_EQ(bench.status.first.blame, Blame::board);
      for (int r : {0, 2}) {
        const Picoseconds reaction = bench.circuit.rail_switched_at[r] - at;
        EXPECT_GE(reaction, 0);
        EXPECT_LE(reaction, 3 * kMs) << "offset " << offset_us;
      }
    }
  }
}

// A short pulls the volts down as well: it is over-current, whichever of the two is converted first.
TEST(Trips, AShortIsOverCurrentThoughVoltsFallToo) {
  for (int offset_us = 0; offset_us < 2200; offset_us += 97) {
    Bench bench;
    ASSERT_TRUE(power_up(bench));
    const Picoseconds at = bench.firmware.now() + 20 * kMs + offset_us * kUs;
    bench.circuit.counts = [&, at](Picoseconds t, int adc, int) {
      if (t < at) return -1;
      return adc == map::kAdcCurrent + 2 ? kLimit + 1 : adc == map::kAdcRail + 2 ? 400 : -1;
    };
    ASSERT_TRUE(faulted(bench));
    EXPECT_EQ(bench.status.first.fault, Fault::over_current) << offset_us;
    EXPECT_EQ(bench.status.first.channel, 2);
    EXPECT_LE(bench.circuit.rail_switched_at[2] - at, 3 * kMs);
  }
}

// The hardware comparator cuts a rail within microseconds: what is then seen is volts without current.
TEST(Trips, WhatTheHardwareCutIsNamedAfterItsLatch) {
  for (int offset_us = 0; offset_us < 2200; offset_us += 97) {
    Bench bench;
    ASSERT_TRUE(power_up(bench));
    const Picoseconds at = bench.firmware.now() + 20 * kMs + offset_us * kUs;
    bench.circuit.counts = [&, at](Picoseconds t, int adc, int) {
      if (t >= at) bench.circuit.over_current_latch = 4;
      return t >= at && adc == map::kAdcRail + 2 ? 5 : -1;
    };
    ASSERT_TRUE(faulted(bench));
    EXPECT_EQ(bench.status.first.fault, Fault::over_current_latch) << offset_us;
    EXPECT_EQ(bench.status.first.channel, 2);
  }
}

TEST(Trips, OneHitIsNotATrip) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  int hits = 0;
  long seen = 0;
  bench.circuit.counts = [&](Picoseconds, int adc, int) {
    if (adc != map::kAdcCurrent) return -1;
    return ++seen % 2 == 0 ? (++hits, kLimit + 1) : -1;
  };
  bench.pump(200 * kMs);
  EXPECT_GT(hits, 20);
  EXPECT_EQ(bench.status.first.fault, Fault::none);
}

TEST(Trips, TripsWhileSamplingToo) {
  for (int offset_us = 0; offset_us < 1500; offset_us += 71) {
    Bench bench;
    Program p;
    p.add(guard(0)).add(wire::RailOp{0, RailMode::on}).add(wire::ArmOp{1}).mark(1);
    p.sample(0xFF, 0, 4000).step(0).end();
    ASSERT_TRUE(bench.start(p));
    ASSERT_TRUE(bench.pump(2000 * kMs, [&] { return bench.events.size() == 2; }));
    const Picoseconds at = bench.firmware.now() + 20 * kMs + offset_us * kUs;
    bench.circuit.counts = [&, at](Picoseconds t, int adc, int) {
      return adc == map::kAdcRail && t >= at ? 599 : -1;
    };
    ASSERT_TRUE(faulted(bench));
    EXPECT_EQ(bench.status.first.fault, Fault::rail_window);
    EXPECT_EQ(bench.status.first.value, 599);
    EXPECT_LE(bench.circuit.rail_switched_at[0] - at, 3 * kMs);
  }
}

TEST(Trips, WindowCountsOnlyOnceArmed) {
  Bench bench;
  bench.circuit.counts = [](Picoseconds, int adc, int) { return adc == map::kAdcRail ? 500 : -1; };
  Program p;
  p.add(guard(0)).add(wire::RailOp{0, RailMode::on}).add(wire::WaitOp{100'000}).mark(1);
  p.add(wire::ArmOp{1}).add(wire::WaitOp{100'000}).step(0).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(faulted(bench));
  EXPECT_EQ(bench.events.size(), 2U);
  EXPECT_EQ(bench.status.first.fault, Fault::rail_window);
  EXPECT_EQ(bench.status.first.step, 0);
}

TEST(Trips, ProtectingRailIsHeldAfterTheOthersFell) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  bench.circuit.stop_pressed = true;
  ASSERT_TRUE(faulted(bench));
  EXPECT_EQ(bench.status.first.fault, Fault::stop_button);
  EXPECT_EQ(bench.status.first.blame, Blame::person);
  bench.pump(100 * kMs);
  const auto& at = bench.circuit.rail_switched_at;
  EXPECT_EQ(at[0], at[2]);
  EXPECT_GE(at[1] - at[0], wire::kProtectMsMin * kMs);
  EXPECT_LE(at[1] - at[0], wire::kProtectMsMax * kMs);
  EXPECT_FALSE(bench.circuit.level(map::kPinOutputEnable));
}

TEST(Trips, DrivesOpenAtOnceNotAfterTheHold) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  const Picoseconds pressed = bench.firmware.now();
  bench.circuit.stop_pressed = true;
  ASSERT_TRUE(faulted(bench));
  const auto& latched = bench.circuit.latched;
  Picoseconds opened = -1;
  for (const auto& l : latched) {
    if (l.at > pressed && (l.bits[map::kBitDriveConnect / 8] & 1) == 0 && opened < 0) opened = l.at;
  }
  ASSERT_GE(opened, 0);
  EXPECT_LE(opened - pressed, 3 * kMs);
}

struct InputCase {
  const char* name;
  void (*make)(FakeCircuit&);
  Fault fault;
  Blame blame;
};
class TripInputs : public testing::TestWithParam<InputCase> {};
TEST_P(TripInputs, OpenEverythingAndAreNamed) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  const Picoseconds at = bench.firmware.now();
  GetParam().make(bench.circuit);
  ASSERT_TRUE(faulted(bench));
  EXPECT_EQ(bench.status.first.fault, GetParam().fault);
  EXPECT_EQ(bench.status.first.blame, GetParam().blame);
  bench.pump(60 * kMs);
  EXPECT_FALSE(bench.circuit.truth(bench.firmware.now()).any_contact_closed);
  EXPECT_FALSE(bench.circuit.truth(bench.firmware.now()).any_rail_on);
  EXPECT_LE(bench.circuit.rail_switched_at[0] - at, 60 * kMs);
}
INSTANTIATE_TEST_SUITE_P(
    All, TripInputs,
    testing::Values(
        InputCase{"stop", [](FakeCircuit& c) { c.stop_pressed = true; c.coil_supply = false; },
                  Fault::stop_button, Blame::person},
        InputCase{"lid", [](FakeCircuit& c) { c.lid_open = true; c.coil_supply = false; },
                  Fault::lid, Blame::person},
        InputCase{"coil", [](FakeCircuit& c) { c.coil_supply = false; }, Fault::coil_supply,
                  Blame::fixture},
        InputCase{"latch", [](FakeCircuit& c) { c.over_current_latch = 4; },
                  Fault::over_current_latch, Blame::board},
        InputCase{"chain", [](FakeCircuit& c) { c.break_chain = 0x10; }, Fault::relay_chain,
                  Blame::fixture},
        InputCase{"reference",
                  [](FakeCircuit& c) {
                    c.counts = [](Picoseconds, int adc, int) {
                      return adc == map::kAdcReference ? 490 : -1;
                    };
                  },
                  Fault::reference, Blame::fixture}),
    [](const auto& tested) { return tested.param.name; });

TEST(Trips, OpenLidIsFineWhileTheHoldToRunSwitchIsHeld) {
  Bench bench;
  bench.circuit.lid_open = true;
  bench.circuit.held = true;
  ASSERT_TRUE(power_up(bench));
  bench.pump(100 * kMs);
  ASSERT_EQ(bench.status.first.fault, Fault::none);
  bench.circuit.held = false;
  ASSERT_TRUE(faulted(bench));
  EXPECT_EQ(bench.status.first.fault, Fault::lid);
}

TEST(Trips, DeadmanOpensEverythingAfterTwoHundredMilliseconds) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  bench.pump(20 * kMs);
  bench.heartbeats = false;
  const Picoseconds last = bench.last_sent;
  bench.pump(250 * kMs);
  const Picoseconds fell = bench.circuit.rail_switched_at[0] - last;
  EXPECT_GE(fell, wire::kDeadmanMs * kMs);
  EXPECT_LE(fell, (wire::kDeadmanMs + 3) * kMs);
  EXPECT_FALSE(bench.circuit.truth(last + 250 * kMs).any_contact_closed);
  EXPECT_FALSE(bench.circuit.truth(last + 250 * kMs).any_rail_on);
  bench.heartbeats = true;
  bench.pump(100 * kMs);
  EXPECT_EQ(bench.status.first.fault, Fault::deadman);
  EXPECT_EQ(bench.status.first.blame, Blame::link);
}

// The host lives and asks, but never says that a result has come: after every retry its link is given up.
TEST(Trips, ResultsThatNobodyAcknowledgesOpenEverything) {
  Bench bench;
  Program p;
  p.add(guard(0)).add(wire::RailOp{0, RailMode::on}).add(wire::ArmOp{1}).add(wire::DriveOp{1, 1}).mark(1);
  p.add(wire::WaitOp{100'000}).mark(2).add(wire::WaitOp{60'000'000}).step(0).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.pump(2000 * kMs, [&] { return bench.events.size() == 2; }));
  bench.acknowledges = false;
  ASSERT_TRUE(bench.pump(20'000 * kMs, [&] { return bench.status.state == wire::State::faulted; }));
  EXPECT_EQ(bench.status.first.fault, Fault::link_lost);
  EXPECT_EQ(bench.status.first.blame, Blame::link);
  EXPECT_LE(bench.firmware.now() - bench.last_sent, wire::kDeadmanMs * kMs);  // the host was heard all the time
  bench.pump(100 * kMs);
  EXPECT_FALSE(bench.circuit.truth(bench.firmware.now()).any_contact_closed);
  EXPECT_FALSE(bench.circuit.truth(bench.firmware.now()).any_rail_on);
}

// Without conversions no trip could see anything.
TEST(Trips, ConverterThatStopsOpensEverythingInMilliseconds) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  bench.pump(20 * kMs);
  const Picoseconds at = bench.firmware.now();
  bench.firmware.stop_conversions();
  ASSERT_TRUE(faulted(bench));
  EXPECT_EQ(bench.status.first.fault, Fault::converter);
  EXPECT_EQ(bench.status.first.blame, Blame::fixture);
  for (int r : {0, 2}) {
    EXPECT_GE(bench.circuit.rail_switched_at[r], at);
    EXPECT_LE(bench.circuit.rail_switched_at[r] - at, 8 * kMs);
  }
  bench.pump(100 * kMs);
  EXPECT_FALSE(bench.circuit.truth(bench.firmware.now()).any_contact_closed);
  EXPECT_FALSE(bench.circuit.truth(bench.firmware.now()).any_rail_on);
}

TEST(Trips, FramesOfAnotherEpochDoNotKeepTheDeadmanOff) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  bench.to_device = [&](const Bytes&) {
    wire::Header h;
    h.type = wire::Type::heartbeat;
    h.epoch = static_cast<std::uint16_t>(bench.epoch - 1);
    const std::uint8_t payload[3] = {0, 0, 0};
    std::uint8_t line[wire::kLineBytesMax];
    const auto size = wire::make_frame(h, payload, 3, line);
    return std::vector<Bytes>{Bytes(line, line + size)};
  };
  bench.pump(300 * kMs);
  EXPECT_FALSE(bench.circuit.truth(bench.firmware.now()).any_rail_on);
}

TEST(Trips, HungFirmwareLetsGoThroughTheMonostableAndIsResetByTheWatchdog) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  const Picoseconds at = bench.firmware.now();
  bench.firmware.stall_until(at + 10'000 * kMs);
  bench.pump(30 * kMs);
  EXPECT_FALSE(bench.circuit.outputs_live(bench.firmware.now()));
  bench.pump(150 * kMs);
  ASSERT_TRUE(bench.hello());
  EXPECT_EQ(bench.hello_reply.reset_cause, wire::ResetCause::watchdog);
  EXPECT_EQ(bench.hello_reply.state, wire::State::faulted);
  EXPECT_EQ(bench.hello_reply.boot_nonce, 2U);
}

TEST(Trips, HostStopIsObeyedBehindAFullQueueAndIsIdempotent) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  bench.stop();
  bench.stop();
  ASSERT_TRUE(faulted(bench));
  EXPECT_EQ(bench.status.first.fault, Fault::host_stop);
  EXPECT_EQ(bench.status.fault_count, 1);
  bench.stop();
  bench.pump(50 * kMs);
  EXPECT_EQ(bench.status.fault_count, 1);
  EXPECT_EQ(bench.status.first.fault, Fault::host_stop);
}

TEST(Trips, StopSurvivesAnyOneDamagedByte) {
  for (int bad = 0; bad < wire::kStopZeros; ++bad) {
    Bench bench;
    ASSERT_TRUE(power_up(bench));
    Bytes zeros(wire::kStopZeros, 0);
    zeros[bad] = 0x5A;
    bench.firmware.feed(zeros);
    ASSERT_TRUE(faulted(bench)) << bad;
    EXPECT_EQ(bench.status.first.fault, Fault::host_stop);
  }
}

TEST(Trips, FirstFaultStaysAndOthersAreCounted) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  bench.circuit.stop_pressed = true;
  ASSERT_TRUE(faulted(bench));
  bench.circuit.lid_open = true;
  bench.circuit.over_current_latch = 1;
  bench.pump(300 * kMs);
  EXPECT_EQ(bench.status.first.fault, Fault::stop_button);
  EXPECT_EQ(bench.status.fault_count, 1);
}

TEST(Trips, NothingIsPoweredBeforeTheDeliberateReset) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  bench.stop();
  ASSERT_TRUE(faulted(bench));
  bench.pump(100 * kMs);
  EXPECT_FALSE(bench.begin(2));
  bench.send_message(wire::Type::reset_faults, wire::ResetFaults{0});  // a stale count
  bench.pump(50 * kMs);
  EXPECT_EQ(bench.status.state, wire::State::faulted);
  bench.send_message(wire::Type::reset_faults, wire::ResetFaults{bench.status.fault_count});
  bench.pump(50 * kMs);
  EXPECT_EQ(bench.status.state, wire::State::idle);
  ASSERT_TRUE(bench.begin(3));
  bench.load(powered().bytes());
  EXPECT_TRUE(bench.pump(2000 * kMs, [&] { return bench.circuit.rail_on(0); }));
}

TEST(Trips, FaultBumpsTheEpochAndStaleChunksDie) {
  Bench bench;
  ASSERT_TRUE(power_up(bench));
  const std::uint16_t before = bench.epoch;
  bench.stop();
  ASSERT_TRUE(faulted(bench));
  EXPECT_EQ(bench.epoch, wire::next_epoch(before));
  bench.ask(wire::Ask::counters);
  bench.pump(20 * kMs);
  const auto stale = bench.counters.frames_stale;
  bench.epoch = before;
  bench.send(wire::Type::chunk, Bytes(20, 0), 50);
  bench.epoch = wire::next_epoch(before);
  bench.ask(wire::Ask::counters);
  bench.pump(20 * kMs);
  EXPECT_EQ(bench.counters.frames_stale, stale + 1);
}

TEST(Trips, ResultsTakenBeforeTheFaultStillArrive) {
  Bench bench;
  bench.acknowledges = false;
  Program p;
  for (std::uint16_t i = 0; i < 4; ++i) p.sample(0xF, 0, 4).step(i);
  p.add(wire::WaitOp{60'000'000}).step(9).end();
  ASSERT_TRUE(bench.start(p));
  bench.pump(200 * kMs);
  bench.circuit.lid_open = true;
  bench.pump(50 * kMs);
  bench.acknowledges = true;
  bench.pump(500 * kMs);
  EXPECT_EQ(bench.samples().size(), 4U);
  EXPECT_EQ(bench.status.results_waiting, 0);
}

TEST(Trips, UnguardedRailOrWrongOrderIsRefused) {
  {
    Bench bench;
    Program p;
    p.add(wire::RailOp{0, RailMode::on}).step(0).end();
    ASSERT_TRUE(bench.start(p));
    ASSERT_TRUE(faulted(bench));
    EXPECT_EQ(bench.status.first.fault, Fault::wrong_order);
    EXPECT_FALSE(bench.circuit.coil(map::kBitRailSeries));
  }
  {
    Bench bench;
    Program p;
    p.add(guard(1)).add(guard(0, 0, 2)).add(wire::RailOp{0, RailMode::on}).step(0).end();
    ASSERT_TRUE(bench.start(p));
    ASSERT_TRUE(faulted(bench));
    EXPECT_EQ(bench.status.first.fault, Fault::wrong_order);
  }
  {
    Bench bench;
    Program p;
    p.add(guard(0)).add(wire::DriveOp{1, 0}).step(0).end();
    ASSERT_TRUE(bench.start(p));
    ASSERT_TRUE(faulted(bench));
    EXPECT_EQ(bench.status.first.fault, Fault::wrong_order);
    EXPECT_EQ(bench.status.first.channel, 128 + static_cast<int>(wire::Op::drive));
  }
}

TEST(Trips, SeriesRelayMovesWithoutCurrent) {
  Bench bench;
  Program p;
  p.add(guard(0)).add(wire::RailOp{0, RailMode::on}).add(wire::ArmOp{1}).mark(1);
  p.add(wire::RailOp{0, RailMode::off}).mark(2).add(wire::WaitOp{1000}).step(0).end();
  ASSERT_TRUE(bench.start(p));
  Picoseconds on = 0;
  ASSERT_TRUE(bench.pump(1000 * kMs, [&] { return bench.events.size() == 2; }));
  on = bench.circuit.rail_switched_at[0];
  ASSERT_TRUE(bench.run_to_end(1000 * kMs));
  Picoseconds closed = -1, opened = -1;
  for (const auto& l : bench.circuit.latched) {
    const bool series = (l.bits[map::kBitRailSeries / 8] >> (map::kBitRailSeries % 8) & 1) != 0;
    if (series && closed < 0) closed = l.at;
    if (!series && closed >= 0 && opened < 0) opened = l.at;
  }
  EXPECT_EQ(on - closed, wire::kRailRelayUs * kUs);
  EXPECT_GE(opened - bench.circuit.rail_switched_at[0], wire::kBreakUs * kUs);
}

TEST(Trips, RailUntilReportsItsTimeOrIsLate) {
  for (bool comes : {true, false}) {
    Bench bench;
    Picoseconds up = INT64_MAX;
    bench.circuit.counts = [&](Picoseconds t, int adc, int) {
      if (adc != map::kAdcRail) return -1;
      return t > up ? 700 : 400;
    };
    Program p;
    p.add(guard(0)).add(wire::RailOp{0, RailMode::pre_charge}).mark(1);
    wire::RailUntilOp until;
    until.min = 600;
    until.current_min = 100;
    until.hold_ms = 50;
    until.within_ms = 500;
    p.rail_until(until).step(0).end();
    ASSERT_TRUE(bench.start(p));
    ASSERT_TRUE(bench.pump(1000 * kMs, [&] { return bench.events.size() == 2; }));
    if (comes) up = bench.firmware.now() + 200 * kMs;
    if (comes) {
      ASSERT_TRUE(bench.run_to_end(2000 * kMs));
      const auto& e = bench.events[2];
      EXPECT_EQ(e.kind, wire::EventKind::rail_up);
      EXPECT_NEAR(e.value >> 8, 250, 12);
    } else {
      bench.pump(800 * kMs);
      EXPECT_EQ(bench.status.first.fault, Fault::rail_late);
      EXPECT_EQ(bench.status.first.value, 400);
    }
  }
}

TEST(Trips, HeatingTripsByItsArithmetic) {
  Bench bench;
  wire::GuardOp g = guard(0);
  g.base = 100;
  g.heating = 30000UL * 200;  // current 200: 200^2 - 100^2 = 30,000 a millisecond -> 200 ms
  Program p;
  p.add(g).add(wire::RailOp{0, RailMode::on}).mark(1).add(wire::WaitOp{5'000'000}).step(0).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.pump(1000 * kMs, [&] { return bench.events.size() == 2; }));
  const Picoseconds on = bench.circuit.rail_switched_at[0];
  ASSERT_TRUE(faulted(bench));
  EXPECT_EQ(bench.status.first.fault, Fault::heating);
  EXPECT_NEAR(static_cast<double>(bench.circuit.rail_switched_at[0] - on) / kMs, 201, 3);
}

// A rail of 1 kohm (the bleeder) and 100 uF, in counts over a zero of 204: what Query{rails} tells at rest.
struct Discharging {
  static constexpr double kTau = 0.1;  // s
  static int counts(Bench& bench, Picoseconds t, int rail) {
    if (bench.circuit.rail_on(rail)) return 700;
    const double off = static_cast<double>(t - bench.circuit.rail_switched_at[rail]) * 1e-12;
    return 204 + static_cast<int>(496.0 * std::exp(-off / kTau));
  }
  static void on(Bench& bench) {
    bench.circuit.counts = [&bench](Picoseconds t, int adc, int mux) {
      if (adc == map::kAdcRail) return counts(bench, t, 0);
      return adc == map::kAdcRailMux && mux == 3 ? counts(bench, t, 3) : -1;
    };
  }
  // Rails 0 and 3 on and armed, then what `then` does.
  static Program powered() {
    Program p;
    p.add(guard(0)).add(guard(3)).add(wire::RailOp{0, RailMode::on}).add(wire::RailOp{3, RailMode::on});
    p.add(wire::ArmOp{9}).add(wire::WaitOp{5'000}).mark(1);
    return p;
  }
  static void expect_followed(Bench& bench) {
    int last = 1023;
    for (int i = 0; i < 40; ++i) {
      bench.ask(wire::Ask::rails);
      bench.pump(20 * kMs);
      for (int rail : {0, 3}) {
        // Between question and answer lie at most 5 ms of the rest period and the line's few ms.
        const int now = counts(bench, bench.firmware.now(), rail);
        const int earlier = counts(bench, bench.firmware.now() - 26 * kMs, rail);
        EXPECT_GE(bench.rails.volts[rail], now) << i;
        EXPECT_LE(bench.rails.volts[rail], earlier) << i;
      }
      if (i > 0) {
        EXPECT_EQ(bench.rails.current[0], 0);
      }
      EXPECT_EQ(bench.rails.reference, 512);
      EXPECT_LE(bench.rails.volts[0], last);
      last = bench.rails.volts[0];
    }
    EXPECT_LT(last, 210);
  }
};

TEST(Discharge, IsFollowedAfterTheEnd) {
  Bench bench;
  Discharging::on(bench);
  ASSERT_TRUE(bench.start(Discharging::powered().step(0).end()));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  Discharging::expect_followed(bench);
  EXPECT_EQ(bench.status.first.fault, Fault::none);
}

TEST(Discharge, IsFollowedAfterAFault) {
  Bench bench;
  Discharging::on(bench);
  Program p = Discharging::powered();
  ASSERT_TRUE(bench.start(p.add(wire::WaitOp{10'000'000}).step(0).end()));
  ASSERT_TRUE(bench.pump(2000 * kMs, [&] { return bench.events.size() == 2; }));
  bench.circuit.stop_pressed = true;
  ASSERT_TRUE(faulted(bench));
  Discharging::expect_followed(bench);
}

TEST(Discharge, VoltsAreKnownBeforeTheFirstRun) {
  Bench bench;
  bench.circuit.counts = [](Picoseconds, int adc, int) { return adc == map::kAdcRail + 1 ? 333 : -1; };
  ASSERT_TRUE(bench.hello());
  bench.ask(wire::Ask::rails);
  bench.pump(20 * kMs);
  EXPECT_EQ(bench.rails.volts[1], 333);
  EXPECT_EQ(bench.rails.ground, 205);
}

// At rest nothing trips and nothing is switched, whatever the converter shows; the next run trips again.
TEST(Discharge, RestJudgesNothingAndTheNextRunDoes) {
  Bench bench;
  bool bad = false;
  bench.circuit.counts = [&](Picoseconds, int adc, int) {
    return bad && adc == map::kAdcReference ? 400 : -1;
  };
  Program first;
  first.add(guard(1, wire::kGuardProtects)).add(wire::RailOp{1, RailMode::on}).add(wire::ArmOp{2});
  ASSERT_TRUE(bench.start(first.mark(1).step(0).end()));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  bad = true;
  const Picoseconds switched = bench.circuit.rail_switched_at[1];
  bench.pump(300 * kMs);
  EXPECT_EQ(bench.status.first.fault, Fault::none);
  EXPECT_EQ(bench.circuit.rail_switched_at[1], switched);
  Program again;
  ASSERT_TRUE(bench.start(again.add(wire::WaitOp{1'000'000}).step(0).end(), 2));
  ASSERT_TRUE(faulted(bench));
  EXPECT_EQ(bench.status.first.fault, Fault::reference);
}

}  // namespace
}  // namespace tenterhook::test
