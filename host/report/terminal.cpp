#include "host/report/terminal.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "host/report/big_word.h"
#include "host/report/repeats_text.h"
#include "host/report/timing_text.h"

namespace tenterhook::report {
namespace {

using files::Bit;
using measure::Reading;
using measure::Verdict;

constexpr const char* kClearLine = "\r\x1b[2K";
constexpr int kIndent = 7;
constexpr int kStepsShown = 12;

std::string repeated(const char* text, int times) {
  std::string all;
  for (int i = 0; i < times; ++i) all += text;
  return all;
}

std::string plus_minus(const Screen& screen) {
  return screen.unicode ? "±" : "+-";
}
std::string dot(const Screen& screen) {
  return screen.unicode ? " · " : " - ";
}

std::string centred(const std::string& text, int width) {
  const int left = std::max(0, (width - columns(text)) / 2);
  return padded(std::string(static_cast<std::size_t>(left), ' ') + text, width);
}

std::string heading(const std::string& text, const Screen& screen) {
  return "\n" + screen.paint(Paint::strong, text) + "\n";
}

std::string window_text(const files::Window& window) {
  if (!std::isfinite(window.min.value) && !std::isfinite(window.max.value)) return "any";
  if (!std::isfinite(window.min.value)) return volts_text(window.max.value) + " or less";
  if (!std::isfinite(window.max.value)) return volts_text(window.min.value) + " or more";
  return volts_text(window.min.value) + " to " + volts_text(window.max.value);
}

// "[0]" wrong, "(?)" undecided, "[~]" between the levels, " 1 " right.
std::string measured_cell(const Reading& r, const LineWindows& windows) {
  const Bit bit = measured_bit(r, windows);
  if (r.verdict == Verdict::unsure) return "(?)";
  if (r.verdict != Verdict::fail) return fmt::format(" {} ", bit_letter(bit));
  return bit == Bit::any ? "[~]" : fmt::format("[{}]", bit_letter(bit));
}

bool stands_out(const Reading& r) {
  return r.verdict == Verdict::fail || r.verdict == Verdict::unsure;
}

// "FAIL   step 6 · acceptance.vectors.yaml:7 · ..." as one line.
std::string title_of(const record::StepRecord& step, bool failed, const std::string& remark,
                     const Screen& screen) {
  std::string title = fmt::format("step {}{}{}", step.index, dot(screen), step.source);
  if (!remark.empty()) title += dot(screen) + remark;
  return screen.paint(failed ? Paint::fail : Paint::unsure, failed ? "FAIL   " : "UNSURE ") +
         cut(title, screen.width - kIndent) + "\n";
}

// One block of the step's lines, as many as fit side by side.
std::string step_block(const std::vector<const Reading*>& readings, int cell,
                       const std::map<std::string, LineWindows>& windows, const Screen& screen) {
  const std::string margin(kIndent, ' ');
  std::string names = margin + padded("", 10), expected = margin + padded("expected", 10),
              measured = margin + padded("measured", 10), volts = margin + padded("volts", 10);
  static const LineWindows kUnknown;
  for (const Reading* r : readings) {
    const auto known = windows.find(r->line);
    const LineWindows& w = known == windows.end() ? kUnknown : known->second;
    const Paint paint = r->verdict == Verdict::fail     ? Paint::fail
                        : r->verdict == Verdict::unsure ? Paint::unsure
                                                        : Paint::none;
    names += screen.paint(paint, centred(r->line, cell));
    expected += centred(std::string(1, bit_letter(r->expected)), cell);
    measured += screen.paint(paint, centred(measured_cell(*r, w), cell));
    volts += screen.paint(paint, centred(volts_text(r->volts.value), cell));
  }
  std::string text;
  for (std::string* row : {&names, &expected, &measured, &volts}) {
    while (!row->empty() && row->back() == ' ') row->pop_back();
    text += *row + "\n";
  }
  return text;
}

std::string side_cells(const std::optional<record::LevelRecord::Side>& side, bool with_u) {
  if (!side) return padded_left("none seen", with_u ? 22 : 16);
  return padded_left(volts_text(side->min_v), 8) + padded_left(volts_text(side->max_v), 8) +
         (with_u ? padded_left(fmt::format("{:.2f}", side->U_v), 6) : "");
}

std::string margin_cell(const std::optional<double>& margin) {
  return padded_left(margin ? fmt::format("{:+.1f}", *margin) : "-", 8);
}

std::string finding_text(const LineFinding& f, const Screen& screen, int name_width) {
  const bool wrong = f.wrong > 0;
  const Reading& r = f.reading;
  const int indent = name_width + 4;
  const std::string margin(static_cast<std::size_t>(indent), ' ');
  const std::string name =
      screen.paint(wrong ? Paint::fail : Paint::unsure, "  " + padded(f.line, name_width + 2));
  const std::string volts =
      fmt::format("expected {}, measured {} {} {:.2f} V; a {} lies in {} V", bit_letter(r.expected),
                  volts_text(r.volts.value), plus_minus(screen), r.U.value, bit_letter(r.expected),
                  window_text(r.window));
  std::string text = name + wrapped(volts, screen.width, indent) + "\n";
  const std::string count = wrong ? fmt::format("wrong in {} of {} readings, first in step {} ({})",
                                                f.wrong, f.judged, f.step, f.source)
                                  : fmt::format(
                                        "undecided in {} of {} readings, first in step {} "
                                        "({})",
                                        f.unsure, f.judged, f.step, f.source);
  text += margin + wrapped(count, screen.width, indent) + "\n";
  if (wrong && f.pattern.rfind("wrong in", 0) != 0) {
    text += margin + wrapped(f.pattern, screen.width, indent) + "\n";
  }
  return text;
}

std::string rails_table(const record::RunRecord& run, const Screen& screen) {
  if (run.power.rails.empty()) return "";
  std::string text = heading("Rails", screen);
  for (const record::RailRecord& r : run.power.rails) {
    const bool inside = r.measured_v >= r.window_min_v && r.measured_v <= r.window_max_v;
    const std::string window = volts_text(r.window_min_v) + " to " + volts_text(r.window_max_v);
    text += fmt::format("  {}{} V {} {:.2f}  in {} {} A{}\n", padded(r.rail, 7),
                        padded_left(volts_text(r.measured_v), 7), plus_minus(screen), r.U_v,
                        padded(window + " V", 16), padded_left(fmt::format("{:.3f}", r.amps), 6),
                        inside ? "" : screen.paint(Paint::fail, " !"));
  }
  if (run.power.warm_up_s) {
    text += "  warm after " + duration_text(*run.power.warm_up_s) + "\n";
  }
  return text;
}

std::string times_text(const record::RunRecord& run) {
  const record::Times& t = run.time;
  const record::CountsOf n = record::counts_of(run);
  if (n.steps == 0) return "";
  return fmt::format(
      "{} steps in {:.2f} s: relays {:.2f}, settling {:.2f}, converting {:.2f}, pulses {:.2f}, "
      "overhead {:.3f}; prepared in {}",
      n.steps, t.total_s, t.relay_s, t.settle_s, t.convert_s, t.pulse_s, t.overhead_s,
      duration_text(t.prepare_s));
}

std::string bulleted(const std::vector<std::string>& texts, const Screen& screen) {
  std::string out;
  for (const std::string& text : texts) out += "  - " + wrapped(text, screen.width, 4) + "\n";
  return out;
}

std::string identity(const record::RunRecord& run, const Screen& screen) {
  std::string text =
      fmt::format("run {}{}{}{}{}\n", run.number, dot(screen), run.uid, dot(screen), run.started);
  std::string fixture = run.fixture;
  if (!run.fixture_serial.empty()) fixture += " " + run.fixture_serial;
  if (!run.firmware_build.empty()) fixture += ", firmware " + run.firmware_build;
  if (!run.calibration.empty()) fixture += ", calibration " + run.calibration;
  text += wrapped("fixture " + fixture, screen.width, 0) + "\n";
  if (run.seed) text += fmt::format("emulated board, seed {}\n", *run.seed);
  for (const std::string& fault : run.faults) text += "fault given: " + fault + "\n";
  if (!run.notes.empty()) text += wrapped("notes: " + run.notes, screen.width, 0) + "\n";
  return text;
}

}  // namespace

Paint paint_of(const record::RunRecord& run) {
  const std::string word = verdict_headline(run);
  return word == "PASS"     ? Paint::pass
         : word == "FAIL"   ? Paint::fail
         : word == "UNSURE" ? Paint::unsure
         : word == "STOP"   ? Paint::stop
                            : Paint::strong;
}

std::string duration_text(double seconds) {
  if (!std::isfinite(seconds) || seconds < 0) return "?";
  if (seconds < 9.95) return fmt::format("{:.1f} s", seconds);
  const long whole = std::lround(seconds);
  if (whole < 60) return fmt::format("{} s", whole);
  if (whole < 3600) return fmt::format("{} min {} s", whole / 60, whole % 60);
  return fmt::format("{} h {} min", whole / 3600, whole % 3600 / 60);
}

std::string progress_line(const Progress& now, const Screen& screen) {
  constexpr int kBarMax = 24;
  constexpr int kBarMin = 8;
  std::string left = now.phase;
  std::string right;
  if (now.total > 0 && now.share) {
    right = fmt::format(" {:>3} %", 100 * now.done / now.total);
  } else if (now.total > 0) {
    right = fmt::format(
        " {} of {}",
        padded_left(std::to_string(now.done), static_cast<int>(std::to_string(now.total).size())),
        now.total);
  }
  if (now.wrong > 0) right += fmt::format(", {} wrong", now.wrong);
  if (now.unsure > 0) right += fmt::format(", {} unsure", now.unsure);
  if (now.left_s >= 0) right += ", " + duration_text(std::ceil(now.left_s)) + " left";
  // One column stays free: writing the last one makes some terminals wrap.
  const int room = screen.width - 1;
  std::string bar;
  if (now.total > 0) {
    const int free = room - columns(left) - columns(right) - 3;
    const int width = std::clamp(free / 2, kBarMin, kBarMax);
    const int full = static_cast<int>(
        std::lround(static_cast<double>(width) * std::clamp(now.done, 0, now.total) / now.total));
    bar = screen.unicode ? " ╞" + repeated("═", full) + repeated("┈", width - full) + "╡"
                         : " [" + repeated("=", full) + repeated(".", width - full) + "]";
  }
  std::string line = left + bar + right;
  if (!now.doing.empty()) {
    const int rest = room - columns(line) - 3;
    if (rest >= 8) line += dot(screen) + cut(now.doing, rest);
  }
  return cut(line, room);
}

std::string LiveView::opening(const record::RunRecord& run) const {
  std::string text = screen_.paint(Paint::strong, run.board);
  if (!run.board_serial.empty()) text += " " + run.board_serial;
  if (!run.vectors.empty()) text += dot(screen_) + run.vectors;
  if (run.steps_planned > 0) text += fmt::format("{}{} steps", dot(screen_), run.steps_planned);
  text += dot(screen_) + "fixture " + run.fixture;
  return text + "\n";
}

std::string LiveView::progress(const Progress& now) {
  if (!screen_.terminal) return "";
  drawn_ = true;
  return kClearLine + progress_line(now, screen_);
}

std::string LiveView::clear() {
  if (!drawn_) return "";
  drawn_ = false;
  return kClearLine;
}

std::string LiveView::step(const record::StepRecord& step) {
  constexpr int kToldInFull = 2;
  learn_windows(windows_, step);
  std::string lines;
  bool failed = false;
  for (const Reading& r : step.readings) {
    if (!stands_out(r)) continue;
    lines += " " + r.line;
    failed |= r.verdict == Verdict::fail;
  }
  if (lines.empty()) return "";
  if (++told_[lines] <= kToldInFull) return clear() + step_rows(step, windows_, screen_) + "\n";
  return clear() + title_of(step, failed, "again" + lines, screen_);
}

std::string step_rows(const record::StepRecord& step,
                      const std::map<std::string, LineWindows>& windows, const Screen& screen) {
  const bool failed = std::any_of(step.readings.begin(), step.readings.end(),
                                  [](const Reading& r) { return r.verdict == Verdict::fail; });
  std::string text = title_of(step, failed, step.say, screen);
  std::string given;
  if (!step.set.empty()) given = "set " + sets_text(step.set);
  if (!step.pulse.empty())
    given += (given.empty() ? "pulse " : ", pulse ") + pulses_text(step.pulse);
  const std::string margin(kIndent, ' ');
  if (!given.empty()) text += margin + wrapped(given, screen.width, kIndent) + "\n";

  std::vector<const Reading*> judged;
  int cell = 7;
  for (const Reading& r : step.readings) {
    if (r.verdict == Verdict::none) continue;
    judged.push_back(&r);
    cell = std::max(cell, columns(r.line) + 2);
  }
  const auto fit = static_cast<std::size_t>(std::max(1, (screen.width - kIndent - 10) / cell));
  for (std::size_t at = 0; at < judged.size(); at += fit) {
    const std::vector<const Reading*> block(
        judged.begin() + static_cast<long>(at),
        judged.begin() + static_cast<long>(std::min(at + fit, judged.size())));
    // On a wide board only the blocks in which something is wrong are worth their rows.
    if (std::none_of(block.begin(), block.end(), [](const Reading* r) { return stands_out(*r); })) {
      continue;
    }
    text += step_block(block, cell, windows, screen);
  }
  return text;
}

std::string levels_table(const record::RunRecord& run, const Screen& screen) {
  if (run.levels.empty()) return "";
  int name = 6;
  for (const record::LevelRecord& level : run.levels)
    name = std::max(name, columns(level.line) + 1);
  std::string text = heading("Levels in volts, and margins to the worst receiver", screen);
  const int half_width = 22;
  const bool with_u = screen.width >= 2 + name + 2 * half_width + 16;
  const auto group = [with_u](const char* word) {
    return with_u ? padded("  " + centred(word, 14), 22) : "  " + centred(word, 14);
  };
  const std::string head =
      "  " + padded("", name) + group("low") + group("high") + padded_left("margin", 13);
  text += screen.paint(Paint::quiet, head) + "\n";
  const std::string half = padded_left("least", 8) + padded_left("most", 8) +
                           (with_u ? padded_left(screen.unicode ? "±U" : "+-U", 6) : "");
  text += screen.paint(Paint::quiet, "  " + padded("line", name) + half + half +
                                         padded_left("low", 8) + padded_left("high", 8)) +
          "\n";
  for (const record::LevelRecord& level : run.levels) {
    const double worst =
        std::min(level.margin_low_v.value_or(1e9), level.margin_high_v.value_or(1e9));
    std::string row = "  " + padded(level.line, name) + side_cells(level.low, with_u) +
                      side_cells(level.high, with_u) + margin_cell(level.margin_low_v) +
                      margin_cell(level.margin_high_v);
    if (worst < 0) row += screen.paint(Paint::fail, " NONE");
    text += row + "\n";
  }
  return text;
}

std::string closing(const record::RunRecord& run, const Screen& screen, const std::string& since) {
  std::string text;
  const std::vector<LineFinding> findings = find_lines(run);
  if (!findings.empty()) {
    int name = 4;
    for (const LineFinding& f : findings) name = std::max(name, columns(f.line));
    bool wrong = false, unsure = false;
    for (const LineFinding& f : findings) (f.wrong > 0 ? wrong : unsure) = true;
    text += heading(!wrong   ? "Undecided lines"
                    : unsure ? "Failing and undecided lines"
                             : "Failing lines",
                    screen);
    for (const LineFinding& f : findings) text += finding_text(f, screen, name);
  }
  text += repeats_text(run, screen);
  text += timing_text(run, screen);
  text += levels_table(run, screen);
  text += rails_table(run, screen);
  if (const std::string times = times_text(run); !times.empty()) {
    text += heading("Time", screen) + "  " + wrapped(times, screen.width, 2) + "\n";
  }
  if (!run.warnings.empty()) {
    text += heading("Warnings", screen) + bulleted(run.warnings, screen);
  }
  if (const auto care = cautions(run); !care.empty()) {
    text += heading("Caution", screen) + bulleted(care, screen);
  }
  // Last, where the eye is and where a small window still shows it.
  const std::string word = verdict_headline(run);
  text += "\n" + (screen.terminal ? big_word(word, paint_of(run), screen) : word) + "\n";
  text += wrapped(verdict_sentence(run), screen.width, 0) + "\n";
  if (!since.empty()) text += wrapped(since, screen.width, 0) + "\n";
  return text + heading("Next", screen) + bulleted(next_actions(run), screen);
}

std::string quiet_line(const record::RunRecord& run) {
  const record::CountsOf n = record::counts_of(run);
  std::string text = fmt::format("{}  run {}  {}", verdict_headline(run), run.number, run.board);
  if (!run.board_serial.empty()) text += " " + run.board_serial;
  if (run.aborted) {
    const std::string where = run.aborted->where.empty() ? "" : " at " + run.aborted->where;
    text += fmt::format("  {}{}, blame: {}", run.aborted->cause, where, run.aborted->blame);
    return text + "\n";
  }
  if (!run.complete) return text + fmt::format("  cut short after {} steps\n", n.steps);
  if (n.fail > 0) {
    text += fmt::format("  {} of {} readings wrong:", n.fail, n.readings);
  } else if (n.unsure > 0) {
    text += fmt::format("  {} of {} readings unsure:", n.unsure, n.readings);
  } else {
    return text + fmt::format("  {} readings in {} steps\n", n.readings, n.steps);
  }
  for (const LineFinding& f : find_lines(run)) {
    if ((f.wrong > 0) == (n.fail > 0)) text += " " + f.line;
  }
  return text + "\n";
}

std::string whole_run(const record::RunRecord& run, const Screen& screen) {
  LiveView view(screen);
  std::string text = view.opening(run) + identity(run, screen) + "\n";
  // All windows first: the earliest steps can then tell a 0 from a level in between.
  for (const record::StepRecord& step : run.steps) view.learn(step);
  int shown = 0, hidden = 0;
  for (const record::StepRecord& step : run.steps) {
    const std::string rows = view.step(step);
    if (rows.empty()) continue;
    if (shown < kStepsShown) {
      text += rows;
      ++shown;
    } else {
      ++hidden;
    }
  }
  if (hidden > 0)
    text += fmt::format("       and {} more such steps (--json has them all)\n", hidden);
  return text + closing(run, screen);
}

std::string explanation(const record::RunRecord& run, const std::string& line,
                        const Screen& screen) {
  std::string rows;
  int found = 0;
  for (const record::StepRecord& step : run.steps) {
    for (const Reading& r : step.readings) {
      if (r.line != line) continue;
      ++found;
      const double mean = r.counts.n > 0 ? static_cast<double>(r.counts.sum) / r.counts.n : 0.0;
      const double spread =
          r.counts.n > 1 ? (static_cast<double>(r.counts.sum_of_squares) - mean * r.counts.sum) /
                               (r.counts.n - 1)
                         : 0.0;
      rows += fmt::format(
          "  {:>4} {:>4} {:>9.3f} {:>7.3f} {:>7.3f} {:>7} {:>4} {:>9.2f} {:>6.2f}  {}\n",
          step.index, bit_letter(r.expected), r.volts.value, r.U.value, r.p,
          r.dof > 0 ? fmt::format("{:.0f}", r.dof) : "inf", r.counts.n, mean,
          std::sqrt(std::max(0.0, spread)), record::verdict_word(r.verdict));
      if (!r.why.empty()) rows += "       " + wrapped(r.why, screen.width, 7) + "\n";
    }
  }
  if (found == 0) return "";
  std::string text = screen.paint(Paint::strong, "How " + line + " was measured") +
                     fmt::format(" in run {}\n", run.number);
  text += fmt::format("  calibration {}; fixture {} {}\n", run.calibration, run.fixture,
                      run.fixture_serial);
  text += "  " +
          wrapped(
              "U is expanded, 95 %; p is the chance that the true volts lie inside the "
              "window; n, mean and s are the ADC's conversions in counts: how many, "
              "their mean and their spread",
              screen.width, 2) +
          "\n\n";
  text += screen.paint(
              Paint::quiet,
              fmt::format("  {:>4} {:>4} {:>9} {:>7} {:>7} {:>7} {:>4} {:>9} {:>6}  {}", "step",
                          "exp", "volts", "U", "p", "dof", "n", "mean", "s", "verdict")) +
          "\n";
  return text + rows;
}

}  // namespace tenterhook::report
