// The converter: channels, conversion times, when it samples, triggers, flags.
#include <cmath>

#include "tests/emulated/mcu/probe.h"

namespace tenterhook::emulated {
namespace {

constexpr Picoseconds kCycle = McuEmulator::kCycle;
constexpr int kOn = 0x80, kGo = 0x40, kAuto = 0x20, kFlag = 0x10, kAsk = 0x08, kBy64 = 0x06;
constexpr Picoseconds kClock = 64 * kCycle;

struct AdcChip : ::testing::Test {
  Probe p;
  void enable(int extra = 0) { p.write(at::ADCSRA, kOn | kBy64 | extra); }
  void select(int channel) {
    p.write(at::ADMUX, channel & 7);
    p.write(at::ADCSRB, channel >= 8 ? 0x08 : 0x00);
  }
  int convert(int channel) {
    select(channel);
    p.write(at::ADCSRA, kOn | kGo | kFlag | kBy64);
    p.run(150 * kUs);
    EXPECT_NE(p.read(at::ADCSRA) & kFlag, 0);
    return p.read16(at::ADCW);
  }
};

TEST_F(AdcChip, EveryChannelReadsItsPin) {
  enable();
  convert(0);
  for (int channel = 0; channel < 16; ++channel) {
    const int expected = p.mcu->circuit().convert(p.mcu->now(), channel);
    EXPECT_EQ(convert(channel), expected) << "channel " << channel;
  }
  EXPECT_EQ(convert(13), 512) << "2.048 V of 4.096 V on channel 13";
  EXPECT_NEAR(-14.948 + 0.07324 * convert(0), 20.0, 0.05);
}

TEST_F(AdcChip, FirstConversionTakes25ClocksTheOthers13) {
  select(13);
  p.write(at::ADCSRA, kOn | kBy64);
  const auto length = [this] {
    p.mcu->feed(std::vector<std::uint8_t>{'w', 0x7A, 0, kOn | kGo | kFlag | kBy64}, p.mcu->now());
    while ((p.mcu->peek(at::ADCSRA) & kGo) == 0) p.mcu->run_until(p.mcu->now() + kCycle, false);
    const Picoseconds t0 = p.mcu->now();
    while ((p.mcu->peek(at::ADCSRA) & kGo) != 0) p.mcu->run_until(p.mcu->now() + kCycle, false);
    return double(p.mcu->now() - t0) / double(kClock);
  };
  EXPECT_NEAR(length(), 25.5, 0.55);  // the start waits for the next edge of its clock
  EXPECT_NEAR(length(), 13.5, 0.55);
  EXPECT_NEAR(length(), 13.5, 0.55);
}

TEST_F(AdcChip, FreeRunningConvertsEvery13ClocksAndInterrupts) {
  p.clear_counts();
  select(13);
  enable(kAuto | kAsk | kGo);
  p.send({'i'});
  p.run(20 * kMs);
  const int before = p.count(0);
  const Picoseconds t0 = p.mcu->now();
  p.run(10 * kMs);
  const int after = p.count(0);
  const double expected = double(p.mcu->now() - t0) / double(13 * kClock);
  EXPECT_NEAR(std::fmod(after - before + 256.0, 256.0), std::fmod(expected, 256.0), 3.0);
}

TEST_F(AdcChip, SamplesOneAndAHalfClocksAfterTheStart) {
  // The board steps; conversions started around the step tell when the sample was held.
  double boundary = 0.0;
  for (int lead = 0; lead < 12; ++lead) {
    Probe q;
    q.write(at::ADMUX, 0);
    q.write(at::ADCSRA, kOn | kGo | kFlag | kBy64);
    q.run(200 * kUs);
    q.mcu->feed(std::vector<std::uint8_t>{'w', 0x7A, 0, kOn | kGo | kFlag | kBy64}, q.mcu->now());
    while ((q.mcu->peek(at::ADCSRA) & kGo) == 0) q.mcu->run_until(q.mcu->now() + kCycle, false);
    const Picoseconds start = q.mcu->now();
    q.board->nets[0].later_volts = 40.0;
    q.board->nets[0].step_at = start + lead * kClock / 4;
    q.run(100 * kUs);
    const double volts = -14.948 + 0.07324 * q.read16(at::ADCW);
    if (volts > 21.0) boundary = lead / 4.0;  // the step came before the hold
  }
  EXPECT_GE(boundary, 1.25);
  EXPECT_LE(boundary, 2.5);  // 1.5 from the clock's edge, up to one clock after the start
}

TEST_F(AdcChip, MuxChangesAfterTheStartAreForTheNextConversion) {
  select(13);
  enable();
  convert(13);
  select(13);
  // Start and change the multiplexer within the conversion: 8 bytes take 160 us at 500 kbaud, so a
  // slow converter clock is used (/ 128: 104 us for 13 clocks), and the change comes with the
  // start's next command.
  p.write(at::ADCSRA, kOn | 0x07);
  p.mcu->feed(std::vector<std::uint8_t>{'w', 0x7A, 0, kOn | kGo | kFlag | 0x07, 'w', 0x7C, 0, 0},
              p.mcu->now());
  p.run(400 * kUs);
  EXPECT_EQ(p.read16(at::ADCW), 512);
}

TEST_F(AdcChip, WritingOneToTheFlagClearsIt) {
  enable();
  convert(0);
  EXPECT_NE(p.read(at::ADCSRA) & kFlag, 0);
  p.write(at::ADCSRA, kOn | kBy64);
  EXPECT_NE(p.read(at::ADCSRA) & kFlag, 0) << "writing 0 keeps it";
  p.write(at::ADCSRA, kOn | kFlag | kBy64);
  EXPECT_EQ(p.read(at::ADCSRA) & kFlag, 0);
}

TEST_F(AdcChip, Timer1CompareBTriggersOncePerRisingFlag) {
  p.clear_counts();
  select(13);
  enable();
  convert(13);  // the long first one
  p.write(at::ADCSRB, 0x08 | 0x05);
  p.write(at::ADCSRA, kOn | kAuto | kFlag | kAsk | kBy64);
  p.send({'i'});
  p.clear_counts();
  p.write(at::TCCR1B, 0x18);  // the top is in ICR1: else it cannot be written
  p.write16(at::ICR1, 15999);  // 1 ms
  p.write16(at::OCR1B, 8000);
  p.write(at::TCCR1B, 0x18 | 0x01);
  p.run(20 * kMs);
  EXPECT_EQ(p.count(0), 1) << "the compare flag stands: no further edge";
  for (int i = 1; i <= 5; ++i) {
    p.write(at::TIFR1, 0x04);
    p.run(3 * kMs);
    EXPECT_EQ(p.count(0), 1 + i);
  }
}

TEST_F(AdcChip, ATriggerChosenWhileItsFlagIsSetStartsAConversion) {
  enable();
  convert(13);
  p.write(at::TCCR1B, 0x01);
  p.run(10 * kMs);  // a whole turn and more: match B has been
  p.write(at::TCCR1B, 0x00);
  ASSERT_NE(p.read(at::TIFR1) & 0x04, 0);
  p.write(at::ADCSRA, kOn | kAuto | kFlag | kBy64);
  p.write(at::ADCSRB, 0x05);
  p.run(1 * kMs);
  EXPECT_NE(p.read(at::ADCSRA) & kFlag, 0) << "converted";
  p.write(at::ADCSRA, kOn | kFlag | kBy64);
  p.write(at::ADCSRB, 0x00);
  p.write(at::TIFR1, 0x04);
  p.write(at::ADCSRA, kOn | kAuto | kFlag | kBy64);
  p.write(at::ADCSRB, 0x05);
  p.run(1 * kMs);
  EXPECT_EQ(p.read(at::ADCSRA) & kFlag, 0) << "the flag was cleared before";
}

TEST_F(AdcChip, TriggeredConversionHoldsTwoClocksAfterTheMatch) {
  // Timer 1 toggles fast.0 at the match of A; match B, at the same count, starts the converter.
  double boundary = -1.0;
  for (int quarter = 0; quarter < 16; ++quarter) {
    Probe q;
    q.write(at::ADMUX, 0);
    q.write(at::ADCSRA, kOn | kGo | kFlag | kBy64);
    q.run(200 * kUs);
    q.write(at::DDRB, 0x20);
    q.write(at::ADCSRB, 0x05);
    q.write(at::ADCSRA, kOn | kAuto | kFlag | kBy64);
    q.write(at::TCCR1A, 0x40);
    q.write(at::TCCR1B, 0x18);  // the top is in ICR1: else it cannot be written
    q.write16(at::ICR1, 0xFFFF);
    q.write16(at::OCR1A, 30000);
    q.write16(at::OCR1B, 30000);
    q.write(at::TIFR1, 0xFF);
    q.mcu->record_edges(true);
    q.write(at::TCCR1B, 0x18 | 0x01);
    while (q.mcu->edges().empty()) q.mcu->run_until(q.mcu->now() + kCycle, false);
    q.board->nets[0].later_volts = 40.0;
    q.board->nets[0].step_at = q.mcu->edges()[0].t + quarter * kClock / 4;
    q.run(100 * kUs);
    const double volts = -14.948 + 0.07324 * q.read16(at::ADCW);
    if (volts > 21.0) boundary = quarter / 4.0;
  }
  EXPECT_GE(boundary, 1.7);
  EXPECT_LE(boundary, 2.0);
}

TEST_F(AdcChip, LeftAdjustAndTheInnerReference) {
  enable();
  convert(13);
  p.write(at::ADMUX, 0x20 | 5);
  p.write(at::ADCSRB, 0x08);
  EXPECT_EQ(p.read16(at::ADCW), 512 << 6);
  p.write(at::ADMUX, 30);
  p.write(at::ADCSRB, 0);
  p.write(at::ADCSRA, kOn | kGo | kFlag | kBy64);
  p.run(150 * kUs);
  EXPECT_EQ(p.read16(at::ADCW), 275);  // 1.1 / 4.096 * 1024
}

}  // namespace
}  // namespace tenterhook::emulated
