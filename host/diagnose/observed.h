// What a run saw, as likelihoods: for every reading, how probable its volts are for each thing that
// a cause may show there.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/circuit/netlist.h"
#include "host/circuit/sequence.h"
#include "host/diagnose/hypotheses.h"
#include "host/diagnose/part_tests.h"
#include "host/record/run.h"

namespace tenterhook::diagnose {

// A line's levels in this run: where a low ends, where a high begins, and what good ones read.
struct Levels {
  double low_max = 0.0, high_min = 0.0;  // V; windows
  double low_from = 0.0, low_to = 0.0;   // V; typical, over the passed readings
  double high_from = 0.0, high_to = 0.0;
  double floor = -1e9;  // V; below it nothing works that should give a low
};

// Probabilities that the true volts lie below any low, low, between, high.
using Regions = std::array<double, 4>;
Regions regions_of(double volts, double sigma, const Levels& levels);

struct Sighting {
  std::size_t step = 0;
  std::uint32_t output = 0;  // index into Netlist::outputs
  double volts = 0.0, U = 0.0;
  files::Bit expected = files::Bit::any;
  bool wrong = false;  // judged, and failed
  Regions regions{};
  std::array<double, kShows> log_likelihood{};  // by Shows
};

// A level or a part test beside the same one of the board's baseline: odd when it has moved by more than
// two runs of an unchanged board differ.
struct Evidence {
  Test test = Test::level;
  std::string line, other;
  bool high = false;
  bool odd = false;
  double value = 0.0, normal = 0.0;  // V or s, now and in the baseline
};

// Two runs of an unchanged board differ by less, means over a line's readings or single part tests: twice
// the largest difference of 1,000 pairs of emulated runs.
inline constexpr double kMoved = 0.12;       // V
inline constexpr double kMovedCold = 0.3;    // V: heaters cold, sources of tens of kilohms
inline constexpr double kMovedBack = 0.5;    // V: a lead that nothing drives
inline constexpr double kMovedTimes = 1.25;  // of a fall time

// `baseline`: an earlier good run of the same board on the same fixture. Levels are compared step by step,
// a shift that all lines share (a rail that moved) is taken off. Where the logic differs, volts say nothing.
std::vector<Evidence> evidence_of(const circuit::Netlist& netlist, const record::RunRecord& run,
                                  const record::RunRecord& baseline);

// A rail tripped because of the board, before or while the vectors were driven.
inline bool tripped_by_board(const record::RunRecord& run) {
  return run.aborted && run.aborted->blame == "board";
}

struct Observed {
  std::vector<Sighting> sightings;  // in order of steps
  std::vector<Levels> levels;       // per output
  Levels inner;                     // for nets that are no line: the middle of all lines
  std::size_t wrong = 0;
  std::vector<Evidence> evidence;
  std::size_t odd = 0;  // of the evidence
};

// Probability of a reading that has nothing to do with what the cause shows: a bad contact at the
// wrong moment. One such reading costs a cause this factor and never rules it out.
inline constexpr double kOutlier = 1e-3;
// The same for a point that a person touches, whose levels are less certain.
inline constexpr double kTouchOutlier = 0.03;
// U (95 %) assumed of a voltage that a person reads off: common practice, no source.
inline constexpr double kTouchU = 0.2;

// log P(regions | shows); `high` is the logic value of the line's high level.
std::array<double, kShows> log_likelihoods(const Regions& regions, files::Bit high, double outlier);

// Errors (input): no step of the run was measured, or it has more steps than its files.
Result<Observed> observe(const circuit::Netlist& netlist, const files::Board& board,
                         const record::RunRecord& run, std::size_t steps,
                         const record::RunRecord* baseline);

}  // namespace tenterhook::diagnose
