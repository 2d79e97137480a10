#include "host/circuit/patterns.h"

#include <algorithm>
#include <numeric>
#include <random>

namespace tenterhook::circuit {

void Patterns::add(const std::vector<bool>& pattern) {
  const std::size_t lane = count_ % kLanes;
  if (lane == 0) words_.resize(words_.size() + inputs_, no_lanes());
  Word* last = words_.data() + (words_.size() - inputs_);
  for (std::size_t i = 0; i < inputs_; ++i)
    if (pattern[i]) last[i] |= one_lane(lane);
  ++count_;
}

void Patterns::add_random(std::size_t count, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  std::vector<bool> pattern(inputs_);
  for (std::size_t k = 0; k < count; ++k) {
    if (count_ % kLanes == 0 && count - k >= kLanes) {  // whole blocks at once
      for (std::size_t i = 0; i < inputs_; ++i)
        words_.push_back(Word{random(), random(), random(), random()});
      count_ += kLanes;
      k += kLanes - 1;
      continue;
    }
    for (std::size_t i = 0; i < inputs_; ++i) pattern[i] = (random() & 1u) != 0;
    add(pattern);
  }
}

bool Patterns::get(std::size_t pattern, std::size_t input) const {
  return test(words_[pattern / kLanes * inputs_ + input], pattern % kLanes);
}

std::vector<bool> Patterns::pattern(std::size_t index) const {
  std::vector<bool> bits(inputs_);
  for (std::size_t i = 0; i < inputs_; ++i) bits[i] = get(index, i);
  return bits;
}

Word Patterns::lanes_used(std::size_t block) const {
  const std::size_t used = std::min(kLanes, count_ - block * kLanes);
  Word w = no_lanes();
  for (std::size_t k = 0; k < kLanes / 64; ++k) {
    if (used >= 64 * (k + 1))
      w[k] = ~std::uint64_t{0};
    else if (used > 64 * k)
      w[k] = (std::uint64_t{1} << (used - 64 * k)) - 1;
  }
  return w;
}

PatternSimulator::PatternSimulator(const Netlist& n) : netlist_(n) {
  const std::size_t size = n.size();
  const auto fanouts = [&](NodeId i) { return n.fanout_begin[i + 1] - n.fanout_begin[i]; };
  root_.resize(size);
  observed_.assign(size, 0);
  root_observed_.assign(size, 0);
  input_of_.assign(size, -1);
  for (std::size_t i = 0; i < n.inputs.size(); ++i)
    input_of_[n.inputs[i].node] = static_cast<std::int32_t>(i);
  for (NodeId i = 0; i < size; ++i)
    root_[i] = n.op[i] == Op::buf && fanouts(i) <= 1 ? root_[n.fanin[n.fanin_begin[i]]] : i;
  for (const Netlist::Terminal& t : n.outputs)
    observed_[t.node] = root_observed_[root_[t.node]] = 1;

  // The stem of a fan-out-free region: observed, or read by several or none.
  stem_.resize(size);
  for (NodeId i = static_cast<NodeId>(size); i-- > 0;)
    stem_[i] = observed_[i] != 0 || fanouts(i) != 1 ? i : stem_[n.fanout[n.fanout_begin[i]]];

  level_.assign(size, 0);
  out_begin_.assign(size + 1, 0);
  for (NodeId i = 0; i < size; ++i) {
    in_begin_.push_back(static_cast<std::uint32_t>(in_.size()));
    if (root_[i] != i) continue;
    for (std::uint32_t k = n.fanin_begin[i]; k < n.fanin_begin[i + 1]; ++k) {
      in_.push_back(root_[n.fanin[k]]);
      level_[i] = std::max(level_[i], level_[in_.back()] + 1);
    }
    if (n.op[i] != Op::input) gates_.push_back(i);
  }
  in_begin_.push_back(static_cast<std::uint32_t>(in_.size()));
  std::vector<std::vector<NodeId>> readers(size);
  for (NodeId i = 0; i < size; ++i)
    for (std::uint32_t k = in_begin_[i]; k < in_begin_[i + 1]; ++k)
      if (readers[in_[k]].empty() || readers[in_[k]].back() != i) readers[in_[k]].push_back(i);
  for (NodeId i = 0; i < size; ++i) {
    out_begin_[i] = static_cast<std::uint32_t>(out_.size());
    out_.insert(out_.end(), readers[i].begin(), readers[i].end());
  }
  out_begin_[size] = static_cast<std::uint32_t>(out_.size());

  const std::uint32_t levels =
      level_.empty() ? 1 : *std::max_element(level_.begin(), level_.end()) + 1;
  level_begin_.assign(levels + 1, 0);
  for (const std::uint32_t l : level_) ++level_begin_[l + 1];
  std::partial_sum(level_begin_.begin(), level_begin_.end(), level_begin_.begin());
  level_count_.assign(levels, 0);
  queue_.resize(size);
  value_.assign(size, no_lanes());
  faulty_ = local_ = wanted_ = value_;
  need_.assign(size, 0);
  queued_ = need_;
}

Word PatternSimulator::evaluate(NodeId node, const std::vector<Word>& value) const {
  const NodeId* f = in_.data() + in_begin_[node];
  const NodeId* end = in_.data() + in_begin_[node + 1];
  const Op op = netlist_.op[node];
  switch (op) {
    case Op::inv:
      return ~value[*f];
    case Op::conj:
    case Op::nand: {
      Word v = value[*f];
      for (++f; f != end; ++f) v &= value[*f];
      return op == Op::conj ? v : ~v;
    }
    case Op::disj:
    case Op::nor: {
      Word v = value[*f];
      for (++f; f != end; ++f) v |= value[*f];
      return op == Op::disj ? v : ~v;
    }
    case Op::parity:
    case Op::xnor: {
      Word v = value[*f];
      for (++f; f != end; ++f) v ^= value[*f];
      return op == Op::parity ? v : ~v;
    }
    case Op::one:
      return all_lanes();
    case Op::table: {
      const Truth& truth = netlist_.truths[static_cast<std::size_t>(netlist_.truth_of[node])];
      const std::size_t inputs = static_cast<std::size_t>(end - f);
      Word v = no_lanes();
      for (std::size_t m = 0; m < truth.value.size(); ++m) {
        if (truth.value[m] != files::Bit::one) continue;
        Word match = all_lanes();
        for (std::size_t i = 0; i < inputs; ++i)
          match &= ((m >> (inputs - 1 - i)) & 1u) != 0 ? value[f[i]] : ~value[f[i]];
        v |= match;
      }
      return v;
    }
    default:
      return value[*f];  // buf
  }
}

void PatternSimulator::load(const Word* inputs) {
  for (std::size_t i = 0; i < netlist_.inputs.size(); ++i)
    value_[netlist_.inputs[i].node] = inputs[i];
  for (const NodeId gate : gates_) value_[gate] = evaluate(gate, value_);
}

// Lanes in which a change of this pin alone changes the gate's output.
Word PatternSimulator::sensitised(NodeId gate, std::uint32_t pin) const {
  const std::uint32_t begin = netlist_.fanin_begin[gate], end = netlist_.fanin_begin[gate + 1];
  const Op op = netlist_.op[gate];
  Word w = all_lanes();
  switch (op) {
    case Op::conj:
    case Op::nand:
      for (std::uint32_t k = begin; k < end; ++k)
        if (k != pin) w &= good(netlist_.fanin[k]);
      return w;
    case Op::disj:
    case Op::nor:
      for (std::uint32_t k = begin; k < end; ++k)
        if (k != pin) w &= ~good(netlist_.fanin[k]);
      return w;
    case Op::table: {
      const Truth& truth = netlist_.truths[static_cast<std::size_t>(netlist_.truth_of[gate])];
      const std::size_t inputs = end - begin,
                        flipped = std::size_t{1} << (inputs - 1 - (pin - begin));
      w = no_lanes();
      for (std::size_t m = 0; m < truth.value.size(); ++m) {
        if (truth.value[m] == truth.value[m ^ flipped]) continue;
        Word match = all_lanes();
        for (std::size_t i = 0; i < inputs; ++i) {
          const Word& v = good(netlist_.fanin[begin + i]);
          match &= ((m >> (inputs - 1 - i)) & 1u) != 0 ? v : ~v;
        }
        w |= match;
      }
      return w;
    }
    default:
      return w;  // buf, inv, parity: always
  }
}

// Hands a gate's observability at its stem to those of its pins that are read by nothing else.
void PatternSimulator::trace_pins(NodeId gate) {
  for (std::uint32_t k = netlist_.fanin_begin[gate]; k < netlist_.fanin_begin[gate + 1]; ++k) {
    const NodeId pin = netlist_.fanin[k];
    if (need_[pin] != 0 && stem_[pin] != pin) local_[pin] = local_[gate] & sensitised(gate, k);
  }
}

// Flips a stem in the lanes of `where` and follows the difference to the outputs.
Word PatternSimulator::propagate(NodeId stem, const Word& where) {
  if (observed_[stem] != 0) return where;
  Word seen = root_observed_[stem] != 0 ? where : no_lanes();
  std::uint32_t low = static_cast<std::uint32_t>(level_count_.size()), high = 0;
  const auto push_readers = [&](NodeId node) {
    for (std::uint32_t k = out_begin_[node]; k < out_begin_[node + 1]; ++k) {
      const NodeId reader = out_[k];
      if (queued_[reader] != 0) continue;
      queued_[reader] = 1;
      const std::uint32_t l = level_[reader];
      queue_[level_begin_[l] + level_count_[l]++] = reader;
      low = std::min(low, l);
      high = std::max(high, l);
    }
  };
  const auto change = [&](NodeId node, const Word& v) {
    faulty_[node] = v;
    touched_list_.push_back(node);
    push_readers(node);
  };
  // faulty_ equals value_ outside the touched nodes: put back below.
  change(stem, value_[stem] ^ where);
  for (std::uint32_t l = low; l <= high && l < level_count_.size(); ++l) {
    for (std::uint32_t i = 0; i < level_count_[l]; ++i) {
      const NodeId node = queue_[level_begin_[l] + i];
      queued_[node] = 0;
      const Word v = evaluate(node, faulty_);
      const Word difference = v ^ value_[node];
      if (!any(difference)) continue;
      if (root_observed_[node] != 0) seen |= difference;
      change(node, v);
    }
    level_count_[l] = 0;
  }
  for (const NodeId node : touched_list_) faulty_[node] = value_[node];
  touched_list_.clear();
  return seen;
}

void PatternSimulator::detect(const std::vector<Fault>& faults,
                              const std::vector<std::uint32_t>& alive, std::vector<Word>& seen) {
  const NodeId size = static_cast<NodeId>(netlist_.size());
  std::fill(need_.begin(), need_.end(), std::uint8_t{0});
  for (const std::uint32_t f : alive) need_[faults[f].at] = 1;
  for (NodeId i = 0; i < size; ++i)
    for (std::uint32_t k = netlist_.fanin_begin[i]; k < netlist_.fanin_begin[i + 1]; ++k) {
      const NodeId pin = netlist_.fanin[k];
      if (netlist_.fanout_begin[pin + 1] - netlist_.fanout_begin[pin] == 1) need_[i] |= need_[pin];
    }
  faulty_ = value_;
  for (NodeId i = size; i-- > 0;) {
    if (need_[i] == 0) continue;
    if (stem_[i] == i) {
      local_[i] = all_lanes();
      wanted_[i] = no_lanes();
    }
    trace_pins(i);
  }
  seen.resize(alive.size());
  for (std::size_t i = 0; i < alive.size(); ++i) {
    const Fault& f = faults[alive[i]];
    const Word& v = good(f.at);
    seen[i] = local_[f.at] & (f.kind == FaultKind::stuck_one ? ~v : v);
    wanted_[stem_[f.at]] |= seen[i];
  }
  for (NodeId i = 0; i < size; ++i)
    if (need_[i] != 0 && stem_[i] == i && any(wanted_[i])) wanted_[i] = propagate(i, wanted_[i]);
  for (std::size_t i = 0; i < alive.size(); ++i) seen[i] &= wanted_[stem_[faults[alive[i]].at]];
}

Word PatternSimulator::resimulate(const Fault& fault) {
  const Word forced = fault.kind == FaultKind::stuck_one ? all_lanes() : no_lanes();
  std::vector<Word>& v = faulty_;
  v.resize(netlist_.size());
  for (NodeId i = 0; i < netlist_.size(); ++i) {
    if (i == fault.at) {
      v[i] = forced;
      continue;
    }
    if (root_[i] == i && netlist_.op[i] != Op::buf) {
      // Pins by their own nodes here, so that a fault on a branch reaches its own gate only.
      const NodeId* f = netlist_.fanin.data() + netlist_.fanin_begin[i];
      const std::size_t pins = netlist_.fanin_begin[i + 1] - netlist_.fanin_begin[i];
      if (netlist_.op[i] == Op::input) {
        v[i] = value_[i];
        continue;
      }
      Word w = pins == 0 ? all_lanes() : v[f[0]];
      const Op op = netlist_.op[i];
      if (op == Op::table) {
        const Truth& truth = netlist_.truths[static_cast<std::size_t>(netlist_.truth_of[i])];
        w = no_lanes();
        for (std::size_t m = 0; m < truth.value.size(); ++m) {
          if (truth.value[m] != files::Bit::one) continue;
          Word match = all_lanes();
          for (std::size_t k = 0; k < pins; ++k)
            match &= ((m >> (pins - 1 - k)) & 1u) != 0 ? v[f[k]] : ~v[f[k]];
          w |= match;
        }
      }
      for (std::size_t k = 1; k < pins && op != Op::table; ++k) {
        if (op == Op::conj || op == Op::nand) w &= v[f[k]];
        if (op == Op::disj || op == Op::nor) w |= v[f[k]];
        if (op == Op::parity || op == Op::xnor) w ^= v[f[k]];
      }
      if (op == Op::nand || op == Op::nor || op == Op::xnor || op == Op::inv) w = ~w;
      v[i] = w;
    } else {
      v[i] = v[netlist_.fanin[netlist_.fanin_begin[i]]];
    }
  }
  Word seen = no_lanes();
  for (const Netlist::Terminal& t : netlist_.outputs) seen |= v[t.node] ^ good(t.node);
  return seen;
}

std::vector<std::int64_t> first_detections(const Netlist& netlist, const std::vector<Fault>& faults,
                                           const Patterns& patterns) {
  std::vector<std::int64_t> first(faults.size(), -1);
  std::vector<std::uint32_t> alive(faults.size());
  std::iota(alive.begin(), alive.end(), 0u);
  PatternSimulator simulator(netlist);
  std::vector<Word> seen;
  for (std::size_t b = 0; b < patterns.blocks() && !alive.empty(); ++b) {
    simulator.load(patterns.block(b));
    simulator.detect(faults, alive, seen);
    const Word used = patterns.lanes_used(b);
    std::size_t kept = 0;
    for (std::size_t i = 0; i < alive.size(); ++i) {
      const Word w = seen[i] & used;
      if (!any(w)) {
        alive[kept++] = alive[i];
        continue;
      }
      for (std::size_t k = 0; k < kLanes / 64; ++k) {
        if (w[k] == 0) continue;
        first[alive[i]] = static_cast<std::int64_t>(
            b * kLanes + 64 * k + static_cast<std::size_t>(__builtin_ctzll(w[k])));
        break;
      }
    }
    alive.resize(kept);
  }
  return first;
}

}  // namespace tenterhook::circuit
