#include "host/timing/waveform.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace tenterhook::timing {

namespace {

Error unusable(const std::string& what, const std::string& remedy) { return input_error("waveform", what, remedy); }

struct Mode {
  double mean = 0.0, u = 0.0;
};

// The median of the samples in and beside the fullest bin of [first, last) is not moved by the few that are on
// their way; the mean of those that cannot be told from it averages the noise.
Mode mode_of(const Waveform& w, double least, double bin, const std::array<int, kHistogramBins>& counts, int first,
             int last) {
  const int fullest = static_cast<int>(std::max_element(counts.begin() + first, counts.begin() + last) - counts.begin());
  const double from = least + (fullest - 1) * bin, to = least + (fullest + 2) * bin;
  std::vector<double> near;
  for (const double v : w.v) {
    if (v >= from && v <= to) near.push_back(v);
  }
  const auto middle = near.begin() + static_cast<std::ptrdiff_t>(near.size() / 2);
  std::nth_element(near.begin(), middle, near.end());
  const double median = *middle, alike = std::max(3.0 * w.u_v, 1e-9 * bin);
  double sum = 0.0, squares = 0.0;
  int n = 0;
  for (const double v : near) {
    if (std::fabs(v - median) > alike) continue;
    sum += v - median;
    squares += (v - median) * (v - median);
    ++n;
  }
  Mode mode;
  mode.mean = median + sum / n;
  mode.u = std::sqrt((std::max(0.0, squares - sum * sum / n) / n + w.u_v * w.u_v) / n);
  return mode;
}

// Where the piece from sample i to i + 1 passes `level`, with what is not known of it.
Instant crossing(const Waveform& w, std::size_t i, double level, double u_level) {
  const double rise = w.v[i + 1] - w.v[i], step = w.t_s[i + 1] - w.t_s[i];
  const double part = rise == 0.0 ? 0.0 : std::clamp((level - w.v[i]) / rise, 0.0, 1.0);
  Instant at;
  at.t_s = w.t_s[i] + part * step;
  const double slope = std::max(std::fabs(rise) / step, 1e-300);
  // A straight line between two samples misses the curve by at most an eighth of its second difference.
  double bend = 0.0;
  if (i > 0) bend = std::max(bend, std::fabs(w.v[i + 1] - 2.0 * w.v[i] + w.v[i - 1]));
  if (i + 2 < w.v.size()) bend = std::max(bend, std::fabs(w.v[i + 2] - 2.0 * w.v[i + 1] + w.v[i]));
  const double noise = w.u_v * std::sqrt(part * part + (1.0 - part) * (1.0 - part));
  const double u_v = std::sqrt(noise * noise + u_level * u_level + bend * bend / 192.0);
  // No instant is less certain than the stretch that holds it.
  const double u = std::min(u_v / slope, std::max(step, 3.0 * (w.u_v + u_level) / slope));
  at.u_s = std::hypot(u, w.u_t_s);
  return at;
}

bool passes(double a, double b, double level) { return (a < level) != (b < level); }

}  // namespace

double own_transition_s(double bandwidth_hz) { return kLn9 / (2.0 * std::numbers::pi * bandwidth_hz); }

Result<Levels> state_levels(const Waveform& w) {
  if (w.v.size() != w.t_s.size() || static_cast<int>(w.v.size()) < kSamplesLeast) {
    return unusable(fmt::format("{} samples; at least {} are needed", w.v.size(), kSamplesLeast), "sample a longer window");
  }
  const auto [least, most] = std::minmax_element(w.v.begin(), w.v.end());
  const double span = *most - *least;
  if (!std::isfinite(span) || span <= 6.0 * w.u_v) {
    return unusable(fmt::format("it moves by {:.3g} V, no more than its noise", span), "the line does not follow the stimulus");
  }
  const double bin = span / kHistogramBins;
  std::array<int, kHistogramBins> counts{};
  for (const double v : w.v) ++counts[static_cast<std::size_t>(std::min(kHistogramBins - 1, static_cast<int>((v - *least) / bin)))];
  const Mode low = mode_of(w, *least, bin, counts, 0, kHistogramBins / 2);
  const Mode high = mode_of(w, *least, bin, counts, kHistogramBins / 2, kHistogramBins);
  return Levels{low.mean, high.mean, low.u, high.u};
}

Result<EdgeMeasures> measure_edge(const Waveform& w, const std::optional<Levels>& given) {
  auto found = state_levels(w);
  TH_TRY(found);
  EdgeMeasures m;
  m.levels = given.value_or(*found);
  const double amplitude = m.levels.amplitude();
  if (amplitude <= 0.0) return unusable("its high level is not above its low one", "");
  m.rising = std::fabs(w.v.front() - m.levels.low_v) < std::fabs(w.v.back() - m.levels.low_v);
  const double first = m.rising ? m.levels.low_v : m.levels.high_v;
  const double way = m.rising ? amplitude : -amplitude;
  auto level = [&](double share) { return first + share * way; };
  auto u_level = [&](double share) {
    const double u_first = m.rising ? m.levels.u_low_v : m.levels.u_high_v;
    const double u_second = m.rising ? m.levels.u_high_v : m.levels.u_low_v;
    return std::hypot((1.0 - share) * u_first, share * u_second);
  };

  const std::size_t pieces = w.v.size() - 1;
  std::optional<std::size_t> middle;
  m.crossings = 0;
  for (std::size_t i = 0; i < pieces; ++i) {
    if (!passes(w.v[i], w.v[i + 1], level(0.5))) continue;
    ++m.crossings;
    if (!middle) middle = i;
  }
  if (!middle) return unusable("it never passes 50 %", "the window misses the transition");
  std::optional<std::size_t> early, late;
  for (std::size_t i = *middle + 1; i-- > 0 && !early;) {
    if (passes(w.v[i], w.v[i + 1], level(0.1))) early = i;
  }
  for (std::size_t i = *middle; i < pieces && !late; ++i) {
    if (passes(w.v[i], w.v[i + 1], level(0.9))) late = i;
  }
  if (!early || !late) return unusable("the window holds only a part of the transition", "sample a longer window");
  m.at_10 = crossing(w, *early, level(0.1), u_level(0.1));
  m.at_50 = crossing(w, *middle, level(0.5), u_level(0.5));
  m.at_90 = crossing(w, *late, level(0.9), u_level(0.9));
  m.transition_s = m.at_90.t_s - m.at_10.t_s;
  m.samples_inside = static_cast<int>(*late - *early);
  if (m.samples_inside < kInsideLeast) {  // it may lie anywhere between two samples
    const double anywhere = (w.t_s[*middle + 1] - w.t_s[*middle]) / std::sqrt(12.0);
    for (Instant* at : {&m.at_10, &m.at_50, &m.at_90}) at->u_s = std::hypot(at->u_s, anywhere);
  }
  // What the time base shares cancels in a difference.
  auto own = [&](const Instant& at) { return std::max(0.0, at.u_s * at.u_s - w.u_t_s * w.u_t_s); };
  m.u_transition_s = std::sqrt(own(m.at_10) + own(m.at_90));
  for (std::size_t i = 0; i < w.v.size(); ++i) {
    const double share = (w.v[i] - first) / way;
    if (w.t_s[i] >= m.at_50.t_s) m.overshoot_percent = std::max(m.overshoot_percent, 100.0 * (share - 1.0));
    if (w.t_s[i] <= m.at_50.t_s) m.undershoot_percent = std::max(m.undershoot_percent, -100.0 * share);
  }
  return m;
}

}  // namespace tenterhook::timing
