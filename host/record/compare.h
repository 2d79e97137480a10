// What changed between two runs of one board, or of two boards of one kind: pure arithmetic.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/record/run.h"

namespace tenterhook::record {

struct Change {
  enum class Kind { fails_now, passes_now, level, rail_volts, current, inrush, time, delay };
  Kind kind = Kind::level;
  std::string where;  // line, rail, part of the time ("total", "warm-up"), or edge ("PICK to Q0")
  std::string side;   // "low" or "high" for levels
  std::string unit;   // "V", "A", "s", "" for a count of readings
  double before = 0, after = 0;
  std::optional<double> U;  // expanded uncertainty (95 %) of the difference, where it is known
  // How many times the smallest difference worth telling this one is; at least 1.
  double significance = 1.0;
};
std::string name(Change::Kind kind);  // "fails now", "level", ...

struct Comparison {
  std::vector<Change> changes;     // lines that fail now first, then by significance
  std::vector<std::string> notes;  // why the two may not be alike: files, fixture, calibration...
  int compared = 0;                // values that could be compared
};

// A level, a rail or a delay has moved when the difference of its means exceeds the root of the squares of
// both expanded uncertainties (JCGM 100:2008, 5.1.2: independent contributions). On one fixture
// part of the error is common to both runs, so that this tells rather too little than too much.
// Currents, inrush peaks and times carry no uncertainty in the record: they are told beyond the
// shares named in compare.cpp.
Comparison compare(const RunRecord& before, const RunRecord& after);

}  // namespace tenterhook::record
