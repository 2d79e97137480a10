// Has anything moved? The extremes of every watched line over the last while, from time-stamped looks.
#pragma once

#include <deque>
#include <map>
#include <utility>

#include "host/base/units.h"

namespace tenterhook::power {

class DriftWatch {
 public:
  explicit DriftWatch(Seconds hold) : hold_(hold) {}

  // Volts by sense channel; time never decreases.
  void add(Seconds time, std::map<int, double> volts_by_sense);
  // The looks kept reach back at least `hold`: before that nothing can be called steady.
  bool covers_window() const;
  // The line that moved most over the window, and by how much; {-1, 0} without looks.
  std::pair<int, double> most_moved() const;

 private:
  Seconds hold_;
  std::deque<std::pair<Seconds, std::map<int, double>>> looks_;
};

}  // namespace tenterhook::power
