#include "host/diagnose/observed.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <unordered_map>

namespace tenterhook::diagnose {
namespace {

using files::Bit;

double below(double limit, double mean, double sigma) {
  return 0.5 * std::erfc((mean - limit) / (sigma * std::sqrt(2.0)));
}

// What each thing shown looks like on the voltmeter: low, between, high. A stuck or good level is
// one or the other; what is weak may still just reach its window. Common practice, no source.
Regions looks(Shows shows, bool one_is_high) {
  switch (shows) {
    case Shows::zero:
      return one_is_high ? Regions{0.99, 0.01, 0.0} : Regions{0.0, 0.01, 0.99};
    case Shows::one:
      return one_is_high ? Regions{0.0, 0.01, 0.99} : Regions{0.99, 0.01, 0.0};
    case Shows::undriven:
      return {0.9, 0.08, 0.02};
    case Shows::weak:
      return {0.05, 0.9, 0.05};
    case Shows::erratic:
      return {0.49, 0.02, 0.49};
    case Shows::contested:
      return {0.3, 0.4, 0.3};
    case Shows::unknown:
      break;
  }
  return {1.0 / 3, 1.0 / 3, 1.0 / 3};
}

struct Span {
  double from = std::numeric_limits<double>::infinity(),
         to = -std::numeric_limits<double>::infinity();
  bool empty() const { return from > to; }
  void take(double v) {
    from = std::min(from, v);
    to = std::max(to, v);
  }
};

Levels levels_of(const circuit::Netlist::Terminal& terminal, const files::Board& board,
                 const record::RunRecord& run) {
  std::optional<files::Window> low, high;
  if (const files::Line* line = board.line(terminal.line)) {
    if (const files::Family* family = board.family_of(*line)) {
      low = family->judged().low;
      high = family->judged().high;
    }
    if (line->low) low = line->low;
    if (line->high) high = line->high;
  }
  Span low_seen, high_seen;
  for (const record::StepRecord& step : run.steps) {
    for (const measure::Reading& r : step.readings) {
      if (r.line != terminal.line || (r.expected != Bit::zero && r.expected != Bit::one)) continue;
      const bool is_high = r.expected == terminal.high;
      (is_high ? high : low) = r.window;  // what the run really judged by
      if (r.verdict == measure::Verdict::pass) (is_high ? high_seen : low_seen).take(r.volts.value);
    }
  }
  Levels levels;
  levels.low_max = low ? low->max.value : 0.0;
  levels.high_min = high ? high->min.value : levels.low_max;
  levels.low_from = low_seen.empty() ? (low ? low->min.value : 0.0) : low_seen.from;
  levels.low_to = low_seen.empty() ? levels.low_max : low_seen.to;
  levels.high_from = high_seen.empty() ? levels.high_min : high_seen.from;
  levels.high_to = high_seen.empty() ? (high ? high->max.value : levels.high_min) : high_seen.to;
  return levels;
}

Levels middle_of(const std::vector<Levels>& all) {
  if (all.empty()) return {};
  const auto median = [&](double Levels::*field) {
    std::vector<double> values;
    for (const Levels& l : all) values.push_back(l.*field);
    std::nth_element(values.begin(), values.begin() + static_cast<long>(values.size() / 2),
                     values.end());
    return values[values.size() / 2];
  };
  return {median(&Levels::low_max), median(&Levels::high_min),  median(&Levels::low_from),
          median(&Levels::low_to),  median(&Levels::high_from), median(&Levels::high_to)};
}

}  // namespace

Regions regions_of(double volts, double sigma, const Levels& levels) {
  const double low = below(levels.low_max, volts, sigma);
  const double high = 1.0 - below(levels.high_min, volts, sigma);
  return {low, std::max(0.0, 1.0 - low - high), high};
}

std::array<double, kShows> log_likelihoods(const Regions& regions, Bit high, double outlier) {
  std::array<double, kShows> logs{};
  for (std::size_t s = 0; s < kShows; ++s) {
    const Regions want = looks(static_cast<Shows>(s), high == Bit::one);
    double p = 0.0;
    for (std::size_t c = 0; c < want.size(); ++c) p += want[c] * regions[c];
    logs[s] = std::log((1.0 - outlier) * p + outlier / 3);
  }
  // A cause whose effect nobody can know must not win by being vague: it does no better than "none
  // of these" at its worst (three readings of four wrong, each of which may show anything).
  const double zero = std::exp(logs[0]), one = std::exp(logs[1]);
  logs[static_cast<std::size_t>(Shows::unknown)] = std::log(0.25 * (zero + one));
  return logs;
}

Result<Observed> observe(const circuit::Netlist& netlist, const files::Board& board,
                         const record::RunRecord& run, std::size_t steps) {
  Observed seen;
  std::unordered_map<std::string, std::uint32_t> index;
  for (std::uint32_t o = 0; o < netlist.outputs.size(); ++o) {
    index[netlist.outputs[o].line] = o;
    seen.levels.push_back(levels_of(netlist.outputs[o], board, run));
  }
  seen.inner = middle_of(seen.levels);
  for (const record::StepRecord& step : run.steps) {
    if (step.index < 0 || static_cast<std::size_t>(step.index) >= steps)
      return input_error(fmt::format("run {}", run.number),
                         "it names a step that its files do not have");
    for (const measure::Reading& r : step.readings) {
      const auto found = index.find(r.line);
      if (found == index.end() || r.expected == Bit::undriven ||
          netlist.outputs[found->second].node == circuit::kNoNode)
        continue;
      Sighting s;
      s.step = static_cast<std::size_t>(step.index);
      s.output = found->second;
      s.volts = r.volts.value;
      s.U = r.U.value;
      s.expected = r.expected;
      s.wrong = r.verdict == measure::Verdict::fail;
      s.regions = regions_of(s.volts, std::max(0.5 * s.U, 1e-3), seen.levels[s.output]);
      s.log_likelihood = log_likelihoods(s.regions, netlist.outputs[s.output].high, kOutlier);
      seen.wrong += s.wrong ? 1 : 0;
      seen.sightings.push_back(s);
    }
  }
  if (seen.sightings.empty())
    return input_error(fmt::format("run {}", run.number),
                       "no output of the board's circuit was measured in it",
                       run.aborted ? "it was stopped before: `tenterhook show` tells why" : "");
  return seen;
}

}  // namespace tenterhook::diagnose
