// Levels and edges that were measured, beside what the board file predicts for good parts
// (`predicted:` of a family): what `levels` and `timing` show and record. No verdict hangs on it.
#pragma once

#include <string>
#include <vector>

#include "host/files/board.h"
#include "host/files/predicted.h"
#include "host/record/run.h"

namespace tenterhook::commands {

// One line's level or edge; volts or seconds.
struct Beside {
  std::string line;
  std::string what;  // "low", "high", "rise", "fall"
  double from = 0.0, to = 0.0, U = 0.0;        // measured
  double band_from = 0.0, band_to = 0.0;       // predicted
  files::Agreement agreement = files::Agreement::inside;
  std::string said;  // for a person when outside, else empty
};

// Lines whose family has a band, and that showed the level; in the order of `levels`.
std::vector<Beside> levels_beside(const files::Board& board, const std::vector<record::LevelRecord>& levels);

// An output's rising (or falling) edges, 10 to 90 %: the shortest and the longest that were seen.
std::vector<Beside> edges_beside(const files::Board& board, const std::string& line, bool rising, Seconds shortest, Seconds longest,
                                 Seconds uncertainty);

// "predicted" in the JSON: [{line, what, measured: [..], U, predicted: [..], agrees}].
std::string beside_json(const std::vector<Beside>& all);
// A table and, below it, what is called out; empty when nothing was predicted.
std::string beside_text(const std::vector<Beside>& all);

}  // namespace tenterhook::commands
