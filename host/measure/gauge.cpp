#include "host/measure/gauge.h"

#include <algorithm>
#include <cmath>

namespace tenterhook::measure {

Result<Gauge> gauge_study(const std::vector<std::vector<std::vector<double>>>& volts) {
  const std::size_t parts = volts.size();
  const std::size_t makings = parts ? volts[0].size() : 0;
  const std::size_t trials = makings ? volts[0][0].size() : 0;
  if (parts < 2 || makings < 2 || trials < 2) {
    return input_error("", "a gauge study needs two levels, two makings of the contacts and two trials of each at least",
                       "repeat it more often");
  }
  const double p = static_cast<double>(parts), m = static_cast<double>(makings), t = static_cast<double>(trials);
  double grand = 0.0;
  std::vector<double> part_mean(parts, 0.0), making_mean(makings, 0.0);
  std::vector<std::vector<double>> cell(parts, std::vector<double>(makings, 0.0));
  for (std::size_t i = 0; i < parts; ++i) {
    if (volts[i].size() != makings) return bug_error("gauge_study: ragged makings");
    for (std::size_t j = 0; j < makings; ++j) {
      if (volts[i][j].size() != trials) return bug_error("gauge_study: ragged trials");
      for (const double v : volts[i][j]) cell[i][j] += v / t;
      part_mean[i] += cell[i][j] / m;
      making_mean[j] += cell[i][j] / p;
      grand += cell[i][j] / (p * m);
    }
  }
  double ss_parts = 0.0, ss_makings = 0.0, ss_between = 0.0, ss_within = 0.0;
  for (const double v : part_mean) ss_parts += m * t * (v - grand) * (v - grand);
  for (const double v : making_mean) ss_makings += p * t * (v - grand) * (v - grand);
  for (std::size_t i = 0; i < parts; ++i) {
    for (std::size_t j = 0; j < makings; ++j) {
      ss_between += t * std::pow(cell[i][j] - part_mean[i] - making_mean[j] + grand, 2);
      for (const double v : volts[i][j]) ss_within += (v - cell[i][j]) * (v - cell[i][j]);
    }
  }
  const double within = ss_within / (p * m * (t - 1.0));
  const double between = ss_between / ((p - 1.0) * (m - 1.0));
  const double of_makings = ss_makings / (m - 1.0);
  const double of_parts = ss_parts / (p - 1.0);
  const double joint = std::max(0.0, (between - within) / t);
  const double making = std::max(0.0, (of_makings - between) / (p * t)) + joint;
  const double part = std::max(0.0, (of_parts - between) / (m * t));
  Gauge g;
  g.repeatability = Volts{std::sqrt(within)};
  g.reproducibility = Volts{std::sqrt(making)};
  g.both = Volts{std::sqrt(within + making)};
  g.parts = Volts{std::sqrt(part)};
  const double total = std::sqrt(within + making + part);
  g.percent = total > 0.0 ? 100.0 * g.both.value / total : 0.0;
  g.categories = g.both.value > 0.0 ? static_cast<int>(1.41 * g.parts.value / g.both.value) : 0;
  return g;
}

}  // namespace tenterhook::measure
