// What difference between two readings is real: repeatability and reproducibility of the measurement.
//
// Source: the crossed analysis of variance usual in gauge studies (parts, makings of the contacts,
// trials), percentages of the total variation; formulas from memory, checked by simulation.
#pragma once

#include <vector>

#include "host/base/result.h"
#include "host/base/units.h"

namespace tenterhook::measure {

struct Gauge {
  Volts repeatability{};    // 1 sd: the same contact, again
  Volts reproducibility{};  // 1 sd: the contact made again
  Volts both{};             // root of the sum of squares
  Volts parts{};            // 1 sd between what was measured
  double percent = 0.0;     // both over the total variation, in per cent
  int categories = 0;       // how many different levels the measurement tells apart
};

// volts[part][making][trial], all of one size: two parts, makings and trials at least, else input error.
Result<Gauge> gauge_study(const std::vector<std::vector<std::vector<double>>>& volts);

}  // namespace tenterhook::measure
