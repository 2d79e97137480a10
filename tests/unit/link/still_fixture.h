// A fixture's circuit in which nothing goes wrong and nothing moves by itself: for tests of the link,
// where only bytes matter. Every sense channel has its own constant counts.
#pragma once

#include <array>
#include <cstdint>

#include "fixtures/emulated/fixture/circuit.h"

namespace tenterhook::link {

class StillFixture final : public emulated::FixtureCircuit {
 public:
  using Picoseconds = emulated::Picoseconds;

  static std::uint16_t counts_of_sense(int sense) { return static_cast<std::uint16_t>(100 + 17 * sense); }

  void pin(Picoseconds, map::Pin pin, bool level) override {
    if (same(pin, map::kPinChainLatch) && level) outputs_ = chain_;
    if (same(pin, map::kPinOutputEnable)) enabled_ = level;
    for (std::uint8_t i = 0; i < 4; ++i) {
      if (pin.port == map::kPinSenseMux.port && pin.bit == map::kPinSenseMux.bit + i) set_bit(sense_mux_, i, level);
      if (pin.port == map::kPinAuxMux.port && pin.bit == map::kPinAuxMux.bit + i) set_bit(aux_mux_, i, level);
    }
  }
  void pin_floats(Picoseconds, map::Pin pin) override {
    if (same(pin, map::kPinOutputEnable)) enabled_ = false;
  }
  std::uint8_t spi(Picoseconds, std::uint8_t byte) override {
    const std::uint8_t out = chain_.back();
    for (std::size_t i = chain_.size() - 1; i > 0; --i) chain_[i] = chain_[i - 1];
    chain_[0] = byte;
    return out;
  }
  bool input(Picoseconds, map::Pin pin) override {
    if (same(pin, map::kPinStop)) return !stop_;
    if (same(pin, map::kPinHoldToRun)) return true;
    if (pin.port == map::kPinOverCurrent.port && pin.bit >= map::kPinOverCurrent.bit) return false;
    return true;  // lid closed, coil supply present
  }
  std::uint16_t convert(Picoseconds, int channel) override {
    constexpr std::uint16_t kReference = 512;  // 2.048 V of 4.096 V
    if (channel < 4) return counts_of_sense(16 * channel + sense_mux_);
    if (channel == map::kAdcReference) return kReference;
    return static_cast<std::uint16_t>(200 + channel);
  }
  Picoseconds next_event(Picoseconds) override { return INT64_MAX; }
  void press_stop(Picoseconds, bool pressed) override { stop_ = pressed; }
  void open_lid(Picoseconds, bool) override {}
  void hold_to_run(Picoseconds, bool) override {}
  Truth truth(Picoseconds) override {
    Truth t;
    for (std::uint8_t byte : outputs_) t.any_contact_closed |= enabled_ && byte != 0;
    return t;
  }
  emulated::Board* board() override { return nullptr; }
  double lead_volts(Picoseconds, int) override { return 0.0; }
  double rail_volts(Picoseconds, int) override { return 0.0; }
  double rail_amps(Picoseconds, int) override { return 0.0; }
  bool contact_closed(Picoseconds, int bit) override {
    return enabled_ && (outputs_[static_cast<std::size_t>(bit / 8)] >> (bit % 8) & 1) != 0;
  }
  std::uint64_t operations(int) override { return 0; }

 private:
  static bool same(map::Pin a, map::Pin b) { return a.port == b.port && a.bit == b.bit; }
  static void set_bit(int& value, int bit, bool level) { value = level ? value | 1 << bit : value & ~(1 << bit); }

  std::array<std::uint8_t, map::kChainBytes> chain_{}, outputs_{};
  bool enabled_ = false;
  bool stop_ = false;
  int sense_mux_ = 0, aux_mux_ = 0;
};

}  // namespace tenterhook::link
