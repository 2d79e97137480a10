// Timer 1 against the data sheet's arithmetic: pulse widths to the cycle, flags, outputs.
#include "tests/emulated/mcu/probe.h"

namespace tenterhook::emulated {
namespace {

constexpr Picoseconds kCycle = McuEmulator::kCycle;
constexpr int kCtcIcr = 0x18;   // WGM13:12: mode 12
constexpr int kFastPwm = 0x18;  // with WGM11 in TCCR1A: mode 14
constexpr int kRun = 0x01;      // no prescaler

struct Timer : ::testing::Test {
  Probe p;
  void SetUp() override {
    p.write(at::DDRB, 0xA0);  // fast.0 and fast.1
    p.mcu->record_edges(true);
  }
  const std::vector<PinEdge>& edges() { return p.mcu->edges(); }
};

TEST_F(Timer, CtcToggleGivesEdgesEveryTopPlusOneCycles) {
  for (int width : {40, 41, 1000, 16000}) {
    p.write(at::TCCR1B, 0);
    p.write16(at::TCNT1, 0);
    p.write(at::TCCR1B, 0x18);  // the top is in ICR1: else it cannot be written
    p.write16(at::ICR1, width - 1);
    p.write16(at::OCR1A, width - 1);
    p.write(at::TCCR1A, 0x40);
    p.mcu->record_edges(true);
    p.write(at::TCCR1B, kCtcIcr | kRun);
    p.run(60 * width * kCycle);
    p.write(at::TCCR1B, kCtcIcr);
    ASSERT_GE(edges().size(), 50U) << width;
    for (std::size_t i = 1; i < edges().size(); ++i) {
      ASSERT_EQ(edges()[i].t - edges()[i - 1].t, width * kCycle) << width << " edge " << i;
      ASSERT_NE(edges()[i].level, edges()[i - 1].level);
    }
    EXPECT_EQ(edges()[0].pin.bit, 5);
  }
}

TEST_F(Timer, FastPwmIsHighFromBottomUntilItsMatchOnBothChannels) {
  p.write(at::TCCR1A, 0xA0 | 0x08 | 0x02);  // A and C clear on match, set at bottom; B too
  p.write(at::TCCR1B, 0x18);  // the top is in ICR1: else it cannot be written
  p.write16(at::ICR1, 999);
  p.write16(at::OCR1A, 4);    // 5 cycles high
  p.write16(at::OCR1C, 299);  // 300 cycles high
  p.write(at::TCCR1B, kFastPwm | kRun);
  p.run(200 * 1000 * kCycle);
  std::vector<Picoseconds> rise(8, 0);
  int pulses_a = 0, pulses_c = 0;
  Picoseconds last_a = 0;
  for (const PinEdge& e : edges()) {
    if (e.level) {
      if (e.pin.bit == 5 && last_a != 0) {
        EXPECT_EQ(e.t - last_a, 1000 * kCycle);
      }
      if (e.pin.bit == 5) last_a = e.t;
      rise[e.pin.bit] = e.t;
    } else if (rise[e.pin.bit] != 0) {
      EXPECT_EQ(e.t - rise[e.pin.bit], (e.pin.bit == 5 ? 5 : 300) * kCycle);
      (e.pin.bit == 5 ? pulses_a : pulses_c)++;
    }
  }
  EXPECT_GE(pulses_a, 190);
  EXPECT_GE(pulses_c, 190);
  EXPECT_EQ(rise[5], rise[7]) << "one time base";
}

TEST_F(Timer, CompareRegistersAreBufferedInPwmOnly) {
  p.write(at::TCCR1A, 0x82);
  p.write(at::TCCR1B, 0x18);  // the top is in ICR1: else it cannot be written
  p.write16(at::ICR1, 0xFFFF);
  p.write16(at::OCR1A, 100);
  p.write(at::TCCR1B, kFastPwm | 0x05);  // slowly: / 1024
  p.write16(at::TCNT1, 50);
  p.write(at::TIFR1, 0xFF);  // it began with a match at 0
  EXPECT_EQ(p.read16(at::OCR1A), 100);
  p.run(60 * 1024 * kCycle);
  EXPECT_EQ(p.read(at::TIFR1) & 0x02, 0) << "not loaded before the bottom: no match at 100";
  p.write16(at::TCNT1, 0xFFFE);
  p.run(110 * 1024 * kCycle);
  EXPECT_NE(p.read(at::TIFR1) & 0x02, 0);
}

TEST_F(Timer, WritingOnesToFlagsClearsOnlyThose) {
  p.write16(at::OCR1A, 10);
  p.write16(at::OCR1B, 20);
  p.write(at::TCCR1B, 0x18);  // the top is in ICR1: else it cannot be written
  p.write16(at::ICR1, 30);
  p.write(at::TCCR1B, kCtcIcr | kRun);
  p.run(1 * kMs);
  p.write(at::TCCR1B, kCtcIcr);
  EXPECT_EQ(p.read(at::TIFR1) & 0x26, 0x26);
  p.write(at::TIFR1, 0x02);
  EXPECT_EQ(p.read(at::TIFR1) & 0x26, 0x24);
  p.write(at::TIFR1, 0x24);
  EXPECT_EQ(p.read(at::TIFR1) & 0x26, 0);
}

TEST_F(Timer, AFlagSetWhileMaskedInterruptsWhenUnmasked) {
  p.clear_counts();
  p.write16(at::OCR1B, 50);
  p.write(at::TCCR1B, 0x18);  // the top is in ICR1: else it cannot be written
  p.write16(at::ICR1, 100);
  p.write(at::TCCR1B, kCtcIcr | kRun);
  p.run(100 * kUs);
  p.write(at::TCCR1B, kCtcIcr);
  p.send({'i'});
  EXPECT_EQ(p.count(1), 0);
  p.write(at::TIMSK1, 0x04);
  EXPECT_EQ(p.count(1), 1);
  EXPECT_EQ(p.read(at::TIFR1) & 0x04, 0) << "running the handler cleared it";
}

TEST_F(Timer, WritingTheCounterBlocksTheMatchOfTheNextClock) {
  p.write16(at::OCR1A, 500);
  p.write16(at::TCNT1, 500);  // while stopped
  p.write(at::TIFR1, 0xFF);
  p.write(at::TCCR1B, kRun);
  p.run(100 * kCycle);
  EXPECT_EQ(p.read(at::TIFR1) & 0x02, 0);
  p.run(66'000 * kCycle);
  EXPECT_NE(p.read(at::TIFR1) & 0x02, 0) << "a whole turn later it matches";
}

TEST_F(Timer, TheTopIsReadOnlyWhereItIsNotTheTop) {
  p.write(at::TCCR1B, 0x18);  // CTC, mode 12
  p.write16(at::ICR1, 1234);
  p.write(at::TCCR1B, 0x00);  // normal
  p.write16(at::ICR1, 99);
  EXPECT_EQ(p.read16(at::ICR1), 1234);
  p.write(at::TCCR1A, 0x02);
  p.write(at::TCCR1B, 0x18);  // fast PWM, mode 14
  p.write16(at::ICR1, 99);
  EXPECT_EQ(p.read16(at::ICR1), 99);
}

TEST_F(Timer, ForcedCompareMovesThePinWithoutAFlag) {
  p.write(at::TCCR1A, 0xC0);  // set on match
  p.write(at::TCCR1C, 0x80);
  ASSERT_EQ(edges().size(), 1U);
  EXPECT_TRUE(edges()[0].level);
  p.write(at::TCCR1A, 0x80);  // clear
  EXPECT_EQ(edges().size(), 1U) << "choosing another action moves nothing";
  p.write(at::TCCR1C, 0x80);
  ASSERT_EQ(edges().size(), 2U);
  EXPECT_EQ(p.read(at::TIFR1) & 0x02, 0);
}

TEST_F(Timer, CountsEveryCycleAndPrescaled) {
  p.write(at::TCCR1B, 0x02);  // / 8
  const int first = p.read16(at::TCNT1);
  const Picoseconds t0 = p.mcu->now();
  p.run(5 * kMs);
  const int second = p.read16(at::TCNT1);
  const double ticks = double(p.mcu->now() - t0) / double(8 * kCycle);
  EXPECT_NEAR(second - first, ticks, 60.0);
}

TEST(Timer3, LibraryTimerFlagsClearSinglyToo) {
  Probe p;
  p.write16(at::OCR3A, 1000);
  p.write(at::TCCR3B, 0x01);
  p.run(10 * kMs);
  EXPECT_EQ(p.read(at::TIFR3) & 0x03, 0x03);  // match and overflow
  p.write(at::TCCR3B, 0x00);
  p.write(at::TIFR3, 0x01);
  EXPECT_EQ(p.read(at::TIFR3) & 0x03, 0x02);
}

}  // namespace
}  // namespace tenterhook::emulated
