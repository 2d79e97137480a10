// Is one line's level drifting, and when would it reach its limit? Pure arithmetic on the levels
// of past runs; it says when it cannot know, and never condemns on one reading.
//
// Charts and regression follow NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
// (individuals), 6.3.2.3 (CUSUM), 6.3.2.4 (EWMA); the crossing interval is Fieller's.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"

namespace tenterhook::record {

struct Summary {
  int n = 0;
  double mean = 0, s = 0;  // s: standard deviation with n - 1; 0 for fewer than two
};
Summary summarize(const std::vector<double>& values);

// Shewhart chart of individuals: mean +- 3 times the mean moving range over 1.128.
struct Individuals {
  double mean = 0, moving_range = 0, upper = 0, lower = 0;
  double sigma = 0;          // moving_range / 1.128
  std::vector<int> outside;  // indices
};
Individuals individuals(const std::vector<double>& values);

// Exponentially weighted moving average, starting from `target`; limits are the asymptotic ones.
struct Ewma {
  std::vector<double> average;
  double upper = 0, lower = 0;
  std::vector<int> outside;
};
Ewma ewma(const std::vector<double>& values, double target, double sigma, double lambda = 0.3,
          double k = 3.0);

// Tabular CUSUM: both sums, allowance and threshold in the unit of the values.
struct Cusum {
  std::vector<double> high, low;
  std::vector<int> outside;
};
Cusum cusum(const std::vector<double>& values, double target, double allowance, double threshold);

// Least squares y = b0 + b1 x.
struct LineFit {
  int n = 0;
  double b0 = 0, b1 = 0;
  double cov00 = 0, cov01 = 0, cov11 = 0;  // of b0 and b1
  double residual_ss = 0, s = 0;           // s: residual standard deviation, n - 2
  double x_mean = 0, y_mean = 0, sxx = 0;
  int dof() const { return n - 2; }
  double at(double x) const { return b0 + b1 * x; }
  double mean_se(double x) const;        // standard error of the line at x
  double prediction_se(double x) const;  // of one new value at x
};
// Trouble::input with fewer than three points or all x alike.
Result<LineFit> fit_line(const std::vector<double>& x, const std::vector<double>& y);

// The x where the fitted line meets `limit`, with Fieller's interval. Nothing when the slope is so
// uncertain that the interval has no end.
struct Crossing {
  double x = 0, low = 0, high = 0;
};
std::optional<Crossing> crossing(const LineFit& fit, double limit, double confidence = 0.95);

// Where a step sits on top of a line: the index of the first value after it, when an F test of
// line-and-step against the line alone finds one below `false_alarm`, corrected for all places.
std::optional<int> find_step(const std::vector<double>& x, const std::vector<double>& y,
                             double false_alarm);

struct TrendPoint {
  long run = 0;
  double x = 0;  // days since the first point, or hours of use
  double value = 0;
};

enum class TrendState {
  too_few,   // fewer than kTrendPointsMin since the start, the last swap or the last step
  no_limit,  // a drift, and no window to tell what it leads to
  steady,    // no drift to be seen
  away,      // drifts away from its limit
  to_limit,  // drifts towards its limit: crossing is given
  beyond,    // the line fitted through the runs has passed its limit already
};
std::string name(TrendState state);

inline constexpr int kTrendPointsMin = 8;  // common practice, no source

struct Trend {
  TrendState state = TrendState::too_few;
  std::vector<TrendPoint> points;
  int start = 0;        // the first point used
  std::string restart;  // why not all are used: "a step change at run 12", "V3 was replaced..."
  std::optional<double> limit;
  bool limit_is_lower = true;  // a high must stay above it; a low below
  Individuals chart;
  Ewma average;
  Cusum sums;                          // allowance half a sigma, threshold five
  std::optional<LineFit> fit;          // of the points used; x as in the points
  std::optional<Crossing> reaches;     // on the axis of x, since the last point; low may be negative
  std::optional<int> unlike;           // the last point alone is outside its chart
  double next_low = 0, next_high = 0;  // 95 % prediction interval for a run now
};

struct Restart {
  double x = 0;      // on the axis of the points
  std::string what;  // "V3 was replaced"
};

// `points` oldest first. A restart (a swapped part) drops what came before it.
Trend assess_trend(const std::vector<TrendPoint>& points, std::optional<double> limit,
                   bool limit_is_lower, const std::vector<Restart>& restarts);

}  // namespace tenterhook::record
