// Vectors as their file writes them, fully expanded: one Step a vector, in execution order.
// Expectations from the circuit are left open here (expect_circuit); host/plan fills them.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "host/files/board.h"

namespace tenterhook::files {

struct Pulse {
  std::string line;
  int count = 1;
};

struct Step {
  Mark mark;
  std::string say;
  std::vector<std::pair<std::string, Bit>> set;     // line -> level, single lines, file order
  std::vector<Pulse> pulse;                         // in order
  std::vector<std::pair<std::string, Bit>> expect;  // line -> level, single lines, file order
  bool expect_circuit = false;                      // judge every output by the circuit model
  // Lines expected to equal another line (`expect: {Q: F}`); resolved by the plan from driven bits.
  std::vector<std::pair<std::string, std::string>> expect_line;
  std::vector<std::string> measure;                 // lines sampled without expectation
  Seconds settle{};                                 // lengthens only
  std::map<std::string, LevelWindows> windows;      // per-step windows by line
  std::optional<Seconds> pulse_width;
};

struct Vectors {
  std::string name;
  std::string path;
  Mark mark;
  Board board;
  Seconds settle{};
  // `approved:` as written; only proposals have it. "no" until a person has read and signed them.
  std::optional<std::string> approved;
  std::vector<Step> steps;
  std::vector<SourceFile> sources;  // vectors file first, then the board's
};

}  // namespace tenterhook::files
