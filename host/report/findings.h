// What a run says about each line: where it is wrong, how, and what to do next. The one source
// for every rendering, so that terminal and page never disagree.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "host/record/run.h"

namespace tenterhook::report {

// The windows by which a line was judged when a 0 or a 1 was expected.
struct LineWindows {
  std::optional<files::Window> zero, one;
  const std::optional<files::Window>& of(files::Bit bit) const {
    return bit == files::Bit::one ? one : zero;
  }
};
// Adds what a step's readings tell.
void learn_windows(std::map<std::string, LineWindows>& windows, const record::StepRecord& step);

// What a reading shows: the expected bit when it passed, the other one when the volts lie in the
// other one's window, Bit::any when they lie in neither or cannot be decided.
files::Bit measured_bit(const measure::Reading& reading, const LineWindows& windows);

struct LineFinding {
  std::string line;
  int judged = 0, wrong = 0, unsure = 0;
  int step = -1;             // the first wrong step (the first unsure one when none is wrong)
  std::string source;        // of that step
  measure::Reading reading;  // of that step
  double worst_v = 0.0;      // the volts furthest out of its window
  std::string pattern;       // "stays at 0 in every step", "its 1 is too low", ...
  std::string next;          // one next action
};

// Lines that failed, then lines that are unsure, in the order of the record.
std::vector<LineFinding> find_lines(const record::RunRecord& run);

// Pass, fail and unsure in one sentence, with whose trouble it is when the run was stopped.
std::string verdict_sentence(const record::RunRecord& run);
// "PASS", "FAIL", "UNSURE", "STOP" for a run that was stopped or cut short, "DONE" when nothing was
// judged, "GOING" while its program still records.
std::string verdict_headline(const record::RunRecord& run);
// What to do now, most important first; at least one.
std::vector<std::string> next_actions(const record::RunRecord& run);
// Cautions that belong to the run: what was measured after switch-off, and what was not.
std::vector<std::string> cautions(const record::RunRecord& run);

// "24.63", "-0.04": hundredths, finer than any uncertainty that the fixture reaches.
std::string volts_text(double volts);
// "3.20 us", "41.5 ms", "12.3 s": three digits that mean something.
std::string seconds_text(double seconds);
// "F=1010 SKIP=0": lines of one bus (F3..F0, in that order) joined.
std::string sets_text(const std::vector<std::pair<std::string, files::Bit>>& sets);
// "PICK", "PICK 3 times"
std::string pulses_text(const std::vector<std::pair<std::string, int>>& pulses);
char bit_letter(files::Bit bit);

}  // namespace tenterhook::report
