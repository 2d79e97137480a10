// Straight line through calibration points by least squares, with all that says whether it may be
// trusted: covariance, residuals, a test for lack of fit, the worst outlier.
//
// Source: JCGM 100:2008, H.3 (a thermometer's calibration by a line); lack of fit as pure error
// against the line, NIST/SEMATECH e-Handbook 4.4.4.6. Checked against NIST StRD (tests/reference).
#pragma once

#include <optional>
#include <vector>

#include "host/base/result.h"

namespace tenterhook::measure {

struct Fit {
  double intercept = 0.0, slope = 0.0;
  double c00 = 0.0, c01 = 0.0, c11 = 0.0;  // covariance of intercept and slope
  double residual_sd = 0.0;                // root of the residual sum of squares over dof
  double dof = 0.0;                        // points - 2
  std::vector<double> residuals;           // y - line, one a point
  // Where points repeat an x: does what the line leaves exceed what the repeats scatter by?
  struct LackOfFit {
    double F = 0.0;
    double p = 1.0;  // probability of so large an F when the line is right
  };
  std::optional<LackOfFit> lack_of_fit;
  // The point furthest from a line fitted through the others, in its own standard deviations there
  // (externally studentized), when that is improbable even as the worst of all of them.
  std::optional<int> outlier;
  double outlier_t = 0.0;
};

// x and y have one element a point. Error (input): fewer than three points, or all at one x.
// Points whose x are within `same_x` of one another count as repeats.
Result<Fit> fit_line(const std::vector<double>& x, const std::vector<double>& y, double same_x = 0.0);

}  // namespace tenterhook::measure
