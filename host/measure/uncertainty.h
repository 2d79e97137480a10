// From ADC counts to volts with a stated uncertainty, by the GUM (JCGM 100:2008).
//
// A channel is a straight line, volts = offset + per_count * mean count, whose errors are listed as
// components of a budget: Type B parts known before the run (tolerance or calibration, reference,
// non-linearity, quantisation) and the Type A scatter of the conversions themselves.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/base/units.h"
#include "host/measure/reading.h"

namespace tenterhook::measure {

// One contribution to the combined standard uncertainty, already multiplied by its sensitivity.
struct Component {
  std::string name;
  Volts u{};         // standard uncertainty at the board, 1 sd
  double dof = 0.0;  // degrees of freedom; 0 = infinite (Type B)
  bool own = false;  // of this reading alone; else common to the readings of a channel
};

// A part that grows with the volts: the reference's drift, the meter's percentage.
struct Proportion {
  std::string name;
  double share = 0.0;  // standard uncertainty as a share of |volts|, 1 sd
};

// What a calibration's straight line does not know (host/measure/fit.h). The residual is what the line
// leaves at a single point: the converter's non-linearity above all.
struct LineDoubt {
  double c00 = 0.0, c01 = 0.0, c11 = 0.0;  // covariance of offset and slope: V^2, V^2/count, V^2/count^2
  Volts residual{};                        // 1 sd
  double dof = 0.0;                        // points - 2
};

// What is known of one sense channel before it is used.
struct ChannelModel {
  Volts offset{};     // at count 0
  Volts per_count{};
  Volts span_min{}, span_max{};
  Volts open_reads{};             // what an unconnected lead shows
  std::vector<Component> known;   // Type B, the same at every reading
  std::vector<Proportion> shares;
  std::optional<LineDoubt> line;  // of a calibrated channel
  std::string source = "nominal"; // "nominal" or the calibration's hash
};

struct Estimate {
  Volts volts{};
  Volts u{};         // combined standard uncertainty
  double dof = 0.0;  // Welch-Satterthwaite; 0 = infinite
  Volts U{};         // expanded, 95 %
  bool saturated = false;  // a conversion touched either end of the span
  std::vector<Component> budget;
};

// Mean of the conversions on the channel's line, and its budget. Precondition: counts.n >= 1.
Estimate estimate(const Counts& counts, const ChannelModel& channel);

// Two looks at the same still level as one: sums add, extremes widen.
Counts pooled(const Counts& a, const Counts& b);

// Root of the sum of squares, and effective degrees of freedom (JCGM 100, G.4.1, eq. G.2b).
// Degrees of freedom of 0 stand for infinity, in and out.
struct Combined { double u = 0.0; double dof = 0.0; };
Combined combine(const std::vector<Combined>& parts);

// Coverage factor for probability p (two-sided) and dof degrees of freedom (0 = infinite): Student's t.
double coverage_factor(double p, double dof);

}  // namespace tenterhook::measure
