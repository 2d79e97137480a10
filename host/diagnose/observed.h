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
#include "host/record/run.h"

namespace tenterhook::diagnose {

// A line's levels in this run: where a low ends, where a high begins, and what good ones read.
struct Levels {
  double low_max = 0.0, high_min = 0.0;  // V; windows
  double low_from = 0.0, low_to = 0.0;   // V; typical, over the passed readings
  double high_from = 0.0, high_to = 0.0;
};

// Probabilities that the true volts lie low, between, high.
using Regions = std::array<double, 3>;
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

struct Observed {
  std::vector<Sighting> sightings;  // in order of steps
  std::vector<Levels> levels;       // per output
  Levels inner;                     // for nets that are no line: the middle of all lines
  std::size_t wrong = 0;
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
                         const record::RunRecord& run, std::size_t steps);

}  // namespace tenterhook::diagnose
