// Steps for circuits that remember, chosen by simulation from unknown power-up.
#include <algorithm>
#include <memory>
#include <numeric>
#include <random>

#include "host/circuit/frames.h"
#include "host/circuit/generate.h"

namespace tenterhook::circuit {
namespace {

using files::Bit;

constexpr std::size_t kCandidatesMax = 40;  // steps considered at a time
constexpr std::size_t kCandidatesMin = 8;
constexpr std::size_t kBarrenStepsMax = 14;  // chosen steps in a row that show no new fault
constexpr std::size_t kStepsMax = 4000;
constexpr std::size_t kWalkStepsMax = 64;  // length of one random walk
constexpr std::size_t kWalksMax = 200;     // faults walked for, in all
constexpr std::size_t kFramesMax = 10;     // longest continuation looked for by satisfiability
constexpr int kFrameConflicts = 20'000;
constexpr double kSearchWork = 4e8;  // node visits for the search, at effort 1
constexpr double kTrimWork = 4e8;    // node visits for taking out, at effort 1

// A step as the search sees it: the level of every input, then at most one clock.
struct Move {
  std::vector<Bit> level;  // per input terminal; clocks keep their rest
  int clock = -1;          // input terminal to pulse once
};

std::vector<Bit> rest_levels(const Netlist& n) {
  std::vector<Bit> rest;
  for (const Netlist::Terminal& t : n.inputs) rest.push_back(t.rest);
  return rest;
}

// Inputs on shared nets: the fixture can let them go.
std::vector<std::uint8_t> shared_inputs(const Netlist& n) {
  std::vector<std::uint8_t> shared;
  for (const Netlist::Terminal& t : n.inputs) shared.push_back(t.raw != t.node ? 1 : 0);
  return shared;
}

// Relays of one step move in any order: a step that drives or lets go a shared line must change
// nothing else, or the fixture and a gate could meet on it for a moment.
bool mixes(const std::vector<std::uint8_t>& shared, const std::vector<Bit>& before,
           const std::vector<Bit>& after) {
  bool shared_moved = false, other_moved = false;
  for (std::size_t i = 0; i < before.size(); ++i)
    if (before[i] != after[i]) (shared[i] != 0 ? shared_moved : other_moved) = true;
  return shared_moved && other_moved;
}

// Undoes one kind of change of a step that mixes them.
void unmix(const std::vector<std::uint8_t>& shared, const std::vector<Bit>& before,
           std::vector<Bit>& after, bool keep_shared) {
  if (!mixes(shared, before, after)) return;
  for (std::size_t i = 0; i < before.size(); ++i)
    if ((shared[i] != 0) != keep_shared) after[i] = before[i];
}

// Steps with only what changes.
std::vector<SequenceStep> as_steps(const Netlist& n, const std::vector<Move>& moves) {
  std::vector<Bit> now = rest_levels(n);
  std::vector<SequenceStep> steps;
  for (const Move& move : moves) {
    SequenceStep step;
    for (std::uint32_t i = 0; i < now.size(); ++i)
      if (move.level[i] != now[i]) step.set.push_back({i, move.level[i]});
    now = move.level;
    if (move.clock >= 0) step.pulse.push_back({static_cast<std::uint32_t>(move.clock), 1});
    steps.push_back(std::move(step));
  }
  judge_by_circuit(n, steps);
  return steps;
}

class SequenceSearch {
 public:
  SequenceSearch(const Netlist& n, const std::vector<Fault>& faults, const GenerateOptions& options)
      : n_(n),
        faults_(faults),
        random_(options.seed),
        shown_(faults.size(), 0),
        now_(rest_levels(n)),
        work_left_(kSearchWork * std::max(0.05, options.effort)) {
    for (std::uint32_t i = 0; i < n.inputs.size(); ++i)
      (n.inputs[i].clock ? clocks_ : levels_).push_back(i);
    for (std::uint32_t o = 0; o < n.outputs.size(); ++o) {
      output_input_.push_back(-1);
      for (std::uint32_t i = 0; i < n.inputs.size(); ++i)
        if (n.inputs[i].line == n.outputs[o].line) output_input_.back() = static_cast<int>(i);
    }
    can_release_ = shared_inputs(n);
    frame_clock_ = frame_clock(n);
  }

  std::vector<Move> run() {
    rebuild();
    std::size_t walks = 0;
    while (moves_.size() < kStepsMax && work_left_ > 0) {
      greedy();
      mark_shown_by_cases();
      if (!walk(walks)) break;
    }
    // What follows the last step that shows something is of no use.
    moves_.resize(last_useful_);
    return moves_;
  }

 private:
  struct Batch {
    std::unique_ptr<Machines> machines;
    std::vector<std::uint32_t> fault;  // of lane 1, 2, ...; lane 0 is the good machine
    Word open;
  };

  // New machines for the faults not shown yet, brought to the end of the moves so far.
  void rebuild() {
    batches_.clear();
    std::vector<std::uint32_t> open;
    for (std::uint32_t f = 0; f < faults_.size(); ++f)
      if (shown_[f] == 0) open.push_back(f);
    for (std::size_t begin = 0; begin < open.size() || begin == 0; begin += kLanes - 1) {
      Batch b;
      b.machines = std::make_unique<Machines>(n_);
      b.open = no_lanes();
      for (std::size_t i = begin; i < open.size() && i < begin + kLanes - 1; ++i) {
        b.fault.push_back(open[i]);
        b.machines->inject(b.fault.size(), faults_[open[i]]);
        b.open |= one_lane(b.fault.size());
      }
      b.machines->settle();
      std::vector<Bit> level = rest_levels(n_);
      for (const Move& m : moves_) apply(*b.machines, level, m);
      batches_.push_back(std::move(b));
      if (open.empty()) break;
    }
    open_at_rebuild_ = open.size();
  }

  void apply(Machines& machines, std::vector<Bit>& level, const Move& move) {
    const std::size_t before = machines.settlings();
    bool changed = false;
    for (std::size_t i = 0; i < level.size(); ++i) {
      if (level[i] == move.level[i]) continue;
      machines.set(i, move.level[i]);
      changed = true;
    }
    if (changed) machines.settle();
    if (move.clock >= 0) machines.pulse(static_cast<std::size_t>(move.clock), 1);
    level = move.level;
    work_left_ -= 2.5 * static_cast<double>(n_.size() * (machines.settlings() - before));
  }

  // Lanes that contradict lane 0 on an output that the fixture may judge.
  Word differing(const Machines& m, const std::vector<Bit>& level) const {
    Word seen = no_lanes();
    for (std::uint32_t o = 0; o < n_.outputs.size(); ++o) {
      if (output_input_[o] >= 0 &&
          level[static_cast<std::size_t>(output_input_[o])] != Bit::undriven)
        continue;
      seen |= contradicts(m.shown(o), m.read_output(o, 0), n_.outputs[o].high);
    }
    return seen;
  }

  // The fixture and a gate must never drive one line against each other.
  bool contends(const Machines& m, const std::vector<Bit>& level) const {
    for (std::size_t i = 0; i < level.size(); ++i) {
      if (can_release_[i] == 0 || level[i] == Bit::undriven) continue;
      const NodeId raw = n_.inputs[i].raw;
      for (std::uint32_t k = n_.fanin_begin[raw]; k < n_.fanin_begin[raw + 1]; ++k)
        if (n_.fanin[k] != n_.inputs[i].node && m.read(n_.fanin[k], 0) != Bit::undriven &&
            n_.op[raw] == Op::bus_tri)
          return true;
    }
    return false;
  }

  Bit random_level(std::size_t input) {
    if (can_release_[input] != 0 && random_() % 2 == 0) return Bit::undriven;
    return random_() % 2 != 0 ? Bit::one : Bit::zero;
  }

  std::vector<Move> candidates() {
    const double step_cost = 8.0 * static_cast<double>(n_.size() * batches_.size());
    const std::size_t count =
        std::clamp(static_cast<std::size_t>(2e7 / step_cost), kCandidatesMin, kCandidatesMax);
    std::vector<Move> list;
    for (const std::uint32_t c : clocks_) list.push_back({now_, static_cast<int>(c)});
    while (list.size() < count + clocks_.size()) {
      Move m{now_, -1};
      if (!clocks_.empty() && random_() % 4 != 0)
        m.clock = static_cast<int>(clocks_[random_() % clocks_.size()]);
      if (levels_.empty()) {
        if (m.clock >= 0)
          list.push_back(m);
        else
          break;
        continue;
      }
      // Mostly few changes (quiet), sometimes all new.
      const std::size_t flips = random_() % 3 == 0 ? levels_.size() : 1 + random_() % 2;
      for (std::size_t k = 0; k < flips; ++k) {
        const std::size_t i =
            flips == levels_.size() ? levels_[k] : levels_[random_() % levels_.size()];
        const Bit old = m.level[i];
        m.level[i] = random_level(i);
        if (flips != levels_.size() && m.level[i] == old)
          m.level[i] = old == Bit::one ? Bit::zero : Bit::one;
      }
      unmix(can_release_, now_, m.level, random_() % 2 != 0);
      list.push_back(m);
    }
    return list;
  }

  struct Score {
    std::size_t shown = 0;  // faults shown for the first time
    std::size_t prepared =
        0;  // faulty states that differ for certain, good states that became known
    std::size_t changes = 0;  // relay operations
    bool better_than(const Score& o) const {
      if (shown != o.shown) return shown > o.shown;
      if (prepared != o.prepared) return prepared > o.prepared;
      return changes < o.changes;
    }
  };

  std::size_t prepared(const Machines& m, const Word& open) const {
    std::size_t sum = 0;
    for (const StateElement& s : n_.states) {
      const Planes& v = m.at(s.node);
      const bool lo = test(v.lo, 0), hi = test(v.hi, 0);
      if (lo == hi) continue;
      sum += 20;
      const Word other = (lo ? v.hi & ~v.lo : v.lo & ~v.hi) & open;
      for (std::size_t k = 0; k < kLanes / 64; ++k)
        sum += static_cast<std::size_t>(__builtin_popcountll(other[k]));
    }
    return sum;
  }

  static std::size_t count(const Word& w) {
    std::size_t sum = 0;
    for (std::size_t k = 0; k < kLanes / 64; ++k)
      sum += static_cast<std::size_t>(__builtin_popcountll(w[k]));
    return sum;
  }

  // Applies a move for good.
  std::size_t commit(const Move& move) {
    std::size_t fresh = 0;
    for (Batch& b : batches_) {
      std::vector<Bit> level = now_;
      apply(*b.machines, level, move);
      const Word seen = differing(*b.machines, move.level) & b.open;
      b.open &= ~seen;
      for (std::size_t l = 1; l <= b.fault.size(); ++l) {
        if (!test(seen, l)) continue;
        shown_[b.fault[l - 1]] = 1;
        ++fresh;
      }
    }
    now_ = move.level;
    moves_.push_back(move);
    if (fresh > 0) last_useful_ = moves_.size();
    return fresh;
  }

  void greedy() {
    std::size_t barren = 0;
    while (barren < kBarrenStepsMax && moves_.size() < kStepsMax && work_left_ > 0) {
      std::size_t open = 0;
      for (const Batch& b : batches_) open += count(b.open);
      if (open == 0) return;
      if (2 * open < open_at_rebuild_ && batches_.size() > 1) rebuild();
      Score best;
      Move chosen;
      std::vector<Machines::Snapshot> saved;
      for (const Batch& b : batches_) saved.push_back(b.machines->save());
      for (const Move& move : candidates()) {
        Score score;
        bool legal = true;
        for (std::size_t i = 0; i < levels_.size(); ++i)
          score.changes += move.level[levels_[i]] != now_[levels_[i]] ? 1 : 0;
        for (std::size_t k = 0; k < batches_.size() && legal; ++k) {
          Machines& m = *batches_[k].machines;
          std::vector<Bit> level = now_;
          apply(m, level, move);
          legal = !contends(m, move.level);
          const Word seen = differing(m, move.level) & batches_[k].open;
          score.shown += count(seen);
          score.prepared += prepared(m, batches_[k].open & ~seen);
          m.restore(saved[k]);
        }
        if (legal && (chosen.level.empty() || score.better_than(best))) {
          best = score;
          chosen = move;
        }
      }
      if (chosen.level.empty()) return;
      barren = commit(chosen) > 0 ? 0 : barren + 1;
    }
  }

  // Faults that only a look at all power-up states shows need no further step.
  void mark_shown_by_cases() {
    if (n_.states.empty()) return;
    std::vector<Fault> open;
    std::vector<std::uint32_t> which;
    for (std::uint32_t f = 0; f < faults_.size(); ++f)
      if (shown_[f] == 0) {
        open.push_back(faults_[f]);
        which.push_back(f);
      }
    if (open.empty()) return;
    const std::vector<std::int64_t> first = sequence_detections(n_, open, as_steps(n_, moves_));
    for (std::size_t i = 0; i < first.size(); ++i) {
      if (first[i] < 0) continue;
      shown_[which[i]] = 1;
      last_useful_ = std::max(last_useful_, static_cast<std::size_t>(first[i]) + 1);
    }
    for (Batch& b : batches_)
      for (std::size_t l = 1; l <= b.fault.size(); ++l)
        if (shown_[b.fault[l - 1]] != 0) b.open &= ~one_lane(l);
  }

  // 256 random walks from here for one fault that is left; the first that shows it is taken.
  bool walk(std::size_t& walks) {
    for (std::uint32_t f = 0; f < faults_.size(); ++f) {
      if (shown_[f] != 0 || walked_.count(f) != 0) continue;
      if (++walks > kWalksMax || work_left_ <= 0) return false;
      walked_.insert(f);
      if (frames_for(f) || walk_for(f) || split_walk(f)) return true;
    }
    return false;
  }

  // The shortest continuation that shows the fault, by satisfiability, where the circuit allows it.
  bool frames_for(std::uint32_t fault) {
    if (!frame_clock_ || frame_clock_->on_clock[faults_[fault].at] != 0) return false;
    Machines m(n_);
    m.inject(1, faults_[fault]);
    m.settle();
    std::vector<Bit> level = rest_levels(n_);
    for (const Move& move : moves_) apply(m, level, move);
    std::vector<Bit> good, bad;
    for (const StateElement& s : n_.states) {
      // A fault on the element's own output is put on again in every frame.
      good.push_back(m.read(s.node, 0));
      bad.push_back(m.read(s.node, 1));
    }
    for (std::size_t frames = 1; frames <= kFramesMax && work_left_ > 0; ++frames) {
      work_left_ -= 400.0 * static_cast<double>(n_.size() * frames);
      const auto patterns =
          find_frames(n_, *frame_clock_, faults_[fault], good, bad, frames, kFrameConflicts);
      if (!patterns) continue;
      for (const std::vector<bool>& pattern : *patterns) {
        Move move{now_, static_cast<int>(frame_clock_->input)};
        for (const std::uint32_t i : levels_) move.level[i] = pattern[i] ? Bit::one : Bit::zero;
        commit(move);
      }
      return shown_[fault] != 0;
    }
    return false;
  }

  bool walk_for(std::uint32_t fault) {
    Machines good(n_), bad(n_);
    bad.inject(0, faults_[fault]);
    for (std::size_t l = 1; l < kLanes; ++l) bad.inject(l, faults_[fault]);
    good.settle();
    bad.settle();
    std::vector<Bit> level = rest_levels(n_);
    for (const Move& m : moves_) {
      std::vector<Bit> other = level;
      apply(good, other, m);
      apply(bad, level, m);
    }
    std::vector<std::vector<Move>> lanes(kLanes);
    std::vector<std::vector<Bit>> at(kLanes, level);
    Word legal = all_lanes();
    const std::size_t length = std::min(kWalkStepsMax, 3 * n_.states.size() + 8);
    for (std::size_t s = 0; s < length && work_left_ > 0; ++s) {
      std::vector<Word> pulse(n_.inputs.size(), no_lanes());
      for (std::size_t l = 0; l < kLanes; ++l) {
        Move m{at[l], -1};
        const std::size_t flips = random_() % 3 == 0 ? levels_.size() : random_() % 3;
        for (std::size_t k = 0; k < flips && !levels_.empty(); ++k) {
          const std::size_t i = levels_[random_() % levels_.size()];
          m.level[i] = random_level(i);
        }
        unmix(can_release_, at[l], m.level, random_() % 2 != 0);
        for (const std::uint32_t i : levels_) {
          if (m.level[i] == at[l][i]) continue;
          good.set(i, m.level[i], one_lane(l));
          bad.set(i, m.level[i], one_lane(l));
        }
        if (!clocks_.empty() && random_() % 5 != 0) {
          m.clock = static_cast<int>(clocks_[random_() % clocks_.size()]);
          pulse[static_cast<std::size_t>(m.clock)] |= one_lane(l);
        }
        at[l] = m.level;
        lanes[l].push_back(std::move(m));
      }
      good.settle();
      bad.settle();
      for (const std::uint32_t c : clocks_) {
        if (!any(pulse[c])) continue;
        good.pulse(c, 1, pulse[c]);
        bad.pulse(c, 1, pulse[c]);
      }
      work_left_ -=
          5.0 * static_cast<double>(n_.size()) * (1.0 + 2.0 * static_cast<double>(clocks_.size()));
      legal &= ~contending(good);
      const Word seen = differing_lanes(good, bad, at) & legal;
      if (!any(seen)) continue;
      std::size_t lane = 0;
      while (!test(seen, lane)) ++lane;
      for (const Move& m : lanes[lane]) commit(m);
      if (shown_[fault] == 0) shown_[fault] = 1;  // judged by the walk's own good machine
      last_useful_ = moves_.size();
      return true;
    }
    return false;
  }

  // For a fault that keeps elements from being initialised: one machine for each power-up state of
  // them (for many elements: two machines an element), and steps until every one has shown.
  bool split_walk(std::uint32_t fault) {
    Machines good(n_), bad(n_);
    bad.inject(0, faults_[fault]);
    bad.settle();
    std::vector<Bit> level = rest_levels(n_);
    for (const Move& m : moves_) apply(bad, level, m);
    std::vector<std::size_t> unknown;
    for (std::size_t i = 0; i < n_.states.size() && unknown.size() < kLanes / 2; ++i)
      if (bad.read(n_.states[i].node, 0) == Bit::any) unknown.push_back(i);
    if (unknown.empty()) return false;
    const std::vector<std::size_t> elements = case_elements(n_, unknown);
    const bool all = !elements.empty();
    if (all) unknown = elements;
    const std::size_t lanes = all ? std::size_t{1} << unknown.size() : 2 * unknown.size();
    bad.power_up();
    good.settle();
    for (std::size_t l = 0; l < lanes; ++l) {
      bad.inject(l, faults_[fault]);
      if (!all) bad.wake(unknown[l / 2], l % 2 != 0, one_lane(l));
      for (std::size_t i = 0; all && i < unknown.size(); ++i)
        bad.wake(unknown[i], ((l >> i) & 1u) != 0, one_lane(l));
    }
    bad.settle();
    Word open = no_lanes();
    for (std::size_t l = 0; l < lanes; ++l) open |= one_lane(l);
    level = rest_levels(n_);
    std::vector<Bit> same = level;
    for (const Move& m : moves_) {
      apply(good, same, m);
      apply(bad, level, m);
      open &= ~contradicted(good, bad, level);
    }
    const auto finished = [&](const Word& left) {
      if (all) return !any(left);
      for (std::size_t l = 0; l < lanes; l += 2)
        if (!test(left, l) && !test(left, l + 1)) return true;
      return false;
    };
    std::vector<Move> added;
    const std::vector<Bit> start = now_;
    while (!finished(open) && added.size() < kWalkStepsMax && work_left_ > 0) {
      const Machines::Snapshot good_saved = good.save(), bad_saved = bad.save();
      Move chosen;
      std::size_t most = 0;
      for (const Move& move : candidates()) {  // around now_, which follows the added moves
        std::vector<Bit> a = now_, b = now_;
        apply(good, a, move);
        apply(bad, b, move);
        const std::size_t gain =
            1 + count(contradicted(good, bad, move.level) & open) * 16 + random_() % 4;
        if (!contends(good, move.level) && gain > most) {
          most = gain;
          chosen = move;
        }
        good.restore(good_saved);
        bad.restore(bad_saved);
      }
      if (chosen.level.empty()) break;
      std::vector<Bit> a = now_, b = now_;
      apply(good, a, chosen);
      apply(bad, b, chosen);
      open &= ~contradicted(good, bad, chosen.level);
      now_ = chosen.level;
      added.push_back(chosen);
    }
    now_ = start;
    if (!finished(open)) return false;
    for (const Move& m : added) commit(m);
    shown_[fault] = 1;
    last_useful_ = moves_.size();
    return true;
  }

  // Lanes of `bad` that contradict the good machine (its lane 0).
  Word contradicted(const Machines& good, const Machines& bad,
                    const std::vector<Bit>& level) const {
    Word seen = no_lanes();
    for (std::uint32_t o = 0; o < n_.outputs.size(); ++o) {
      if (output_input_[o] >= 0 &&
          level[static_cast<std::size_t>(output_input_[o])] != Bit::undriven)
        continue;
      seen |= contradicts(bad.shown(o), good.read_output(o, 0), n_.outputs[o].high);
    }
    return seen;
  }

  // Lanes in which the fixture and a tri-state driver meet on one line.
  Word contending(const Machines& m) const {
    Word w = no_lanes();
    for (std::size_t i = 0; i < n_.inputs.size(); ++i) {
      if (can_release_[i] == 0) continue;
      const NodeId raw = n_.inputs[i].raw;
      const Planes& given = m.at(n_.inputs[i].node);
      for (std::uint32_t k = n_.fanin_begin[raw]; k < n_.fanin_begin[raw + 1]; ++k) {
        const Planes& driver = m.at(n_.fanin[k]);
        if (n_.fanin[k] != n_.inputs[i].node && n_.op[raw] == Op::bus_tri)
          w |= (given.lo | given.hi) & (driver.lo | driver.hi);
      }
    }
    return w;
  }

  Word differing_lanes(const Machines& good, const Machines& bad,
                       const std::vector<std::vector<Bit>>& level) const {
    Word seen = no_lanes();
    for (std::uint32_t o = 0; o < n_.outputs.size(); ++o) {
      Word judged = all_lanes();
      if (output_input_[o] >= 0) {
        judged = no_lanes();
        for (std::size_t l = 0; l < kLanes; ++l)
          if (level[l][static_cast<std::size_t>(output_input_[o])] == Bit::undriven)
            judged |= one_lane(l);
      }
      const Planes g = good.shown(o), b = bad.shown(o);
      const Word zero = g.lo & ~g.hi, one = g.hi & ~g.lo, off = ~(g.lo | g.hi);
      for (const auto& [lanes, bit] :
           {std::pair{zero, Bit::zero}, std::pair{one, Bit::one}, std::pair{off, Bit::undriven}})
        if (any(lanes)) seen |= judged & lanes & contradicts(b, bit, n_.outputs[o].high);
    }
    return seen;
  }

  struct Walked {
    std::vector<std::uint8_t> done;
    std::size_t count(std::uint32_t f) const { return f < done.size() && done[f] != 0 ? 1 : 0; }
    void insert(std::uint32_t f) {
      if (done.size() <= f) done.resize(f + 1, 0);
      done[f] = 1;
    }
  };

  const Netlist& n_;
  const std::vector<Fault>& faults_;
  std::mt19937_64 random_;
  std::vector<std::uint8_t> shown_;
  std::vector<Bit> now_;
  double work_left_;
  std::vector<std::uint32_t> clocks_, levels_;
  std::vector<int> output_input_;  // a bidirectional output's input terminal, or -1
  std::optional<FrameClock> frame_clock_;
  std::vector<std::uint8_t> can_release_;  // inputs on shared nets
  std::vector<Batch> batches_;
  std::size_t open_at_rebuild_ = 0;
  std::vector<Move> moves_;
  std::size_t last_useful_ = 0;
  Walked walked_;
};

// Takes out steps, then changes of inputs, as long as every fault is still shown.
class Trimmer {
 public:
  Trimmer(const Netlist& n, const std::vector<Fault>& faults, double effort)
      : n_(n), work_left_(kTrimWork * effort) {
    for (std::size_t i = 0; i < n.inputs.size(); ++i)
      if (!n.inputs[i].clock) levels_.push_back(i);
    wanted_ = faults;
  }

  std::vector<Move> run(std::vector<Move> moves) {
    const std::vector<std::int64_t> first = sequence_detections(n_, wanted_, as_steps(n_, moves));
    std::vector<Fault> shown;
    for (std::size_t i = 0; i < first.size(); ++i)
      if (first[i] >= 0) shown.push_back(wanted_[i]);
    wanted_ = shown;
    for (std::size_t run = std::max<std::size_t>(1, moves.size() / 4); run > 0; run /= 2)
      remove_runs(moves, run);
    quieten(moves);
    remove_runs(moves, 1);
    return moves;
  }

 private:
  bool good_enough(const std::vector<Move>& moves) {
    work_left_ -= 20.0 * static_cast<double>(n_.size() * moves.size()) *
                  (1.0 + static_cast<double>(wanted_.size()) / kLanes);
    const std::vector<SequenceStep> steps = as_steps(n_, moves);
    if (!legal(moves)) return false;
    const std::vector<std::int64_t> first = sequence_detections(n_, wanted_, steps);
    return std::count(first.begin(), first.end(), -1) == 0;
  }

  // No step may make the fixture and a tri-state driver meet.
  bool legal(const std::vector<Move>& moves) const {
    bool shared = false;
    for (const Netlist::Terminal& t : n_.inputs) shared |= t.raw != t.node;
    if (!shared) return true;
    const std::vector<std::uint8_t> may_release = shared_inputs(n_);
    std::vector<Bit> before = rest_levels(n_);
    for (const Move& move : moves) {
      if (mixes(may_release, before, move.level)) return false;
      before = move.level;
    }
    Machines m(n_);
    m.settle();
    for (const SequenceStep& step : as_steps(n_, moves)) {
      apply_step(m, step);
      for (const Netlist::Terminal& t : n_.inputs) {
        if (t.raw == t.node || n_.op[t.raw] != Op::bus_tri || m.read(t.node, 0) == Bit::undriven)
          continue;
        for (std::uint32_t k = n_.fanin_begin[t.raw]; k < n_.fanin_begin[t.raw + 1]; ++k)
          if (n_.fanin[k] != t.node && m.read(n_.fanin[k], 0) != Bit::undriven) return false;
      }
    }
    return true;
  }

  void remove_runs(std::vector<Move>& moves, std::size_t run) {
    for (std::size_t end = moves.size(); end >= run && end > 0 && work_left_ > 0;
         end -= std::min(end, run)) {
      std::vector<Move> fewer(moves.begin(),
                              moves.begin() + static_cast<std::ptrdiff_t>(end - run));
      fewer.insert(fewer.end(), moves.begin() + static_cast<std::ptrdiff_t>(end), moves.end());
      if (good_enough(fewer)) moves = fewer;
    }
  }

  // A change of an input that can as well be left out, from its step up to the input's next change.
  void quieten(std::vector<Move>& moves) {
    const std::vector<Bit> rest = rest_levels(n_);
    for (std::size_t s = 0; s < moves.size(); ++s)
      for (const std::size_t i : levels_) {
        const Bit before = s == 0 ? rest[i] : moves[s - 1].level[i];
        const Bit now = moves[s].level[i];
        if (now == before || work_left_ <= 0) continue;
        std::vector<Move> calmer = moves;
        for (std::size_t k = s; k < calmer.size() && calmer[k].level[i] == now; ++k)
          calmer[k].level[i] = before;
        if (good_enough(calmer)) moves = calmer;
      }
  }

  const Netlist& n_;
  double work_left_;
  std::vector<std::size_t> levels_;
  std::vector<Fault> wanted_;
};

}  // namespace

std::vector<SequenceStep> generate_sequence(const Netlist& netlist,
                                            const std::vector<Fault>& faults,
                                            const GenerateOptions& options) {
  constexpr std::uint64_t kTries = 3;
  std::vector<SequenceStep> best;
  std::size_t best_shown = 0, best_relays = 0;
  for (std::uint64_t k = 0; k < kTries; ++k) {
    GenerateOptions mine = options;
    mine.seed = options.seed * 1000 + k;
    mine.effort = options.effort / static_cast<double>(kTries);
    std::vector<Move> moves = SequenceSearch(netlist, faults, mine).run();
    if (options.effort > 0.0) moves = Trimmer(netlist, faults, mine.effort).run(std::move(moves));
    std::vector<SequenceStep> steps = as_steps(netlist, moves);
    const std::vector<std::int64_t> first = sequence_detections(netlist, faults, steps);
    const std::size_t shown =
        first.size() - static_cast<std::size_t>(std::count(first.begin(), first.end(), -1));
    const std::size_t relays = relay_operations(netlist, steps);
    if (shown > best_shown ||
        (shown == best_shown &&
         (steps.size() < best.size() || (steps.size() == best.size() && relays < best_relays)))) {
      best = std::move(steps);
      best_shown = shown;
      best_relays = relays;
    }
  }
  return best;
}

}  // namespace tenterhook::circuit
