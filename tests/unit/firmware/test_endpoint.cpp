// The device's end of the link under loss, doubling, damage and re-ordering; epochs; sessions.
#include <gtest/gtest.h>

#include <random>

#include "tests/unit/firmware/bench.h"

namespace tenterhook::test {
namespace {

Program marks(std::uint16_t steps) {
  Program p;
  for (std::uint16_t i = 0; i < steps; ++i) {
    p.add(wire::DriveOp{i, 0}).mark(i).sample(3, 0, 1).step(i);
  }
  p.end();
  return p;
}

// Every step once and in order, whatever the line does: marks and samples are complete and unrepeated.
void expect_complete(const Bench& bench, std::uint16_t steps) {
  std::vector<std::uint32_t> ids;
  for (const auto& e : bench.events) {
    if (e.kind == wire::EventKind::mark) ids.push_back(e.value);
  }
  ASSERT_EQ(ids.size(), steps);
  for (std::uint16_t i = 0; i < steps; ++i) EXPECT_EQ(ids[i], i);
  const auto samples = bench.samples();
  ASSERT_EQ(samples.size(), steps);
  for (std::uint16_t i = 0; i < steps; ++i) EXPECT_EQ(samples[i].head.step, i);
}

// Applies one of the line's misdeeds to a frame with the given chances.
struct Misdeeds {
  double drop, twice, flip, cut, later;
};
Bench::Mangle mangler(std::mt19937& random, const Misdeeds& m, std::vector<Bytes>& held) {
  return [&random, m, &held](const Bytes& frame) {
    std::uniform_real_distribution<double> chance;
    std::vector<Bytes> out;
    Bytes f = frame;
    if (chance(random) < m.flip) f[random() % f.size()] ^= static_cast<std::uint8_t>(1 << random() % 8);
    if (chance(random) < m.cut) f.resize(random() % f.size());
    if (chance(random) >= m.drop) out.push_back(f);
    if (chance(random) < m.twice) out.push_back(frame);
    if (!held.empty() && chance(random) < 0.5) {
      out.push_back(held.back());
      held.pop_back();
    }
    if (!out.empty() && chance(random) < m.later) {
      held.push_back(out.front());
      out.erase(out.begin());
    }
    return out;
  };
}

TEST(Endpoint, ExactlyOnceUnderLossDoublingDamageAndReordering) {
  long resent = 0, duplicates = 0, gaps = 0, damaged = 0;
  for (unsigned seed = 1; seed <= 60; ++seed) {
    SCOPED_TRACE(seed);
    std::mt19937 random(seed);
    Misdeeds m{};
    // Some kinds are off in each seed, so that each is also seen alone.
    m.drop = random() % 2 ? 0.05 : 0;
    m.twice = random() % 2 ? 0.1 : 0;
    m.flip = random() % 2 ? 0.05 : 0;
    m.cut = random() % 2 ? 0.03 : 0;
    m.later = random() % 2 ? 0.05 : 0;
    std::vector<Bytes> held_out, held_in;
    Bench bench;
    ASSERT_TRUE(bench.hello());
    ASSERT_TRUE(bench.begin(1));
    bench.to_device = mangler(random, m, held_out);
    bench.to_host = mangler(random, m, held_in);
    bench.load(marks(60).bytes(), true, 1 + random() % wire::kChunkBytesMax);
    ASSERT_TRUE(bench.run_to_end(60'000 * kMs)) << "fault " << int(bench.status.first.fault);
    expect_complete(bench, 60);
    bench.to_device = {};
    bench.to_host = {};
    bench.ask(wire::Ask::counters);
    bench.pump(50 * kMs);
    resent += bench.counters.frames_resent;
    duplicates += bench.counters.frames_duplicate;
    gaps += bench.counters.frames_gap;
    damaged += bench.counters.frames_damaged;
  }
  // The misdeeds really happened.
  EXPECT_GT(resent, 50);
  EXPECT_GT(duplicates, 50);
  EXPECT_GT(gaps, 50);
  EXPECT_GT(damaged, 50);
}

TEST(Endpoint, DuplicateRunAndBeginChangeNothing) {
  Bench bench;
  ASSERT_TRUE(bench.hello());
  ASSERT_TRUE(bench.begin(5));
  const std::uint16_t epoch = bench.epoch;
  bench.send_message(wire::Type::begin, wire::Begin{5});
  bench.pump(20 * kMs);
  EXPECT_EQ(bench.epoch, epoch);
  bench.to_device = [](const Bytes& f) { return std::vector<Bytes>{f, f}; };
  bench.load(marks(10).bytes());
  ASSERT_TRUE(bench.run_to_end(5000 * kMs));
  expect_complete(bench, 10);
}

TEST(Endpoint, SecondSessionStartsAtZeroAgain) {
  Bench bench;
  ASSERT_TRUE(bench.start(marks(5), 1));
  ASSERT_TRUE(bench.run_to_end(5000 * kMs));
  expect_complete(bench, 5);
  bench.results.clear();
  bench.events.clear();
  ASSERT_TRUE(bench.begin(2));
  bench.load(marks(7).bytes());
  ASSERT_TRUE(bench.run_to_end(5000 * kMs));
  expect_complete(bench, 7);
}

TEST(Endpoint, BeginIsRefusedWhileRunning) {
  Bench bench;
  Program p;
  p.mark(1).add(wire::WaitOp{500'000}).step(0).end();
  ASSERT_TRUE(bench.start(p));
  bench.pump(100 * kMs);
  const std::uint16_t epoch = bench.epoch;
  bench.send_message(wire::Type::begin, wire::Begin{9});
  bench.pump(20 * kMs);
  EXPECT_EQ(bench.status.session, 1);
  EXPECT_EQ(bench.epoch, epoch);
  EXPECT_TRUE(bench.run_to_end(1000 * kMs));
}

TEST(Endpoint, AnswersHelloInEveryStateWithoutChangingIt) {
  Bench bench;
  Program p;
  p.mark(1).add(wire::WaitOp{300'000}).step(0).end();
  ASSERT_TRUE(bench.start(p));
  bench.pump(100 * kMs);
  ASSERT_TRUE(bench.hello());
  EXPECT_EQ(bench.hello_reply.state, wire::State::running);
  EXPECT_EQ(bench.hello_reply.nonce, 0xC0FFEEU);
  EXPECT_STREQ(bench.hello_reply.serial, "TH0001");
  EXPECT_STREQ(bench.hello_reply.fixture, "mega2560");
  EXPECT_EQ(bench.hello_reply.clock_hz, 16'000'000U);
  EXPECT_TRUE(bench.run_to_end(1000 * kMs));
}

TEST(Endpoint, LinkLostAfterEveryRetryIsAFaultAndBounded) {
  Bench bench;
  bench.acknowledges = false;
  Program p;
  p.mark(1).add(wire::WaitOp{60'000'000}).step(0).end();
  ASSERT_TRUE(bench.start(p));
  // The host's frames arrive (no deadman) but acknowledge nothing.
  bench.pump(2000 * kMs);
  EXPECT_EQ(bench.status.first.fault, wire::Fault::link_lost);
  bench.ask(wire::Ask::counters);
  bench.pump(50 * kMs);
  EXPECT_GE(bench.counters.frames_resent, wire::kRetriesMax);
  EXPECT_LE(bench.counters.frames_resent, 2 * 2100 / wire::kDeviceResendMs + 2);
}

TEST(Endpoint, GarbageIsCountedAndHurtsNothing) {
  Bench bench;
  std::mt19937 random(7);
  ASSERT_TRUE(bench.hello());
  for (int i = 0; i < 200; ++i) {
    Bytes noise(random() % 300);
    for (auto& b : noise) b = static_cast<std::uint8_t>(random() % 255 + 1);
    noise.push_back(0);
    bench.firmware.feed(noise);
    bench.pump(10 * kMs);
  }
  ASSERT_TRUE(bench.start(marks(5), 3));
  ASSERT_TRUE(bench.run_to_end(5000 * kMs));
  expect_complete(bench, 5);
  bench.ask(wire::Ask::counters);
  bench.pump(50 * kMs);
  EXPECT_GE(bench.counters.frames_damaged, 150);
}

TEST(Endpoint, OverrunIsCountedAndHealed) {
  Bench bench;
  ASSERT_TRUE(bench.hello());
  ASSERT_TRUE(bench.begin(1));
  bench.load(marks(60).bytes());
  bench.pump(60 * kMs);
  // More than the receive ring holds while the main loop stands still for 20 ms.
  bench.firmware.stall_until(bench.firmware.now() + 20 * kMs);
  bench.firmware.feed(Bytes(600, 0x55));
  bench.firmware.feed(Bytes(1, 0));
  ASSERT_TRUE(bench.run_to_end(20'000 * kMs));
  expect_complete(bench, 60);
  bench.ask(wire::Ask::counters);
  bench.pump(50 * kMs);
  EXPECT_GT(bench.counters.bytes_overrun, 300);
}

TEST(Endpoint, SameCallsGiveTheSameBytes) {
  std::vector<Bench::Result> first;
  for (int i = 0; i < 2; ++i) {
    Bench bench;
    ASSERT_TRUE(bench.start(marks(20)));
    ASSERT_TRUE(bench.run_to_end(5000 * kMs));
    if (i == 0) {
      first = bench.results;
    } else {
      ASSERT_EQ(first.size(), bench.results.size());
      for (std::size_t k = 0; k < first.size(); ++k) EXPECT_EQ(first[k].payload, bench.results[k].payload);
    }
  }
}

}  // namespace
}  // namespace tenterhook::test
