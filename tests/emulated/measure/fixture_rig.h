// One emulated fixture with a source of known volts on one sense lead, sampled as its firmware does:
// conversions spread evenly over one mains period. No host code but the value types.
#pragma once

#include <cmath>
#include <memory>
#include <random>

#include "fixtures/emulated/fixture/circuit.h"
#include "host/measure/reading.h"
#include "tests/emulated/fixture/rig.h"

namespace tenterhook::emulated {

struct SenseRig {
  Rig rig;
  int sense;

  static FixtureOptions seeded(std::uint64_t seed) {
    FixtureOptions o;
    o.seed = seed;
    return o;
  }
  static std::unique_ptr<BenchBoard> source() {
    auto board = std::make_unique<BenchBoard>();
    board->nets.push_back({0.0, 1.0, 0.0, INT64_MAX, {}});
    return board;
  }
  static BoardDescription lead(int sense) {
    BoardDescription d;
    d.terminals.resize(1);
    d.terminals[0].name = "Y";
    d.terminals[0].sense = sense;
    return d;
  }

  SenseRig(std::uint64_t seed, int channel) : rig(seeded(seed), source(), lead(channel)), sense(channel) {
    rig.feeding = false;
    rig.sense_address(channel % 16);
  }

  void put(double volts, double ohms) {
    rig.board->nets[0].volts = volts;
    rig.board->nets[0].siemens = 1.0 / std::max(ohms, 0.01);
    rig.pass(5 * kMs);
  }
  double true_volts() { return rig.fixture->lead_volts(rig.t, sense); }

  measure::Counts sample(int n) {
    measure::Counts c;
    c.min = 1023;
    const Picoseconds every = 20 * kMs / n;
    for (int i = 0; i < n; ++i) {
      rig.pass(every);
      const auto code = static_cast<std::uint16_t>(rig.code(map::kAdcSense + sense / 16));
      ++c.n;
      c.sum += code;
      c.sum_of_squares += std::uint32_t{code} * code;
      c.min = std::min(c.min, code);
      c.max = std::max(c.max, code);
    }
    return c;
  }
};

}  // namespace tenterhook::emulated
