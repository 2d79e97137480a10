// A run on a screen of text: while it goes on, and when it is over. Returns text; writes nothing.
#pragma once

#include <map>
#include <string>

#include "host/record/run.h"
#include "host/report/findings.h"
#include "host/report/screen.h"

namespace tenterhook::report {

struct Progress {
  std::string phase;  // "contacts", "power up", "warm-up", "vectors", "power down"
  int done = 0;       // of total; a total of 0 shows no bar
  int total = 0;
  bool share = false;         // done of total is a share, told in per cent
  double left_s = -1.0;       // time left; negative when unknown
  std::string doing;          // what is being done: "F=1010 SKIP=0, PICK"
  int wrong = 0, unsure = 0;  // readings so far
};

// The run as it happens. On a terminal one live line is redrawn in place; every returned text
// starts by clearing it, so that whole lines and the live line can be mixed freely. Elsewhere the
// live line is left out and only failing steps are told.
class LiveView {
 public:
  explicit LiveView(const Screen& screen) : screen_(screen) {}

  // Board, vectors, fixture and what is about to happen.
  std::string opening(const record::RunRecord& run) const;
  // "" when not a terminal.
  std::string progress(const Progress& now);
  // The step as a row of lines, expected beside measured, when something in it failed or is
  // unsure; else "". When the same lines have been told twice, one line says it again: a stuck
  // output must not bury the rest.
  std::string step(const record::StepRecord& step);
  // Only remembers the step's windows, for steps that are told later.
  void learn(const record::StepRecord& step) { learn_windows(windows_, step); }
  // Takes the live line away.
  std::string clear();

 private:
  Screen screen_;
  bool drawn_ = false;
  std::map<std::string, LineWindows> windows_;
  std::map<std::string, int> told_;  // lines that stood out together -> times told in full
};

// "vectors ╞══════┈┈┈┈╡ 23 of 70 ..." in exactly the screen's width or less.
std::string progress_line(const Progress& now, const Screen& screen);

// One failing or unsure step. `windows` tells what the other level would have looked like.
std::string step_rows(const record::StepRecord& step,
                      const std::map<std::string, LineWindows>& windows, const Screen& screen);

std::string levels_table(const record::RunRecord& run, const Screen& screen);

// The end of a run: failing lines with volts and window, levels, rails, times, warnings, cautions,
// and last the verdict, large, with the next action.
// `since`: what changed since the last run, under the verdict; empty: not said.
std::string closing(const record::RunRecord& run, const Screen& screen, const std::string& since = "");
// One line: "FAIL  run 17  shed-latch 003  8 of 560 readings wrong: Q1 Qn1".
std::string quiet_line(const record::RunRecord& run);

// `show RUN`: identity, failing steps, then closing().
std::string whole_run(const record::RunRecord& run, const Screen& screen);
// `show RUN --explain LINE`: every reading of the line with what the record holds on how it was
// made and judged. Empty when the run has no such line.
std::string explanation(const record::RunRecord& run, const std::string& line,
                        const Screen& screen);

Paint paint_of(const record::RunRecord& run);
std::string duration_text(double seconds);  // "0.2 s", "40 s", "3 min 20 s", "2 h 5 min"

}  // namespace tenterhook::report
