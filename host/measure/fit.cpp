#include "host/measure/fit.h"

#include <fmt/format.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_fit.h>

#include <algorithm>
#include <cmath>
#include <numeric>

namespace tenterhook::measure {

namespace {

// A false alarm in so many calibrations: Bonferroni's bound shares it among the points.
constexpr double kOutlierAlarm = 0.01;
constexpr double kRounding = 1e-12;

// What is over a line at a group of points: their own scatter, and the mean's distance from the line.
std::optional<Fit::LackOfFit> lack_of_fit(const std::vector<double>& x, const Fit& fit, double same_x) {
  std::vector<std::size_t> order(x.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) { return x[a] < x[b]; });
  double within = 0.0, between = 0.0, groups = 0.0;
  for (std::size_t from = 0; from < order.size();) {
    std::size_t to = from;
    double mean = 0.0;
    while (to < order.size() && x[order[to]] - x[order[from]] <= same_x) mean += fit.residuals[order[to++]];
    const double size = static_cast<double>(to - from);
    mean /= size;
    for (std::size_t i = from; i < to; ++i) within += std::pow(fit.residuals[order[i]] - mean, 2);
    between += mean * mean * size;
    groups += 1.0;
    from = to;
  }
  const double within_dof = static_cast<double>(x.size()) - groups;
  const double between_dof = groups - 2.0;
  if (within_dof < 1.0 || between_dof < 1.0 || within <= 0.0) return std::nullopt;
  Fit::LackOfFit test;
  test.F = (between / between_dof) / (within / within_dof);
  test.p = gsl_cdf_fdist_Q(test.F, between_dof, within_dof);
  return test;
}

void find_outlier(const std::vector<double>& x, Fit& fit) {
  const double n = static_cast<double>(x.size());
  // What rounding leaves of points that lie on a line exactly is nobody's outlier.
  const double scale = std::fabs(fit.intercept) + std::fabs(fit.slope) * std::fabs(x.back());
  if (fit.dof < 2.0 || fit.residual_sd <= kRounding * scale) return;
  double mean = 0.0, spread = 0.0;
  for (const double v : x) mean += v / n;
  for (const double v : x) spread += (v - mean) * (v - mean);
  int worst = -1;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double leverage = 1.0 / n + (x[i] - mean) * (x[i] - mean) / spread;
    if (leverage >= 1.0) continue;
    const double r = fit.residuals[i] / (fit.residual_sd * std::sqrt(1.0 - leverage));
    const double room = fit.dof - r * r;  // what the others leave of the sum of squares
    const double t = room > 0.0 ? std::fabs(r) * std::sqrt((fit.dof - 1.0) / room) : HUGE_VAL;
    if (t > fit.outlier_t) {
      fit.outlier_t = t;
      worst = static_cast<int>(i);
    }
  }
  const double limit = gsl_cdf_tdist_Qinv(kOutlierAlarm / (2.0 * n), fit.dof - 1.0);
  if (fit.outlier_t > limit) fit.outlier = worst;
}

}  // namespace

Result<Fit> fit_line(const std::vector<double>& x, const std::vector<double>& y, double same_x) {
  if (x.size() != y.size()) return bug_error("fit_line: as many x as y are needed");
  if (x.size() < 3) {
    return input_error("", fmt::format("a line needs three points or more, found {}", x.size()), "measure more points");
  }
  const auto [least, most] = std::minmax_element(x.begin(), x.end());
  if (!(*least < *most)) return input_error("", "all points are at the same place", "spread them over the span");
  Fit fit;
  double squares = 0.0;
  const int status = gsl_fit_linear(x.data(), 1, y.data(), 1, x.size(), &fit.intercept, &fit.slope, &fit.c00, &fit.c01,
                                    &fit.c11, &squares);
  if (status != GSL_SUCCESS || !std::isfinite(fit.slope)) return input_error("", "no line fits these points");
  fit.dof = static_cast<double>(x.size()) - 2.0;
  fit.residual_sd = std::sqrt(squares / fit.dof);
  for (std::size_t i = 0; i < x.size(); ++i) fit.residuals.push_back(y[i] - fit.intercept - fit.slope * x[i]);
  fit.lack_of_fit = lack_of_fit(x, fit, same_x);
  find_outlier(x, fit);
  return fit;
}

}  // namespace tenterhook::measure
