// The arithmetic of faults that come and go: pure functions.
#pragma once

#include <vector>

#include "host/base/result.h"

namespace tenterhook::repeat {

// Passes after which a fault that spoils each pass with probability `rate`, independently, has shown with
// probability `confidence` at least: ceil(ln(1 - confidence) / ln(1 - rate)). From (1 - rate)^n <= 1 - confidence.
// Errors (input): not between 0 and 1.
Result<long> passes_needed(double confidence, double rate);

struct Interval {
  double low = 0.0, high = 1.0;
};
// Clopper and Pearson's exact interval for a rate, `wrong` of `of` seen: quantiles of the beta distribution.
// Source: C. J. Clopper, E. S. Pearson, Biometrika 26 (1934), 404-413. Nothing seen at all: 0 to 1.
Interval exact_interval(long wrong, long of, double confidence = 0.95);

// The greatest rate that `of` passes without a failure leave possible: 1 - (1 - confidence)^(1 / of).
double rate_excluded(long of, double confidence);

// Are failures more frequent here than elsewhere? Fisher's exact test, one-sided: the probability of at least
// `wrong_here` of the failures falling here by chance.
double more_here(long wrong_here, long of_here, long wrong_elsewhere, long of_elsewhere);

// Do two samples lie apart? Two-sided probability of the rank sum by the normal approximation with ties and
// continuity corrected (Wilcoxon; Mann and Whitney). 1 where there is nothing to rank.
double ranks_apart(const std::vector<double>& a, const std::vector<double>& b);

}  // namespace tenterhook::repeat
