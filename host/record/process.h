// Which program recorded a run, so that a run without an end can be told as still going or as cut
// short. Linux: /proc and the kernel's boot id.
#pragma once

#include <string>

namespace tenterhook::record {

// What a run's row keeps of the program that began it.
struct ProcessId {
  std::string host;     // the computer's name
  std::string process;  // "BOOT/NAMESPACE/PID/START": boot id, pid namespace, pid, start in ticks
};
ProcessId this_process();

enum class RunState {
  finished,
  going,      // the program that began it still runs on this computer
  cut_short,  // that program is gone: it was killed, it crashed, or the computer was restarted
  unknown,    // begun on another computer, in another container, or by a version that kept no name
};
std::string name(RunState state);  // "finished", "going", "cut short", "no end"

// Of a run that has no end. A pid used again is told apart by the time its program started.
RunState state_without_end(const ProcessId& by);

}  // namespace tenterhook::record
