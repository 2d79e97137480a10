// The step engine on the native firmware: operations, their times, their results.
#include <gtest/gtest.h>

#include <cmath>

#include "tests/unit/firmware/bench.h"

namespace tenterhook::test {
namespace {

using wire::EventKind;
using wire::Fault;

TEST(Engine, DriveAndSampleGiveTheCountsOfTheChosenChannels) {
  Bench bench;
  Program p;
  p.add(wire::DriveOp{0x0005, 0x0001}).add(wire::RelayWaitOp{30000});
  p.sample(1ULL << 3 | 1ULL << 17, wire::aux_bit(wire::kAuxDrive + 2) | wire::aux_bit(wire::kAuxProbe), 24);
  p.step(0).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  const auto samples = bench.samples();
  ASSERT_EQ(samples.size(), 1U);
  EXPECT_EQ(samples[0].head.step, 0);
  EXPECT_EQ(samples[0].head.n, 24);
  EXPECT_EQ(samples[0].head.part, wire::kLastPart);
  ASSERT_EQ(samples[0].channels.size(), 4U);
  const std::uint16_t counts[] = {103, 117, 302, 900};
  const std::uint8_t sources[] = {3, 17, 64 + 2, 64 + 36};
  for (int i = 0; i < 4; ++i) {
    const wire::ChannelCounts& c = samples[0].channels[i];
    EXPECT_EQ(c.source, sources[i]);
    EXPECT_EQ(c.sum, 24U * counts[i]);
    EXPECT_EQ(c.min, counts[i]);
    EXPECT_EQ(c.max, counts[i]);
    EXPECT_EQ(c.sum_of_squares, 24U * counts[i] * counts[i]);
  }
}

TEST(Engine, ConversionsOfASampleAreRoundRobinOverOneMainsPeriod) {
  Bench bench;
  std::vector<std::pair<Picoseconds, int>> seen;
  bench.circuit.counts = [&](Picoseconds t, int adc, int mux) {
    if (adc == 0) seen.push_back({t, mux});
    return -1;
  };
  Program p;
  p.sample(0xFF, 0, 24).step(0).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  ASSERT_EQ(seen.size(), 192U);
  for (std::size_t i = 0; i < seen.size(); ++i) {
    EXPECT_EQ(seen[i].second, static_cast<int>(i % 8));
    if (i > 0) {
      EXPECT_EQ(seen[i].first - seen[i - 1].first, 104 * kUs);
    }
  }
}

TEST(Engine, ManyChannelsComeInPartsAscending) {
  Bench bench;
  Program p;
  p.sample(0xFFFFFFFF, 0xFFFF, 2).step(7).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  const auto samples = bench.samples();
  ASSERT_EQ(samples.size(), 6U);
  int channel = 0;
  for (int part = 0; part < 6; ++part) {
    EXPECT_EQ(samples[part].head.part, part == 5 ? part | wire::kLastPart : part);
    for (const auto& c : samples[part].channels) {
      EXPECT_EQ(c.source, channel < 32 ? channel : channel - 32 + 64);
      EXPECT_EQ(c.sum, c.source < 64 ? 2U * (100 + c.source) : 2U * (300 + c.source - 64));
      ++channel;
    }
  }
  EXPECT_EQ(channel, 48);
}

TEST(Engine, RelayWaitWaitsOnlyAfterRelaysMoved) {
  Bench bench;
  Program p;
  p.add(wire::DriveOp{1, 1}).mark(0).add(wire::RelayWaitOp{20000}).mark(1);
  p.add(wire::DriveOp{1, 1}).add(wire::RelayWaitOp{20000}).mark(2);
  p.add(wire::DriveOp{1, 0}).add(wire::WaitOp{5000}).add(wire::RelayWaitOp{20000}).mark(3);
  p.step(0).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  std::vector<std::uint32_t> at;
  for (const auto& e : bench.events) {
    if (e.kind == EventKind::mark) at.push_back(e.time_us);
  }
  ASSERT_EQ(at.size(), 4U);
  EXPECT_EQ(at[1] - at[0], 20000U);
  EXPECT_EQ(at[2] - at[1], 0U);
  EXPECT_EQ(at[3] - at[2], 20000U);  // from the command, the wait of 5 ms included
}

TEST(Engine, ContactsOpenBeforeOthersClose) {
  Bench bench;
  Program p;
  p.add(wire::DriveOp{0x0001, 0}).add(wire::RelayWaitOp{20000});
  p.add(wire::DriveOp{0x0002, 0}).add(wire::RelayWaitOp{20000});
  p.step(0).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  Picoseconds opened = -1, closed = -1;
  for (const auto& l : bench.circuit.latched) {
    const int connect = l.bits[map::kBitDriveConnect / 8];
    EXPECT_NE(connect, 3) << "two drives at once";
    if (connect == 2 && closed < 0) closed = l.at;
    if (connect == 0) opened = closed < 0 ? l.at : opened;
  }
  EXPECT_EQ(closed - opened, wire::kBreakUs * kUs);
}

TEST(Engine, PulsesAreExactToTheTick) {
  for (std::uint32_t width : {5U, 39U, 640U, 3200U, 16000U, 70000U, 200000U}) {
    Bench bench;
    Program p;
    p.add(wire::FastOp{0, 1, 0}).add(wire::PulseOp{0, 1, 3, width, 1000}).step(0).end();
    ASSERT_TRUE(bench.start(p));
    ASSERT_TRUE(bench.run_to_end(2000 * kMs));
    const auto& edges = bench.circuit.edges[0];
    ASSERT_EQ(edges.size(), 6U) << width;
    for (int i = 0; i < 6; i += 2) {
      EXPECT_TRUE(edges[i].level);
      EXPECT_EQ(edges[i + 1].at - edges[i].at, width * kTick);
      if (i > 0) {
        EXPECT_EQ(edges[i].at - edges[i - 1].at, 1000 * kTick);
      }
    }
  }
}

TEST(Engine, PulseFromTheActiveLevelIsABadProgram) {
  Bench bench;
  Program p;
  p.add(wire::FastOp{1, 1, 1}).add(wire::PulseOp{1, 1, 1, 100, 1000}).step(0).end();
  ASSERT_TRUE(bench.start(p));
  EXPECT_FALSE(bench.run_to_end(2000 * kMs));
  EXPECT_EQ(bench.status.first.fault, Fault::bad_program);
  EXPECT_EQ(bench.status.first.channel, static_cast<int>(wire::Op::pulse));
}

TEST(Engine, ProgramLongerThanMemoryRunsWithoutStarving) {
  Bench bench;
  Program p;
  for (std::uint16_t i = 0; i < 300; ++i) {
    p.add(wire::DriveOp{i, i}).add(wire::RelayWaitOp{2000}).sample(0xF, 0, 4).step(i);
  }
  p.end();
  ASSERT_GT(p.bytes().size(), 5U * wire::kProgramBytes);
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.run_to_end(60'000 * kMs));
  const auto samples = bench.samples();
  ASSERT_EQ(samples.size(), 300U);
  for (std::uint16_t i = 0; i < 300; ++i) EXPECT_EQ(samples[i].head.step, i);
  EXPECT_EQ(bench.events.back().value, 0U);  // starvations
  bench.ask(wire::Ask::counters);
  bench.pump(20 * kMs);
  EXPECT_EQ(bench.counters.starvations, 0);
  EXPECT_EQ(bench.counters.frames_refused, 0);
}

TEST(Engine, LateProgramStarvesBetweenStepsAndIsCounted) {
  Bench bench;
  Program first;
  first.mark(1).step(0).mark(2).step(1);
  Program rest;
  rest.mark(3).step(2).end();
  ASSERT_TRUE(bench.start(first));
  bench.pump(500 * kMs);
  bench.load(rest.bytes(), false);
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  EXPECT_EQ(bench.events.back().value, 1U);
  bench.ask(wire::Ask::counters);
  bench.pump(20 * kMs);
  EXPECT_EQ(bench.counters.starvations, 1);
  EXPECT_GT(bench.counters.time_starved_us, 300000U);
}

TEST(Engine, StepIsNotEnteredBeforeAllOfItIsThere) {
  Bench bench;
  Program p;
  p.add(wire::DriveOp{1, 1}).mark(1).add(wire::WaitOp{100}).step(0).end();
  const Bytes& whole = p.bytes();
  ASSERT_TRUE(bench.hello());
  ASSERT_TRUE(bench.begin(1));
  bench.load(Bytes(whole.begin(), whole.end() - 4));
  bench.pump(300 * kMs);
  EXPECT_FALSE(bench.circuit.coil(map::kBitDriveConnect));
  bench.load(Bytes(whole.end() - 4, whole.end()), false);
  EXPECT_TRUE(bench.run_to_end(1000 * kMs));
}

TEST(Engine, PatientLabelWaitsWithoutStarvation) {
  Bench bench;
  Program p;
  p.mark(1).step(0);
  p.mark(2).step(1, wire::kLabelPatient).end();
  const Bytes whole = p.bytes();
  ASSERT_TRUE(bench.hello());
  ASSERT_TRUE(bench.begin(1));
  bench.load(Bytes(whole.begin(), whole.end() - 6));  // the patient label, not its operation
  bench.pump(15'000 * kMs);
  ASSERT_EQ(bench.status.first.fault, Fault::none);
  bench.load(Bytes(whole.end() - 6, whole.end()), false);
  ASSERT_TRUE(bench.run_to_end(1000 * kMs));
  EXPECT_EQ(bench.events.back().value, 0U);
}

TEST(Engine, StarvingForTooLongIsAFault) {
  Bench bench;
  Program p;
  p.mark(1).step(0);
  ASSERT_TRUE(bench.start(p));
  bench.pump(wire::kStarvedMs * kMs + 200 * kMs);
  EXPECT_EQ(bench.status.first.fault, Fault::starved);
  EXPECT_EQ(bench.status.first.blame, wire::Blame::link);
}

TEST(Engine, UnknownOpcodesAreBadPrograms) {
  for (int code : {0x00, 0x03, 0x3F, 0x45, 0xFF}) {
    const auto op = static_cast<std::uint8_t>(code);
    Bench bench;
    Program p;
    p.raw({0x02, 0, 0, 3, 0, 0, 0, 0, op, 0, 0}).end();
    ASSERT_TRUE(bench.start(p));
    EXPECT_FALSE(bench.run_to_end(1000 * kMs));
    EXPECT_EQ(bench.status.first.fault, Fault::bad_program) << int{op};
    EXPECT_EQ(bench.status.first.channel, op);
  }
}

TEST(Engine, ResultsBeyondTheLabelsDeclarationAreABadProgram) {
  Bench bench;
  Program p;
  p.add(wire::SampleOp{1, 0, 1}).step(0).end();  // declares no results
  ASSERT_TRUE(bench.start(p));
  EXPECT_FALSE(bench.run_to_end(1000 * kMs));
  EXPECT_EQ(bench.status.first.fault, Fault::bad_program);
}

TEST(Engine, StoreFullHoldsAtTheLabelUntilAcknowledged) {
  Bench bench;
  bench.acknowledges = false;
  Program p;
  for (std::uint16_t i = 0; i < 40; ++i) p.sample(0xFF, 0, 1).step(i);
  p.end();
  ASSERT_TRUE(bench.start(p));
  bench.pump(150 * kMs);
  ASSERT_EQ(bench.status.first.fault, Fault::none);
  bench.acknowledges = true;
  ASSERT_TRUE(bench.run_to_end(5000 * kMs));
  EXPECT_EQ(bench.samples().size(), 40U);
  bench.ask(wire::Ask::counters);
  bench.pump(20 * kMs);
  EXPECT_GE(bench.counters.store_waits, 1);
  EXPECT_EQ(bench.counters.starvations, 0);
}

TEST(Engine, EndOpensEverything) {
  Bench bench;
  Program p;
  p.add(wire::DriveOp{0xFFFF, 0xAAAA}).add(wire::FastOp{0, 1, 1}).add(wire::RouteOp{3});
  p.add(wire::BusOp{wire::kBusPull10k, 0xF0F0}).add(wire::TriggerOp{1});
  p.add(wire::RelayWaitOp{10000}).mark(1).step(0).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.pump(2000 * kMs, [&] { return bench.events.size() == 2; }));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  for (int bit = 0; bit < map::kChainBits; ++bit) EXPECT_FALSE(bench.circuit.coil(bit)) << bit;
  EXPECT_FALSE(bench.circuit.level(map::kPinOutputEnable));
  EXPECT_FALSE(bench.circuit.level(map::kPinFast0));
}

TEST(Engine, CountersSplitTheTime) {
  Bench bench;
  Program p;
  p.add(wire::DriveOp{1, 1}).add(wire::RelayWaitOp{20000}).add(wire::WaitOp{3000});
  p.add(wire::FastOp{0, 0, 0}).add(wire::PulseOp{0, 1, 2, 16000, 16000}).sample(0xFF, 0, 24);
  p.step(0).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  bench.ask(wire::Ask::counters);
  bench.pump(20 * kMs);
  EXPECT_EQ(bench.counters.time_relay_us, 20000U);
  EXPECT_EQ(bench.counters.time_wait_us, 3000U);
  EXPECT_NEAR(bench.counters.time_pulse_us, 4003, 2);  // 2.5 us to the first edge
  EXPECT_NEAR(bench.counters.time_convert_us, 19968, 300);
  EXPECT_EQ(bench.counters.relay_moves, 6U);  // master and two coils, on and off
}

// While a sample runs, the next step's relays are shifted into the chain already; nothing hears of them
// before their moment, and never when a stop comes first.
TEST(Engine, NextStepsRelaysWaitForTheirMoment) {
  Bench bench;
  Program p;
  p.add(wire::DriveOp{1, 0}).add(wire::RelayWaitOp{5000}).sample(0xFF, 0, 240).step(0);
  p.add(wire::DriveOp{3, 2}).add(wire::RelayWaitOp{5000}).sample(0xFF, 0, 240).step(1);
  p.add(wire::DriveOp{7, 6}).mark(1).step(2).end();
  ASSERT_TRUE(bench.start(p));
  const auto connected = [&] { return bench.circuit.latched.back().bits[map::kBitDriveConnect / 8]; };
  // The first sample takes 200 ms from 45 ms on; half of it is over.
  ASSERT_TRUE(bench.pump(150 * kMs));
  EXPECT_EQ(connected(), 1);
  ASSERT_TRUE(bench.pump(200 * kMs));
  EXPECT_EQ(connected(), 3);
  EXPECT_EQ(bench.circuit.latched.back().bits[map::kBitDriveHigh / 8], 2);
  const std::size_t before = bench.circuit.latched.size();
  bench.circuit.stop_pressed = true;
  bench.pump(100 * kMs);
  EXPECT_EQ(bench.status.state, wire::State::faulted);
  for (std::size_t i = before; i < bench.circuit.latched.size(); ++i) {
    for (std::uint8_t byte : bench.circuit.latched[i].bits) EXPECT_EQ(byte, 0);
  }
  EXPECT_EQ(connected(), 0);
}

TEST(Engine, RelayTimeCountsFromTheEdgeThatCommandsThem) {
  Bench bench;
  Program p;
  for (std::uint16_t i = 0; i < 6; ++i) {
    p.add(wire::DriveOp{3, std::uint16_t(i & 3)}).add(wire::RelayWaitOp{5000}).sample(1, 0, 20).step(i);
  }
  ASSERT_TRUE(bench.start(p.end()));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  const auto samples = bench.samples();
  ASSERT_EQ(samples.size(), 6U);
  std::vector<Picoseconds> moved;
  for (const auto& l : bench.circuit.latched) {
    if ((l.bits[map::kBitDriveConnect / 8] & 3) == 3) moved.push_back(l.at);
  }
  ASSERT_EQ(moved.size(), 6U);
  for (std::size_t i = 0; i < 6; ++i) {
    EXPECT_EQ(samples[i].head.time_us - static_cast<std::uint32_t>(moved[i] / kUs), 5000U) << i;
  }
}

TEST(Engine, PulsePairKeepsItsOffset) {
  for (int offset : {-16000, -17, 0, 1, 500, 16000}) {
    Bench bench;
    Program p;
    p.add(wire::FastOp{0, 0, 0}).add(wire::FastOp{1, 0, 1});
    p.add(wire::PulsePairOp{{1, 0}, {1600, 32000}, static_cast<std::int16_t>(offset)}).mark(1).step(0);
    ASSERT_TRUE(bench.start(p.end()));
    ASSERT_TRUE(bench.pump(1000 * kMs, [&] { return bench.events.size() == 2; }));
    auto clock = bench.circuit.edges[0];
    auto data = bench.circuit.edges[1];
    ASSERT_EQ(clock.size(), 2U);
    ASSERT_GE(data.size(), 3U);  // to its resting level before, low at the end
    EXPECT_TRUE(clock[0].level);
    EXPECT_FALSE(data[1].level);
    EXPECT_EQ(data[1].at - clock[0].at, offset * kTick);
    EXPECT_EQ(clock[1].at - clock[0].at, 1600 * kTick);
    EXPECT_EQ(data[2].at - data[1].at, 32000 * kTick);
  }
}

TEST(Engine, PulsePairsThatCannotBeAreBadPrograms) {
  const wire::PulsePairOp wrong[] = {
      {{1, 1}, {1599, 1600}, 0}, {{1, 1}, {1600, 32001}, 0}, {{1, 1}, {1600, 1600}, 16001}, {{0, 1}, {1600, 1600}, 0}};
  for (const auto& op : wrong) {
    Bench bench;
    Program p;
    p.add(wire::FastOp{0, 0, 0}).add(wire::FastOp{1, 0, 0}).add(op).step(0);
    ASSERT_TRUE(bench.start(p.end()));
    EXPECT_FALSE(bench.run_to_end(1000 * kMs));
    EXPECT_EQ(bench.status.first.fault, Fault::bad_program);
    EXPECT_TRUE(bench.circuit.edges[0].empty());
  }
}

// ---- shots ----

wire::GuardOp shot_guard() {
  wire::GuardOp g;
  g.rail = 0;
  g.min = 600;
  g.max = 800;
  g.limit = 300;
  return g;
}

// Single hits hold a shot up until their second conversion; a shot comes after twelve safety conversions at least,
// and is held at its moment.
TEST(Shots, SafetyConversionsComeBetweenThem) {
  Bench bench;
  std::vector<Picoseconds> held;
  std::vector<int> between;
  int safety = 0;
  long currents = 0;
  bool hits = false;
  bench.circuit.counts = [&](Picoseconds t, int adc, int mux) {
    if (adc == map::kAdcSense) {
      EXPECT_EQ(mux, 5);
      held.push_back(t);
      between.push_back(std::exchange(safety, 0));
      return 321;
    }
    ++safety;
    if (adc != map::kAdcCurrent || !hits) return -1;
    return ++currents % 2 == 0 ? 301 : -1;
  };
  Program p;
  p.add(shot_guard()).add(wire::RailOp{0, wire::RailMode::on}).add(wire::ArmOp{1}).step(0);
  p.delayed({5, 800, 50}).add(wire::PulseOp{0, 1, 1, 160, 640}).mark(1).step(1);
  p.delayed({5, -800, 50}).add(wire::PulseOp{0, 1, 1, 6400, 640}).step(2).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.pump(2000 * kMs, [&] { return held.size() > 5; }));
  hits = true;
  ASSERT_TRUE(bench.run_to_end(4000 * kMs)) << wire::text_of(bench.status.first.fault);
  ASSERT_EQ(held.size(), 100U);
  ASSERT_EQ(bench.samples().size(), 2U);
  for (const Bench::Sample& sample : bench.samples()) {
    EXPECT_EQ(sample.head.n, 50);
    ASSERT_EQ(sample.channels.size(), 1U);
    EXPECT_EQ(sample.channels[0].source, 5);
    EXPECT_EQ(sample.channels[0].sum, 50U * 321U);
  }
  for (std::size_t i = 1; i < held.size(); ++i) EXPECT_GE(between[i], 12) << i;
  ASSERT_EQ(bench.circuit.edges[0].size(), 200U);
  for (std::size_t i = 0; i < held.size(); ++i) {
    EXPECT_EQ(held[i] - bench.circuit.edges[0][2 * i].at, (i < 50 ? 800 : -800) * kTick) << i;
  }
}

// A trip found by the last conversion before a shot cuts at once; the shot is not made.
TEST(Shots, ATripGoesBeforeThem) {
  Bench bench;
  bool over = false;
  Picoseconds since = 0;
  std::size_t shots = 0;
  bench.circuit.counts = [&](Picoseconds t, int adc, int) {
    if (adc == map::kAdcSense) ++shots;
    if (over && since == 0) since = t;
    return over && adc == map::kAdcCurrent ? 301 : -1;
  };
  Program p;
  p.add(shot_guard()).add(wire::RailOp{0, wire::RailMode::on}).add(wire::ArmOp{1}).step(0);
  p.delayed({5, 16000, 4000}).add(wire::PulseOp{0, 1, 1, 160, 640}).step(1).end();
  ASSERT_TRUE(bench.start(p));
  ASSERT_TRUE(bench.pump(2000 * kMs, [&] { return shots > 20; }));
  over = true;
  const std::size_t then = shots;
  ASSERT_TRUE(bench.pump(200 * kMs, [&] { return bench.status.state == wire::State::faulted; }));
  EXPECT_EQ(bench.status.first.fault, wire::Fault::over_current);
  EXPECT_LE(bench.circuit.rail_switched_at[0] - since, 3 * kMs);
  EXPECT_LE(shots, then + 2);
  // What was taken until then is not half a result.
  EXPECT_TRUE(bench.samples().empty());
  // The rail's current goes on being converted.
  const long conversions = bench.circuit.conversions;
  bench.pump(50 * kMs);
  EXPECT_GT(bench.circuit.conversions, conversions + 50);
}

// ---- curves ----

struct Curve {
  bool first = false, last = false, gapless = true;
  std::uint32_t began_us = 0, i2t = 0;
  std::vector<wire::CurvePoint> points;
  double seconds() const {
    double s = 0.0;
    for (const auto& p : points) s += p.ticks * wire::kCurveTickUs * 1e-6;
    return s;
  }
};
Curve curve_of(const Bench& bench) {
  Curve c;
  std::uint32_t next = 0;
  for (const auto& r : bench.results) {
    if (r.type != wire::Type::curve) continue;
    wire::CurveHead head;
    EXPECT_TRUE(wire::decode(r.payload.data(), static_cast<std::uint16_t>(r.payload.size()), head));
    EXPECT_FALSE(c.last) << "nothing follows the last frame";
    if ((head.flags & wire::kCurveFirst) != 0) {
      EXPECT_TRUE(c.points.empty());
      c.first = true;
      c.began_us = head.time_us;
    } else {
      c.gapless = c.gapless && head.time_us == next;
    }
    c.last = (head.flags & wire::kCurveLast) != 0;
    c.i2t = head.i2t;
    next = head.time_us;
    for (int i = 0; i < head.points; ++i) {
      wire::CurvePoint p;
      EXPECT_TRUE(wire::decode(r.payload.data() + wire::kCurveHeadBytes + i * wire::kCurvePointBytes,
                               wire::kCurvePointBytes, p));
      next += p.ticks * wire::kCurveTickUs;
      c.points.push_back(p);
    }
  }
  return c;
}
wire::GuardOp curve_guard(std::uint16_t limit) {
  wire::GuardOp g;
  g.rail = 0;
  g.limit = limit;
  return g;
}
// From 300 counts down to 100 with 20 ms, once the rail is on.
void inrush(Bench& bench) {
  bench.circuit.counts = [&bench](Picoseconds t, int adc, int) {
    if (adc != map::kAdcCurrent || !bench.circuit.rail_on(0)) return -1;
    const double s = static_cast<double>(t - bench.circuit.rail_switched_at[0]) * 1e-12;
    return static_cast<int>(100.0 + 200.0 * std::exp(-s / 0.020));
  };
}

TEST(Curve, FollowsTheRailFromItsSwitchWhileOperationsGoOn) {
  Bench bench;
  inrush(bench);
  std::uint32_t on_us = 0;
  Program p;
  p.add(curve_guard(400)).add(wire::CurveOp{0}).add(wire::WaitOp{30'000});
  p.add(wire::RailOp{0, wire::RailMode::on}).add(wire::WaitOp{100'000}).step(0);
  // Samples whose results fill nearly the whole store, while points wait for room.
  for (std::uint16_t i = 1; i < 6; ++i) {
    p.sample(0xFFFFFFFF, 0xFFFFFFFFULL, 8).sample(0xFF, 0, 4).step(i);
  }
  p.add(wire::WaitOp{2'000'000}).step(6);
  ASSERT_TRUE(bench.start(p.end()));
  ASSERT_TRUE(bench.pump(1000 * kMs, [&] { return bench.circuit.rail_on(0); }));
  on_us = static_cast<std::uint32_t>(bench.circuit.rail_switched_at[0] / kUs);
  ASSERT_TRUE(bench.run_to_end(6000 * kMs)) << int(bench.status.first.fault);
  EXPECT_EQ(bench.samples().size(), 5U * 9U);
  const Curve c = curve_of(bench);
  EXPECT_TRUE(c.first);
  EXPECT_TRUE(c.last);
  EXPECT_TRUE(c.gapless);
  EXPECT_EQ(c.began_us, on_us);
  ASSERT_GT(c.points.size(), 200U);
  EXPECT_LT(c.points.size(), 600U) << "thinned";
  EXPECT_GT(c.seconds(), 2.1);
  double t = 0.0, i2t = 0.0;
  int peak = 0;
  for (const auto& point : c.points) {
    const double width = point.ticks * wire::kCurveTickUs * 1e-6;
    const double truth = 100.0 + 200.0 * std::exp(-(t + width / 2) / 0.020);
    if (width < 0.01) {
      EXPECT_NEAR(point.current / 32.0, truth, 12.0) << t;  // its slope in 1 ms
    }
    t += width;
    i2t += truth * truth * width;
    peak = std::max<int>(peak, point.peak);
  }
  EXPECT_NEAR(peak, 300, 10);
  EXPECT_NEAR(c.points.back().current / 32.0, 100.0, 0.5);
  EXPECT_NEAR(c.points.back().volts / 32.0, 700.0, 0.5);
  EXPECT_NEAR(c.i2t * 65536e-6, i2t, 0.03 * i2t);
}

TEST(Curve, TripsLastPointsArrive) {
  Bench bench;
  inrush(bench);
  Program p;
  p.add(curve_guard(250)).add(wire::CurveOp{0}).add(wire::RailOp{0, wire::RailMode::on});
  ASSERT_TRUE(bench.start(p.add(wire::WaitOp{1'000'000}).step(0).end()));
  EXPECT_FALSE(bench.run_to_end(500 * kMs));
  bench.pump(100 * kMs);
  EXPECT_EQ(bench.status.first.fault, Fault::over_current);
  const Curve c = curve_of(bench);
  EXPECT_TRUE(c.first && c.last);
  ASSERT_FALSE(c.points.empty());
  EXPECT_GT(c.points.back().peak, 250);
}

TEST(Curve, EndsWhenTheRailIsSwitchedOffOrAnotherBegins) {
  for (bool another : {false, true}) {
    Bench bench;
    Program p;
    p.add(curve_guard(400)).add(wire::CurveOp{0}).add(wire::RailOp{0, wire::RailMode::on});
    p.add(wire::WaitOp{20'000});
    if (another) {
      p.add(wire::CurveOp{1});
    } else {
      p.add(wire::RailOp{0, wire::RailMode::off});
    }
    ASSERT_TRUE(bench.start(p.add(wire::WaitOp{300'000}).step(0).end()));
    ASSERT_TRUE(bench.run_to_end(2000 * kMs));
    const Curve c = curve_of(bench);
    EXPECT_TRUE(c.first && c.last && c.gapless);
    EXPECT_NEAR(c.seconds(), 0.020, 0.002) << another;
  }
}

TEST(Curve, OfARailThatIsOnBeginsAtOnceAndOfNoneNever) {
  Bench bench;
  Program p;
  p.add(curve_guard(400)).add(wire::CurveOp{1}).add(wire::RailOp{0, wire::RailMode::on});
  p.add(wire::WaitOp{50'000}).add(wire::CurveOp{0}).add(wire::WaitOp{50'000});
  ASSERT_TRUE(bench.start(p.add(wire::CurveOp{wire::kCurveStop}).step(0).end()));
  ASSERT_TRUE(bench.run_to_end(2000 * kMs));
  const Curve c = curve_of(bench);
  EXPECT_TRUE(c.first && c.last && c.gapless);
  EXPECT_NEAR(c.seconds(), 0.050, 0.002);
}

}  // namespace
}  // namespace tenterhook::test
