// The probe program in the emulated chip, worked by the test: registers by name, virtual time.
#pragma once

#include <gtest/gtest.h>

#include <memory>
#include <string>

#include "fixtures/emulated/mcu/mcu.h"
#include "tests/emulated/fixture/bench_board.h"

namespace tenterhook::emulated {

constexpr Picoseconds kUs = 1'000'000;
constexpr Picoseconds kMs = 1'000'000'000;

namespace at {  // data-space addresses (avr/iomxx0_1.h)
enum : std::uint16_t {
  PINA = 0x20,
  DDRA,
  PORTA,
  PINB,
  DDRB,
  PORTB,
  PINC,
  DDRC,
  PORTC,
  PIND,
  DDRD,
  PORTD,
  PING = 0x32,
  DDRG,
  PORTG,
  PINH = 0x100,
  DDRH,
  PORTH,
  TIFR1 = 0x36,
  TIFR3 = 0x38,
  EIFR = 0x3C,
  EIMSK = 0x3D,
  SPCR = 0x4C,
  SPSR,
  SPDR,
  TIMSK1 = 0x6F,
  TIMSK3 = 0x71,
  EICRA = 0x69,
  ADCW = 0x78,
  ADCSRA = 0x7A,
  ADCSRB = 0x7B,
  ADMUX = 0x7C,
  TCCR1A = 0x80,
  TCCR1B,
  TCCR1C,
  TCNT1 = 0x84,
  ICR1 = 0x86,
  OCR1A = 0x88,
  OCR1B = 0x8A,
  OCR1C = 0x8C,
  TCCR3A = 0x90,
  TCCR3B,
  TCNT3 = 0x94,
  OCR3A = 0x98,
  UCSR0A = 0xC0,
  UCSR0B = 0xC1,
  UBRR0 = 0xC4,
  COUNTS = 0x2000,
};
}  // namespace at

struct Probe {
  BenchBoard* board = nullptr;
  std::unique_ptr<McuEmulator> mcu;

  explicit Probe(const std::string& program = "probe", FixtureOptions o = ideal()) {
    auto b = std::make_unique<BenchBoard>();
    board = b.get();
    board->nets = {{20.0, 1.0, 0, INT64_MAX, {}}};
    BoardDescription d;
    d.terminals.resize(1);
    d.terminals[0].name = "Y";
    d.terminals[0].sense = 0;
    auto made = make_mcu({std::string(TH_PROBE_FOLDER) + "/" + program + ".elf", {}, {}},
                         make_fixture(o, std::move(b), d));
    if (!made.ok()) {
      ADD_FAILURE() << made.error().text();
      std::abort();
    }
    mcu = made.take();
    if (program == "probe") {
      const auto hello = answer(2);
      EXPECT_EQ(hello.at(0), 0xB0);
    }
  }
  static FixtureOptions ideal() {
    FixtureOptions o;
    o.ideal = true;
    return o;
  }
  void run(Picoseconds dt) { mcu->run_until(mcu->now() + dt, false); }
  void send(std::vector<std::uint8_t> bytes) {
    mcu->feed(bytes, mcu->now());
    run(Picoseconds(bytes.size()) * 20 * kUs + 15 * kUs);
  }
  std::vector<std::uint8_t> answer(std::size_t n, Picoseconds patience = 50 * kMs) {
    std::vector<std::uint8_t> got;
    const Picoseconds end = mcu->now() + patience;
    while (got.size() < n && mcu->now() < end) {
      mcu->run_until(end, true);
      const auto more = mcu->take_output();
      got.insert(got.end(), more.begin(), more.end());
    }
    return got;
  }
  static std::uint8_t lo(int v) { return std::uint8_t(v); }
  static std::uint8_t hi(int v) { return std::uint8_t(v >> 8); }
  void write(std::uint16_t a, int v) { send({'w', lo(a), hi(a), lo(v)}); }
  void write16(std::uint16_t a, int v) { send({'W', lo(a), hi(a), lo(v), hi(v)}); }
  int read(std::uint16_t a) {
    send({'r', lo(a), hi(a)});
    return answer(1).at(0);
  }
  int read16(std::uint16_t a) {
    send({'R', lo(a), hi(a)});
    const auto b = answer(2);
    return b.at(0) | b.at(1) << 8;
  }
  int count(int i) { return read(std::uint16_t(at::COUNTS + i)); }
  void clear_counts() {
    for (int i = 0; i < 5; ++i) write(std::uint16_t(at::COUNTS + i), 0);
  }
};

}  // namespace tenterhook::emulated
