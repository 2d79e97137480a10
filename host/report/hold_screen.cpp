#include "host/report/hold_screen.h"

#include <fmt/format.h>

#include <algorithm>

#include "host/report/findings.h"
#include "host/report/terminal.h"

namespace tenterhook::report {

namespace {

constexpr int kRowsAround = 9;  // title, held, rails, buses, two rules, head, message, keys
constexpr int kWindowColumn = 100;  // from this width on the windows are shown
constexpr int kWindowAt = 72;
constexpr int kSayColumn = 120;     // and from this one what the file says about the line

std::string kind_text(files::LineKind kind) {
  switch (kind) {
    case files::LineKind::input: return "in";
    case files::LineKind::output: return "out";
    case files::LineKind::both: return "both";
    case files::LineKind::clock: return "clock";
    case files::LineKind::probe: return "probe";
  }
  return "";
}

std::string bit_text(const std::optional<files::Bit>& bit) {
  return bit ? std::string(1, bit_letter(*bit)) : std::string(" ");
}

// A word, so that nobody has to tell colours apart.
std::string verdict_text(const HeldLine& line, const Screen& screen) {
  if (!line.reading || !line.expected) return "";
  switch (line.reading->verdict) {
    case measure::Verdict::pass: return screen.paint(Paint::pass, "as expected");
    case measure::Verdict::fail: return screen.paint(Paint::fail, "WRONG");
    case measure::Verdict::unsure: return screen.paint(Paint::unsure, "unsure");
    case measure::Verdict::none: return "not known";
  }
  return "";
}

std::string window_text(const HeldLine& line) {
  if (!line.reading || !line.expected || line.reading->verdict == measure::Verdict::none) return "";
  return fmt::format("{} to {} V", volts_text(line.reading->window.min.value), volts_text(line.reading->window.max.value));
}

std::string row(const HeldLine& line, bool chosen, const Screen& screen) {
  std::string volts = line.reading ? fmt::format("{:>7} V ±{}", volts_text(line.reading->volts.value), volts_text(line.reading->U.value)) : "";
  std::string note = verdict_text(line, screen);
  if (line.kind == files::LineKind::clock && line.pulses > 0) note = fmt::format("{} pulse{}", line.pulses, line.pulses == 1 ? "" : "s");
  std::string text = fmt::format("{} {} {} {:^5} {:^8} {} {}", chosen ? ">" : " ", padded(line.name, 12),
                                 padded(kind_text(line.kind), 5), bit_text(line.given), bit_text(line.expected),
                                 padded(volts, 18), note);
  if (screen.width >= kWindowColumn) text = padded(text, kWindowAt) + padded(window_text(line), 20);
  if (screen.width >= kSayColumn) text += line.say;
  return chosen ? screen.paint(Paint::strong, cut(text, screen.width)) : cut(text, screen.width);
}

std::string head(const Screen& screen) {
  const std::string text = fmt::format("  {} {} {:^5} {:^8} {} {}", padded("line", 12), padded("kind", 5), "given", "expected",
                                       padded("   measured", 18), "");
  return screen.width >= kWindowColumn ? padded(text, kWindowAt) + "window" : text;
}

std::string buses_text(const HeldScreen& held) {
  std::string text;
  for (const std::string& bus : held.buses) text += (text.empty() ? "" : "   ") + bus;
  return text;
}

std::string rails_text(const HeldScreen& held) {
  std::string text;
  for (const HeldRail& rail : held.rails) {
    text += fmt::format("{}{} {} V {} ", text.empty() ? "" : "  ", rail.name, volts_text(rail.volts), engineering(rail.amps, "A"));
  }
  return text.empty() ? "no rails" : text;
}

std::string rule(const Screen& screen) {
  std::string line;
  for (int i = 0; i < screen.width; ++i) line += screen.unicode ? "─" : "-";
  return line;
}

}  // namespace

std::string held_screen(const HeldScreen& held, const Screen& screen) {
  const int room = std::max(1, held.height - kRowsAround);
  const int count = static_cast<int>(held.lines.size());
  const int first = std::clamp(held.chosen - room / 2, 0, std::max(0, count - room));
  const std::string on = duration_text(held.on_s);
  std::string text = screen.paint(Paint::strong, cut(held.title, screen.width)) + "\n";
  text += cut(fmt::format("HELD {}, on for {}", held.at, on), screen.width) + "\n";
  text += cut(rails_text(held), screen.width) + "\n";
  if (!held.buses.empty()) text += cut(buses_text(held), screen.width) + "\n";
  text += rule(screen) + "\n" + cut(head(screen), screen.width) + "\n";
  for (int i = first; i < std::min(count, first + room); ++i) {
    text += row(held.lines[static_cast<std::size_t>(i)], i == held.chosen, screen) + "\n";
  }
  if (count > room) {
    text += cut(fmt::format("  lines {} to {} of {}", first + 1, std::min(count, first + room), count), screen.width) + "\n";
  } else {
    text += rule(screen) + "\n";
  }
  text += cut(held.message.empty() ? "hot glass, live rails: one hand, no rings" : held.message, screen.width) + "\n";
  text += cut(held.keys, screen.width);
  return text;
}

std::string held_table(const HeldScreen& held, const Screen& screen) {
  std::string text = fmt::format("HELD {}, on for {}\n{}\n{}\n", held.at, duration_text(held.on_s), rails_text(held), head(screen));
  for (const HeldLine& line : held.lines) text += row(line, false, screen) + "\n";
  if (!held.buses.empty()) text += buses_text(held) + "\n";
  if (!held.message.empty()) text += held.message + "\n";
  return text;
}

}  // namespace tenterhook::report
