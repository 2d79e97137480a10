// Makes steps that catch every testable stuck-at fault of a circuit: few, and moving few relays.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/circuit/coverage.h"
#include "host/circuit/netlist.h"
#include "host/circuit/patterns.h"
#include "host/circuit/sequence.h"

namespace tenterhook::circuit {

struct GenerateOptions {
  std::uint64_t seed = 1;
  // Effort of compaction and of the search on sequential circuits, in arbitrary units; 1 is the
  // default, 0 skips compaction.
  double effort = 1.0;
};

struct Generated {
  std::vector<SequenceStep> steps;   // `set` holds only what changes; `judge` every known output
  Coverage coverage;                 // of exactly these steps
  std::size_t relay_operations = 0;  // changes of inputs other than clocks, from rest on
};

// Combinational circuits: random patterns, then a test or a proof for each fault that is left, then
// compaction by packing faults into patterns, then a short tour through the patterns. Sequential
// ones, and shared nets: steps are chosen one at a time by what they show and prepare in all faulty
// machines, from unknown power-up; then steps that prove superfluous are taken out. Deterministic
// for a seed. Errors: a circuit without inputs or outputs.
Result<Generated> generate(const Netlist& netlist, const GenerateOptions& options);

// Changes of inputs other than clocks over the steps, from rest on: one relay operation each.
std::size_t relay_operations(const Netlist& netlist, const std::vector<SequenceStep>& steps);

// An order of the patterns in which few bits change from one to the next, starting from `rest`: a
// reflected Gray code for all patterns of a width, else a nearest-neighbour tour improved by 2-opt
// and by moving short runs. Returns indices into `patterns`.
std::vector<std::size_t> quiet_order(const std::vector<std::vector<bool>>& patterns,
                                     const std::vector<bool>& rest);

// Combinational circuits only (Netlist::combinational()).
std::vector<std::vector<bool>> generate_patterns(const Netlist& netlist, const FaultList& list,
                                                 const GenerateOptions& options,
                                                 std::vector<std::uint8_t>& untestable,
                                                 std::vector<std::uint8_t>& gave_up);
// Any circuit; makes `judge` for the faults that it aims at.
std::vector<SequenceStep> generate_sequence(const Netlist& netlist,
                                            const std::vector<Fault>& faults,
                                            const GenerateOptions& options);

}  // namespace tenterhook::circuit
