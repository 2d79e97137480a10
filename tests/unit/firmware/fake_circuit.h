// A fixture of plain arithmetic for tests of the firmware: ideal, instant, and everything that the
// firmware did to its pins is written down.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <map>
#include <utility>
#include <vector>

#include "fixtures/emulated/fixture/circuit.h"

namespace tenterhook::test {

using emulated::Picoseconds;
constexpr Picoseconds kUs = 1'000'000;
constexpr Picoseconds kMs = 1'000 * kUs;
constexpr Picoseconds kTick = 62'500;

class FakeCircuit : public emulated::FixtureCircuit {
 public:
  using Chain = std::array<std::uint8_t, map::kChainBytes>;
  struct Latched {
    Picoseconds at;
    Chain bits;
  };
  struct Edge {
    Picoseconds at;
    bool level;
  };

  void pin(Picoseconds t, map::Pin pin, bool level) override {
    bool& now = levels_[key(pin)];
    driven_[key(pin)] = true;
    if (now == level) return;
    now = level;
    if (key(pin) == key(map::kPinChainLatch) && level) {
      latched.push_back({t, shift_});
    } else if (key(pin) == key(map::kPinAlive)) {
      alive_at_ = t;
    } else if (key(pin) == key(map::kPinFast0)) {
      edges[0].push_back({t, level});
    } else if (key(pin) == key(map::kPinFast1)) {
      edges[1].push_back({t, level});
    } else if (pin.port == 'A') {
      rail_switched_at[pin.bit] = t;
    } else if (key(pin) == key(map::kPinTripReset) && level) {
      over_current_latch = 0;
    }
  }
  void pin_floats(Picoseconds, map::Pin pin) override {
    levels_[key(pin)] = false;
    driven_[key(pin)] = false;
  }
  std::uint8_t spi(Picoseconds, std::uint8_t byte) override {
    const std::uint8_t out = shift_[map::kChainBytes - 1];
    for (int i = map::kChainBytes - 1; i > 0; --i) shift_[i] = shift_[i - 1];
    shift_[0] = byte;
    return static_cast<std::uint8_t>(out ^ break_chain);
  }
  bool input(Picoseconds, map::Pin pin) override {
    if (pin.port != 'D') return false;
    if (pin.bit >= map::kPinOverCurrent.bit) {
      return (over_current_latch >> (pin.bit - map::kPinOverCurrent.bit) & 1) != 0;
    }
    switch (pin.bit) {
      case 0: return !stop_pressed;
      case 1: return !lid_open;
      case 2: return !held;
      default: return coil_supply;
    }
  }
  std::uint16_t convert(Picoseconds t, int adc) override {
    ++conversions;
    const int mux = adc < 4 ? address(map::kPinSenseMux) : address(map::kPinAuxMux);
    if (counts) {
      const int chosen = counts(t, adc, mux);
      if (chosen >= 0) return static_cast<std::uint16_t>(chosen);
    }
    if (adc < 4) return static_cast<std::uint16_t>(100 + 16 * adc + mux);
    if (adc == map::kAdcDrive) return static_cast<std::uint16_t>(300 + mux);
    if (adc == map::kAdcRailMux) return mux == 3 && rail_on(3) ? 700 : static_cast<std::uint16_t>(400 + mux);
    if (adc < map::kAdcRail) return rail_on(adc - map::kAdcCurrent) ? 200 : 0;
    if (adc < map::kAdcReference) return rail_on(adc - map::kAdcRail) ? 700 : 5;
    if (adc == map::kAdcReference) return 512;
    return adc == map::kAdcGround ? 205 : 900;
  }
  Picoseconds next_event(Picoseconds) override { return INT64_MAX; }
  void press_stop(Picoseconds, bool pressed) override { stop_pressed = pressed; }
  void open_lid(Picoseconds, bool open) override { lid_open = open; }
  void hold_to_run(Picoseconds, bool is_held) override { held = is_held; }
  Truth truth(Picoseconds t) override {
    Truth truth;
    if (!outputs_live(t)) return truth;
    for (int bit = map::kBitDriveConnect; bit < map::kBitRailSeries; ++bit) {
      truth.any_contact_closed = truth.any_contact_closed || coil(bit);
    }
    for (int r = 0; r < map::kRails; ++r) truth.any_rail_on = truth.any_rail_on || rail_on(r);
    return truth;
  }
  emulated::Board* board() override { return nullptr; }
  double lead_volts(Picoseconds, int) override { return 0.0; }
  double rail_volts(Picoseconds, int r) override { return rail_on(r) ? 30.0 : 0.0; }
  double rail_amps(Picoseconds, int r) override { return rail_on(r) ? 0.1 : 0.0; }
  bool contact_closed(Picoseconds, int bit) override { return coil(bit); }
  std::uint64_t operations(int) override { return 0; }

  // ---- what the tests look at ----
  bool level(map::Pin pin) { return levels_[key(pin)]; }
  // The monostable: 20 ms after the last edge of the alive pin everything is gated off.
  bool outputs_live(Picoseconds t) {
    return level(map::kPinOutputEnable) && alive_at_ >= 0 && t - alive_at_ < 20 * kMs;
  }
  bool coil(int bit) const {
    return !latched.empty() && (latched.back().bits[bit / 8] >> (bit % 8) & 1) != 0;
  }
  bool rail_on(int r) {
    const bool path = levels_[key({'A', static_cast<std::uint8_t>(r)})] ||
                      coil(map::kBitRailPreCharge + r);
    return path && coil(map::kBitRailSeries + r) && coil(map::kBitMaster) && !rail_broken[r];
  }

  std::vector<Latched> latched;
  std::vector<Edge> edges[2];
  std::array<Picoseconds, 4> rail_switched_at{};
  std::array<bool, 4> rail_broken{};
  std::function<int(Picoseconds, int adc, int mux)> counts;  // negative: the plain value
  std::uint8_t over_current_latch = 0;
  std::uint8_t break_chain = 0;
  bool stop_pressed = false, lid_open = false, held = false, coil_supply = true;
  long conversions = 0;

 private:
  static int key(map::Pin pin) { return pin.port * 8 + pin.bit; }
  int address(map::Pin first) {
    int a = 0;
    for (int bit = 0; bit < 4; ++bit) {
      a |= levels_[key({first.port, static_cast<std::uint8_t>(first.bit + bit)})] ? 1 << bit : 0;
    }
    return a;
  }
  std::map<int, bool> levels_;
  std::map<int, bool> driven_;
  Chain shift_{};
  Picoseconds alive_at_ = -1;
};

}  // namespace tenterhook::test
