// The serial line: byte times, receiver depth, overrun, level interrupts, wrong rates.
#include <numeric>

#include "tests/emulated/mcu/probe.h"

namespace tenterhook::emulated {
namespace {

constexpr Picoseconds kByte = 20 * kUs;  // 10 bits at 500 kbaud

TEST(Uart, BytesLeaveAtTenBitTimes) {
  Probe p;
  p.mcu->feed(std::vector<std::uint8_t>{'e', 50}, p.mcu->now());
  std::vector<Picoseconds> when;
  while (when.size() < 50) {
    p.mcu->run_until(p.mcu->now() + 10 * kMs, true);
    const auto bytes = p.mcu->take_output();
    ASSERT_EQ(bytes.size(), 1U);
    EXPECT_EQ(bytes[0], when.size());
    when.push_back(p.mcu->now());
  }
  EXPECT_NEAR(double(when[49] - when[1]), double(48 * kByte), double(kUs));
}

TEST(Uart, AByteArrivesInItsStopBit) {
  Probe p;
  const Picoseconds t0 = p.mcu->now();
  p.mcu->feed(std::vector<std::uint8_t>{'r'}, t0);
  p.mcu->run_until(t0 + 18'500'000, false);
  EXPECT_EQ(p.mcu->peek(at::UCSR0A) & 0x80, 0);
  // It takes the polling loop a few cycles to fetch the byte again.
  bool seen = false;
  for (int i = 0; i < 40 && !seen; ++i) {
    p.mcu->run_until(p.mcu->now() + 62'500, false);
    seen = (p.mcu->peek(at::UCSR0A) & 0x80) != 0;
  }
  EXPECT_TRUE(seen);
  EXPECT_NEAR(double(p.mcu->now() - t0), 19e6, 0.3e6);
}

TEST(Uart, ReceiverHoldsTwoAndOneThenOverruns) {
  for (int n = 2; n <= 5; ++n) {
    Probe p;
    // The program does not listen for 2 ms while n bytes come in; each would be a command of its
    // own.
    p.send({'d', 20});
    std::vector<std::uint8_t> bytes(n, 'r');
    std::iota(bytes.begin(), bytes.end(), std::uint8_t(1));
    p.mcu->feed(bytes, p.mcu->now());
    p.run(Picoseconds(n + 1) * kByte);
    EXPECT_NE(p.mcu->peek(at::UCSR0A) & 0x80, 0);
    EXPECT_EQ(p.mcu->peek(at::UCSR0A) & 0x08, 0)
        << "the flag belongs to the byte that follows the loss";
  }
}

// With k bytes sent while the program is deaf, the last command in the receiver tells which
// survived.
TEST(Uart, FourthByteOverwritesTheThird) {
  Probe p;
  p.send({'d', 10});
  // Survivors must be: w, low address, then not 0x77 (lost) but high address... five bytes arrive.
  p.mcu->feed(std::vector<std::uint8_t>{'w', 0x10, 0x77, 0x20}, p.mcu->now());
  p.run(2 * kMs);
  p.send({0x5C});  // the value: written to 0x2010 if and only if 0x77 was lost
  EXPECT_EQ(p.mcu->peek(0x2010), 0x5C);
}

TEST(Uart, ThreeBytesSurviveADeafProgram) {
  Probe p;
  p.send({'d', 10});
  p.mcu->feed(std::vector<std::uint8_t>{'w', 0x10, 0x20}, p.mcu->now());
  p.run(2 * kMs);
  p.send({0x5D});
  EXPECT_EQ(p.mcu->peek(0x2010), 0x5D);
}

TEST(Uart, OverrunFlagStandsWithTheNextByte) {
  Probe p;
  p.send({'d', 5});
  p.mcu->feed(std::vector<std::uint8_t>{'r', 0xC0, 0x55, 0x00}, p.mcu->now());
  // 0x55 is lost; the fourth byte completes the address 0x00C0 and UCSR0A is read after it was
  // taken.
  EXPECT_EQ(p.answer(1).size(), 1U);
  bool overrun = false;
  Probe q;
  q.send({'d', 5});
  q.mcu->feed(std::vector<std::uint8_t>{'d', 0, 1, 1}, q.mcu->now());
  for (int i = 0; i < 20000 && !overrun; ++i) {
    q.mcu->run_until(q.mcu->now() + 62'500, false);
    overrun = (q.mcu->peek(at::UCSR0A) & 0x08) != 0;
  }
  EXPECT_TRUE(overrun);
}

TEST(Uart, InterruptsEchoEveryByteBackToBack) {
  Probe p("echo");
  p.run(1 * kMs);
  std::vector<std::uint8_t> sent(2000);
  std::iota(sent.begin(), sent.end(), std::uint8_t(0));
  p.mcu->feed(sent, p.mcu->now());
  EXPECT_EQ(p.answer(sent.size(), 100 * kMs), sent);
}

TEST(Uart, WrongRateIsReceivedWrong) {
  Probe p("echo");
  p.run(1 * kMs);
  p.mcu->set_host_baud(250'000);
  p.mcu->feed(std::vector<std::uint8_t>{'A', 'B'}, p.mcu->now());
  const auto got = p.answer(2);
  for (std::uint8_t b : got) EXPECT_TRUE(b != 'A' && b != 'B');
  p.mcu->set_host_baud(510'000);  // 2 % off is within a receiver's range
  p.mcu->feed(std::vector<std::uint8_t>{'C'}, p.mcu->now());
  p.mcu->take_output();
  EXPECT_EQ(p.answer(1), std::vector<std::uint8_t>{'C'});
}

TEST(Uart, PulledCableLosesBothDirections) {
  Probe p;
  p.mcu->inject(Injection::cable_pulled);
  p.mcu->feed(std::vector<std::uint8_t>{'e', 3}, p.mcu->now());
  EXPECT_TRUE(p.answer(1, 5 * kMs).empty());
  p.mcu->inject(Injection::cable_back);
  p.mcu->feed(std::vector<std::uint8_t>{'e', 3}, p.mcu->now());
  EXPECT_EQ(p.answer(3), (std::vector<std::uint8_t>{0, 1, 2}));
}

}  // namespace
}  // namespace tenterhook::emulated
