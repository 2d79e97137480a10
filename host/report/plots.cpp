#include "host/report/plots.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "host/report/markup.h"
#include "host/report/screen.h"

namespace tenterhook::report {
namespace {

using measure::Reading;
using measure::Verdict;

// Units of the drawings' own co-ordinates.
constexpr double kLadderWidth = 240, kLadderHeight = 186;
constexpr double kTop = 10, kBottom = 178;
constexpr double kBandLeft = 46, kBandRight = 150;
constexpr double kBarX = 98;
constexpr double kCurveWidth = 320, kCurveHeight = 170;
constexpr int kTicksMax = 5;
constexpr int kCurvePointsMax = 600;  // more than a page can show
constexpr std::size_t kTrendPointsShown = 150;

// 1, 2 or 5 times a power of ten, so that at most `count` steps cover the span.
double tick_step(double span, int count) {
  if (!(span > 0.0)) return 1.0;
  const double raw = span / count;
  const double power = std::pow(10.0, std::floor(std::log10(raw)));
  for (const double m : {1.0, 2.0, 5.0, 10.0}) {
    if (m * power >= raw) return m * power;
  }
  return 10.0 * power;
}

std::string tick_text(double value, double step) {
  const int decimals =
      step >= 1.0 ? 0 : std::min(6, static_cast<int>(std::ceil(-std::log10(step))));
  const std::string text = fmt::format("{:.{}f}", value, decimals);
  return text == "-0" ? "0" : text;
}

class Ladder {
 public:
  explicit Ladder(const VoltScale& scale) : scale_(scale) {}
  double y(double volts) const {
    const double share = (volts - scale_.least) / (scale_.most - scale_.least);
    return kBottom - std::clamp(share, 0.0, 1.0) * (kBottom - kTop);
  }
  void axis() {
    const double step = tick_step(scale_.most - scale_.least, kTicksMax);
    for (double v = std::ceil(scale_.least / step) * step; v <= scale_.most; v += step) {
      svg_ += fmt::format(
          "<line class=\"grid\" x1=\"{}\" x2=\"{}\" y1=\"{:.1f}\" y2=\"{:.1f}\"/>"
          "<text class=\"axis\" x=\"{}\" y=\"{:.1f}\">{}</text>",
          kBandLeft - 6, kBandRight, y(v), y(v), kBandLeft - 9, y(v) + 3.5, tick_text(v, step));
    }
  }
  void band(const std::optional<files::Window>& window, const char* kind, const char* label) {
    if (!window) return;
    const double top = y(std::isfinite(window->max.value) ? window->max.value : scale_.most);
    const double bottom = y(std::isfinite(window->min.value) ? window->min.value : scale_.least);
    svg_ += fmt::format(
        "<rect class=\"band {}\" x=\"{}\" y=\"{:.1f}\" width=\"{}\" height=\"{:.1f}\"/>"
        "<text class=\"bit\" x=\"{}\" y=\"{:.1f}\">{}</text>",
        kind, kBandLeft, top, kBandRight - kBandLeft, std::max(1.0, bottom - top), kBandLeft + 6,
        (top + bottom) / 2 + 5, label);
  }
  void predicted(const std::optional<files::Window>& window) {
    if (!window || !std::isfinite(window->min.value) || !std::isfinite(window->max.value)) return;
    const double top = y(window->max.value), bottom = y(window->min.value);
    svg_ += fmt::format("<path class=\"predicted\" d=\"M{0} {1:.1f}h-7V{2:.1f}h7\"/>", kBarX - 14, top, std::max(bottom, top + 2.0));
  }
  void threshold(double volts, const std::string& receiver, bool upper) {
    const std::string text =
        fmt::format("{} {:.1f} {}", upper ? "≥" : "≤", volts, cut(receiver, 8));
    svg_ += fmt::format("<line class=\"need\" x1=\"{}\" x2=\"{}\" y1=\"{:.1f}\" y2=\"{:.1f}\"/>",
                        kBandLeft, kBandRight + 6, y(volts), y(volts));
    labels_.push_back({y(volts) + 3.5, "need-text", text});
  }
  void bar(const std::optional<record::LevelRecord::Side>& side) {
    if (!side) return;
    const double top = y(side->max_v), bottom = y(side->min_v);
    svg_ += fmt::format(
        "<line class=\"whisker\" x1=\"{0}\" x2=\"{0}\" y1=\"{1:.1f}\" y2=\"{2:.1f}\"/>"
        "<rect class=\"bar\" x=\"{3}\" y=\"{4:.1f}\" width=\"12\" height=\"{5:.1f}\"/>"
        "<line class=\"mean\" x1=\"{6}\" x2=\"{7}\" y1=\"{8:.1f}\" y2=\"{8:.1f}\"/>",
        kBarX, y(side->max_v + side->U_v), y(side->min_v - side->U_v), kBarX - 6, top - 1.5,
        std::max(3.0, bottom - top + 3.0), kBarX - 10, kBarX + 10, y(side->mean_v));
  }
  void cross(double volts) {
    const double x = kBarX + 26, at = y(volts);
    svg_ +=
        fmt::format("<path class=\"cross\" d=\"M{:.0f} {:.1f}l8 8m0 -8l-8 8\"/>", x - 4, at - 4);
  }
  void number(const std::optional<record::LevelRecord::Side>& side, bool high) {
    if (!side) return;
    const double volts = high ? side->min_v : side->max_v;
    labels_.push_back({y(volts) + 4.0, "value", volts_text(volts) + " V"});
  }
  // Labels in their order from the top, pushed apart so that none covers another.
  std::string svg() {
    constexpr double kPitch = 12.0;
    std::stable_sort(labels_.begin(), labels_.end(),
                     [](const Label& a, const Label& b) { return a.y < b.y; });
    for (std::size_t i = 1; i < labels_.size(); ++i) {
      labels_[i].y = std::max(labels_[i].y, labels_[i - 1].y + kPitch);
    }
    double floor = kLadderHeight - 2.0;
    for (std::size_t i = labels_.size(); i-- > 0; floor = labels_[i].y - kPitch) {
      labels_[i].y = std::min(labels_[i].y, floor);
    }
    for (const Label& label : labels_) {
      svg_ += fmt::format("<text class=\"{}\" x=\"{}\" y=\"{:.1f}\">{}</text>", label.kind,
                          kBandRight + 9, label.y, escaped(label.text));
    }
    return svg_;
  }

 private:
  struct Label {
    double y = 0.0;
    const char* kind = "";
    std::string text;
  };
  std::vector<Label> labels_;
  VoltScale scale_;
  std::string svg_;
};

std::string open_svg(double width, double height, int id, const std::string& title,
                     const std::string& description) {
  return fmt::format(
      "<svg viewBox=\"0 0 {0} {1}\" role=\"img\" aria-labelledby=\"t{2} d{2}\">"
      "<title id=\"t{2}\">{3}</title><desc id=\"d{2}\">{4}</desc>",
      width, height, id, escaped(title), escaped(description));
}

std::string side_words(const char* name, const std::optional<record::LevelRecord::Side>& side) {
  if (!side) return fmt::format("no {} was seen", name);
  return fmt::format("{}s from {} to {} V, U {:.2f} V", name, volts_text(side->min_v),
                     volts_text(side->max_v), side->U_v);
}

}  // namespace

VoltScale scale_of(const record::RunRecord& run,
                   const std::map<std::string, LineWindows>& windows) {
  double least = 0.0, most = 1.0;
  const auto include = [&](double v) {
    if (!std::isfinite(v)) return;
    least = std::min(least, v);
    most = std::max(most, v);
  };
  for (const auto& [line, w] : windows) {
    for (const std::optional<files::Window>* window : {&w.zero, &w.one}) {
      if (!*window) continue;
      include((*window)->min.value);
      include((*window)->max.value);
    }
  }
  for (const record::StepRecord& step : run.steps) {
    for (const Reading& r : step.readings) {
      if (r.verdict != Verdict::none) include(r.volts.value);
    }
  }
  const double room = 0.03 * (most - least);
  return {least - room, most + room};
}

std::map<std::string, Needs> needs_of(const record::RunRecord& run) {
  std::map<std::string, Needs> needs;
  // A threshold is where the margin would be used up.
  for (const record::LevelRecord& level : run.levels) {
    for (const record::MarginRecord& m : level.margins) {
      Needs& need = needs[m.to];
      if (level.low && std::isfinite(m.low_v)) need.low = level.low->max_v + m.low_v;
      if (level.high && std::isfinite(m.high_v)) need.high = level.high->min_v - m.high_v;
    }
  }
  return needs;
}

std::string ladder_svg(const record::RunRecord& run, const record::LevelRecord& level,
                       const LineWindows& windows, const std::map<std::string, Needs>& needs,
                       const VoltScale& scale, int id, const files::LevelWindows& predicted) {
  Ladder ladder(scale);
  ladder.axis();
  ladder.band(windows.zero, "zero", "0");
  ladder.band(windows.one, "one", "1");
  for (const record::MarginRecord& m : level.margins) {
    const auto need = needs.find(m.to);
    if (need == needs.end()) continue;
    if (need->second.low) ladder.threshold(*need->second.low, m.to, false);
    if (need->second.high) ladder.threshold(*need->second.high, m.to, true);
  }
  ladder.predicted(predicted.low);
  ladder.predicted(predicted.high);
  ladder.bar(level.low);
  ladder.bar(level.high);
  ladder.number(level.low, false);
  ladder.number(level.high, true);
  int crosses = 0;
  for (const record::StepRecord& step : run.steps) {
    for (const Reading& r : step.readings) {
      if (r.line != level.line || r.verdict != Verdict::fail) continue;
      ladder.cross(r.volts.value);
      ++crosses;
    }
  }
  std::string description = side_words("low", level.low) + "; " + side_words("high", level.high);
  for (const auto& [word, window] : {std::pair{"low", predicted.low}, {"high", predicted.high}}) {
    if (window) description += fmt::format("; predicted {} {} to {} V", word, volts_text(window->min.value), volts_text(window->max.value));
  }
  if (crosses > 0) description += fmt::format("; {} failing readings", crosses);
  return open_svg(kLadderWidth, kLadderHeight, id, "Levels of " + level.line, description) +
         ladder.svg() + "</svg>";
}

std::string curve_svg(const record::CurveRecord& curve, int id) {
  const std::size_t n = std::min(curve.time_s.size(), curve.value.size());
  if (n < 2) return "";
  double most = 0.0, least = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    most = std::max(most, curve.value[i]);
    least = std::min(least, curve.value[i]);
  }
  const double end = curve.time_s[n - 1] > 0.0 ? curve.time_s[n - 1] : 1.0;
  if (!(most > least)) most = least + 1.0;
  constexpr double kLeft = 44, kRight = kCurveWidth - 8, kLow = kCurveHeight - 26, kHigh = 10;
  const auto x = [&](double t) { return kLeft + t / end * (kRight - kLeft); };
  const auto y = [&](double v) { return kLow - (v - least) / (most - least) * (kLow - kHigh); };
  const std::string unit = curve.quantity == "volts" ? "V" : "A";
  const auto peak =
      std::max_element(curve.value.begin(), curve.value.begin() + static_cast<long>(n));
  std::string svg =
      open_svg(kCurveWidth, kCurveHeight, id, curve.rail + ", " + curve.quantity,
               fmt::format("peak {:.3g} {} at {:.2f} s, {:.3g} {} at the end ({:.1f} s)", *peak,
                           unit, curve.time_s[static_cast<std::size_t>(peak - curve.value.begin())],
                           curve.value[n - 1], unit, end));
  const double v_step = tick_step(most - least, kTicksMax);
  for (double v = std::ceil(least / v_step) * v_step; v <= most; v += v_step) {
    svg += fmt::format(
        "<line class=\"grid\" x1=\"{0}\" x2=\"{1}\" y1=\"{2:.1f}\" y2=\"{2:.1f}\"/>"
        "<text class=\"axis\" x=\"{3}\" y=\"{4:.1f}\">{5}</text>",
        kLeft, kRight, y(v), kLeft - 5, y(v) + 3.5, tick_text(v, v_step));
  }
  const double t_step = tick_step(end, kTicksMax);
  for (double t = 0.0; t <= end * 1.0001; t += t_step) {
    svg += fmt::format("<text class=\"axis time\" x=\"{:.1f}\" y=\"{}\">{}</text>", x(t), kLow + 16,
                       tick_text(t, t_step));
  }
  svg += "<polyline class=\"curve\" points=\"";
  const std::size_t stride = std::max<std::size_t>(1, n / kCurvePointsMax);
  for (std::size_t i = 0; i < n; i += stride) {
    svg += fmt::format("{:.1f},{:.1f} ", x(curve.time_s[i]), y(curve.value[i]));
  }
  return svg + "\"/></svg>";
}

std::string trend_svg(const LineTrend& line, int id) {
  const record::Trend& t = line.trend;
  if (t.points.empty()) return "";
  constexpr double kLeft = 46, kRight = kCurveWidth - 8, kLow = kCurveHeight - 26, kHigh = 12;
  double first = t.points.front().x, last = t.points.back().x;
  if (!(last > first)) last = first + 1.0;
  double least = t.points.front().value, most = least;
  for (const record::TrendPoint& p : t.points) {
    least = std::min(least, p.value);
    most = std::max(most, p.value);
  }
  // The limit belongs in the picture unless it would flatten everything else.
  const double span = std::max(most - least, 0.02);
  const bool limit_shown = t.limit && *t.limit > least - 8.0 * span && *t.limit < most + 8.0 * span;
  if (limit_shown) {
    least = std::min(least, *t.limit);
    most = std::max(most, *t.limit);
  }
  const double room = std::max(0.06 * (most - least), 0.01);
  least -= room;
  most += room;
  const auto x = [&](double at) { return kLeft + (at - first) / (last - first) * (kRight - kLeft); };
  const auto y = [&](double v) { return kLow - (v - least) / (most - least) * (kLow - kHigh); };
  std::string svg = open_svg(kCurveWidth, kCurveHeight, id, line.line + (line.high ? " high" : " low") + " over time", trend_sentence(line));
  const double v_step = tick_step(most - least, kTicksMax);
  for (double v = std::ceil(least / v_step) * v_step; v <= most; v += v_step) {
    svg += fmt::format("<line class=\"grid\" x1=\"{0}\" x2=\"{1}\" y1=\"{2:.1f}\" y2=\"{2:.1f}\"/><text class=\"axis\" x=\"{3}\" "
                       "y=\"{4:.1f}\">{5}</text>", kLeft, kRight, y(v), kLeft - 5, y(v) + 3.5, tick_text(v, v_step));
  }
  const double t_step = tick_step(last - first, kTicksMax);
  for (double at = std::ceil(first / t_step) * t_step; at <= last * 1.0001; at += t_step) {
    svg += fmt::format("<text class=\"axis time\" x=\"{:.1f}\" y=\"{}\">{}</text>", x(at), kLow + 16, tick_text(at, t_step));
  }
  if (limit_shown) {
    svg += fmt::format("<line class=\"need\" x1=\"{0}\" x2=\"{1}\" y1=\"{2:.1f}\" y2=\"{2:.1f}\"/>", kLeft, kRight, y(*t.limit));
  }
  if (t.start > 0 && t.start < static_cast<int>(t.points.size())) {
    const double at = x(t.points[static_cast<std::size_t>(t.start)].x) - 3.0;
    svg += fmt::format("<line class=\"anew\" x1=\"{0:.1f}\" x2=\"{0:.1f}\" y1=\"{1}\" y2=\"{2}\"/>", at, kHigh, kLow);
  }
  if (t.fit) {
    const double from = t.points[static_cast<std::size_t>(t.start)].x;
    svg += fmt::format("<line class=\"curve\" x1=\"{:.1f}\" x2=\"{:.1f}\" y1=\"{:.1f}\" y2=\"{:.1f}\"/>", x(from), x(last), y(t.fit->at(from)), y(t.fit->at(last)));
  }
  const std::size_t stride = std::max<std::size_t>(1, t.points.size() / kTrendPointsShown);
  for (std::size_t i = 0; i < t.points.size(); i += stride) {
    const bool used = static_cast<int>(i) >= t.start;
    svg += fmt::format("<circle class=\"{}\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"2.2\"/>", used ? "dot" : "past", x(t.points[i].x), y(t.points[i].value));
  }
  return svg + "</svg>";
}

}  // namespace tenterhook::report
