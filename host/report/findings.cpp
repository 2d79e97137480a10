#include "host/report/findings.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cmath>
#include <set>

namespace tenterhook::report {
namespace {

using files::Bit;
using measure::Reading;
using measure::Verdict;

// Everything about one line that the sentences need.
struct Tally {
  int judged = 0, wrong = 0, unsure = 0;
  int showed_zero = 0, showed_one = 0, between = 0;
  int wrong_expecting_one = 0;
  double worst_out_v = 0.0;
  const Reading* worst = nullptr;
  const Reading* first_wrong = nullptr;
  const Reading* first_unsure = nullptr;
  const record::StepRecord* wrong_step = nullptr;
  const record::StepRecord* unsure_step = nullptr;
};

// How far the volts lie outside the window; negative inside.
double out_of(const Reading& r) {
  return std::max(r.window.min.value - r.volts.value, r.volts.value - r.window.max.value);
}

void add(Tally& tally, const Reading& r, const record::StepRecord& step,
         const LineWindows& windows) {
  ++tally.judged;
  switch (measured_bit(r, windows)) {
    case Bit::zero:
      ++tally.showed_zero;
      break;
    case Bit::one:
      ++tally.showed_one;
      break;
    default:
      ++tally.between;
      break;
  }
  if (r.verdict == Verdict::fail) {
    ++tally.wrong;
    if (r.expected == Bit::one) ++tally.wrong_expecting_one;
    if (tally.first_wrong == nullptr) {
      tally.first_wrong = &r;
      tally.wrong_step = &step;
    }
    if (tally.worst == nullptr || out_of(r) > tally.worst_out_v) {
      tally.worst = &r;
      tally.worst_out_v = out_of(r);
    }
  } else if (r.verdict == Verdict::unsure) {
    ++tally.unsure;
    if (tally.first_unsure == nullptr) {
      tally.first_unsure = &r;
      tally.unsure_step = &step;
    }
  }
}

std::string pattern_of(const Tally& t) {
  if (t.wrong == 0) return fmt::format("undecided in {} of {} readings", t.unsure, t.judged);
  if (t.showed_zero == t.judged && t.judged > 1) return "stays at 0 in every step";
  if (t.showed_one == t.judged && t.judged > 1) return "stays at 1 in every step";
  if (t.wrong == t.judged && t.between == 0 && t.showed_zero > 0 && t.showed_one > 0) {
    return "shows the opposite in every step";
  }
  if (t.between >= t.wrong && t.worst != nullptr) {
    const bool below = t.worst->volts < t.worst->window.min;
    return fmt::format("its {} is too {}: {} V {} the window at worst",
                       t.wrong_expecting_one == t.wrong ? '1'
                       : t.wrong_expecting_one == 0     ? '0'
                                                        : '?',
                       below ? "low" : "high", volts_text(t.worst_out_v),
                       below ? "below" : "above");
  }
  return fmt::format("wrong in {} of {} readings", t.wrong, t.judged);
}

std::string next_of(const std::string& line, const Tally& t, long run) {
  if (t.wrong == 0) {
    if (t.first_unsure != nullptr && !t.first_unsure->why.empty()) return t.first_unsure->why;
    return "repeat the run: the readings lie within their uncertainty of the window's edge";
  }
  const int step = t.wrong_step->index;
  const std::string hold = fmt::format("`tenterhook hold {}:{}`", run, step);
  if (t.showed_zero == t.judged || t.showed_one == t.judged) {
    return fmt::format(
        "hold the board at step {} ({}) and touch {} at the part that drives it: "
        "is it stuck there too?",
        step, hold, line);
  }
  if (t.wrong == t.judged && t.between == 0) {
    return fmt::format("check the wiring of {}: is its inverse connected in its place?", line);
  }
  if (t.between >= t.wrong) {
    return fmt::format(
        "hold the board at step {} ({}) and compare {} with a good line: a weak "
        "part or too much load",
        step, hold, line);
  }
  return fmt::format("`tenterhook diagnose {}` names the parts that would explain it", run);
}

std::string join(const std::vector<std::string>& words) {
  std::string text;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (i > 0) text += i + 1 == words.size() ? " and " : ", ";
    text += words[i];
  }
  return text;
}

std::string board_of(const record::RunRecord& run) {
  return run.board_serial.empty() ? run.board : run.board + " " + run.board_serial;
}

std::string plural(int n, const char* word) {
  return fmt::format("{} {}{}", n, word, n == 1 ? "" : "s");
}

std::string stopped_sentence(const record::RunRecord& run) {
  const record::Aborted& a = *run.aborted;
  std::string whose = a.blame == "board"    ? "the board's side"
                      : a.blame == "lead"   ? "a lead"
                      : a.blame == "link"   ? "the link"
                      : a.blame == "person" ? "the person"
                                            : "the fixture";
  std::string text = fmt::format("{} was stopped: {}", board_of(run), a.cause);
  if (!a.where.empty()) text += " at " + a.where;
  text += fmt::format(" ({}). The board is neither passed nor failed.", whose);
  if (!a.message.empty()) text += " " + a.message + ".";
  return text;
}

}  // namespace

char bit_letter(Bit bit) {
  return "01xz"[static_cast<int>(bit)];
}

void learn_windows(std::map<std::string, LineWindows>& windows, const record::StepRecord& step) {
  for (const Reading& r : step.readings) {
    if (r.expected == Bit::zero) windows[r.line].zero = r.window;
    if (r.expected == Bit::one) windows[r.line].one = r.window;
  }
}

Bit measured_bit(const Reading& r, const LineWindows& windows) {
  if (r.verdict == Verdict::pass) return r.expected;
  if (r.verdict != Verdict::fail) return Bit::any;
  const Bit other = r.expected == Bit::one ? Bit::zero : Bit::one;
  const std::optional<files::Window>& window = windows.of(other);
  return window && window->contains(r.volts) ? other : Bit::any;
}

std::vector<LineFinding> find_lines(const record::RunRecord& run) {
  std::map<std::string, LineWindows> windows;
  for (const record::StepRecord& step : run.steps) learn_windows(windows, step);
  std::map<std::string, Tally> tallies;
  std::vector<std::string> order;
  for (const record::StepRecord& step : run.steps) {
    for (const Reading& r : step.readings) {
      if (r.verdict == Verdict::none) continue;
      const auto [at, fresh] = tallies.try_emplace(r.line);
      if (fresh) order.push_back(r.line);
      add(at->second, r, step, windows[r.line]);
    }
  }
  std::vector<LineFinding> findings;
  for (const bool failing : {true, false}) {
    for (const std::string& line : order) {
      const Tally& t = tallies[line];
      if ((t.wrong > 0) != failing || (t.wrong == 0 && t.unsure == 0)) continue;
      LineFinding& f = findings.emplace_back();
      f.line = line;
      f.judged = t.judged;
      f.wrong = t.wrong;
      f.unsure = t.unsure;
      const record::StepRecord* step = failing ? t.wrong_step : t.unsure_step;
      f.step = step->index;
      f.source = step->source;
      f.reading = failing ? *t.first_wrong : *t.first_unsure;
      f.worst_v = (t.worst != nullptr ? *t.worst : f.reading).volts.value;
      f.pattern = pattern_of(t);
      f.next = next_of(line, t, run.number);
    }
  }
  return findings;
}

std::string verdict_headline(const record::RunRecord& run) {
  if (run.state == record::RunState::going) return "GOING";
  if (run.aborted || !run.complete) return "STOP";
  switch (run.verdict) {
    case Verdict::pass:
      return "PASS";
    case Verdict::fail:
      return "FAIL";
    case Verdict::unsure:
      return "UNSURE";
    case Verdict::none:
      return "DONE";
  }
  return "DONE";
}

std::string verdict_sentence(const record::RunRecord& run) {
  const record::CountsOf n = record::counts_of(run);
  if (run.aborted) return stopped_sentence(run);
  if (run.state == record::RunState::going) {
    return fmt::format("The run of {} is still going: {} of {} are recorded.", board_of(run),
                       plural(n.steps, "step"), run.steps_planned);
  }
  if (!run.complete && run.state == record::RunState::unknown && !run.host.empty()) {
    return fmt::format(
        "The run of {} has no end after {} of {}: it was cut short, unless it is still going on {}. The "
        "board is neither passed nor failed.",
        board_of(run), plural(n.steps, "step"), run.steps_planned, run.host);
  }
  if (!run.complete) {
    return fmt::format(
        "The run of {} was cut short after {} of {}. The board is neither passed "
        "nor failed.",
        board_of(run), plural(n.steps, "step"), run.steps_planned);
  }
  std::vector<std::string> wrong, unsure;
  for (const LineFinding& f : find_lines(run)) (f.wrong > 0 ? wrong : unsure).push_back(f.line);
  switch (run.verdict) {
    case Verdict::pass:
      return fmt::format("{} passes: all {} in {} lie inside their windows.", board_of(run),
                         plural(n.readings, "reading"), plural(n.steps, "step"));
    case Verdict::fail:
      return fmt::format("{} fails on {}: {} of {} outside the windows.", board_of(run),
                         join(wrong), n.fail, plural(n.readings, "reading"));
    case Verdict::unsure:
      return fmt::format(
          "{} is undecided on {}: {} of {} lie too near an edge to tell; nothing "
          "failed.",
          board_of(run), join(unsure), n.unsure, plural(n.readings, "reading"));
    case Verdict::none:
      break;
  }
  return fmt::format("{} was measured, not judged.", board_of(run));
}

std::vector<std::string> next_actions(const record::RunRecord& run) {
  std::vector<std::string> actions;
  if (run.aborted) {
    const std::string& blame = run.aborted->blame;
    if (blame == "board") {
      actions.push_back("with everything off, measure " + run.aborted->where +
                        " against ground: is it shorted or reversed?");
    } else if (blame == "lead") {
      actions.push_back("check the lead of " + run.aborted->where + ", then repeat the run");
    } else if (blame == "link") {
      actions.push_back("check the cable and its supply, then `tenterhook fixture list`");
    } else if (blame == "person") {
      actions.push_back("repeat the run when ready");
    } else {
      actions.push_back("`tenterhook fixture selftest`");
    }
    return actions;
  }
  if (run.state == record::RunState::going) return {"wait for its end"};
  if (!run.complete) return {"repeat the run; what was recorded before it stopped is kept"};
  for (const LineFinding& f : find_lines(run)) {
    if (f.wrong > 0 || run.verdict != Verdict::fail) actions.push_back(f.line + ": " + f.next);
  }
  if (actions.size() > 1 && run.verdict == Verdict::fail) {
    actions.insert(actions.begin(),
                   fmt::format("`tenterhook diagnose {}` names the parts that would explain all of "
                               "it",
                               run.number));
  }
  if (actions.empty()) {
    actions.push_back(
        run.verdict == Verdict::pass
            ? fmt::format("keep it as the reference: `tenterhook report {}`", run.number)
            : "nothing further");
  }
  return actions;
}

std::vector<std::string> cautions(const record::RunRecord& run) {
  std::vector<std::string> texts;
  if (run.power.discharged_below_v) {
    texts.push_back(
        fmt::format("Measured after switch-off: every rail below {} V. This is a "
                    "reading, not a promise: measure again before you touch.",
                    volts_text(*run.power.discharged_below_v)));
  } else if (!run.power.rails.empty()) {
    texts.push_back("No discharge of the rails was seen: take the board as charged.");
  }
  if (!run.power.rails.empty()) {
    texts.push_back(
        "Valve glass and heater wiring stay hot. Take off rings; never swap a valve "
        "live. The fixture is not a safety device; local codes and licensed practice "
        "rule.");
  }
  return texts;
}

std::string volts_text(double volts) {
  if (!std::isfinite(volts)) return "none";
  std::string text = fmt::format("{:.2f}", volts);
  // "-0.00" says less than "0.00".
  if (text.find_first_of("123456789") == std::string::npos && text[0] == '-') text.erase(0, 1);
  return text;
}

std::string seconds_text(double seconds) {
  if (!std::isfinite(seconds)) return "none";
  const double size = std::fabs(seconds);
  if (size >= 1.0 || seconds == 0.0) return fmt::format("{:.1f} s", seconds);
  const auto [scale, unit] = size >= 1e-3   ? std::pair{1e3, "ms"}
                             : size >= 1e-6 ? std::pair{1e6, "us"}
                                            : std::pair{1e9, "ns"};
  const double shown = seconds * scale;
  return fmt::format("{:.{}f} {}", shown, std::fabs(shown) < 10.0 ? 2 : std::fabs(shown) < 100.0 ? 1 : 0, unit);
}

std::string sets_text(const std::vector<std::pair<std::string, Bit>>& sets) {
  struct Name {
    std::string stem;
    int index = -1;
  };
  const auto split = [](const std::string& line) {
    std::size_t digits = line.size();
    while (digits > 0 && std::isdigit(static_cast<unsigned char>(line[digits - 1])) != 0) --digits;
    if (digits == 0 || digits == line.size() || line.size() - digits > 4) return Name{line, -1};
    return Name{line.substr(0, digits), std::stoi(line.substr(digits))};
  };
  std::string text;
  for (std::size_t i = 0; i < sets.size();) {
    const Name first = split(sets[i].first);
    std::string bits(1, bit_letter(sets[i].second));
    std::size_t next = i + 1;
    while (next < sets.size() && first.index >= 0) {
      const Name other = split(sets[next].first);
      if (other.stem != first.stem || other.index != first.index - static_cast<int>(next - i))
        break;
      bits += bit_letter(sets[next++].second);
    }
    // Only a whole bus, down to 0, is written by its stem.
    const bool whole = first.index > 0 && static_cast<int>(next - i) == first.index + 1;
    if (!whole) {
      bits.resize(1);
      next = i + 1;
    }
    if (!text.empty()) text += ' ';
    text += (whole ? first.stem : sets[i].first) + '=' + bits;
    i = next;
  }
  return text;
}

std::string pulses_text(const std::vector<std::pair<std::string, int>>& pulses) {
  std::vector<std::string> words;
  for (const auto& [line, count] : pulses) {
    words.push_back(count == 1 ? line : fmt::format("{} {} times", line, count));
  }
  return join(words);
}

}  // namespace tenterhook::report
