// Processor time of this program as a clock: bounds on work that hold on a busy machine too.
#pragma once

#include <chrono>
#include <ctime>

namespace tenterhook {

struct ProcessorClock {
  using duration = std::chrono::duration<double>;
  using rep = duration::rep;
  using period = duration::period;
  using time_point = std::chrono::time_point<ProcessorClock, duration>;
  static constexpr bool is_steady = true;
  static time_point now() {
    return time_point(duration(static_cast<double>(std::clock()) / static_cast<double>(CLOCKS_PER_SEC)));
  }
};

}  // namespace tenterhook
