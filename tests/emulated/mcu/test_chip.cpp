// Ports, SPI, watchdog, resets, EEPROM, interrupts' entry, hang and power cut.
#include <fstream>

#include "tests/emulated/mcu/probe.h"

namespace tenterhook::emulated {
namespace {

constexpr Picoseconds kCycle = McuEmulator::kCycle;

TEST(Ports, InputsComeFromTheFixtureWhateverIsWrittenToTheirPort) {
  Probe p;
  p.write(at::DDRD, 0x00);
  p.write(at::PORTD, 0x0F);
  EXPECT_EQ(p.read(at::PIND) & 0x0F, 0x0F);
  p.mcu->circuit().press_stop(p.mcu->now(), true);
  EXPECT_EQ(p.read(at::PIND) & 0x09, 0x00);
  p.write(at::PORTD, 0x07);  // the library forgot the pressed stop here
  p.write(at::PORTD, 0x0F);
  EXPECT_EQ(p.read(at::PIND) & 0x09, 0x00) << "stop pressed, coil supply gone";
  p.mcu->circuit().press_stop(p.mcu->now(), false);
  EXPECT_EQ(p.read(at::PIND) & 0x09, 0x09);
}

TEST(Ports, WritingOnesToAPinRegisterToggles) {
  Probe p;
  p.write(at::DDRB, 0x20);
  p.mcu->record_edges(true);
  p.write(at::PINB, 0x20);
  p.write(at::PINB, 0x20);
  ASSERT_EQ(p.mcu->edges().size(), 2U);
  EXPECT_TRUE(p.mcu->edges()[0].level);
  EXPECT_FALSE(p.mcu->edges()[1].level);
  EXPECT_EQ(p.read(at::PORTB) & 0x20, 0x00);
}

TEST(Ports, FallingEdgeOfStopInterrupts) {
  Probe p;
  p.clear_counts();
  p.write(at::EICRA, 0x02);
  p.write(at::EIMSK, 0x01);
  p.send({'i'});
  EXPECT_EQ(p.count(3), 0);
  p.mcu->circuit().press_stop(p.mcu->now(), true);
  p.run(1 * kMs);
  EXPECT_EQ(p.count(3), 1);
}

struct Chain : ::testing::Test {
  Probe p;
  void SetUp() override {
    p.write(at::DDRB, 0x07);
    p.write(at::SPCR, 0x50);  // enable, master, / 4
  }
  int shift(int v) {
    p.write(at::SPDR, v);
    EXPECT_NE(p.read(at::SPSR) & 0x80, 0);
    return p.read(at::SPDR);
  }
};

TEST_F(Chain, BytesGoThroughSixteenStages) {
  for (int i = 0; i < 16; ++i) EXPECT_EQ(shift(0xA0 + i), 0);
  for (int i = 0; i < 16; ++i) EXPECT_EQ(shift(0), 0xA0 + i);
}

TEST_F(Chain, FlagFallsWithTheDataRegisterAndByteTakesEightBitTimes) {
  p.write(at::SPCR, 0x53);  // / 128: 64 us a byte
  p.mcu->feed(std::vector<std::uint8_t>{'w', Probe::lo(at::SPDR), 0, 0x42}, p.mcu->now());
  p.run(81 * kUs);
  EXPECT_EQ(p.mcu->peek(at::SPSR) & 0x80, 0);
  p.run(60 * kUs);
  EXPECT_EQ(p.mcu->peek(at::SPSR) & 0x80, 0);
  p.run(10 * kUs);
  EXPECT_NE(p.mcu->peek(at::SPSR) & 0x80, 0);
  p.read(at::SPSR);
  p.read(at::SPDR);
  EXPECT_EQ(p.read(at::SPSR) & 0x80, 0);
}

TEST_F(Chain, InterruptRunsOnceAByte) {
  p.clear_counts();
  p.write(at::SPCR, 0xD0);
  p.send({'i'});
  for (int i = 0; i < 5; ++i) p.write(at::SPDR, i);
  EXPECT_EQ(p.count(2), 5);
}

TEST_F(Chain, LatchedBitsMoveRelaysUnderTheFixturesRules) {
  p.write(at::DDRG, 0x01);
  p.write(at::PORTG, 0x01);  // output enable
  p.write(at::DDRH, 0x20);
  for (int byte = 15; byte >= 0; --byte)
    shift(byte == map::kBitMaster / 8 ? 1 << map::kBitMaster % 8 : 0);
  p.write(at::PORTB, 0x01);
  for (int i = 0; i < 8; ++i) {
    p.write(at::PINH, 0x20);  // toggles the alive pin
    p.run(5 * kMs);
  }
  EXPECT_TRUE(p.mcu->circuit().contact_closed(p.mcu->now(), map::kBitMaster));
  p.run(30 * kMs);
  EXPECT_FALSE(p.mcu->circuit().contact_closed(p.mcu->now(), map::kBitMaster));
}

TEST(Watchdog, ResetsAfterItsTimeAndSaysSo) {
  Probe p;
  p.write(at::DDRG, 0x01);
  p.write(0x2100, 0x77);
  p.mcu->take_output();
  const Picoseconds t0 = p.mcu->now();
  p.mcu->feed(std::vector<std::uint8_t>{'D', 'h'}, t0);
  const auto hello = p.answer(2);
  ASSERT_EQ(hello.size(), 2U);
  EXPECT_EQ(hello[1], 0x08) << "WDRF alone";
  EXPECT_NEAR(double(p.mcu->now() - t0) / double(kMs), 16.4, 1.5);  // 2048 clocks of 128 kHz
  EXPECT_EQ(p.mcu->peek(at::DDRG), 0);
  EXPECT_EQ(p.mcu->peek(0x2100), 0x77) << "SRAM survives a reset";
  EXPECT_EQ(p.mcu->resets(), 1);
}

TEST(Watchdog, AResetLetsThePinsGo) {
  Probe p;
  p.write(at::DDRG, 0x01);
  p.write(at::PORTG, 0x01);
  p.write(at::DDRB, 0x20);
  p.mcu->record_edges(true);
  p.write(at::PORTB, 0x20);
  p.mcu->feed(std::vector<std::uint8_t>{'D', 'h'}, p.mcu->now());
  p.answer(2);
  ASSERT_EQ(p.mcu->edges().size(), 2U);
  EXPECT_FALSE(p.mcu->edges()[1].level) << "the reset was told to the fixture";
}

TEST(Reset, CausesAreToldApart) {
  Probe p;
  EXPECT_EQ(p.mcu->resets(), 0);
  p.mcu->inject(Injection::reset_line);
  EXPECT_EQ(p.answer(2).at(1), 0x02);
  p.mcu->inject(Injection::power_cut);
  p.run(10 * kMs);
  p.mcu->inject(Injection::power_on);
  EXPECT_EQ(p.answer(2).at(1), 0x01);
}

TEST(Hang, NothingRunsButTheWatchdogWouldHelp) {
  Probe p;
  p.mcu->inject(Injection::hang);
  p.mcu->feed(std::vector<std::uint8_t>{'e', 2}, p.mcu->now());
  EXPECT_TRUE(p.answer(1, 20 * kMs).empty());
  Probe q;
  q.send({'D'});
  q.mcu->inject(Injection::hang);
  EXPECT_EQ(q.answer(2).size(), 2U);
}

TEST(PowerCut, TimePassesAndNothingElse) {
  Probe p;
  const Picoseconds t0 = p.mcu->now();
  p.mcu->inject(Injection::power_cut);
  p.mcu->feed(std::vector<std::uint8_t>{'e', 2}, p.mcu->now());
  p.run(100 * kMs);
  EXPECT_EQ(p.mcu->now(), t0 + 100 * kMs);
  EXPECT_FALSE(p.mcu->has_output());
}

TEST(Sleep, WakesOnAnInterruptAtItsTime) {
  Probe p;
  p.clear_counts();
  p.write16(at::OCR3A, 31999);
  p.write(at::TIMSK3, 0x02);
  p.send({'i'});
  const Picoseconds t0 = p.mcu->now();
  p.mcu->feed(std::vector<std::uint8_t>{'w', Probe::lo(at::TCCR3B), 0, 0x09, 's'}, t0);  // CTC
  EXPECT_EQ(p.answer(1), std::vector<std::uint8_t>{'s'});
  // 80 us to the timer's start, 2 ms to the match, 20 us for the answer's byte.
  EXPECT_NEAR(double(p.mcu->now() - t0), double(2100 * kUs), double(20 * kUs));
}

TEST(Sleep, WithInterruptsOffIsForGood) {
  Probe p;
  p.send({'s'});
  p.mcu->feed(std::vector<std::uint8_t>{'e', 1}, p.mcu->now());
  EXPECT_TRUE(p.answer(1, 10 * kMs).empty());
  EXPECT_NEAR(double(p.mcu->now()), double(p.mcu->cycle()) * double(kCycle), 1.0);
}

TEST(Interrupt, EntryTakesFiveCycles) {
  Probe p;
  p.clear_counts();
  p.write16(at::OCR3A, 9999);
  p.write(at::TIMSK3, 0x02);
  p.send({'i'});
  p.write(at::TCCR3B, 0x09);
  p.run(50 * kMs);
  // The handler: 5 to enter, jump 3, about 30 to save, count, restore, 5 to return.
  EXPECT_GE(p.mcu->longest_interrupt(32), 25U);
  EXPECT_LE(p.mcu->longest_interrupt(32), 70U);
}

TEST(Eeprom, HoldsWhatItWasGiven) {
  auto circuit = make_fixture(Probe::ideal(), nullptr, {});
  auto mcu =
      make_mcu({std::string(TH_PROBE_FOLDER) + "/probe.elf", {}, {0x12, 0x34}}, std::move(circuit));
  ASSERT_TRUE(mcu.ok());
  EXPECT_EQ(mcu.value()->eeprom().at(0), 0x12);
  EXPECT_EQ(mcu.value()->eeprom().at(1), 0x34);
  EXPECT_EQ(mcu.value()->eeprom().at(2), 0xFF);
}

TEST(Repeat, TwoRunsAreAlikeToTheCycle) {
  const auto run = [] {
    FixtureOptions o;
    o.seed = 11;
    Probe p("probe", o);
    p.write(at::DDRB, 0xA0);
    p.mcu->record_edges(true);
    p.write(at::TCCR1A, 0x40);
    p.write(at::TCCR1B, 0x18);  // the top is in ICR1: else it cannot be written
    p.write16(at::ICR1, 777);
    p.write(at::TCCR1B, 0x19);
    p.run(3 * kMs);
    std::vector<Picoseconds> times{p.mcu->now()};
    for (const PinEdge& e : p.mcu->edges()) times.push_back(e.t);
    return times;
  };
  EXPECT_EQ(run(), run());
}

TEST(Elf, WhatIsNoAvrProgramIsRefused) {
  const auto refuse = [](const std::string& path) {
    auto made = make_mcu({path, {}, {}}, make_fixture(Probe::ideal(), nullptr, {}));
    return made.ok() ? std::string() : made.error().text();
  };
  EXPECT_NE(refuse("no/such.elf").find("cannot read"), std::string::npos);
  EXPECT_NE(refuse("/proc/self/exe").find("not an AVR program"), std::string::npos);
  const std::string cut = ::testing::TempDir() + "cut.elf";
  std::ifstream whole(std::string(TH_PROBE_FOLDER) + "/probe.elf", std::ios::binary);
  std::vector<char> head(300);
  whole.read(head.data(), 300);
  std::ofstream(cut, std::ios::binary).write(head.data(), 300);
  EXPECT_FALSE(refuse(cut).empty());
}

}  // namespace
}  // namespace tenterhook::emulated
