// Searches for the edge between pass and fail along one stimulus, in whole steps of its resolution.
//
// In: a trial that puts the stimulus at step x and says how often n repeats passed. Out: the last step that
// was seen to pass without a failure, what was tried, what is known of it, hysteresis and holes.
// Order: both brackets are verified, bisection closes in, the edge is repeated and given way to while it
// still fails now and then, sweeps in both directions look for hysteresis, a scan of the whole bracket
// looks for holes. Errors: what the trial reports; Trouble::bug for brackets that are equal.
#pragma once

#include <functional>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"

namespace tenterhook::timing {

struct Tally {
  int passes = 0, fails = 0, unsure = 0;
  int trials() const { return passes + fails + unsure; }
  bool clean() const { return passes > 0 && fails == 0 && unsure == 0; }
  friend bool operator==(const Tally&, const Tally&) = default;
};
Tally operator+(const Tally& a, const Tally& b);

using Trial = std::function<Result<Tally>(long x, int repeats)>;

struct SearchOptions {
  long good = 0, bad = 0;  // steps that should pass and fail; either may be the larger one
  int repeats = 59;        // at the edge: 59 without a failure prove at most 5 % at 95 %
  int yields = 16;         // so often the edge gives way, by ever more steps, while it fails now and then
  int sweeps = 3;          // each way; 0: hysteresis is not looked for
  int scan = 32;           // points over the whole bracket; 0: holes are not looked for
};

struct Hole {
  long from = 0, to = 0;  // steps that fail inside the region that passes (or pass inside the other), inclusive
  bool passes = false;    // an island that passes where all else fails
};

struct SearchResult {
  enum class State {
    found,
    never_fails,  // `bad` passes: the edge lies beyond the bracket
    never_passes, // `good` fails
    unsettled,    // it still failed now and then after all yields
  } state = State::found;
  long edge = 0;         // last step that passed, seen from `good`
  std::optional<long> worst;  // first step beyond it that was seen to fail
  Tally at_edge;
  double confidence = 0.95;
  double fails_at_most = 1.0;        // upper bound of the failure rate at `edge`, by `confidence`
  std::optional<long> hysteresis;    // steps by which the edge moves with the direction of approach
  std::vector<Hole> holes;
  long hole_width_seen = 0;          // holes at least so wide would have been hit; 0: not looked for
  std::map<long, Tally> tried;       // everything, by step
  // Trials by purpose. bracket + bisect + repeat never exceeds steps_most().
  int bracket = 0, bisect = 0, repeat = 0, sweep = 0, scan = 0;
};

Result<SearchResult> search(const Trial& trial, const SearchOptions& options);

// Halvings that bring a range of so many steps down to one: ceil(log2(steps)).
int halvings(long steps);
// The most trials that a search takes for its edge: brackets, halvings, repeats at edge and yields.
long steps_most(const SearchOptions& options);
// Upper bound of a rate of which k were seen in n, by confidence (Clopper and Pearson 1934, one-sided).
double rate_at_most(int k, int n, double confidence);
// "0 of 59 failed: at most 5.0 % (95 %)", "failed once in 59: ..."
std::string told(const Tally& tally, double confidence = 0.95);

}  // namespace tenterhook::timing
