// tenterhook trend BOARD: which levels drift, and when they would reach their limits.
#pragma once

#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/record/store.h"
#include "host/report/trend_text.h"

namespace tenterhook::commands {

struct TrendOptions {
  std::string board;    // recorded name, or a board file that holds it
  std::string serial;   // needed when the board is recorded with several
  std::string line;     // "" = every line that the last run measured
  std::string store;    // "" = the default place
  std::string json;     // "" = none, "-" = standard output
  std::string swapped;  // a part that was just replaced: recorded, and trends restart here
  std::string note;     // kept with it
  // "days", "hours" of use, or "": hours where hours away from the bench were told, else days.
  std::string by;
};
int trend(const TrendOptions& options);

// Every line (or options.line) that the board's last finished run measured, the most urgent first; empty when it
// measured no levels. options.board is a recorded name, options.serial chosen.
Result<std::vector<report::LineTrend>> line_trends(const record::Store& store, const TrendOptions& options,
                                                   const record::RunRecord& last);

}  // namespace tenterhook::commands
