// Trends in words and as JSON.
#pragma once

#include <string>
#include <vector>

#include "host/record/trend.h"
#include "host/report/screen.h"

namespace tenterhook::report {

struct LineTrend {
  std::string line;
  bool high = false;
  bool by_hours = false;  // x is hours of use; else days
  record::Trend trend;
};

// "Q2's high sinks 1.2 mV an hour and reaches its limit of 22.00 V in about 140 h of use (95 %: 90
// to 260 h)." or why that cannot be said.
std::string trend_sentence(const LineTrend& line);

// One line: sentence, chart, limits. Several: the most urgent first, a line each.
std::string trend_text(const std::string& board, const std::vector<LineTrend>& lines,
                       const Screen& screen);
std::string trend_json(const std::string& board, const std::string& board_serial,
                       const std::vector<LineTrend>& lines);

// Lines that reach their limit soonest first, then drifting ones, then the rest.
void sort_by_urgency(std::vector<LineTrend>& lines);

}  // namespace tenterhook::report
