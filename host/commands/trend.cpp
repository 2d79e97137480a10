#include "host/commands/trend.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <ctime>
#include <map>

#include "host/commands/output.h"
#include "host/commands/parts.h"
#include "host/commands/review.h"
#include "host/report/findings.h"
#include "host/report/trend_text.h"

namespace tenterhook::commands {
namespace {

// Days since 1970 of "2026-11-25T10:00:00Z"; NaN when it is no such text.
double days_of(const std::string& utc) {
  std::tm parts{};
  if (std::sscanf(utc.c_str(), "%d-%d-%dT%d:%d:%d", &parts.tm_year, &parts.tm_mon, &parts.tm_mday,
                  &parts.tm_hour, &parts.tm_min, &parts.tm_sec) < 3) {
    return std::nan("");
  }
  parts.tm_year -= 1900;
  parts.tm_mon -= 1;
  return static_cast<double>(timegm(&parts)) / 86400.0;
}

// The edge that a level would cross: of the window in or next to which it lies.
std::optional<double> limit_of(const report::LineWindows& windows, double mean, bool high) {
  const std::optional<files::Window>* best = nullptr;
  double nearest = 0.0;
  for (const std::optional<files::Window>* w : {&windows.zero, &windows.one}) {
    if (!*w) continue;
    const double off = std::fmax(0.0, std::fmax((*w)->min.value - mean, mean - (*w)->max.value));
    if (best == nullptr || off < nearest) {
      best = w;
      nearest = off;
    }
  }
  if (best == nullptr) return std::nullopt;
  const double edge = high ? (*best)->min.value : (*best)->max.value;
  if (!std::isfinite(edge)) return std::nullopt;
  return edge;
}

// What all lines of one board share.
struct Axis {
  bool by_hours = false;
  std::map<long, double> hours;  // run -> hours of use before it
  std::vector<record::Swap> swaps;
  std::optional<files::Board> board;  // for the lines that a part has a hand in
};

Result<Axis> axis_of(const record::Store& store, const TrendOptions& options) {
  Axis axis;
  auto swaps = store.swaps(options.board, options.serial);
  if (!swaps.ok()) return swaps.error();
  axis.swaps = swaps.take();
  if (!axis.swaps.empty()) {
    auto board = recorded_board(store, options.board, options.serial);
    if (!board.ok()) return board.error();
    axis.board = board.take();
  }
  axis.by_hours = options.by == "hours";
  if (options.by.empty()) {
    const auto uses = store.uses(options.board, options.serial);
    if (!uses.ok()) return uses.error();
    axis.by_hours = !uses->empty();
  }
  if (axis.by_hours) {
    auto hours = store.hours_by_run(options.board, options.serial);
    if (!hours.ok()) return hours.error();
    axis.hours = hours.take();
  }
  return axis;
}

// A part has a hand in the lines that its gates drive; one that the circuit does not name, in all.
bool concerns(const record::Swap& swap, const std::string& line, const std::optional<files::Board>& board) {
  if (!board) return true;
  const auto lines = lines_of_part(*board, swap.part);
  return !lines || lines->empty() || lines->count(line) > 0;
}

Result<report::LineTrend> trend_of(const record::Store& store, const TrendOptions& options,
                                   const std::string& line, bool high,
                                   const report::LineWindows& windows, const Axis& axis) {
  const auto levels = store.level_history(options.board, options.serial, line, high);
  if (!levels.ok()) return levels.error();
  report::LineTrend result;
  result.line = line;
  result.high = high;
  result.by_hours = axis.by_hours;
  std::vector<record::TrendPoint> points;
  std::vector<std::string> started;
  double origin = 0.0;
  for (const record::LevelPoint& level : *levels) {
    const auto hours = axis.hours.find(level.run);
    const double x = axis.by_hours ? (hours == axis.hours.end() ? std::nan("") : hours->second) : days_of(level.started);
    // The end of the level that lies nearest to its limit.
    const double volts = high ? level.side.min_v : level.side.max_v;
    if (!std::isfinite(x) || !std::isfinite(volts)) continue;
    if (points.empty() && !axis.by_hours) origin = x;
    points.push_back({level.run, x - origin, volts});
    started.push_back(level.started);
  }
  // On either axis a swap lies just before the first run after it.
  std::vector<record::Restart> restarts;
  for (const record::Swap& swap : axis.swaps) {
    if (points.empty() || !concerns(swap, line, axis.board)) continue;
    const auto next = std::lower_bound(started.begin(), started.end(), swap.happened);
    const double x = next == started.end() ? points.back().x + 1.0 : points[static_cast<std::size_t>(next - started.begin())].x;
    restarts.push_back({x, swap.part + " was replaced"});
  }
  const double mean = points.empty() ? 0.0 : points.back().value;
  result.trend = record::assess_trend(points, limit_of(windows, mean, high), high, restarts);
  return result;
}

Result<record::RunRecord> last_run(const record::Store& store, const TrendOptions& options) {
  record::HistoryFilter filter;
  filter.board = options.board;
  filter.board_serial = options.serial;
  filter.limit = 200;
  const auto page = store.history(filter);
  if (!page.ok()) return page.error();
  for (const record::RunSummary& run : page->runs) {
    if (run.complete && run.counts.readings > 0) return store.load(run.number);
  }
  return input_error(options.board, "no finished run of this board is recorded",
                     "`tenterhook history` lists the boards");
}

Status record_swap(const TrendOptions& options) {
  Result<record::Store> store = open_store(options.store);
  if (!store.ok()) return store.error();
  record::Swap swap;
  swap.board = options.board;
  swap.board_serial = options.serial;
  swap.part = options.swapped;
  swap.note = options.note;
  return store->add_swap(swap);
}

}  // namespace

Result<std::vector<report::LineTrend>> line_trends(const record::Store& store, const TrendOptions& options,
                                                   const record::RunRecord& last) {
  const auto axis = axis_of(store, options);
  if (!axis.ok()) return axis.error();
  std::map<std::string, report::LineWindows> windows;
  for (const record::StepRecord& step : last.steps) report::learn_windows(windows, step);
  std::vector<report::LineTrend> lines;
  for (const record::LevelRecord& level : last.levels) {
    if (!options.line.empty() && level.line != options.line) continue;
    for (const bool high : {false, true}) {
      auto line = trend_of(store, options, level.line, high, windows[level.line], *axis);
      if (!line.ok()) return line.error();
      if (!line->trend.points.empty()) lines.push_back(line.take());
    }
  }
  report::sort_by_urgency(lines);
  return lines;
}

int trend(const TrendOptions& given) {
  TrendOptions options = given;
  const Result<std::string> name = board_name(given.board);
  if (!name.ok()) return tell(name.error());
  options.board = *name;
  if (!options.swapped.empty()) {
    const Status recorded = record_swap(options);
    if (!recorded.ok()) return tell(recorded.error());
  }
  const Result<record::Store> store = open_store_to_read(options.store);
  if (!store.ok()) return tell(store.error());
  const Result<std::string> serial = chosen_serial(*store, options.board, options.serial);
  if (!serial.ok()) return tell(serial.error());
  options.serial = *serial;
  const Result<record::RunRecord> last = last_run(*store, options);
  if (!last.ok()) return tell(last.error());
  const auto trends = line_trends(*store, options, *last);
  if (!trends.ok()) return tell(trends.error());
  const std::vector<report::LineTrend>& lines = *trends;
  if (lines.empty()) {
    return tell(input_error(options.board,
                            "the last run recorded no levels" +
                                (options.line.empty() ? "" : " of line '" + options.line + "'"),
                            fmt::format("`tenterhook show {}` lists its lines", last->number)));
  }
  const report::Screen screen = people_screen(options.json);
  const std::string board =
      last->board + (last->board_serial.empty() ? "" : " " + last->board_serial);
  return answer(
      options.json,
      options.json.empty() ? "" : report::trend_json(last->board, last->board_serial, lines),
      [&] { return report::trend_text(board, lines, screen); });
}

}  // namespace tenterhook::commands
