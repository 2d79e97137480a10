#include "host/circuit/generate.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <random>

#include "host/circuit/prover.h"

namespace tenterhook::circuit {
namespace {

using files::Bit;

constexpr std::size_t kRandomBlocksMax = 24;       // of 256 patterns
constexpr std::size_t kBarrenBlocksMax = 2;        // random blocks in a row that show nothing new
constexpr std::size_t kPackingNodesMax = 600'000;  // faulty nodes that the packer may hold
constexpr int kPackingConflicts = 300;
constexpr double kClimbBlocks = 1500;       // blocks tried while climbing, at effort 1
constexpr std::size_t kStaleRoundsMax = 4;  // blocks in a row that improve nothing
constexpr std::size_t kCounterBits = 24;

using Bits = std::vector<std::uint64_t>;

// Which faults a pattern shows, and the other way round, for a set of patterns.
std::vector<Bits> detection_table(const Netlist& n, const std::vector<Fault>& faults,
                                  const std::vector<std::vector<bool>>& patterns) {
  std::vector<Bits> shows(patterns.size(), Bits((faults.size() + 63) / 64, 0));
  Patterns packed(n.inputs.size());
  for (const auto& p : patterns) packed.add(p);
  std::vector<std::uint32_t> all(faults.size());
  std::iota(all.begin(), all.end(), 0u);
  PatternSimulator simulator(n);
  std::vector<Word> seen;
  for (std::size_t b = 0; b < packed.blocks(); ++b) {
    simulator.load(packed.block(b));
    simulator.detect(faults, all, seen);
    const std::size_t count = std::min(kLanes, patterns.size() - b * kLanes);
    for (std::size_t f = 0; f < faults.size(); ++f)
      for (std::size_t l = 0; l < count; ++l)
        if (test(seen[f], l)) shows[b * kLanes + l][f / 64] |= std::uint64_t{1} << (f % 64);
  }
  return shows;
}

std::size_t ones(const Bits& bits) {
  std::size_t sum = 0;
  for (const std::uint64_t w : bits) sum += static_cast<std::size_t>(__builtin_popcountll(w));
  return sum;
}

// Greedy cover, then every pattern that the others make superfluous is taken out, least useful
// first.
std::vector<std::size_t> cover(const std::vector<Bits>& shows) {
  std::vector<std::size_t> chosen;
  if (shows.empty()) return chosen;
  Bits open(shows[0].size(), 0);
  for (const Bits& s : shows)
    for (std::size_t w = 0; w < open.size(); ++w) open[w] |= s[w];
  std::vector<std::size_t> gain(shows.size());
  for (std::size_t i = 0; i < shows.size(); ++i)
    gain[i] = ones(shows[i]);  // an upper bound, lowered when looked at
  while (ones(open) > 0) {
    std::size_t best = shows.size(), most = 0;
    for (std::size_t i = 0; i < shows.size(); ++i) {
      if (gain[i] <= most) continue;
      std::size_t now = 0;
      for (std::size_t w = 0; w < open.size(); ++w)
        now += static_cast<std::size_t>(__builtin_popcountll(shows[i][w] & open[w]));
      gain[i] = now;
      if (now > most) {
        most = now;
        best = i;
      }
    }
    chosen.push_back(best);
    for (std::size_t w = 0; w < open.size(); ++w) open[w] &= ~shows[best][w];
  }
  for (std::size_t k = chosen.size(); k-- > 0;) {
    Bits others(open.size(), 0);
    for (std::size_t j = 0; j < chosen.size(); ++j)
      if (j != k)
        for (std::size_t w = 0; w < others.size(); ++w) others[w] |= shows[chosen[j]][w];
    bool needed = false;
    for (std::size_t w = 0; w < others.size(); ++w)
      needed |= (shows[chosen[k]][w] & ~others[w]) != 0;
    if (!needed) chosen.erase(chosen.begin() + static_cast<std::ptrdiff_t>(k));
  }
  return chosen;
}

class CombinationalGenerator {
 public:
  CombinationalGenerator(const Netlist& n, const std::vector<Fault>& faults,
                         const GenerateOptions& options)
      : n_(n),
        faults_(faults),
        options_(options),
        simulator_(n),
        shown_(faults.size(), 0),
        times_(faults.size(), 0) {}

  std::vector<std::vector<bool>> run(std::vector<std::uint8_t>& untestable,
                                     std::vector<std::uint8_t>& gave_up) {
    untestable.assign(faults_.size(), 0);
    gave_up.assign(faults_.size(), 0);
    random_phase();
    for (std::uint32_t f = 0; f < faults_.size(); ++f) {
      if (shown_[f] != 0) continue;
      const FoundTest found = find_test(n_, faults_[f]);
      untestable[f] = found.proof == Proof::untestable ? 1 : 0;
      gave_up[f] = found.proof == Proof::gave_up ? 1 : 0;
      if (found.proof == Proof::test) keep(found.inputs);
    }
    for (std::uint32_t f = 0; f < faults_.size(); ++f)
      if (shown_[f] != 0) testable_.push_back(f);
    std::vector<std::vector<bool>> best = reduced(pool_);
    if (options_.effort <= 0.0) return best;
    std::vector<std::vector<bool>> packed = small_enough() ? pack() : climb();
    std::vector<std::vector<bool>> both = packed;
    both.insert(both.end(), best.begin(), best.end());
    for (const auto& candidate : {reduced(packed), reduced(both)})
      if (candidate.size() < best.size()) best = candidate;
    return best;
  }

 private:
  // Random patterns; of each block the patterns that show a fault first are kept.
  void random_phase() {
    std::size_t barren = 0;
    for (std::size_t b = 0; b < kRandomBlocksMax && barren < kBarrenBlocksMax; ++b) {
      Patterns block(n_.inputs.size());
      block.add_random(kLanes, options_.seed * 1000 + b);
      simulator_.load(block.block(0));
      std::vector<std::uint32_t> alive = b < 2 ? everything() : open();
      if (alive.empty()) return;
      simulator_.detect(faults_, alive, seen_);
      std::vector<std::uint8_t> useful(kLanes, 0);
      bool any_new = false;
      for (std::size_t i = 0; i < alive.size(); ++i) {
        const Word& w = seen_[i];
        for (std::size_t k = 0; k < kLanes / 64; ++k)
          times_[alive[i]] += static_cast<std::uint32_t>(__builtin_popcountll(w[k]));
        if (shown_[alive[i]] != 0 || !any(w)) continue;
        shown_[alive[i]] = 1;
        any_new = true;
        std::size_t k = 0;
        while (w[k] == 0) ++k;
        useful[64 * k + static_cast<std::size_t>(__builtin_ctzll(w[k]))] = 1;
      }
      barren = any_new ? 0 : barren + 1;
      for (std::size_t l = 0; l < kLanes; ++l)
        if (useful[l] != 0) pool_.push_back(block.pattern(l));
    }
  }

  std::vector<std::uint32_t> everything() const {
    std::vector<std::uint32_t> all(faults_.size());
    std::iota(all.begin(), all.end(), 0u);
    return all;
  }
  std::vector<std::uint32_t> open() const {
    std::vector<std::uint32_t> list;
    for (std::uint32_t f = 0; f < faults_.size(); ++f)
      if (shown_[f] == 0) list.push_back(f);
    return list;
  }

  void keep(const std::vector<bool>& pattern) {
    pool_.push_back(pattern);
    for (const std::uint32_t f : shown_by(pattern, open())) shown_[f] = 1;
  }

  std::vector<std::uint32_t> shown_by(const std::vector<bool>& pattern,
                                      const std::vector<std::uint32_t>& among) {
    Patterns one(n_.inputs.size());
    one.add(pattern);
    simulator_.load(one.block(0));
    simulator_.detect(faults_, among, seen_);
    std::vector<std::uint32_t> list;
    for (std::size_t i = 0; i < among.size(); ++i)
      if (test(seen_[i], 0)) list.push_back(among[i]);
    return list;
  }

  std::vector<std::vector<bool>> reduced(const std::vector<std::vector<bool>>& patterns) const {
    std::vector<Fault> faults;
    for (const std::uint32_t f : testable_) faults.push_back(faults_[f]);
    std::vector<std::vector<bool>> kept;
    for (const std::size_t i : cover(detection_table(n_, faults, patterns)))
      kept.push_back(patterns[i]);
    return kept;
  }

  bool small_enough() const {
    std::size_t nodes = 0;
    std::vector<std::uint8_t> in(n_.size());
    for (const std::uint32_t f : testable_) {
      std::fill(in.begin(), in.end(), std::uint8_t{0});
      in[faults_[f].at] = 1;
      for (NodeId i = faults_[f].at; i < n_.size(); ++i) {
        if (in[i] == 0) continue;
        if (++nodes > kPackingNodesMax) return false;
        for (std::uint32_t k = n_.fanout_begin[i]; k < n_.fanout_begin[i + 1]; ++k)
          in[n_.fanout[k]] = 1;
      }
    }
    return true;
  }

  // For circuits too large to pack: each pattern is the best of many random ones, improved by
  // changing a few inputs at a time; faults that random patterns seldom show weigh more.
  std::vector<std::vector<bool>> climb() {
    std::vector<std::uint32_t> open = testable_;
    std::mt19937_64 random(options_.seed);
    std::vector<std::vector<bool>> patterns;
    std::size_t blocks_left = static_cast<std::size_t>(kClimbBlocks * options_.effort);
    std::vector<std::vector<bool>> starts = pool_;
    std::shuffle(starts.begin(), starts.end(), random);
    std::size_t next_start = 0;
    while (!open.empty() && blocks_left > 0) {
      Patterns block(n_.inputs.size());
      for (std::size_t l = 0; l < kLanes / 2 && !starts.empty(); ++l)
        block.add(starts[next_start++ % starts.size()]);
      block.add_random(kLanes - block.count(), random());
      auto [best, worth] = heaviest(block, open);
      for (std::size_t stale = 0; stale < kStaleRoundsMax && blocks_left > 0; --blocks_left) {
        Patterns around(n_.inputs.size());
        around.add(best);
        while (around.count() < kLanes) around.add(mutated(best, random));
        auto [other, more] = heaviest(around, open);
        stale = more > worth ? 0 : stale + 1;
        if (more <= worth) continue;
        best = other;
        worth = more;
      }
      if (worth == 0) break;  // what is left needs the tests that were made for it
      patterns.push_back(best);
      std::vector<std::uint8_t> gone(faults_.size(), 0);
      for (const std::uint32_t f : shown_by(best, open)) gone[f] = 1;
      open.erase(
          std::remove_if(open.begin(), open.end(), [&](std::uint32_t f) { return gone[f] != 0; }),
          open.end());
    }
    patterns.insert(patterns.end(), pool_.begin(), pool_.end());
    return patterns;
  }

  static std::vector<bool> mutated(std::vector<bool> pattern, std::mt19937_64& random) {
    const std::size_t flips = 1 + random() % (random() % 4 == 0 ? 8 : 2);
    for (std::size_t k = 0; k < flips; ++k) {
      const std::size_t i = random() % pattern.size();
      pattern[i] = !pattern[i];
    }
    return pattern;
  }

  // The pattern of a block that shows the most weight of the open faults, and that weight.
  std::pair<std::vector<bool>, std::uint64_t> heaviest(const Patterns& block,
                                                       const std::vector<std::uint32_t>& open) {
    simulator_.load(block.block(0));
    simulator_.detect(faults_, open, seen_);
    std::array<Word, kCounterBits> counter;  // one binary number a lane, bit by bit
    counter.fill(no_lanes());
    for (std::size_t i = 0; i < open.size(); ++i) {
      const std::uint32_t times = times_[open[i]];
      Word carry = seen_[i];
      for (std::size_t k = times <= 4    ? 5
                           : times <= 32 ? 2
                                         : 0;
           k < kCounterBits && any(carry); ++k) {
        const Word both = counter[k] & carry;
        counter[k] ^= carry;
        carry = both;
      }
    }
    std::size_t lane = 0;
    std::uint64_t most = 0;
    for (std::size_t l = 0; l < block.count(); ++l) {
      std::uint64_t sum = 0;
      for (std::size_t k = 0; k < kCounterBits; ++k)
        sum |= (test(counter[k], l) ? std::uint64_t{1} : 0) << k;
      if (sum > most) {
        most = sum;
        lane = l;
      }
    }
    return {block.pattern(lane), most};
  }

  // One pattern after the other, each asked to show as many of the open faults as it can, the
  // hardest (least often shown by random patterns) first.
  std::vector<std::vector<bool>> pack() {
    std::vector<std::uint32_t> open = testable_;
    std::stable_sort(open.begin(), open.end(),
                     [&](std::uint32_t a, std::uint32_t b) { return times_[a] < times_[b]; });
    TestPacker packer(n_);
    std::vector<std::vector<bool>> patterns;
    while (!open.empty()) {
      std::vector<bool> pattern;
      std::vector<Fault> wanted;
      std::vector<std::uint8_t> hit(faults_.size(), 0);
      std::size_t refused = 0;
      const std::size_t patience = static_cast<std::size_t>(std::lround(40 * options_.effort));
      for (const std::uint32_t f : open) {
        if (hit[f] == 0) {
          if (refused > patience) continue;
          std::vector<bool> inputs;
          if (!packer.pack(wanted, faults_[f], wanted.empty() ? 1'000'000 : kPackingConflicts,
                           inputs)) {
            ++refused;
            continue;
          }
          pattern = inputs;
          std::fill(hit.begin(), hit.end(), std::uint8_t{0});
          for (const std::uint32_t g : shown_by(pattern, open)) hit[g] = 1;
        }
        wanted.push_back(faults_[f]);
      }
      if (pattern.empty()) break;
      patterns.push_back(pattern);
      const std::vector<std::uint32_t> done = shown_by(pattern, open);
      std::vector<std::uint8_t> gone(faults_.size(), 0);
      for (const std::uint32_t f : done) gone[f] = 1;
      open.erase(
          std::remove_if(open.begin(), open.end(), [&](std::uint32_t f) { return gone[f] != 0; }),
          open.end());
    }
    return patterns;
  }

  const Netlist& n_;
  const std::vector<Fault>& faults_;
  const GenerateOptions& options_;
  PatternSimulator simulator_;
  std::vector<std::uint8_t> shown_;
  std::vector<std::uint32_t> times_;
  std::vector<std::uint32_t> testable_;
  std::vector<std::vector<bool>> pool_;
  std::vector<Word> seen_;
};

}  // namespace

std::vector<std::vector<bool>> generate_patterns(const Netlist& netlist, const FaultList& list,
                                                 const GenerateOptions& options,
                                                 std::vector<std::uint8_t>& untestable,
                                                 std::vector<std::uint8_t>& gave_up) {
  return CombinationalGenerator(netlist, list.representatives, options).run(untestable, gave_up);
}

std::size_t relay_operations(const Netlist& netlist, const std::vector<SequenceStep>& steps) {
  std::vector<Bit> level;
  for (const Netlist::Terminal& t : netlist.inputs) level.push_back(t.rest);
  std::size_t sum = 0;
  for (const SequenceStep& step : steps)
    for (const auto& [input, bit] : step.set) {
      if (!netlist.inputs[input].clock && level[input] != bit) ++sum;
      level[input] = bit;
    }
  return sum;
}

namespace {

// A path through points of the hypercube with a fixed start, shortened by reversals and moves of
// runs.
class Tour {
 public:
  Tour(const std::vector<std::vector<bool>>& patterns, const std::vector<bool>& rest) {
    const std::size_t words = (rest.size() + 63) / 64;
    const auto pack = [&](const std::vector<bool>& p) {
      Bits bits(words, 0);
      for (std::size_t i = 0; i < p.size(); ++i)
        if (p[i]) bits[i / 64] |= std::uint64_t{1} << (i % 64);
      return bits;
    };
    points_.push_back(pack(rest));  // point 0: where the tour starts
    for (const auto& p : patterns) points_.push_back(pack(p));
  }

  std::vector<std::size_t> run() {
    nearest_neighbour();
    for (std::size_t pass = 0; pass < kPassesMax && points_.size() <= kImprovedMax; ++pass)
      if (!reverse_pass() && !move_pass()) break;
    std::vector<std::size_t> order;
    for (std::size_t k = 1; k < path_.size(); ++k) order.push_back(path_[k] - 1);
    return order;
  }

 private:
  static constexpr std::size_t kPassesMax = 60;
  static constexpr std::size_t kImprovedMax = 2000;  // points; above, the tour is left as found
  static constexpr std::size_t kRunMax = 3;

  int distance(std::size_t a, std::size_t b) const {
    int sum = 0;
    for (std::size_t w = 0; w < points_[a].size(); ++w)
      sum += __builtin_popcountll(points_[a][w] ^ points_[b][w]);
    return sum;
  }
  // Cost of the edge from position k to k + 1; the end is open.
  int edge(std::size_t a, std::size_t k) const {
    return k >= path_.size() ? 0 : distance(a, path_[k]);
  }

  void nearest_neighbour() {
    std::vector<std::size_t> left(points_.size() - 1);
    std::iota(left.begin(), left.end(), std::size_t{1});
    path_ = {0};
    while (!left.empty()) {
      std::size_t best = 0;
      int nearest = distance(path_.back(), left[0]);
      for (std::size_t i = 1; i < left.size(); ++i) {
        const int d = distance(path_.back(), left[i]);
        if (d < nearest) {
          nearest = d;
          best = i;
        }
      }
      path_.push_back(left[best]);
      left[best] = left.back();
      left.pop_back();
    }
  }

  bool reverse_pass() {
    bool better = false;
    for (std::size_t i = 1; i + 1 < path_.size(); ++i)
      for (std::size_t j = i + 1; j < path_.size(); ++j) {
        const int now = distance(path_[i - 1], path_[i]) + edge(path_[j], j + 1);
        const int then = distance(path_[i - 1], path_[j]) + edge(path_[i], j + 1);
        if (then >= now) continue;
        std::reverse(path_.begin() + static_cast<std::ptrdiff_t>(i),
                     path_.begin() + static_cast<std::ptrdiff_t>(j + 1));
        better = true;
      }
    return better;
  }

  bool move_pass() {
    bool better = false;
    for (std::size_t run = 1; run <= kRunMax; ++run)
      for (std::size_t i = 1; i + run <= path_.size(); ++i) better |= move_run(i, run);
    return better;
  }

  bool move_run(std::size_t i, std::size_t run) {
    const std::size_t first = path_[i], last = path_[i + run - 1], before = path_[i - 1];
    const int saved = distance(before, first) + edge(last, i + run) -
                      (i + run < path_.size() ? distance(before, path_[i + run]) : 0);
    for (std::size_t k = 0; k < path_.size(); ++k) {
      if (k + 1 >= i && k < i + run) continue;  // the gap it stands in, and inside itself
      const int opened = edge(path_[k], k + 1);
      const int forward = distance(path_[k], first) + edge(last, k + 1) - opened;
      const int backward = distance(path_[k], last) + edge(first, k + 1) - opened;
      if (std::min(forward, backward) >= saved) continue;
      std::vector<std::size_t> moved(path_.begin() + static_cast<std::ptrdiff_t>(i),
                                     path_.begin() + static_cast<std::ptrdiff_t>(i + run));
      if (backward < forward) std::reverse(moved.begin(), moved.end());
      path_.erase(path_.begin() + static_cast<std::ptrdiff_t>(i),
                  path_.begin() + static_cast<std::ptrdiff_t>(i + run));
      const std::size_t to = k < i ? k + 1 : k + 1 - run;
      path_.insert(path_.begin() + static_cast<std::ptrdiff_t>(to), moved.begin(), moved.end());
      return true;
    }
    return false;
  }

  std::vector<Bits> points_;
  std::vector<std::size_t> path_;
};

constexpr std::size_t kGrayWidthMax = 20;

// The patterns as numbers if they are exactly all of their width.
bool is_exhaustive(const std::vector<std::vector<bool>>& patterns, std::size_t width,
                   std::vector<std::size_t>& place) {
  if (width == 0 || width > kGrayWidthMax || patterns.size() != std::size_t{1} << width)
    return false;
  place.assign(patterns.size(), patterns.size());
  for (std::size_t k = 0; k < patterns.size(); ++k) {
    std::size_t number = 0;
    for (std::size_t i = 0; i < width; ++i) number |= (patterns[k][i] ? std::size_t{1} : 0) << i;
    if (place[number] != patterns.size()) return false;
    place[number] = k;
  }
  return true;
}

}  // namespace

std::vector<std::size_t> quiet_order(const std::vector<std::vector<bool>>& patterns,
                                     const std::vector<bool>& rest) {
  std::vector<std::size_t> place, order;
  if (is_exhaustive(patterns, rest.size(), place)) {
    std::size_t start = 0;
    for (std::size_t i = 0; i < rest.size(); ++i) start |= (rest[i] ? std::size_t{1} : 0) << i;
    for (std::size_t k = 0; k < place.size(); ++k) order.push_back(place[(k ^ (k >> 1)) ^ start]);
    return order;
  }
  return Tour(patterns, rest).run();
}

namespace {

Generated generate_combinational(const Netlist& n, const GenerateOptions& options) {
  Generated g;
  const FaultList list = stuck_at_faults(n);
  std::vector<std::uint8_t> untestable, gave_up;
  const std::vector<std::vector<bool>> patterns =
      generate_patterns(n, list, options, untestable, gave_up);
  std::vector<bool> level;
  for (const Netlist::Terminal& t : n.inputs) level.push_back(t.rest == Bit::one);
  std::vector<bool> known;
  for (const Netlist::Terminal& t : n.inputs)
    known.push_back(t.rest == Bit::zero || t.rest == Bit::one);
  for (const std::size_t k : quiet_order(patterns, level)) {
    SequenceStep step;
    for (std::uint32_t i = 0; i < level.size(); ++i) {
      if (known[i] && patterns[k][i] == level[i]) continue;
      step.set.push_back({i, patterns[k][i] ? Bit::one : Bit::zero});
      level[i] = patterns[k][i];
      known[i] = true;
    }
    g.steps.push_back(std::move(step));
  }
  judge_by_circuit(n, g.steps);
  g.coverage = stuck_at_coverage(n, g.steps, false);
  g.coverage.untestable = untestable;
  g.coverage.gave_up = gave_up;
  return g;
}

}  // namespace

Result<Generated> generate(const Netlist& netlist, const GenerateOptions& options) {
  if (netlist.inputs.empty() || netlist.outputs.empty())
    return input_error({}, "the circuit has no line to set or none to look at",
                       "give the board input and output lines");
  Generated g;
  if (netlist.combinational()) {
    g = generate_combinational(netlist, options);
  } else {
    const FaultList list = stuck_at_faults(netlist);
    // Faults that no input can show need not be searched for.
    const std::vector<std::uint8_t> untestable = prove_untestable(netlist, list.representatives);
    std::vector<Fault> faults;
    for (std::size_t f = 0; f < untestable.size(); ++f)
      if (untestable[f] == 0) faults.push_back(list.representatives[f]);
    g.steps = generate_sequence(netlist, faults, options);
    g.coverage = stuck_at_coverage(netlist, g.steps, true);
  }
  g.relay_operations = relay_operations(netlist, g.steps);
  return g;
}

}  // namespace tenterhook::circuit
