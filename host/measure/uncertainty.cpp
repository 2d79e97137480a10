#include "host/measure/uncertainty.h"

#include <gsl/gsl_cdf.h>

#include <algorithm>
#include <cmath>

namespace tenterhook::measure {

namespace {

constexpr double kCoverage = 0.95;

// Mean and standard deviation of the mean, in counts, from the fixture's sums. The sums are exact
// integers, so the difference below loses nothing: n * sum_of_squares < 2^53 for n <= 2^16.
struct Scatter { double mean, sd_of_mean; };
Scatter scatter_of(const Counts& counts) {
  const double n = counts.n;
  const double mean = counts.sum / n;
  if (counts.n < 2) return {mean, 0.0};
  const double squares = counts.sum_of_squares;
  const double sum = counts.sum;
  const double variance = std::max(0.0, (n * squares - sum * sum) / (n * (n - 1.0)));
  return {mean, std::sqrt(variance / n)};
}

// Quantisation left after averaging (JCGM 100, F.2.2.1: width / sqrt(12)). Averaging removes it only
// as far as the noise dithers it: with at least one step of scatter it falls with sqrt(n); with none,
// every conversion makes the same error.
double quantisation_counts(const Counts& counts) {
  const double whole = 1.0 / std::sqrt(12.0);
  if (counts.max - counts.min < 2) return whole;
  return whole / std::sqrt(static_cast<double>(counts.n));
}

}  // namespace

Combined combine(const std::vector<Combined>& parts) {
  double squares = 0.0;
  double weighted = 0.0;
  for (const Combined& part : parts) {
    squares += part.u * part.u;
    if (part.dof > 0.0) weighted += std::pow(part.u, 4) / part.dof;
  }
  Combined all;
  all.u = std::sqrt(squares);
  all.dof = weighted > 0.0 ? squares * squares / weighted : 0.0;
  return all;
}

double coverage_factor(double p, double dof) {
  const double tail = 0.5 + p / 2.0;
  if (dof <= 0.0) return gsl_cdf_ugaussian_Pinv(tail);
  return gsl_cdf_tdist_Pinv(tail, std::max(1.0, dof));
}

Estimate estimate(const Counts& counts, const ChannelModel& channel) {
  constexpr std::uint16_t kTopCount = 1023;
  const Scatter scatter = scatter_of(counts);
  Estimate e;
  // A code stands for the middle of its step.
  e.volts = channel.offset + channel.per_count * (scatter.mean + 0.5);
  e.saturated = counts.min == 0 || counts.max == kTopCount;

  e.budget = channel.known;
  if (channel.relative_u > 0.0) {
    e.budget.push_back({"gain", abs(e.volts - channel.open_reads) * channel.relative_u, 0.0});
  }
  e.budget.push_back({"quantisation", abs(channel.per_count) * quantisation_counts(counts), 0.0});
  if (counts.n >= 2) {
    e.budget.push_back({"noise of the mean", abs(channel.per_count) * scatter.sd_of_mean,
                        static_cast<double>(counts.n - 1)});
  }
  std::vector<Combined> parts;
  for (const Component& c : e.budget) parts.push_back({c.u.value, c.dof});
  const Combined all = combine(parts);
  e.u = Volts{all.u};
  e.dof = all.dof;
  e.U = e.u * coverage_factor(kCoverage, e.dof);
  return e;
}

}  // namespace tenterhook::measure
