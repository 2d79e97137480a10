#include "host/record/trend.h"

#include <fmt/format.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_fit.h>

#include <algorithm>
#include <cmath>

namespace tenterhook::record {
namespace {

// d2 of two values: 2 / sqrt(pi), the mean range of a pair over sigma (ISO 7870-2 tables: 1.128).
// The rounded figure is used so that limits agree with every published example.
constexpr double kD2OfPairs = 1.128;
constexpr double kControlLimit = 3.0;
// How unlikely a drift or a step on a steady line must be before it is told. Both together stay
// below one false alarm in a hundred histories.
constexpr double kDriftFalseAlarm = 0.005;
constexpr double kStepFalseAlarm = 0.002;
// In sigmas; the usual choice for a shift of one sigma (common practice, no source).
constexpr double kCusumAllowance = 0.5;
constexpr double kCusumThreshold = 5.0;
constexpr int kStepSideMin = 3;  // points on either side of a step
constexpr int kStepsMax = 16;    // restarts by steps in one history

double t_quantile(double confidence, int dof) {
  return gsl_cdf_tdist_Pinv(0.5 + confidence / 2.0, dof);
}

std::vector<int> outside(const std::vector<double>& values, double lower, double upper) {
  std::vector<int> indices;
  for (std::size_t i = 0; i < values.size(); ++i) {
    if (values[i] < lower || values[i] > upper) indices.push_back(static_cast<int>(i));
  }
  return indices;
}

}  // namespace

Summary summarize(const std::vector<double>& values) {
  Summary summary;
  summary.n = static_cast<int>(values.size());
  if (values.empty()) return summary;
  // Welford's recurrence: a sum of squares would lose every digit on a large mean.
  double mean = 0.0, m2 = 0.0;
  int n = 0;
  for (const double v : values) {
    const double d = v - mean;
    mean += d / ++n;
    m2 += d * (v - mean);
  }
  summary.mean = mean;
  summary.s = n > 1 ? std::sqrt(m2 / (n - 1)) : 0.0;
  return summary;
}

Individuals individuals(const std::vector<double>& values) {
  Individuals chart;
  chart.mean = summarize(values).mean;
  if (values.size() > 1) {
    double sum = 0.0;
    for (std::size_t i = 1; i < values.size(); ++i) sum += std::fabs(values[i] - values[i - 1]);
    chart.moving_range = sum / static_cast<double>(values.size() - 1);
  }
  chart.sigma = chart.moving_range / kD2OfPairs;
  chart.upper = chart.mean + kControlLimit * chart.sigma;
  chart.lower = chart.mean - kControlLimit * chart.sigma;
  chart.outside = outside(values, chart.lower, chart.upper);
  return chart;
}

Ewma ewma(const std::vector<double>& values, double target, double sigma, double lambda, double k) {
  Ewma chart;
  double average = target;
  for (const double v : values) {
    average = lambda * v + (1.0 - lambda) * average;
    chart.average.push_back(average);
  }
  const double half = k * sigma * std::sqrt(lambda / (2.0 - lambda));
  chart.upper = target + half;
  chart.lower = target - half;
  chart.outside = outside(chart.average, chart.lower, chart.upper);
  return chart;
}

Cusum cusum(const std::vector<double>& values, double target, double allowance, double threshold) {
  Cusum chart;
  double high = 0.0, low = 0.0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    high = std::max(0.0, high + values[i] - target - allowance);
    low = std::max(0.0, low + target - allowance - values[i]);
    chart.high.push_back(high);
    chart.low.push_back(low);
    if (high > threshold || low > threshold) chart.outside.push_back(static_cast<int>(i));
  }
  return chart;
}

double LineFit::mean_se(double x) const {
  return s * std::sqrt(1.0 / n + (x - x_mean) * (x - x_mean) / sxx);
}

double LineFit::prediction_se(double x) const {
  return std::hypot(s, mean_se(x));
}

Result<LineFit> fit_line(const std::vector<double>& x, const std::vector<double>& y) {
  LineFit fit;
  fit.n = static_cast<int>(x.size());
  if (x.size() != y.size()) return bug_error("a line needs as many x as y");
  if (fit.n < 3) return input_error("", fmt::format("a line needs three points, found {}", fit.n));
  fit.x_mean = summarize(x).mean;
  fit.y_mean = summarize(y).mean;
  for (const double v : x) fit.sxx += (v - fit.x_mean) * (v - fit.x_mean);
  if (!(fit.sxx > 0.0)) return input_error("", "a line needs points at different times");
  const int status = gsl_fit_linear(x.data(), 1, y.data(), 1, x.size(), &fit.b0, &fit.b1,
                                    &fit.cov00, &fit.cov01, &fit.cov11, &fit.residual_ss);
  if (status != 0) return bug_error("the regression failed");
  fit.s = std::sqrt(fit.residual_ss / fit.dof());
  return fit;
}

std::optional<Crossing> crossing(const LineFit& fit, double limit, double confidence) {
  const double t = t_quantile(confidence, fit.dof());
  const double away = limit - fit.y_mean;
  // (away - b1 u)^2 = t^2 s^2 (1/n + u^2/Sxx), u from the mean of x (Fieller).
  const double ts2 = t * t * fit.s * fit.s;
  const double a = fit.b1 * fit.b1 - ts2 / fit.sxx;
  const double half_b = fit.b1 * away;
  const double c = away * away - ts2 / fit.n;
  if (!(a > 0.0)) return std::nullopt;
  const double root = std::sqrt(std::max(0.0, half_b * half_b - a * c));
  return Crossing{fit.x_mean + away / fit.b1, fit.x_mean + (half_b - root) / a,
                  fit.x_mean + (half_b + root) / a};
}

std::optional<int> find_step(const std::vector<double>& x, const std::vector<double>& y,
                             double false_alarm) {
  const Result<LineFit> fit = fit_line(x, y);
  const int n = static_cast<int>(x.size());
  const int places = n - 2 * kStepSideMin + 1;
  if (!fit.ok() || places < 1 || n < 2 * kStepSideMin + 1) return std::nullopt;
  // With z = 1 from the step on and r the residuals of the line, the step takes
  // (sum of r after it)^2 / |z less its own line|^2 off the residual sum of squares.
  double after = 0.0, x_after = 0.0, best = 0.0;
  int step = -1;
  for (int i = n - 1; i >= kStepSideMin; --i) {
    after += y[i] - fit->at(x[i]);
    x_after += x[i] - fit->x_mean;
    const double m = n - i;
    if (m < kStepSideMin) continue;
    const double z2 = m - m * m / n - x_after * x_after / fit->sxx;
    if (z2 < 1e-9) continue;
    const double taken = after * after / z2;
    if (taken > best) {
      best = taken;
      step = i;
    }
  }
  if (step < 0) return std::nullopt;
  const double rest = std::max(fit->residual_ss - best, 1e-300);
  const double f = best / (rest / (n - 3));
  const double p = gsl_cdf_fdist_Q(f, 1.0, n - 3) * places;
  if (p < false_alarm) return step;
  return std::nullopt;
}

std::string name(TrendState state) {
  switch (state) {
    case TrendState::too_few:
      return "too few";
    case TrendState::no_limit:
      return "drifts, no limit";
    case TrendState::steady:
      return "steady";
    case TrendState::away:
      return "drifts away from its limit";
    case TrendState::to_limit:
      return "drifts to its limit";
    case TrendState::beyond:
      return "beyond its limit";
  }
  return "";
}

namespace {

// The points from `start` on as columns.
void columns_of(const Trend& trend, std::vector<double>& x, std::vector<double>& y) {
  x.clear();
  y.clear();
  for (std::size_t i = static_cast<std::size_t>(trend.start); i < trend.points.size(); ++i) {
    x.push_back(trend.points[i].x);
    y.push_back(trend.points[i].value);
  }
}

void apply_restarts(Trend& trend, const std::vector<Restart>& restarts) {
  for (const Restart& restart : restarts) {
    int first = 0;
    for (const TrendPoint& point : trend.points) first += point.x < restart.x ? 1 : 0;
    if (first > trend.start) {
      trend.start = first;
      trend.restart = restart.what;
    }
  }
  std::vector<double> x, y;
  for (int i = 0; i < kStepsMax; ++i) {
    columns_of(trend, x, y);
    const std::optional<int> step = find_step(x, y, kStepFalseAlarm);
    if (!step) return;
    trend.start += *step;
    trend.restart = fmt::format("a step change before run {}", trend.points[trend.start].run);
  }
}

void judge(Trend& trend) {
  const LineFit& fit = *trend.fit;
  const double now = trend.points.back().x;
  const double t = fit.cov11 > 0.0 ? std::fabs(fit.b1) / std::sqrt(fit.cov11) : 0.0;
  const double p = 2.0 * gsl_cdf_tdist_Q(t, fit.dof());
  const bool drifts = fit.cov11 > 0.0 ? p < kDriftFalseAlarm : fit.b1 != 0.0;
  if (trend.limit) {
    const double line_now = fit.at(now);
    if (trend.limit_is_lower ? line_now < *trend.limit : line_now > *trend.limit) {
      trend.state = TrendState::beyond;
      return;
    }
  }
  if (!drifts) {
    trend.state = TrendState::steady;
    return;
  }
  if (!trend.limit) {
    trend.state = TrendState::no_limit;
    return;
  }
  if ((fit.b1 < 0.0) != trend.limit_is_lower) {
    trend.state = TrendState::away;
    return;
  }
  trend.state = TrendState::to_limit;
  trend.reaches = crossing(fit, *trend.limit);
  if (trend.reaches) {
    for (double* x : {&trend.reaches->x, &trend.reaches->low, &trend.reaches->high}) *x -= now;
  }
}

}  // namespace

Trend assess_trend(const std::vector<TrendPoint>& points, std::optional<double> limit,
                   bool limit_is_lower, const std::vector<Restart>& restarts) {
  Trend trend;
  trend.points = points;
  trend.limit = limit;
  trend.limit_is_lower = limit_is_lower;
  apply_restarts(trend, restarts);
  std::vector<double> x, y;
  columns_of(trend, x, y);
  trend.chart = individuals(y);
  trend.average = ewma(y, trend.chart.mean, trend.chart.sigma);
  trend.sums = cusum(y, trend.chart.mean, kCusumAllowance * trend.chart.sigma,
                     kCusumThreshold * trend.chart.sigma);
  if (!trend.chart.outside.empty() && trend.chart.outside.size() == 1 &&
      trend.chart.outside[0] == static_cast<int>(y.size()) - 1) {
    trend.unlike = trend.start + trend.chart.outside[0];
  }
  if (static_cast<int>(y.size()) < kTrendPointsMin) return trend;
  const Result<LineFit> fit = fit_line(x, y);
  if (!fit.ok()) return trend;  // all at one time: as good as too few
  trend.fit = *fit;
  const double half = t_quantile(0.95, fit->dof()) * fit->prediction_se(x.back());
  trend.next_low = fit->at(x.back()) - half;
  trend.next_high = fit->at(x.back()) + half;
  judge(trend);
  return trend;
}

}  // namespace tenterhook::record
