// What `hold` shows: one screen with every line, what the fixture gives it, what the circuit expects,
// and what was measured a moment ago. Pure text; the command draws it.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/files/board.h"
#include "host/measure/reading.h"
#include "host/report/screen.h"

namespace tenterhook::report {

struct HeldLine {
  std::string name;
  files::LineKind kind = files::LineKind::input;
  std::optional<files::Bit> given;     // what the fixture drives: inputs, clocks, two-way lines
  std::optional<files::Bit> expected;  // by the circuit; outputs
  std::optional<measure::Reading> reading;
  int pulses = 0;                      // given so far; clocks
  std::string say;                     // what the board's file says about it; shown where there is room
};

struct HeldRail {
  std::string name;
  double volts = 0.0, amps = 0.0;
};

struct HeldScreen {
  std::string title;    // board, serial, fixture
  std::string at;       // "at rest", "step 12: a skipped pick stores all ones"
  std::vector<std::string> buses;  // "N = 101 (hex 5)": what the lines show together
  double on_s = 0.0;    // time since power-up
  std::vector<HeldRail> rails;
  std::vector<HeldLine> lines;
  int chosen = 0;       // index into lines
  std::string message;  // the last key's answer
  int height = 24;
  std::string keys = "up/down choose   0 1 z set   space pulse   n next vector   q power down";
};

// The whole screen, screen.width columns and at most `height` rows, no newline after the last. When there
// are more lines than rows the part around the chosen one is shown.
std::string held_screen(const HeldScreen& held, const Screen& screen);

// The same as a plain table, every line, for a pipe.
std::string held_table(const HeldScreen& held, const Screen& screen);

}  // namespace tenterhook::report
