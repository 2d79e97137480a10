// What the command line may say, as plain values. host/main.cpp fills them; each command takes one.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tenterhook::commands {

// Options shared by the commands that touch a board.
struct BenchOptions {
  std::string fixture;               // "emulated", "/dev/…", "unix:PATH", "tcp:HOST:PORT", a fixture.yaml; "" = none given
  std::string store;                 // "" = the default place
  std::string serial;                // the board's
  std::string json;                  // "" = none, "-" = standard output
  bool quiet = false;
  bool yes = false;
  bool despite_wiring = false;       // lines found tied together before power are warned of, and the board is powered
  std::vector<std::string> faults;   // emulated only
  std::optional<std::uint64_t> seed; // emulated only
};

struct RunOptions {
  BenchOptions bench;
  std::string vectors;
  std::string junit, tap, csv;       // "" = none, "-" = standard output
  bool simple_decision = false;
  bool part_tests = false;           // of every line, also when nothing failed
  bool unload = false;               // what does not pass is judged without the fixture's own load
  bool only_failed = false;          // the steps that failed last time, and what they need before them
  std::optional<int> repeat;         // passes
  std::string confidence, catches;   // instead: "95%" or "0.95" each; "" = not given
  std::string condition;             // of the board, for a repeated run; "" = asked on a terminal, else "as it is"
  std::optional<int> hold_step, loop_step;  // instead of a run: stay at that step, or loop the steps up to it
  double at_most_s = 120.0;                 // of either
  bool once = false;                 // on a terminal: do not offer to run again
  bool mute = false;                 // no tones
};

struct CheckOptions {
  std::vector<std::string> files;
  std::string json;
  bool quiet = false;
};

}  // namespace tenterhook::commands
