#include "tests/unit/record/scenario.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <functional>

namespace tenterhook::scenario {
namespace {

using files::Bit;
using measure::Reading;
using measure::Verdict;

// A small generator of its own (SplitMix64) so that values never change with a library.
class Noise {
 public:
  explicit Noise(std::uint64_t seed) : state_(seed) {}
  double uniform() {
    state_ += 0x9e3779b97f4a7c15u;
    std::uint64_t z = state_;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return static_cast<double>((z ^ (z >> 31)) >> 11) * 0x1.0p-53;
  }
  double around(double centre, double spread) { return centre + spread * (2.0 * uniform() - 1.0); }

 private:
  std::uint64_t state_;
};

constexpr files::Window kLow{Volts{-1.0}, Volts{8.2}};
constexpr files::Window kHigh{Volts{22.0}, Volts{31.0}};
constexpr double kVoltsPerCount = 75.0 / 1024.0;

std::pair<std::string, Bit> bit_of(const std::string& line, bool one) {
  return {line, one ? Bit::one : Bit::zero};
}

Reading reading_of(const std::string& line, bool one, double volts, int channel) {
  Reading r;
  r.line = line;
  r.expected = one ? Bit::one : Bit::zero;
  r.volts = Volts{volts};
  r.U = Volts{0.09 + 0.0003 * std::fabs(volts)};
  r.dof = 61.5;
  r.window = one ? kHigh : kLow;
  r.channel = channel;
  const double over = std::min(volts - r.window.min.value, r.window.max.value - volts);
  r.verdict = over > r.U.value    ? Verdict::pass
              : over < -r.U.value ? Verdict::fail
                                  : Verdict::unsure;
  r.p = r.verdict == Verdict::pass ? 1.0
                                   : 0.5 * std::erfc(-over / (r.U.value / 2.0) / std::sqrt(2.0));
  if (r.verdict == Verdict::unsure) {
    r.why = "the window's edge lies inside the uncertainty; averaging 16 periods would settle it";
  }
  const auto centre = static_cast<int>((volts + 15.0) / kVoltsPerCount);
  r.counts.n = 24;
  r.counts.sum = static_cast<std::uint32_t>(24 * centre + 7);
  r.counts.min = static_cast<std::uint16_t>(centre - 1);
  r.counts.max = static_cast<std::uint16_t>(centre + 2);
  r.counts.sum_of_squares = static_cast<std::uint32_t>(24 * centre * centre + 14 * centre + 31);
  return r;
}

struct Vector {
  int f;
  bool skip;
  std::string say;
};

std::vector<Vector> vectors_of(int steps) {
  std::vector<Vector> vectors = {{0, false, "clear the power-up state"},
                                 {10, false, ""},
                                 {1, true, "a skipped pick stores all ones"},
                                 {1, false, ""},
                                 {10, false, ""},
                                 {5, true, ""}};
  for (int i = 0; static_cast<int>(vectors.size()) < steps; ++i) {
    vectors.push_back({(i / 2) % 16, i % 2 == 1, ""});
  }
  vectors.resize(static_cast<std::size_t>(steps));
  return vectors;
}

record::StepRecord step_of(const LatchRun& options, const Vector& vector, int index, Noise& noise) {
  record::StepRecord step;
  step.index = index;
  step.source = "acceptance.vectors.yaml:" + std::to_string(4 + std::min(index, 5));
  step.say = vector.say;
  for (int i = 3; i >= 0; --i) {
    step.set.push_back(bit_of("F" + std::to_string(i), ((vector.f >> i) & 1) != 0));
  }
  step.set.push_back(bit_of("SKIP", vector.skip));
  step.pulse.emplace_back("PICK", 1);
  step.time_s = 0.0543 * index + noise.around(0.02, 0.0004);
  const int stored = vector.skip ? 15 : vector.f;
  for (const bool inverse : {false, true}) {
    for (int i = 3; i >= 0; --i) {
      const bool one = (((stored >> i) & 1) != 0) != inverse;
      const bool dead = options.q1_stuck_low && i == 1;
      const bool real = dead ? inverse : one;
      double volts = real ? noise.around(24.6, 0.08) : noise.around(5.02, 0.06);
      if (i == 2 && !inverse && real) {
        volts = noise.around(options.q2_weak ? 22.04 : options.q2_high_v, 0.03);
      }
      const std::string line = (inverse ? "Qn" : "Q") + std::to_string(i);
      step.readings.push_back(reading_of(line, one, volts, (inverse ? 4 : 0) + i));
    }
  }
  return step;
}

void add_to(std::optional<record::LevelRecord::Side>& side, const Reading& r, int step) {
  if (!side) {
    side.emplace();
    side->min_v = side->max_v = r.volts.value;
    side->worst_step = step;
  }
  side->min_v = std::min(side->min_v, r.volts.value);
  side->max_v = std::max(side->max_v, r.volts.value);
  side->mean_v = (side->mean_v * side->n + r.volts.value) / (side->n + 1);
  side->U_v = std::max(side->U_v, r.U.value);
  ++side->n;
}

std::vector<record::LevelRecord> levels_of(const record::RunRecord& run) {
  std::vector<record::LevelRecord> levels;
  for (const Reading& first : run.steps.front().readings) {
    record::LevelRecord& level = levels.emplace_back();
    level.line = first.line;
    for (const record::StepRecord& step : run.steps) {
      for (const Reading& r : step.readings) {
        if (r.line != level.line || r.verdict == Verdict::fail) continue;
        add_to(r.expected == Bit::one ? level.high : level.low, r, step.index);
      }
    }
    record::MarginRecord margin;
    margin.to = "valve30";
    if (level.low) margin.low_v = 9.3 - level.low->max_v;
    if (level.high) margin.high_v = level.high->min_v - 14.0;
    margin.U_v = 0.12;
    if (level.low) level.margin_low_v = margin.low_v;
    if (level.high) level.margin_high_v = margin.high_v;
    level.margins.push_back(margin);
  }
  return levels;
}

record::PowerRecord power_of(Noise& noise) {
  record::PowerRecord power;
  power.rails = {{"heater", 6.3, noise.around(6.28, 0.02), 0.03, 2.71, 5.9, 6.7},
                 {"bias", -9.0, noise.around(-9.02, 0.02), 0.04, 0.011, -9.6, -8.4},
                 {"plate", 30.0, noise.around(29.9, 0.05), 0.09, 0.083, 28.5, 31.5}};
  record::CurveRecord heater{"heater", "amps", {}, {}};
  record::CurveRecord plate{"plate", "amps", {}, {}};
  for (int i = 0; i < 60; ++i) {
    heater.time_s.push_back(0.5 * i);
    heater.value.push_back(noise.around(2.7 + 6.9 * std::exp(-0.5 * i / 4.0), 0.03));
    plate.time_s.push_back(0.5 * i);
    plate.value.push_back(noise.around(0.083 / (1.0 + std::exp((12.0 - 0.5 * i) / 2.0)), 0.001));
  }
  power.curves = {heater, plate};
  power.warm_up_s = 34.5;
  power.discharged_below_v = 0.8;
  return power;
}

record::RunRecord identity_of(const std::string& serial) {
  record::RunRecord run;
  run.started = "2026-11-25T10:00:00Z";
  run.board = "shed-latch";
  run.board_serial = serial;
  run.vectors = "acceptance";
  run.fixture = "mega2560";
  run.fixture_serial = "TH-0007";
  run.firmware_build = "0.1.0+4f2a";
  run.calibration = "nominal";
  run.operator_name = "day shift";
  const std::string board = "board: shed-latch\nabout: Four-bit shed latch with skip\n";
  const std::string vectors = "vectors: acceptance\nboard: board.yaml\nsteps: []\n";
  run.sources = {{"vectors/shed-latch/acceptance.vectors.yaml", vectors, fake_hash(vectors)},
                 {"vectors/shed-latch/board.yaml", board, fake_hash(board)}};
  return run;
}

}  // namespace

std::string fake_hash(const std::string& text) {
  std::string digits;
  for (std::size_t salt = 0; salt < 4; ++salt) {
    const std::size_t part = std::hash<std::string>{}(text + static_cast<char>('a' + salt));
    char hex[17];
    std::snprintf(hex, sizeof hex, "%016zx", part);
    digits += hex;
  }
  return digits;
}

record::RunRecord latch_run(const LatchRun& options) {
  Noise noise(options.seed);
  record::RunRecord run = identity_of(options.serial);
  run.seed = options.seed;
  if (options.q1_stuck_low) run.faults = {"V1c dead"};
  run.steps_planned = options.steps;
  int index = 0;
  for (const Vector& vector : vectors_of(options.steps)) {
    run.steps.push_back(step_of(options, vector, index++, noise));
  }
  run.levels = levels_of(run);
  run.power = power_of(noise);
  run.time = {0.0543 * options.steps,
              0.0300 * options.steps,
              0.0100 * options.steps,
              0.0125 * options.steps,
              0.0002 * options.steps,
              0.0006 * options.steps,
              40.1,
              0.2};
  run.link = {412, 431, 0, 0, 0, 0, 0, 0};
  run.relay_operations = 3 * options.steps;
  run.relay_wear = {{"drive.0", 2 * options.steps}, {"drive.1", options.steps}};
  const record::CountsOf counts = record::counts_of(run);
  run.verdict = counts.fail > 0     ? Verdict::fail
                : counts.unsure > 0 ? Verdict::unsure
                                    : Verdict::pass;
  return run;
}

record::RunRecord tripped_run() {
  record::RunRecord run = identity_of("004");
  run.steps_planned = 38;
  run.aborted = record::Aborted{"over-current", "plate", "board",
                                "plate drew 0.41 A, its limit is 0.25 A; all rails are off"};
  run.power.rails = {{"plate", 30.0, 11.2, 0.09, 0.41, 28.5, 31.5}};
  run.power.discharged_below_v = 1.9;
  run.warnings = {"the trip came 12 ms after the plate rail was switched on"};
  return run;
}

}  // namespace tenterhook::scenario
