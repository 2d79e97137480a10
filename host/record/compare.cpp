#include "host/record/compare.h"

#include <algorithm>
#include <cmath>
#include <map>

namespace tenterhook::record {
namespace {

// Smallest changes worth telling where the record holds no uncertainty (common practice, no
// source): a tenth of a current, and never less than the floor below; a fifth of a time.
constexpr double kCurrentShare = 0.10;
constexpr double kCurrentFloorA = 0.002;
constexpr double kTimeShare = 0.20;
constexpr double kTimeFloorS = 0.5;

struct Score {
  int judged = 0, wrong = 0;
};

std::map<std::string, Score> scores_of(const RunRecord& run) {
  std::map<std::string, Score> scores;
  for (const StepRecord& step : run.steps) {
    for (const measure::Reading& r : step.readings) {
      if (r.verdict == measure::Verdict::none) continue;
      Score& score = scores[r.line];
      ++score.judged;
      if (r.verdict == measure::Verdict::fail) ++score.wrong;
    }
  }
  return scores;
}

void compare_verdicts(const RunRecord& before, const RunRecord& after, Comparison& result) {
  const std::map<std::string, Score> old_scores = scores_of(before);
  for (const auto& [line, now] : scores_of(after)) {
    const auto then = old_scores.find(line);
    if (then == old_scores.end()) continue;
    ++result.compared;
    if ((then->second.wrong > 0) == (now.wrong > 0)) continue;
    Change change;
    change.kind = now.wrong > 0 ? Change::Kind::fails_now : Change::Kind::passes_now;
    change.where = line;
    change.before = then->second.wrong;
    change.after = now.wrong;
    change.significance = std::max(now.wrong, then->second.wrong);
    result.changes.push_back(change);
  }
}

// Adds the change when it exceeds `least` (> 0).
void add_if_moved(Comparison& result, Change change, double least) {
  if (!std::isfinite(change.before) || !std::isfinite(change.after)) return;
  ++result.compared;
  const double moved = std::fabs(change.after - change.before);
  if (!(moved > least) || least <= 0.0) return;
  change.significance = moved / least;
  result.changes.push_back(std::move(change));
}

void compare_levels(const RunRecord& before, const RunRecord& after, Comparison& result) {
  for (const LevelRecord& now : after.levels) {
    const auto then = std::find_if(before.levels.begin(), before.levels.end(),
                                   [&](const LevelRecord& l) { return l.line == now.line; });
    if (then == before.levels.end()) continue;
    for (const bool high : {false, true}) {
      const auto& a = high ? then->high : then->low;
      const auto& b = high ? now.high : now.low;
      if (!a || !b) continue;
      Change change;
      change.kind = Change::Kind::level;
      change.where = now.line;
      change.side = high ? "high" : "low";
      change.unit = "V";
      change.before = a->mean_v;
      change.after = b->mean_v;
      change.U = std::hypot(a->U_v, b->U_v);
      add_if_moved(result, change, *change.U);
    }
  }
}

void compare_rails(const RunRecord& before, const RunRecord& after, Comparison& result) {
  for (const RailRecord& now : after.power.rails) {
    const auto then = std::find_if(before.power.rails.begin(), before.power.rails.end(),
                                   [&](const RailRecord& r) { return r.rail == now.rail; });
    if (then == before.power.rails.end()) continue;
    Change volts;
    volts.kind = Change::Kind::rail_volts;
    volts.where = now.rail;
    volts.unit = "V";
    volts.before = then->measured_v;
    volts.after = now.measured_v;
    volts.U = std::hypot(then->U_v, now.U_v);
    add_if_moved(result, volts, *volts.U);
    Change amps;
    amps.kind = Change::Kind::current;
    amps.where = now.rail;
    amps.unit = "A";
    amps.before = then->amps;
    amps.after = now.amps;
    add_if_moved(result, amps, std::max(kCurrentFloorA, kCurrentShare * std::fabs(then->amps)));
  }
}

std::optional<double> peak_of(const RunRecord& run, const std::string& rail) {
  for (const CurveRecord& curve : run.power.curves) {
    if (curve.rail != rail || curve.quantity != "amps" || curve.value.empty()) continue;
    return *std::max_element(curve.value.begin(), curve.value.end());
  }
  return std::nullopt;
}

void compare_inrush(const RunRecord& before, const RunRecord& after, Comparison& result) {
  for (const CurveRecord& curve : after.power.curves) {
    if (curve.quantity != "amps") continue;
    const std::optional<double> then = peak_of(before, curve.rail);
    const std::optional<double> now = peak_of(after, curve.rail);
    if (!then || !now) continue;
    Change change;
    change.kind = Change::Kind::inrush;
    change.where = curve.rail;
    change.unit = "A";
    change.before = *then;
    change.after = *now;
    add_if_moved(result, change, std::max(kCurrentFloorA, kCurrentShare * std::fabs(*then)));
  }
}

void compare_times(const RunRecord& before, const RunRecord& after, Comparison& result) {
  const auto time = [&result](const char* what, double then, double now) {
    Change change;
    change.kind = Change::Kind::time;
    change.where = what;
    change.unit = "s";
    change.before = then;
    change.after = now;
    add_if_moved(result, change, std::max(kTimeFloorS, kTimeShare * std::fabs(then)));
  };
  // The same vectors only: otherwise the time says nothing of the board.
  if (before.steps.size() == after.steps.size()) {
    time("total", before.time.total_s, after.time.total_s);
  }
  if (before.power.warm_up_s && after.power.warm_up_s) {
    time("warm-up", *before.power.warm_up_s, *after.power.warm_up_s);
  }
  time("discharge", before.time.discharge_s, after.time.discharge_s);
}

void note_differences(const RunRecord& before, const RunRecord& after, Comparison& result) {
  const auto note = [&result](const std::string& what, const std::string& a, const std::string& b) {
    if (a != b) {
      result.notes.push_back(what + " differs: " + (a.empty() ? "none" : a) + " before, " +
                             (b.empty() ? "none" : b) + " after");
    }
  };
  note("the board", before.board, after.board);
  note("the board's serial", before.board_serial, after.board_serial);
  note("the vectors", before.vectors, after.vectors);
  note("the fixture", before.fixture + " " + before.fixture_serial,
       after.fixture + " " + after.fixture_serial);
  note("the firmware", before.firmware_build, after.firmware_build);
  note("the calibration", before.calibration, after.calibration);
  for (const files::SourceFile& now : after.sources) {
    for (const files::SourceFile& then : before.sources) {
      if (then.path == now.path && then.sha256 != now.sha256) {
        result.notes.push_back("the file " + now.path + " was edited between the two");
      }
    }
  }
  for (const RunRecord* run : {&before, &after}) {
    const std::string which = run == &before ? "the run before" : "the run after";
    if (run->state == RunState::going) {
      result.notes.push_back(which + " is still going");
    } else if (!run->complete) {
      result.notes.push_back(which + " was cut short");
    } else if (run->aborted) {
      result.notes.push_back(which + " was stopped: " + run->aborted->cause);
    }
  }
}

// Delays, edges, set-up and hold: by their uncertainty where the record has it, else as times.
void compare_timings(const RunRecord& before, const RunRecord& after, Comparison& result) {
  for (const TimingRecord& now : after.timings) {
    const auto then = std::find_if(before.timings.begin(), before.timings.end(), [&](const TimingRecord& t) {
      return t.kind == now.kind && t.from == now.from && t.line == now.line && t.edge == now.edge;
    });
    if (then == before.timings.end()) continue;
    Change change;
    change.kind = Change::Kind::delay;
    change.where = now.from.empty() ? now.line : now.from + " to " + now.line;
    change.side = now.kind == "delay" ? now.edge : now.edge.empty() ? now.kind : now.kind + " " + now.edge;
    change.unit = "s";
    change.before = then->seconds;
    change.after = now.seconds;
    const double U = std::hypot(then->U_s, now.U_s);
    double least = kTimeShare * std::fabs(then->seconds);
    if (std::isfinite(U) && U > 0.0) {
      change.U = U;
      least = U;
    }
    add_if_moved(result, change, least);
  }
}

int rank(const Change& change) {
  return change.kind == Change::Kind::fails_now    ? 0
         : change.kind == Change::Kind::passes_now ? 1
                                                   : 2;
}

}  // namespace

std::string name(Change::Kind kind) {
  switch (kind) {
    case Change::Kind::fails_now:
      return "fails now";
    case Change::Kind::passes_now:
      return "passes now";
    case Change::Kind::level:
      return "level";
    case Change::Kind::rail_volts:
      return "rail volts";
    case Change::Kind::current:
      return "current";
    case Change::Kind::inrush:
      return "inrush";
    case Change::Kind::time:
      return "time";
    case Change::Kind::delay:
      return "delay";
  }
  return "";
}

Comparison compare(const RunRecord& before, const RunRecord& after) {
  Comparison result;
  compare_verdicts(before, after, result);
  compare_levels(before, after, result);
  compare_rails(before, after, result);
  compare_inrush(before, after, result);
  compare_times(before, after, result);
  compare_timings(before, after, result);
  note_differences(before, after, result);
  std::stable_sort(result.changes.begin(), result.changes.end(),
                   [](const Change& a, const Change& b) {
                     if (rank(a) != rank(b)) return rank(a) < rank(b);
                     return a.significance > b.significance;
                   });
  return result;
}

}  // namespace tenterhook::record
