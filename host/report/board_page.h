// All runs of one board on one page, and all boards of a store on one: self-contained like a run's page.
#pragma once

#include <string>
#include <vector>

#include "host/record/store.h"
#include "host/report/trend_text.h"

namespace tenterhook::report {

struct BoardPage {
  std::string board, board_serial;
  std::vector<record::RunSummary> runs;  // newest first; at most kRunsOnPage
  long total = 0;                        // of all runs
  record::RunRecord last;                // the last that has levels, else the last
  std::vector<LineTrend> trends;         // the most urgent first
  std::vector<record::PartLife> parts;
  std::vector<record::Swap> swaps;
  std::vector<record::Remark> remarks;
  record::Use use;                       // hours and power-ups until now
};
inline constexpr int kRunsOnPage = 1000;
std::string board_page(const BoardPage& page);

struct FleetBoard {
  record::RunSummary last;
  long runs = 0, passed = 0;
  record::Use use;
  int swaps = 0;
  std::string least_margin;   // "1.24 V, Q2 high"; empty: not known
  std::string urgent_trend;   // a sentence; empty: none is urgent
};
struct FleetFixture {
  std::string serial;
  std::vector<record::RelayWear> wear;          // most operations first
  std::vector<record::SelfTestRecord> self_tests;  // newest first
};
struct FleetPage {
  std::string store;
  std::vector<FleetBoard> boards;  // those that need a look first
  std::vector<FleetFixture> fixtures;
};
std::string fleet_page(const FleetPage& page);

// "1.24 V, Q2 high" of a run's levels.
std::string least_margin_of(const record::RunRecord& run);

}  // namespace tenterhook::report
