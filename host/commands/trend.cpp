#include "host/commands/trend.h"

#include <fmt/format.h>

#include <cmath>
#include <cstdio>
#include <ctime>
#include <map>
#include <set>

#include "host/commands/output.h"
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

Result<report::LineTrend> trend_of(const record::Store& store, const TrendOptions& options,
                                   const std::string& line, bool high,
                                   const report::LineWindows& windows,
                                   const std::vector<record::Swap>& swaps) {
  const auto levels = store.level_history(options.board, options.serial, line, high);
  if (!levels.ok()) return levels.error();
  report::LineTrend result;
  result.line = line;
  result.high = high;
  std::vector<record::TrendPoint> points;
  double origin = 0.0;
  for (const record::LevelPoint& level : *levels) {
    const double day = days_of(level.started);
    // The end of the level that lies nearest to its limit.
    const double volts = high ? level.side.min_v : level.side.max_v;
    if (!std::isfinite(day) || !std::isfinite(volts)) continue;
    if (points.empty()) origin = day;
    points.push_back({level.run, day - origin, volts});
  }
  std::vector<record::Restart> restarts;
  for (const record::Swap& swap : swaps) {
    restarts.push_back({days_of(swap.happened) - origin, swap.part + " was replaced"});
  }
  const double mean = points.empty() ? 0.0 : points.back().value;
  result.trend = record::assess_trend(points, limit_of(windows, mean, high), high, restarts);
  return result;
}

// The runs of one board only: several serials are several boards.
Status only_one_serial(const record::Store& store, const TrendOptions& options) {
  if (!options.serial.empty()) return {};
  record::HistoryFilter filter;
  filter.board = options.board;
  filter.limit = 1000;
  const auto page = store.history(filter);
  if (!page.ok()) return page.error();
  std::set<std::string> serials;
  for (const record::RunSummary& run : page->runs) serials.insert(run.board_serial);
  if (serials.size() < 2) return {};
  std::string list;
  for (const std::string& serial : serials) {
    list += (list.empty() ? "" : ", ") + (serial.empty() ? std::string("none") : serial);
  }
  return input_error(options.board, "is recorded with several serials: " + list,
                     "say which board with --serial");
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
  return store->add_swap({"", options.board, options.serial, options.swapped, options.note});
}

}  // namespace

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
  const Status one = only_one_serial(*store, options);
  if (!one.ok()) return tell(one.error());
  const Result<record::RunRecord> last = last_run(*store, options);
  if (!last.ok()) return tell(last.error());
  const auto swaps = store->swaps(options.board, options.serial);
  if (!swaps.ok()) return tell(swaps.error());
  std::map<std::string, report::LineWindows> windows;
  for (const record::StepRecord& step : last->steps) report::learn_windows(windows, step);
  std::vector<report::LineTrend> lines;
  for (const record::LevelRecord& level : last->levels) {
    if (!options.line.empty() && level.line != options.line) continue;
    for (const bool high : {false, true}) {
      auto line = trend_of(*store, options, level.line, high, windows[level.line], *swaps);
      if (!line.ok()) return tell(line.error());
      if (!line->trend.points.empty()) lines.push_back(line.take());
    }
  }
  if (lines.empty()) {
    return tell(input_error(options.board,
                            "the last run recorded no levels" +
                                (options.line.empty() ? "" : " of line '" + options.line + "'"),
                            fmt::format("`tenterhook show {}` lists its lines", last->number)));
  }
  report::sort_by_urgency(lines);
  const report::Screen screen = people_screen(options.json);
  const std::string board =
      last->board + (last->board_serial.empty() ? "" : " " + last->board_serial);
  return answer(
      options.json,
      options.json.empty() ? "" : report::trend_json(last->board, last->board_serial, lines),
      [&] { return report::trend_text(board, lines, screen); });
}

}  // namespace tenterhook::commands
