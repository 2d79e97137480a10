// Inline SVG: the level ladder of one output, and a curve over time. Colours and strokes come
// from classes that the page's style sheet defines, so that light, dark and print all work.
#pragma once

#include <map>
#include <string>

#include "host/record/run.h"
#include "host/report/findings.h"
#include "host/report/trend_text.h"

namespace tenterhook::report {

// The volts that all ladders of a run share, so that outputs can be compared by eye.
struct VoltScale {
  double least = 0.0, most = 1.0;
};
VoltScale scale_of(const record::RunRecord& run, const std::map<std::string, LineWindows>& windows);

// What each receiving family needs, from the margins of all lines: below `low` a low, above `high`
// a high.
struct Needs {
  std::optional<double> low, high;
};
std::map<std::string, Needs> needs_of(const record::RunRecord& run);

// Windows as bands, the receivers' thresholds as dashed lines, where lows and highs really lie as
// bars with their uncertainty, failing readings as crosses, what was predicted for good parts as
// brackets. `id` must be unique in the page.
std::string ladder_svg(const record::RunRecord& run, const record::LevelRecord& level,
                       const LineWindows& windows, const std::map<std::string, Needs>& needs,
                       const VoltScale& scale, int id, const files::LevelWindows& predicted = {});

std::string curve_svg(const record::CurveRecord& curve, int id);

// One line's level over time or hours of use: a dot a run, the limit dashed, the fitted line, and where it starts
// anew. Empty without points.
std::string trend_svg(const LineTrend& line, int id);

}  // namespace tenterhook::report
