#include "tests/unit/report/outside.h"

#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>

namespace tenterhook::outside {

record::RunRecord finished(record::RunRecord run) {
  run.number = 17;
  run.uid = "01KAXY0V6G3W5Z8T2QF4N7M9RC";
  run.complete = true;
  run.state = record::RunState::finished;
  return run;
}

std::vector<record::RunRecord> every_kind() {
  scenario::LatchRun dead, weak;
  dead.q1_stuck_low = true;
  weak.q2_weak = true;
  std::vector<record::RunRecord> all = {finished(scenario::latch_run()), finished(scenario::latch_run(dead)), finished(scenario::latch_run(weak)),
                                        finished(scenario::tripped_run()), finished(scenario::latch_run(dead))};
  all[4].steps[1].say = "odd: <&\"'#\\,> \x01\x1b\n\xff\xc3\xa9 ]]> -->";
  all[4].steps[1].readings[0].verdict = measure::Verdict::unsure;
  all[4].steps[1].readings[0].why = "says \"maybe\",\r\nand # more";
  all[4].board = "a & b";
  all[4].complete = false;
  all[4].state = record::RunState::cut_short;
  return all;
}

int run_on(const std::string& text, const std::string& command, const std::string& ending) {
  const std::string path = (std::filesystem::temp_directory_path() / ("tenterhook-outside-" + std::to_string(getpid()) + ending)).string();
  std::ofstream(path, std::ios::binary) << text;
  const int status = std::system((command + " '" + path + "' >/dev/null 2>&1").c_str());
  std::filesystem::remove(path);
  return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

}  // namespace tenterhook::outside
