#include "host/repeat/statistics.h"

#include <fmt/format.h>
#include <gsl/gsl_cdf.h>

#include <algorithm>
#include <cmath>

namespace tenterhook::repeat {

Result<long> passes_needed(double confidence, double rate) {
  for (const auto& [name, value] : {std::pair{"--confidence", confidence}, std::pair{"--catch", rate}}) {
    if (!(value > 0.0 && value < 1.0)) {
      return input_error(name, fmt::format("{:g} is not between 0 and 1", value), "e.g. --confidence 95% --catch 5%");
    }
  }
  const double n = std::log1p(-confidence) / std::log1p(-rate);
  // A quotient that is whole but for rounding is that number.
  return static_cast<long>(std::ceil(n - 1e-9));
}

namespace {

// Where the beta distribution of (a, b) has this much below it (or above it). By halving: the library's own inverse
// gives up on some arguments.
double beta_quantile(double share, double a, double b, bool above) {
  constexpr int kHalvings = 200;  // down to neighbouring doubles
  double low = 0.0, high = 1.0;
  for (int i = 0; i < kHalvings; ++i) {
    const double middle = 0.5 * (low + high);
    if (middle <= low || middle >= high) break;
    const bool right = above ? gsl_cdf_beta_Q(middle, a, b) > share : gsl_cdf_beta_P(middle, a, b) < share;
    (right ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

}  // namespace

Interval exact_interval(long wrong, long of, double confidence) {
  Interval interval;
  if (of <= 0) return interval;
  const double tail = (1.0 - confidence) / 2.0;
  const auto k = static_cast<double>(wrong), n = static_cast<double>(of);
  if (wrong > 0) interval.low = beta_quantile(tail, k, n - k + 1.0, false);
  if (wrong < of) interval.high = beta_quantile(tail, k + 1.0, n - k, true);
  return interval;
}

double rate_excluded(long of, double confidence) {
  return of <= 0 ? 1.0 : -std::expm1(std::log1p(-confidence) / static_cast<double>(of));
}

double more_here(long wrong_here, long of_here, long wrong_elsewhere, long of_elsewhere) {
  if (wrong_here <= 0) return 1.0;
  const long wrong = wrong_here + wrong_elsewhere;
  const long good = of_here + of_elsewhere - wrong;
  return gsl_cdf_hypergeometric_Q(static_cast<unsigned>(wrong_here - 1), static_cast<unsigned>(wrong), static_cast<unsigned>(good),
                                  static_cast<unsigned>(of_here));
}

double ranks_apart(const std::vector<double>& a, const std::vector<double>& b) {
  if (a.empty() || b.empty()) return 1.0;
  std::vector<std::pair<double, bool>> all;
  for (const double x : a) all.emplace_back(x, true);
  for (const double x : b) all.emplace_back(x, false);
  std::sort(all.begin(), all.end());
  double rank_sum = 0.0, ties = 0.0;
  for (std::size_t i = 0; i < all.size();) {
    std::size_t end = i;
    while (end < all.size() && all[end].first == all[i].first) ++end;
    const auto t = static_cast<double>(end - i);
    const double rank = 0.5 * static_cast<double>(i + end + 1);  // mean of i+1 .. end
    for (std::size_t k = i; k < end; ++k) rank_sum += all[k].second ? rank : 0.0;
    ties += t * t * t - t;
    i = end;
  }
  const auto m = static_cast<double>(a.size()), n = static_cast<double>(b.size());
  const double mean = 0.5 * m * (m + n + 1.0);
  const double variance = m * n / 12.0 * ((m + n + 1.0) - ties / ((m + n) * (m + n - 1.0)));
  if (!(variance > 0.0)) return 1.0;
  const double off = std::max(0.0, std::fabs(rank_sum - mean) - 0.5);
  return 2.0 * gsl_cdf_ugaussian_Q(off / std::sqrt(variance));
}

}  // namespace tenterhook::repeat
