#include "host/report/trend_text.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "host/report/findings.h"

namespace tenterhook::report {
namespace {

using record::Trend;
using record::TrendState;
using Json = nlohmann::ordered_json;

Json number(double value) {
  return std::isfinite(value) ? Json(value) : Json(nullptr);
}

std::string name_of(const LineTrend& line) {
  return line.line + "'s " + (line.high ? "high" : "low");
}

// "about 140 days", "about 3 years": no more digits than the thing deserves.
std::string days_text(double days) {
  if (days < 1.0) return "less than a day";
  if (days < 60.0) return fmt::format("{:.0f} days", days);
  if (days < 730.0) return fmt::format("{:.0f} months", days / 30.44);
  return fmt::format("{:.0f} years", days / 365.25);
}

// Three digits: "9370", "140", "7.5".
std::string hours_figure(double hours) {
  if (hours < 10.0) return fmt::format("{:.1f}", hours);
  const double step = std::pow(10.0, std::max(0.0, std::floor(std::log10(hours)) - 2.0));
  return fmt::format("{:.0f}", std::round(hours / step) * step);
}

std::string hours_text(double hours) {
  return hours < 1.0 ? "less than an hour of use" : hours_figure(hours) + " h of use";
}

std::string span_text(const LineTrend& line, double x) {
  return line.by_hours ? hours_text(x) : days_text(x);
}

std::string drift_text(const LineTrend& line) {
  const Trend& trend = line.trend;
  if (line.by_hours) {
    const double per_hour = trend.fit->b1;
    const bool slow = std::fabs(per_hour) < 1e-3;
    return fmt::format("{} {:.3g} mV {}", per_hour < 0 ? "sinks" : "rises", std::fabs(per_hour) * (slow ? 1e6 : 1e3),
                       slow ? "in 1000 h of use" : "an hour of use");
  }
  const double per_day = trend.fit->b1;
  const bool slow = std::fabs(per_day) < 1e-3;
  const double shown = std::fabs(per_day) * (slow ? 1e3 * 30.44 : 1e3);
  return fmt::format("{} {:.2g} mV a {}", per_day < 0 ? "sinks" : "rises", shown,
                     slow ? "month" : "day");
}

int urgency(TrendState state) {
  switch (state) {
    case TrendState::beyond:
      return 0;
    case TrendState::to_limit:
      return 1;
    case TrendState::no_limit:
      return 2;
    case TrendState::away:
      return 3;
    case TrendState::steady:
      return 4;
    case TrendState::too_few:
      return 5;
  }
  return 6;
}

// The last points as one row of blocks between their least and most.
std::string spark(const Trend& trend, const Screen& screen) {
  static const char* const kBlocks[] = {"▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"};
  static const char* const kAscii[] = {"_", ".", "-", "~", "=", "+", "*", "#"};
  const int room = std::max(10, screen.width - 30);
  const std::size_t count =
      std::min<std::size_t>(trend.points.size(), static_cast<std::size_t>(room));
  if (count == 0) return "";
  const std::size_t first = trend.points.size() - count;
  double least = trend.points[first].value, most = least;
  for (std::size_t i = first; i < trend.points.size(); ++i) {
    least = std::min(least, trend.points[i].value);
    most = std::max(most, trend.points[i].value);
  }
  std::string row;
  for (std::size_t i = first; i < trend.points.size(); ++i) {
    const double share = most > least ? (trend.points[i].value - least) / (most - least) : 0.5;
    const int block = std::clamp(static_cast<int>(share * 8.0), 0, 7);
    if (static_cast<int>(i) == trend.start && trend.start > 0) row += "|";
    row += screen.unicode ? kBlocks[block] : kAscii[block];
  }
  return fmt::format("{} {} {} V", volts_text(least), row, volts_text(most));
}

Paint paint_of(TrendState state) {
  return state == TrendState::beyond                                      ? Paint::fail
         : state == TrendState::to_limit || state == TrendState::no_limit ? Paint::unsure
                                                                          : Paint::none;
}

Json runs_of(const Trend& trend, const std::vector<int>& indices) {
  Json runs = Json::array();
  for (const int i : indices)
    runs.push_back(trend.points[static_cast<std::size_t>(trend.start + i)].run);
  return runs;
}

}  // namespace

std::string trend_sentence(const LineTrend& line) {
  const Trend& t = line.trend;
  const std::string name = name_of(line);
  const std::string since = t.restart.empty() ? "" : " since " + t.restart;
  const int used = static_cast<int>(t.points.size()) - t.start;
  const std::string limit = t.limit ? volts_text(*t.limit) + " V" : "";
  switch (t.state) {
    case TrendState::too_few:
      return fmt::format("{}: {} run{}{}, {} or more at different times are needed to say anything.",
                         name, used, used == 1 ? "" : "s", since, record::kTrendPointsMin);
    case TrendState::steady:
      return fmt::format("{} is steady over {} runs{}.", name, used, since);
    case TrendState::away:
      return fmt::format("{} {}, away from its limit of {}.", name, drift_text(line), limit);
    case TrendState::no_limit:
      return fmt::format("{} {}; the last run has no window for it.", name, drift_text(line));
    case TrendState::beyond:
      return fmt::format(
          "{} has passed its limit of {}: the line through {} runs{} stands at {} V.", name, limit,
          used, since, volts_text(t.fit->at(t.points.back().x)));
    case TrendState::to_limit:
      break;
  }
  std::string text = fmt::format("{} {}", name, drift_text(line));
  if (t.reaches) {
    const double low = std::max(0.0, t.reaches->low), high = t.reaches->high;
    text += fmt::format(" and reaches its limit of {} in about {} (95 %: {} to {}).", limit, span_text(line, t.reaches->x),
                        line.by_hours ? hours_figure(low) : days_text(low), line.by_hours ? hours_figure(high) + " h" : days_text(high));
  } else {
    text += fmt::format(" towards its limit of {}; when cannot be said yet.", limit);
  }
  return text;
}

std::string trend_text(const std::string& board, const std::vector<LineTrend>& lines,
                       const Screen& screen) {
  std::string text = screen.paint(Paint::strong, "Trends of " + board) + "\n";
  for (const LineTrend& line : lines) {
    const Trend& t = line.trend;
    text += "  " + screen.paint(paint_of(t.state), wrapped(trend_sentence(line), screen.width, 2)) +
            "\n";
    if (t.unlike) {
      text += "    " +
              wrapped(fmt::format("The last run ({}) is unlike the others: repeat it "
                                  "before you conclude.",
                                  t.points.back().run),
                      screen.width, 4) +
              "\n";
    }
    if (lines.size() > 1 && urgency(t.state) > 2) continue;
    if (const std::string row = spark(t, screen); !row.empty()) text += "    " + row + "\n";
    if (t.fit) {
      text += fmt::format("    a run today is expected to show {} to {} V (95 %)\n",
                          volts_text(t.next_low), volts_text(t.next_high));
    }
  }
  return text;
}

std::string trend_json(const std::string& board, const std::string& board_serial,
                       const std::vector<LineTrend>& lines) {
  Json j;
  j["board"] = board;
  j["board_serial"] = board_serial;
  j["axis"] = !lines.empty() && lines.front().by_hours ? "hours" : "days";
  j["lines"] = Json::array();
  for (const LineTrend& line : lines) {
    const Trend& t = line.trend;
    Json l;
    l["line"] = line.line;
    l["side"] = line.high ? "high" : "low";
    l["state"] = record::name(t.state);
    l["say"] = trend_sentence(line);
    l["limit"] = t.limit ? number(*t.limit) : Json(nullptr);
    l["used"] = t.points.size() - static_cast<std::size_t>(t.start);
    l["restart"] = t.restart.empty() ? Json(nullptr) : Json(t.restart);
    // Of the axis in use alone: the other field stays null.
    const char* const drift = line.by_hours ? "drift_v_per_hour" : "drift_v_per_day";
    const char* const reaches = line.by_hours ? "reaches_hours" : "reaches_days";
    for (const char* field : {"drift_v_per_day", "drift_v_per_hour", "reaches_days", "reaches_hours"}) l[field] = nullptr;
    if (t.fit) l[drift] = number(t.fit->b1);
    if (t.reaches) {
      l[reaches] = {{"at", number(t.reaches->x)},
                           {"low", number(t.reaches->low)},
                           {"high", number(t.reaches->high)}};
    }
    l["next"] = t.fit ? Json({number(t.next_low), number(t.next_high)}) : Json(nullptr);
    l["chart"] = {{"mean", number(t.chart.mean)},
                  {"lower", number(t.chart.lower)},
                  {"upper", number(t.chart.upper)},
                  {"outside", runs_of(t, t.chart.outside)}};
    l["ewma"] = {
        {"lower", number(t.average.lower)},
        {"upper", number(t.average.upper)},
        {"last", t.average.average.empty() ? Json(nullptr) : number(t.average.average.back())},
        {"outside", runs_of(t, t.average.outside)}};
    l["cusum"] = {{"outside", runs_of(t, t.sums.outside)}};
    l["points"] = Json::array();
    for (const record::TrendPoint& p : t.points) {
      l["points"].push_back({{"run", p.run}, {line.by_hours ? "hour" : "day", number(p.x)}, {"volts", number(p.value)}});
    }
    j["lines"].push_back(std::move(l));
  }
  return j.dump(2, ' ', false, Json::error_handler_t::replace);
}

void sort_by_urgency(std::vector<LineTrend>& lines) {
  std::stable_sort(lines.begin(), lines.end(), [](const LineTrend& a, const LineTrend& b) {
    const int ua = urgency(a.trend.state), ub = urgency(b.trend.state);
    if (ua != ub) return ua < ub;
    const double xa = a.trend.reaches ? a.trend.reaches->x : 1e9;
    const double xb = b.trend.reaches ? b.trend.reaches->x : 1e9;
    return xa < xb;
  });
}

}  // namespace tenterhook::report
