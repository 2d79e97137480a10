#include "host/timing/shmoo.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "host/base/units.h"

namespace tenterhook::timing {

namespace {

constexpr const char* kPassColour = "\x1b[36m";
constexpr const char* kFailColour = "\x1b[33m";
constexpr const char* kUnsureColour = "\x1b[35m";
constexpr const char* kPlain = "\x1b[0m";

std::string number(double value, const Axis& axis) { return engineering(value, axis.unit, 3); }

// Unlike cells must also differ where there is no colour.
std::string mark(Cell cell, bool hole, bool unicode, bool colour) {
  std::string shape, paint;
  switch (cell) {
    case Cell::pass: shape = unicode ? "\u25aa" : "#"; paint = kPassColour; break;
    case Cell::fail: shape = hole ? (unicode ? "\u25cb" : "O") : (unicode ? "\u2571" : "/"); paint = kFailColour; break;
    case Cell::unsure: shape = unicode ? "\u25d0" : "?"; paint = kUnsureColour; break;
    case Cell::none: return " ";
  }
  return colour ? paint + shape + kPlain : shape;
}

std::set<Place> all_of(const std::vector<std::vector<Place>>& regions) {
  std::set<Place> places;
  for (const auto& region : regions) places.insert(region.begin(), region.end());
  return places;
}

// Where a limit falls between the values of an axis: the first column or row that meets it.
std::optional<int> limit_index(const Axis& axis) {
  if (!axis.limit) return std::nullopt;
  for (std::size_t i = 0; i < axis.values.size(); ++i) {
    if (axis.values[i] >= *axis.limit - 1e-12) return static_cast<int>(i);
  }
  return std::nullopt;
}

std::string legend(bool unicode, bool colour, bool holes, const Shmoo& s) {
  std::string text = fmt::format("  {} passes   {} fails   {} unsure: both were seen, or neither level", mark(Cell::pass, false, unicode, colour),
                                 mark(Cell::fail, false, unicode, colour), mark(Cell::unsure, false, unicode, colour));
  if (holes) text += fmt::format("   {} a hole: fails, while all round it passes", mark(Cell::fail, true, unicode, colour));
  text += "\n";
  for (const Axis* a : {&s.x, &s.y}) {
    if (a->limit) text += fmt::format("  {} limit of the board file: {}\n", a->name, number(*a->limit, *a));
  }
  return text;
}

std::string xml(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '&') out += "&amp;";
    else if (c == '<') out += "&lt;";
    else if (c == '>') out += "&gt;";
    else if (c == '"') out += "&quot;";
    else out += c;
  }
  return out;
}

}  // namespace

Cell cell_of(const Tally& t) {
  if (t.trials() == 0) return Cell::none;
  if (t.unsure > 0 || (t.passes > 0 && t.fails > 0)) return Cell::unsure;
  return t.passes > 0 ? Cell::pass : Cell::fail;
}

Result<Shmoo> shmoo(const std::string& title, const Axis& x, const Axis& y, const CellTrial& trial,
                    const std::function<void(int, int)>& told) {
  for (const Axis* a : {&x, &y}) {
    if (a->values.empty() || a->values.size() > kAxisPointsMost) {
      return input_error("shmoo", fmt::format("axis {} has {} values; 1 to {} are drawn", a->name, a->values.size(), kAxisPointsMost));
    }
  }
  Shmoo s{title, x, y, {}};
  const int total = static_cast<int>(x.values.size() * y.values.size());
  s.tallies.reserve(static_cast<std::size_t>(total));
  for (const double row : y.values) {
    for (const double column : x.values) {
      auto tally = trial(column, row);
      TH_TRY(tally);
      s.tallies.push_back(*tally);
      if (told) told(static_cast<int>(s.tallies.size()), total);
    }
  }
  return s;
}

std::vector<std::vector<Place>> holes_of(const Shmoo& s) {
  const int columns = static_cast<int>(s.x.values.size()), rows = static_cast<int>(s.y.values.size());
  auto fails = [&](const Place& p) { return cell_of(s.at(p.column, p.row)) == Cell::fail; };
  std::set<Place> seen;
  std::vector<std::vector<Place>> holes;
  for (int row = 0; row < rows; ++row) {
    for (int column = 0; column < columns; ++column) {
      if (!fails({column, row}) || seen.count({column, row})) continue;
      std::vector<Place> region{{column, row}};
      seen.insert(region.front());
      bool open = false;
      for (std::size_t i = 0; i < region.size(); ++i) {
        const Place p = region[i];
        for (int dx = -1; dx <= 1; ++dx) {
          for (int dy = -1; dy <= 1; ++dy) {
            const Place q{p.column + dx, p.row + dy};
            if (q.column < 0 || q.row < 0 || q.column >= columns || q.row >= rows) {
              open = true;
            } else if (fails(q) && seen.insert(q).second) {
              region.push_back(q);
            }
          }
        }
      }
      if (!open) holes.push_back(region);
    }
  }
  return holes;
}

std::string text(const Shmoo& s, bool unicode, bool colour) {
  const auto regions = holes_of(s);
  const std::set<Place> holes = all_of(regions);
  const int columns = static_cast<int>(s.x.values.size()), rows = static_cast<int>(s.y.values.size());
  const auto limit_x = limit_index(s.x), limit_y = limit_index(s.y);
  const char* bar = unicode ? "\u2502" : "|";
  const char* dash = unicode ? "\u2500" : "-";
  std::string out = s.title + "\n";
  out += fmt::format("  {:>10}\n", s.y.name);
  const int every = std::max(1, rows / 8);
  for (int row = rows - 1; row >= 0; --row) {
    const bool labelled = row % every == 0 || row == rows - 1;
    out += fmt::format("  {:>10} {}", labelled ? number(s.y.values[static_cast<std::size_t>(row)], s.y) : "", labelled ? (unicode ? "\u2524" : "+") : bar);
    for (int column = 0; column < columns; ++column) {
      out += limit_x && *limit_x == column ? std::string(bar) : std::string(" ");
      out += mark(cell_of(s.at(column, row)), holes.count({column, row}) > 0, unicode, colour);
    }
    out += limit_y && *limit_y == row ? (unicode ? "  \u25c2 limit\n" : "  < limit\n") : "\n";
  }
  out += fmt::format("  {:>10} {}", "", unicode ? "\u2514" : "+");
  for (int i = 0; i < 2 * columns; ++i) out += dash;
  out += "\n";
  // Labels under their columns as far as they do not meet.
  std::string labels(static_cast<std::size_t>(2 * columns) + 16, ' ');
  std::size_t free = 0;
  for (int column = 0; column < columns; ++column) {
    const std::string label = number(s.x.values[static_cast<std::size_t>(column)], s.x);
    const std::size_t at = static_cast<std::size_t>(2 * column) + 1;
    if (at < free) continue;
    labels.replace(at, label.size(), label);
    free = at + label.size() + 3;
  }
  labels.erase(labels.find_last_not_of(' ') + 1);
  out += fmt::format("  {:>10}  {}  {}\n", "", labels, s.x.name);
  out += legend(unicode, colour, !regions.empty(), s);
  for (const auto& region : regions) {
    const auto [least, most] = std::minmax_element(region.begin(), region.end(), [](auto& a, auto& b) { return a.column < b.column; });
    const auto [low, high] = std::minmax_element(region.begin(), region.end(), [](auto& a, auto& b) { return a.row < b.row; });
    auto span = [](const Axis& a, int from, int to) {
      const auto first = number(a.values[static_cast<std::size_t>(from)], a);
      return from == to ? first : first + " to " + number(a.values[static_cast<std::size_t>(to)], a);
    };
    out += fmt::format("  a hole of {} cell{}: {} {}, {} {}\n", region.size(), region.size() == 1 ? "" : "s", s.x.name,
                       span(s.x, least->column, most->column), s.y.name, span(s.y, low->row, high->row));
  }
  return out;
}

std::string csv(const Shmoo& s) {
  std::string out = fmt::format("{}_{},{}_{},passes,fails,unsure\n", s.x.name, s.x.unit, s.y.name, s.y.unit);
  for (std::size_t row = 0; row < s.y.values.size(); ++row) {
    for (std::size_t column = 0; column < s.x.values.size(); ++column) {
      const Tally& t = s.at(static_cast<int>(column), static_cast<int>(row));
      out += fmt::format("{:.12g},{:.12g},{},{},{}\n", s.x.values[column], s.y.values[row], t.passes, t.fails, t.unsure);
    }
  }
  return out;
}

namespace {

constexpr int kCellPixels = 16, kLeft = 96, kTop = 44, kBelow = 92;

// One cell: passes a filled square, fails a thin stroke, unsure a diamond half filled.
std::string cell_svg(Cell cell, double x, double y) {
  const double c = kCellPixels, m = c / 2;
  switch (cell) {
    case Cell::pass: return fmt::format("<rect class=\"p\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>\n", x + 1, y + 1, c - 2, c - 2);
    case Cell::fail: return fmt::format("<path class=\"f\" d=\"M{} {}L{} {}\"/>\n", x + 4, y + c - 4, x + c - 4, y + 4);
    case Cell::unsure:
      return fmt::format("<path class=\"u\" d=\"M{0} {1}L{2} {3}L{0} {4}L{5} {3}Z\"/><path class=\"h\" d=\"M{0} {1}L{0} {4}L{5} {3}Z\"/>\n", x + m,
                         y + 2, x + c - 2, y + m, y + c - 2, x + 2);
    case Cell::none: break;
  }
  return "";
}

}  // namespace

std::string svg(const Shmoo& s) {
  const int columns = static_cast<int>(s.x.values.size()), rows = static_cast<int>(s.y.values.size());
  const int wide = kLeft + columns * kCellPixels + 40, high = kTop + rows * kCellPixels + kBelow;
  auto x_of = [](double column) { return kLeft + column * kCellPixels; };
  auto y_of = [rows](double row) { return kTop + (rows - 1 - row) * kCellPixels; };
  const int width = std::max(wide, 560);
  std::string out = fmt::format(
      "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {0} {1}\" width=\"{0}\" height=\"{1}\" font-family=\"sans-serif\" font-size=\"11\">\n"
      "<title>{2}</title>\n<style>.p{{fill:#2b7a78}}.f{{stroke:#b4532a;stroke-width:2}}.u{{fill:#f3e9d2;stroke:#6b4c9a;stroke-width:1.5}}"
      ".h{{fill:#6b4c9a}}.o{{fill:none;stroke:#b4532a;stroke-width:2;stroke-dasharray:4 2}}.l{{stroke:#222;stroke-width:1.5;stroke-dasharray:6 3}}"
      ".a{{stroke:#555;fill:none}}text{{fill:#222}}</style>\n<rect width=\"{0}\" height=\"{1}\" fill=\"#fffdf8\"/>\n"
      "<text x=\"12\" y=\"24\" font-size=\"14\" font-weight=\"bold\">{2}</text>\n",
      width, high, xml(s.title));
  for (int row = 0; row < rows; ++row) {
    for (int column = 0; column < columns; ++column) out += cell_svg(cell_of(s.at(column, row)), x_of(column), y_of(row));
  }
  out += fmt::format("<path class=\"a\" d=\"M{0} {1}L{0} {2}L{3} {2}\"/>\n", kLeft - 2, kTop - 2, y_of(0) + kCellPixels + 2, x_of(columns));
  const int every_row = std::max(1, rows / 8), every_column = std::max(5, (columns + 7) / 8);  // so that labels do not meet
  for (int row = 0; row < rows; row += every_row) {
    out += fmt::format("<text x=\"{}\" y=\"{}\" text-anchor=\"end\">{}</text>\n", kLeft - 8, y_of(row) + 12, xml(number(s.y.values[static_cast<std::size_t>(row)], s.y)));
  }
  for (int column = 0; column < columns; column += every_column) {
    out += fmt::format("<text x=\"{0}\" y=\"{1}\" text-anchor=\"middle\">{2}</text><path class=\"a\" d=\"M{0} {3}v5\"/>\n", x_of(column) + kCellPixels / 2,
                       y_of(0) + kCellPixels + 20, xml(number(s.x.values[static_cast<std::size_t>(column)], s.x)), y_of(0) + kCellPixels + 2);
  }
  out += fmt::format("<text x=\"{}\" y=\"{}\" text-anchor=\"end\" font-style=\"italic\">{}</text>\n", kLeft - 8, kTop - 8, xml(s.y.name));
  out += fmt::format("<text x=\"{}\" y=\"{}\" font-style=\"italic\">{}</text>\n", kLeft, y_of(0) + kCellPixels + 38, xml(s.x.name));
  for (const auto& region : holes_of(s)) {
    // Outlined cell by cell where the neighbour does not belong to it.
    const std::set<Place> inside(region.begin(), region.end());
    for (const Place& p : region) {
      const double x = x_of(p.column), y = y_of(p.row), c = kCellPixels;
      if (!inside.count({p.column - 1, p.row})) out += fmt::format("<path class=\"o\" d=\"M{} {}v{}\"/>\n", x, y, c);
      if (!inside.count({p.column + 1, p.row})) out += fmt::format("<path class=\"o\" d=\"M{} {}v{}\"/>\n", x + c, y, c);
      if (!inside.count({p.column, p.row + 1})) out += fmt::format("<path class=\"o\" d=\"M{} {}h{}\"/>\n", x, y, c);
      if (!inside.count({p.column, p.row - 1})) out += fmt::format("<path class=\"o\" d=\"M{} {}h{}\"/>\n", x, y + c, c);
    }
  }
  if (const auto at = limit_index(s.x)) out += fmt::format("<path class=\"l\" d=\"M{0} {1}V{2}\"/>\n", x_of(*at), kTop - 6, y_of(0) + kCellPixels);
  if (const auto at = limit_index(s.y)) out += fmt::format("<path class=\"l\" d=\"M{} {}H{}\"/>\n", kLeft, y_of(*at) + kCellPixels, x_of(columns) + 6);
  const int base = high - 26;
  int x = 12;
  for (const auto& [cell, word] : {std::pair{Cell::pass, "passes"}, std::pair{Cell::fail, "fails"}, std::pair{Cell::unsure, "unsure"}}) {
    out += cell_svg(cell, x, base);
    out += fmt::format("<text x=\"{}\" y=\"{}\">{}</text>\n", x + 22, base + 12, word);
    x += 90;
  }
  if (!holes_of(s).empty()) {
    out += fmt::format("<rect class=\"o\" x=\"{}\" y=\"{}\" width=\"16\" height=\"16\"/><text x=\"{}\" y=\"{}\">a hole</text>\n", x, base, x + 22, base + 12);
    x += 90;
  }
  if (s.x.limit || s.y.limit) out += fmt::format("<path class=\"l\" d=\"M{0} {1}h16\"/><text x=\"{2}\" y=\"{3}\">limit of the board file</text>\n", x, base + 8, x + 22, base + 12);
  return out + "</svg>\n";
}

}  // namespace tenterhook::timing
