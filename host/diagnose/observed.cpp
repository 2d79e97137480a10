#include "host/diagnose/observed.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <set>
#include <tuple>
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
  constexpr Regions kLow{0.01, 0.98, 0.01, 0.0}, kHigh{0.0, 0.0, 0.01, 0.99};
  constexpr Regions kPoorLow{0.02, 0.3, 0.63, 0.05}, kPoorHigh{0.0, 0.05, 0.65, 0.3};
  switch (shows) {
    case Shows::zero:
      return one_is_high ? kLow : kHigh;
    case Shows::one:
      return one_is_high ? kHigh : kLow;
    case Shows::undriven:
      return {0.05, 0.85, 0.08, 0.02};
    case Shows::weak_zero:
      return one_is_high ? kPoorLow : kPoorHigh;
    case Shows::weak_one:
      return one_is_high ? kPoorHigh : kPoorLow;
    case Shows::erratic:
      return {0.02, 0.47, 0.02, 0.49};
    case Shows::contested:
      return {0.0, 0.3, 0.4, 0.3};
    case Shows::dead:
      return {0.9, 0.08, 0.02, 0.0};
    case Shows::unknown:
      break;
  }
  return {0.25, 0.25, 0.25, 0.25};
}

// A working low is not so far below the others: a dead output, on its resistor alone, is.
constexpr double kBelowLow = 2.0;  // V

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
  Levels middle{median(&Levels::low_max),   median(&Levels::high_min), median(&Levels::low_from),
                median(&Levels::low_to),    median(&Levels::high_from), median(&Levels::high_to)};
  middle.floor = middle.low_from - kBelowLow;
  return middle;
}

}  // namespace

Regions regions_of(double volts, double sigma, const Levels& levels) {
  const double under = below(levels.floor, volts, sigma);
  const double low = below(levels.low_max, volts, sigma) - under;
  const double high = 1.0 - below(levels.high_min, volts, sigma);
  return {under, std::max(0.0, low), std::max(0.0, 1.0 - under - low - high), high};
}

std::array<double, kShows> log_likelihoods(const Regions& regions, Bit high, double outlier) {
  std::array<double, kShows> logs{};
  for (std::size_t s = 0; s < kShows; ++s) {
    const Regions want = looks(static_cast<Shows>(s), high == Bit::one);
    double p = 0.0;
    for (std::size_t c = 0; c < want.size(); ++c) p += want[c] * regions[c];
    logs[s] = std::log((1.0 - outlier) * p + outlier / static_cast<double>(want.size()));
  }
  // A cause whose effect nobody can know must not win by being vague: it does no better than "none
  // of these" at its worst (three readings of four wrong, each of which may show anything).
  const double zero = std::exp(logs[0]), one = std::exp(logs[1]);
  logs[static_cast<std::size_t>(Shows::unknown)] = std::log(0.25 * (zero + one));
  return logs;
}

namespace {

constexpr double kSameLevel = 0.25;  // of the swing: a larger difference is another logic level

double median_of(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<long>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

double swing_of(const record::RunRecord& run) {
  Span all;
  for (const record::StepRecord& step : run.steps)
    for (const measure::Reading& r : step.readings) all.take(r.volts.value);
  return all.empty() ? 0.0 : all.to - all.from;
}

// Levels of the vectors' own readings.
void compare_levels(const circuit::Netlist& netlist, const record::RunRecord& run,
                    const record::RunRecord& baseline, double swing, std::vector<Evidence>& into) {
  std::map<std::pair<std::string, bool>, std::vector<double>> moved, values;
  std::map<std::string, Bit> high_of;
  for (const auto& t : netlist.outputs) high_of[t.line] = t.high;
  for (std::size_t s = 0; s < std::min(run.steps.size(), baseline.steps.size()); ++s) {
    std::map<std::string, const measure::Reading*> before;
    for (const measure::Reading& r : baseline.steps[s].readings) before[r.line] = &r;
    // Another state loads every output otherwise.
    const bool same = std::all_of(
        run.steps[s].readings.begin(), run.steps[s].readings.end(), [&](const measure::Reading& r) {
          const auto was = before.find(r.line);
          return was != before.end() && std::fabs(r.volts.value - was->second->volts.value) <= kSameLevel * swing;
        });
    if (!same) continue;
    for (const measure::Reading& r : run.steps[s].readings) {
      const auto was = before.find(r.line);
      if (was == before.end() || r.expected != was->second->expected || high_of.count(r.line) == 0 ||
          (r.expected != Bit::zero && r.expected != Bit::one))
        continue;
      const double by = r.volts.value - was->second->volts.value;
      if (std::fabs(by) > kSameLevel * swing) continue;
      const std::pair key{r.line, r.expected == high_of[r.line]};
      moved[key].push_back(by);
      values[key].push_back(r.volts.value);
    }
  }
  for (const bool high : {false, true}) {
    std::vector<double> all;
    for (const auto& [key, by] : moved)
      if (key.second == high) all.push_back(median_of(by));
    const double common = all.size() >= 4 ? median_of(all) : 0.0;
    for (const auto& [key, by] : moved) {
      if (key.second != high) continue;
      Evidence e;
      e.line = key.first;
      e.high = high;
      e.value = median_of(values[key]);
      const double shift = median_of(by);
      e.normal = e.value - shift;
      e.odd = std::fabs(shift - common) > kMoved;
      into.push_back(std::move(e));
    }
  }
}

double moved_limit(Test test) {
  switch (test) {
    case Test::cold:
      return kMovedCold;
    case Test::back_read:
      return kMovedBack;
    default:
      return kMoved;
  }
}

}  // namespace

std::vector<Evidence> evidence_of(const circuit::Netlist& netlist, const record::RunRecord& run,
                                  const record::RunRecord& baseline) {
  std::vector<Evidence> all;
  const double swing = swing_of(baseline);
  compare_levels(netlist, run, baseline, swing, all);
  const auto now = run.sections.find("part_tests"), then = baseline.sections.find("part_tests");
  if (now == run.sections.end() || then == baseline.sections.end()) return all;
  const auto tests = parse_part_tests(now->second), normal = parse_part_tests(then->second);
  if (!tests || !normal) return all;
  using Key = std::tuple<Test, std::string, std::string, bool, int>;
  const auto key_of = [](const PartTest& t) { return Key{t.test, t.line, t.other, t.high, t.step}; };
  std::map<Key, double> was;
  for (const PartTest& t : *normal) was[key_of(t)] = t.value;
  std::set<int> other_logic;  // steps held in another state than then
  for (const PartTest& t : *tests) {
    const auto found = was.find(key_of(t));
    if (found != was.end() && t.test == Test::level && std::fabs(t.value - found->second) > kSameLevel * swing)
      other_logic.insert(t.step);
  }
  for (const PartTest& t : *tests) {
    const auto found = was.find(key_of(t));
    if (found == was.end() || (t.step >= 0 && other_logic.count(t.step) != 0) || t.test == Test::level) continue;
    Evidence e;
    e.test = t.test;
    e.line = t.line;
    e.other = t.other;
    e.high = t.high;
    e.value = t.value;
    e.normal = found->second;
    const double ratio = e.normal > 0.0 ? e.value / e.normal : 1.0;
    e.odd = t.test == Test::fall ? ratio > kMovedTimes || ratio < 1.0 / kMovedTimes
                                 : std::fabs(e.value - e.normal) > moved_limit(t.test);
    // What a lead shows by itself says all that it shows beside each other line.
    const bool again = e.odd && e.test == Test::back_read && !e.other.empty() &&
                       std::any_of(all.begin(), all.end(), [&](const Evidence& had) {
                         return had.odd && had.test == e.test && had.line == e.line && had.other.empty() &&
                                std::fabs((had.value - had.normal) - (e.value - e.normal)) < 2.0 * kMovedBack;
                       });
    if (!again) all.push_back(std::move(e));
  }
  return all;
}

Result<Observed> observe(const circuit::Netlist& netlist, const files::Board& board,
                         const record::RunRecord& run, std::size_t steps,
                         const record::RunRecord* baseline) {
  Observed seen;
  std::unordered_map<std::string, std::uint32_t> index;
  for (std::uint32_t o = 0; o < netlist.outputs.size(); ++o) {
    index[netlist.outputs[o].line] = o;
    seen.levels.push_back(levels_of(netlist.outputs[o], board, run));
  }
  seen.inner = middle_of(seen.levels);
  for (Levels& l : seen.levels) l.floor = std::min(l.low_from, seen.inner.low_from) - kBelowLow;
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
  if (seen.sightings.empty() && !tripped_by_board(run))
    return input_error(fmt::format("run {}", run.number),
                       "no output of the board's circuit was measured in it",
                       run.aborted ? "it was stopped before: `tenterhook show` tells why" : "");
  if (baseline != nullptr) seen.evidence = evidence_of(netlist, run, *baseline);
  for (const Evidence& e : seen.evidence) seen.odd += e.odd ? 1 : 0;
  return seen;
}

}  // namespace tenterhook::diagnose
