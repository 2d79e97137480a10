// Two-valued fault simulation of combinational circuits, 256 patterns side by side.
//
// Needs Netlist::combinational(). Stuck-at faults are not simulated one by one: inside a region
// without fan-out a fault's effect has one way out, so the chance to see each line is computed
// backwards from the region's stem; only stems are flipped and followed forwards, event by event,
// through the part of the circuit that they can reach. Exact, not an estimate. (Critical-path
// tracing within fan-out-free regions with explicit stem analysis; M. Abramovici, P. R. Menon & D.
// T. Miller, IEEE Design & Test, 1984; from memory.)
#pragma once

#include <cstdint>
#include <vector>

#include "host/circuit/faults.h"
#include "host/circuit/machines.h"
#include "host/circuit/netlist.h"

namespace tenterhook::circuit {

// A set of input patterns, 0 or 1 for each terminal of Netlist::inputs, packed for the simulator.
class Patterns {
 public:
  explicit Patterns(std::size_t inputs) : inputs_(inputs) {}
  std::size_t inputs() const { return inputs_; }
  std::size_t count() const { return count_; }
  std::size_t blocks() const { return (count_ + kLanes - 1) / kLanes; }
  void add(const std::vector<bool>& pattern);  // precondition: pattern.size() == inputs()
  void add_random(std::size_t count, std::uint64_t seed);
  bool get(std::size_t pattern, std::size_t input) const;
  std::vector<bool> pattern(std::size_t index) const;
  const Word* block(std::size_t index) const { return &words_[index * inputs_]; }
  Word lanes_used(std::size_t block) const;

 private:
  std::size_t inputs_ = 0, count_ = 0;
  std::vector<Word> words_;  // [block][input]
};

class PatternSimulator {
 public:
  explicit PatternSimulator(const Netlist& netlist);  // keeps a reference

  // Good values of all nodes for one block: one word an input terminal.
  void load(const Word* inputs);
  const Word& good(NodeId node) const { return value_[root_[node]]; }
  // seen[i] = the lanes in which faults[alive[i]] (stuck-at) shows on some output.
  void detect(const std::vector<Fault>& faults, const std::vector<std::uint32_t>& alive,
              std::vector<Word>& seen);
  // The same for one fault, by simulating the whole circuit again: slow and simple, the yardstick.
  Word resimulate(const Fault& fault);
  std::size_t gate_count() const { return gates_.size(); }

 private:
  Word evaluate(NodeId node, const std::vector<Word>& value) const;
  Word sensitised(NodeId gate, std::uint32_t pin) const;
  Word propagate(NodeId stem, const Word& where);
  void trace_pins(NodeId gate);

  const Netlist& netlist_;
  std::vector<NodeId> root_;  // through buffers that carry no choice of their own
  std::vector<std::uint32_t> in_begin_;
  std::vector<NodeId> in_;  // fan-in by root
  std::vector<std::uint32_t> out_begin_;
  std::vector<NodeId> out_;  // readers by root, each once
  std::vector<std::uint8_t> observed_, root_observed_;
  std::vector<NodeId> gates_;  // computed nodes in order
  std::vector<std::int32_t> input_of_;
  std::vector<NodeId> stem_;  // of the fan-out-free region that holds the node
  std::vector<Word> value_, faulty_;
  std::vector<Word> local_;   // lanes in which a change of the node reaches its stem
  std::vector<Word> wanted_;  // per stem: lanes in which a fault reaches it, then an output
  std::vector<std::uint8_t> need_, queued_;
  std::vector<std::uint32_t> level_, level_begin_, level_count_;
  std::vector<NodeId> queue_, touched_list_;
};

// Index of the first pattern that shows each fault, or -1. A fault is dropped once shown.
std::vector<std::int64_t> first_detections(const Netlist& netlist, const std::vector<Fault>& faults,
                                           const Patterns& patterns);

}  // namespace tenterhook::circuit
