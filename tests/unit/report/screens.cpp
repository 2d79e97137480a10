// Prints every screen of host/report for the eye: screens pass|fail|unsure|stop|live [width
// [html]].
#include <unistd.h>

#include <cstdlib>
#include <iostream>
#include <string>

#include "host/report/html.h"
#include "host/report/terminal.h"
#include "tests/unit/record/scenario.h"

namespace {

using namespace tenterhook;

void play(const record::RunRecord& run, const report::Screen& screen) {
  report::LiveView view(screen);
  std::cout << view.opening(run) << std::flush;
  report::Progress now;
  now.phase = "vectors";
  now.total = static_cast<int>(run.steps.size());
  for (const record::StepRecord& step : run.steps) {
    now.doing = report::sets_text(step.set) + ", " + report::pulses_text(step.pulse);
    now.left_s = 0.054 * (now.total - now.done);
    std::cout << view.progress(now) << std::flush;
    usleep(54000);
    for (const measure::Reading& r : step.readings) {
      now.wrong += r.verdict == measure::Verdict::fail ? 1 : 0;
      now.unsure += r.verdict == measure::Verdict::unsure ? 1 : 0;
    }
    std::cout << view.step(step);
    ++now.done;
  }
  std::cout << view.clear() << report::closing(run, screen);
}

}  // namespace

int main(int argc, char** argv) {
  const std::string what = argc > 1 ? argv[1] : "fail";
  report::Screen screen = report::screen_of(STDOUT_FILENO);
  if (argc > 2) screen.width = std::atoi(argv[2]);
  scenario::LatchRun options;
  options.q1_stuck_low = what == "fail" || what == "live";
  options.q2_weak = what == "unsure";
  record::RunRecord run = what == "stop" ? scenario::tripped_run() : scenario::latch_run(options);
  run.number = 17;
  run.uid = "01KAXY0V6G3W5Z8T2QF4N7M9RC";
  run.complete = true;
  if (argc > 3) {  // screens WHAT WIDTH html: the page instead
    std::cout << report::html_page(run);
  } else if (what == "live") {
    play(run, screen);
  } else {
    std::cout << report::whole_run(run, screen);
  }
  return 0;
}
