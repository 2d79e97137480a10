// Is it really down? Follows the rails after power-off and says so only when it was measured.
//
// In: looks at both board-side sense wires of every rail, with U. Out: whether every rail was measured
// below the limit, else what to wait for or to look at, and how long the slowest rail will take.
//
// A wire counts only where it proves that it hangs on the rail. Each divider pulls its wire up by its
// bias (0.86 V behind 1 Mohm); a connected wire does not follow, because the rail's bleeder (1 kohm) and
// its capacitors hold it, an open one follows all the way. So a wire that reads the open value proves
// nothing, however low that value is.
#pragma once

#include <deque>
#include <optional>
#include <string>
#include <vector>

#include "host/base/units.h"

namespace tenterhook::power {

// How far beyond its uncertainty a wire must read from the open value.
constexpr Volts kHeldAway{0.2};
// Looks over which the decay is fitted; it has begun when the rail has fallen by kFitBegun, and is known when it
// has fallen by kFitFall more, over kFitLooksLeast looks.
constexpr std::size_t kFitLooks = 64, kFitLooksLeast = 4;
constexpr double kFitBegun = 0.02, kFitFall = 0.1;

struct WireLook {
  bool read = false;
  Volts volts{};
  Volts U{};
};
struct RailLook {
  WireLook first, second;
};

struct DischargeState {
  bool below = false;
  Volts limit{};
  Volts highest{};                   // the largest |volts| that any wire showed in the last look
  std::string rail;                  // whose
  std::optional<Seconds> remaining;  // until the slowest rail is below the limit, by its own curve
  std::string why;                   // when not below: what is missing, for people
};

class DischargeWatch {
 public:
  DischargeWatch(Volts limit, Volts open_reads, std::vector<std::string> rails);

  // Looks in the order of the rails, all taken at `time` (which never decreases).
  void add(Seconds time, const std::vector<RailLook>& looks);
  DischargeState state() const;

 private:
  struct Point {
    double time_s, volts;
  };
  std::optional<Seconds> remaining(std::size_t rail) const;
  std::string trouble_of(std::size_t rail, const RailLook& look) const;

  Volts limit_, open_reads_;
  std::vector<std::string> rails_;
  std::vector<RailLook> last_;
  std::vector<std::deque<Point>> curves_;
};

// "measured rails below 5 V; ..." with what remains, or what to wait for. Never empty.
std::string sentence(const DischargeState& state);

}  // namespace tenterhook::power
