#include "host/measure/uncertainty.h"

#include <gsl/gsl_cdf.h>

#include <algorithm>
#include <cmath>
#include <numbers>

namespace tenterhook::measure {

namespace {

constexpr double kCoverage = 0.95;
// Fewer conversions do not tell their own scatter well enough to rely on it.
constexpr int kDitherNeeds = 8;

double square(double x) { return x * x; }

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

// Quantisation left after averaging. A single code is wrong by up to half a step (JCGM 100, F.2.2.1:
// width / sqrt(12)). Noise of s steps (1 sd) dithers it: the mean code then follows the true level
// within exp(-2 pi^2 s^2) / pi steps at most (first harmonic of the rounding error, averaged over the
// noise), and the scatter of the codes is in the noise of the mean already.
double quantisation_counts(const Counts& counts) {
  const double whole = 1.0 / std::sqrt(12.0);
  if (counts.n < kDitherNeeds) return whole;
  const double codes = square(scatter_of(counts).sd_of_mean) * counts.n;
  const double noise = std::max(0.0, codes - 1.0 / 12.0);  // codes scatter by both
  const double wave = std::exp(-2.0 * square(std::numbers::pi) * noise) / std::numbers::pi;
  return std::min(whole, wave / std::sqrt(2.0));
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

Counts pooled(const Counts& a, const Counts& b) {
  Counts all;
  all.n = static_cast<std::uint16_t>(a.n + b.n);
  all.sum = a.sum + b.sum;
  all.sum_of_squares = a.sum_of_squares + b.sum_of_squares;
  all.min = std::min(a.min, b.min);
  all.max = std::max(a.max, b.max);
  return all;
}

Estimate estimate(const Counts& counts, const ChannelModel& channel) {
  constexpr std::uint16_t kTopCount = 1023;
  const Scatter scatter = scatter_of(counts);
  Estimate e;
  // A code stands for its own multiple of a step: the first transition lies at half of one (ATmega2560
  // data sheet, definition of the converter's offset error; from memory).
  e.volts = channel.offset + channel.per_count * scatter.mean;
  e.saturated = counts.min == 0 || counts.max == kTopCount;

  e.budget = channel.known;
  for (const Proportion& part : channel.shares) {
    e.budget.push_back({part.name, abs(e.volts) * part.share, 0.0, false});
  }
  if (channel.line) {
    // Offset and slope of one fit are correlated: their covariance counts (JCGM 100, 5.2.2).
    const LineDoubt& d = *channel.line;
    const double variance = d.c00 + 2.0 * d.c01 * scatter.mean + d.c11 * square(scatter.mean);
    e.budget.push_back({"calibration line", Volts{std::sqrt(std::max(0.0, variance))}, d.dof, false});
    e.budget.push_back({"off the line (non-linearity)", d.residual, d.dof, true});
  }
  e.budget.push_back({"quantisation", abs(channel.per_count) * quantisation_counts(counts), 0.0, true});
  if (counts.n >= 2) {
    e.budget.push_back({"noise of the mean", abs(channel.per_count) * scatter.sd_of_mean,
                        static_cast<double>(counts.n - 1), true});
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
