// Lists of runs and of changes, for people and for programs.
#pragma once

#include <string>

#include "host/record/compare.h"
#include "host/record/store.h"
#include "host/report/screen.h"

namespace tenterhook::report {

// One line a run, newest first, with a last line that says which part of all runs this is.
std::string history_table(const record::HistoryPage& page, const record::HistoryFilter& filter,
                          const Screen& screen);
// {"total": 143, "runs": [{"run", "run_uid", "started", ...}]}
std::string history_json(const record::HistoryPage& page);

std::string comparison_text(const record::RunRecord& before, const record::RunRecord& after,
                            const record::Comparison& comparison, const Screen& screen);
// One paragraph for under a verdict: "since run 16: Q1 fails now; Q0 high 24.6 V to 22.1 V", the most
// significant first.
std::string since_text(const record::RunRecord& before, const record::RunRecord& after,
                       const record::Comparison& comparison);
// {"before": {...}, "after": {...}, "changes": [...], "notes": [...]}
std::string comparison_json(const record::RunRecord& before, const record::RunRecord& after,
                            const record::Comparison& comparison);

// One line of one run: {"run", "line", "readings": [...], "budget": ...}; empty when the run has
// no such line.
std::string explanation_json(const record::RunRecord& run, const std::string& line);

}  // namespace tenterhook::report
