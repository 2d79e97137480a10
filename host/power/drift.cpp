#include "host/power/drift.h"

#include <algorithm>

namespace tenterhook::power {

void DriftWatch::add(Seconds time, std::map<int, double> volts_by_sense) {
  looks_.emplace_back(time, std::move(volts_by_sense));
  // One look older than the window is kept, so that the window is always covered whole.
  while (looks_.size() > 2 && time - looks_[1].first >= hold_) looks_.pop_front();
}

bool DriftWatch::covers_window() const {
  return looks_.size() > 1 && looks_.back().first - looks_.front().first >= hold_;
}

std::pair<int, double> DriftWatch::most_moved() const {
  std::pair<int, double> most{-1, 0.0};
  if (looks_.empty()) return most;
  for (const auto& [sense, first] : looks_.front().second) {
    double low = first, high = first;
    for (const auto& [time, volts] : looks_) {
      low = std::min(low, volts.at(sense));
      high = std::max(high, volts.at(sense));
    }
    if (most.first < 0 || high - low > most.second) most = {sense, high - low};
  }
  return most;
}

}  // namespace tenterhook::power
