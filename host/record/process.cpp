#include "host/record/process.h"

#include <unistd.h>

#include <algorithm>
#include <climits>
#include <fstream>
#include <iterator>
#include <sstream>
#include <vector>

namespace tenterhook::record {
namespace {

std::string first_line(const std::string& path) {
  std::ifstream file(path);
  std::string line;
  std::getline(file, line);
  return line;
}

std::string host_name() {
  char name[HOST_NAME_MAX + 1] = {};
  return gethostname(name, sizeof name - 1) == 0 ? name : "";
}

std::string boot_id() {
  return first_line("/proc/sys/kernel/random/boot_id");
}

// "pid:[4026531836]": pids of another container mean other programs.
std::string pid_namespace() {
  char text[64] = {};
  return readlink("/proc/self/ns/pid", text, sizeof text - 1) > 0 ? text : "";
}

// When the program started, in clock ticks since the boot: field 22 of /proc/PID/stat (proc(5)).
// The second field, the program's name, may hold blanks and brackets: counted from its last ')'.
std::string started_ticks(const std::string& pid) {
  const std::string line = first_line("/proc/" + pid + "/stat");
  const std::size_t bracket = line.rfind(')');
  if (bracket == std::string::npos) return "";
  std::istringstream rest(line.substr(bracket + 1));
  constexpr int kFieldsBefore = 19;  // of state (3) to itrealvalue (21)
  std::string field;
  rest >> field;
  if (field == "Z" || field == "X") return "";  // a zombie is gone, only not yet buried
  for (int i = 0; i < kFieldsBefore; ++i) rest >> field;
  return rest ? field : "";
}

std::vector<std::string> split(const std::string& text) {
  std::vector<std::string> parts(1);
  for (const char c : text) {
    if (c == '/')
      parts.emplace_back();
    else
      parts.back() += c;
  }
  return parts;
}

}  // namespace

ProcessId this_process() {
  const std::string pid = std::to_string(getpid());
  return {host_name(), boot_id() + "/" + pid_namespace() + "/" + pid + "/" + started_ticks(pid)};
}

std::string name(RunState state) {
  switch (state) {
    case RunState::finished:
      return "finished";
    case RunState::going:
      return "going";
    case RunState::cut_short:
      return "cut short";
    case RunState::unknown:
      return "no end";
  }
  return "";
}

RunState state_without_end(const ProcessId& by) {
  const std::vector<std::string> parts = split(by.process);
  if (parts.size() != 4 || parts[0].empty() || parts[2].empty() || parts[3].empty()) return RunState::unknown;
  // A boot id is made anew at each start of a computer: under our own name, an older one is over.
  if (parts[0] != boot_id()) return by.host == host_name() ? RunState::cut_short : RunState::unknown;
  if (parts[1] != pid_namespace()) return RunState::unknown;
  const bool digits = std::all_of(parts[2].begin(), parts[2].end(), [](char c) { return c >= '0' && c <= '9'; });
  if (!digits) return RunState::unknown;
  return started_ticks(parts[2]) == parts[3] ? RunState::going : RunState::cut_short;
}

}  // namespace tenterhook::record
