#include "host/timing/search.h"

#include <fmt/format.h>
#include <gsl/gsl_cdf.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>

namespace tenterhook::timing {

namespace {

constexpr int kSweepPoints = 16;    // each way, each sweep
constexpr int kSweepSpansMost = 6;  // ever finer looks round the edge
constexpr int kSweepsConfirm = 3;    // times the sweeps asked for, when they seem to show a memory
constexpr int kYieldsEach = 3;       // ways given before the next ones are twice as long
constexpr int kHoleRepeats = 3;     // a hole fails so often in a row; else it is the edge's own doubt

class Searcher {
 public:
  Searcher(const Trial& trial, const SearchOptions& options)
      : trial_(trial), o_(options), way_(options.bad > options.good ? 1 : -1) {}

  Result<SearchResult> run() {
    if (o_.good == o_.bad) return bug_error("a search between equal brackets");
    TH_TRY(brackets());
    if (r_.state != SearchResult::State::found) return r_;
    TH_TRY(close_in());
    TH_TRY(settle());
    if (o_.sweeps > 0) TH_TRY(sweeps());
    if (o_.scan > 0) TH_TRY(scan());
    r_.fails_at_most = rate_at_most(r_.at_edge.fails + r_.at_edge.unsure, r_.at_edge.trials(), r_.confidence);
    return r_;
  }

 private:
  Result<Tally> at(long x, int n, int& purpose) {
    auto tally = trial_(x, n);
    TH_TRY(tally);
    purpose += tally->trials();
    r_.tried[x] = r_.tried[x] + *tally;
    return tally;
  }
  // Distance from `good`, so that the pass side is always the lower one.
  long depth(long x) const { return (x - o_.good) * way_; }
  long step(long depth) const { return o_.good + depth * way_; }
  long range() const { return depth(o_.bad); }

  Status brackets() {
    auto good = at(o_.good, 1, r_.bracket);
    TH_TRY(good);
    auto bad = at(o_.bad, 1, r_.bracket);
    TH_TRY(bad);
    r_.edge = o_.good;
    r_.at_edge = *good;
    if (!good->clean()) {
      r_.state = SearchResult::State::never_passes;
      r_.worst = o_.good;
    } else if (bad->clean()) {
      r_.state = SearchResult::State::never_fails;
      r_.edge = o_.bad;
      r_.at_edge = *bad;
    }
    r_.fails_at_most = rate_at_most(r_.at_edge.fails + r_.at_edge.unsure, r_.at_edge.trials(), r_.confidence);
    return {};
  }

  Status close_in() {
    pass_ = 0;
    fail_ = range();
    while (fail_ - pass_ > 1) {
      const long middle = pass_ + (fail_ - pass_) / 2;
      auto tally = at(step(middle), 1, r_.bisect);
      TH_TRY(tally);
      (tally->clean() ? pass_ : fail_) = middle;
    }
    return {};
  }

  // Repeats the last passing step; each failure moves it towards `good`, by ever more, then back by halves.
  Status settle() {
    std::optional<long> clean;  // depth that passed all its repeats
    for (int yielded = 0;; ++yielded) {
      auto tally = at(step(pass_), o_.repeats, r_.repeat);
      TH_TRY(tally);
      if (tally->clean() || !clean) {
        r_.edge = step(pass_);
        r_.at_edge = *tally;
      }
      if (tally->clean()) clean = pass_;
      else fail_ = pass_;
      if (yielded == o_.yields || (clean ? fail_ - *clean <= 1 : fail_ == 0)) break;
      pass_ = clean ? *clean + (fail_ - *clean) / 2 : std::max(0L, fail_ - (1L << (yielded / kYieldsEach)));
    }
    if (clean) pass_ = *clean;
    else r_.state = SearchResult::State::unsettled;
    r_.worst = step(fail_);
    return {};
  }

  // Ever finer round the edge, or round the memory that was found, until its width is known to an eighth.
  Status sweeps() {
    long centre = pass_, half = std::max<long>(kSweepPoints / 2, range() / 2);
    for (int span = 0; span < kSweepSpansMost; ++span) {
      const long stride = std::max<long>(1, 2 * half / kSweepPoints);
      TH_TRY(sweep(centre, half, stride));
      if (r_.hysteresis && stride * 8 <= std::max(*r_.hysteresis, 8L)) break;
      if (stride == 1) break;
      if (r_.hysteresis) {
        centre = memory_;
        half = std::min(half / 2, *r_.hysteresis + stride);
      } else {
        half /= 8;
      }
      half = std::max<long>(kSweepPoints / 2, half);
    }
    return {};
  }

  // From the fail side towards the pass side and back, several times. Where chance decides, the way up passes
  // early and the way down fails early; a memory does the opposite, every time.
  Status sweep(long centre, long half, long stride) {
    const long first = std::max<long>(0, centre - half);
    const long last = first + (std::min(range(), centre + half) - first) / stride * stride;  // both ways over the same points
    long up_most = 0, down_least = range();
    double ups = 0.0, downs = 0.0;
    // What the first sweeps suggest must hold in as many again and again: chance does that hardly ever.
    const int confirmed = o_.sweeps * kSweepsConfirm;
    for (int i = 0; i < confirmed; ++i) {
      if (i == o_.sweeps && down_least - up_most <= stride) return {};
      long up = first, down = last;  // where it first passed coming from failure; first failed coming from success
      for (long d = last; d >= first; d -= stride) {
        auto tally = at(step(d), 1, r_.sweep);
        TH_TRY(tally);
        if (!tally->clean()) continue;
        up = d;
        break;
      }
      for (long d = first; d <= last; d += stride) {
        auto tally = at(step(d), 1, r_.sweep);
        TH_TRY(tally);
        if (tally->clean()) continue;
        down = d;
        break;
      }
      up_most = std::max(up_most, up);
      down_least = std::min(down_least, down);
      ups += static_cast<double>(up) / confirmed;
      downs += static_cast<double>(down) / confirmed;
    }
    // Without memory the first to fail lies behind (or next to) the first to pass.
    if (down_least - up_most <= stride) return {};
    r_.hysteresis = std::lround(downs - ups) - stride;
    memory_ = std::lround((downs + ups) / 2.0);
    return {};
  }

  Status scan() {
    const long stride = std::max<long>(1, range() / o_.scan);
    r_.hole_width_seen = stride;
    for (long d = stride / 2; d <= range(); d += stride) {
      const bool should_pass = d < pass_ - o_.yields, should_fail = d > fail_ + o_.yields;
      if ((!should_pass && !should_fail) || inside_hole(d)) continue;
      auto tally = at(step(d), 1, r_.scan);
      TH_TRY(tally);
      if (tally->clean() == should_pass) continue;
      auto again = at(step(d), kHoleRepeats, r_.scan);
      TH_TRY(again);
      if (should_pass ? again->passes > 0 : !again->clean()) continue;
      TH_TRY(outline(d, should_fail));
    }
    return {};
  }

  bool inside_hole(long d) const {
    return std::any_of(r_.holes.begin(), r_.holes.end(), [&](const Hole& h) {
      const long a = std::min(depth(h.from), depth(h.to)), b = std::max(depth(h.from), depth(h.to));
      return d >= a && d <= b;
    });
  }

  // Both ends of the hole round d, each by bisection against the nearest step known to be outside.
  Status outline(long d, bool island) {
    long ends[2] = {d, d};
    for (const int side : {0, 1}) {
      long inside = d, outside = side == 0 ? (island ? fail_ : 0) : (island ? range() : pass_);
      for (const auto& [x, tally] : r_.tried) {
        const long e = depth(x);
        const bool beyond = side == 0 ? e < d && e > outside : e > d && e < outside;
        if (beyond && tally.clean() != island) outside = e;
      }
      while (std::labs(outside - inside) > 1) {
        const long middle = inside + (outside - inside) / 2;
        auto tally = at(step(middle), 1, r_.scan);
        TH_TRY(tally);
        (tally->clean() == island ? inside : outside) = middle;
      }
      ends[side] = inside;
    }
    const long a = step(ends[0]), b = step(ends[1]);
    r_.holes.push_back({std::min(a, b), std::max(a, b), island});
    return {};
  }

  const Trial& trial_;
  SearchOptions o_;
  long way_;
  long pass_ = 0, fail_ = 0;  // depths
  long memory_ = 0;           // depth of the middle of the hysteresis
  SearchResult r_;
};

}  // namespace

Tally operator+(const Tally& a, const Tally& b) {
  return {a.passes + b.passes, a.fails + b.fails, a.unsure + b.unsure};
}

int halvings(long steps) {
  int n = 0;
  for (long covered = 1; covered < steps; covered *= 2) ++n;
  return n;
}

long steps_most(const SearchOptions& o) {
  return 2 + halvings(std::labs(o.good - o.bad)) + static_cast<long>(o.repeats) * (o.yields + 1);
}

double rate_at_most(int k, int n, double confidence) {
  if (n <= 0 || k >= n) return 1.0;
  return gsl_cdf_beta_Pinv(confidence, k + 1.0, n - k);
}

Result<SearchResult> search(const Trial& trial, const SearchOptions& options) { return Searcher(trial, options).run(); }

std::string told(const Tally& t, double confidence) {
  const int failed = t.fails + t.unsure, n = t.trials();
  if (n == 0) return "not tried";
  const std::string bound = fmt::format("at most {:.1f} % fail ({:.0f} %)", 100.0 * rate_at_most(failed, n, confidence), 100.0 * confidence);
  if (failed == 0) return fmt::format("none of {} failed: {}", n, bound);
  const std::string times = failed == 1 ? "once" : failed == 2 ? "twice" : fmt::format("{} times", failed);
  return fmt::format("failed {} in {}: {}", times, n, bound);
}

}  // namespace tenterhook::timing
