// Faults of a circuit, their equivalence classes, and their names.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "host/circuit/netlist.h"

namespace tenterhook::circuit {

enum class FaultKind : std::uint8_t {
  stuck_zero,
  stuck_one,  // the node keeps a logic value
  inverted,   // the node shows the complement
  bridge_and,
  bridge_or,  // `at` and `other` touch: 0 wins, or 1 wins
  dominated,  // `at` follows `other`, which is the stronger
  swapped,    // `at` and `other` are exchanged
  slow_rise,
  slow_fall,  // the change arrives one settling too late
  open,       // the wire is broken: unknown level
};

struct Fault {
  NodeId at = kNoNode;
  FaultKind kind = FaultKind::stuck_zero;
  NodeId other = kNoNode;
  friend bool operator==(const Fault&, const Fault&) = default;
};

// The single stuck-at faults of a circuit: two a line. Lines are nodes whose site is not `inner`.
struct FaultList {
  std::size_t lines = 0;
  std::vector<Fault> uncollapsed;       // node order, stuck_zero before stuck_one
  std::vector<std::uint32_t> class_of;  // per uncollapsed fault: index into representatives
  std::vector<Fault> representatives;   // one a class: the member nearest to the inputs
};

// Structural equivalence: a controlling value on a gate's only-read input equals the output's
// forced value; both values through a buffer or inverter. Nothing is merged across flip-flops,
// latches, tables, tri-state drivers or shared nets, nor by dominance.
FaultList stuck_at_faults(const Netlist& netlist);

// Faults beyond stuck-at, for the same simulators. Neighbours are nets that enter one gate
// together, or adjacent lines of one bus: common practice, no source.
std::vector<Fault> inverted_faults(const Netlist& netlist);
std::vector<Fault> transition_faults(const Netlist& netlist);
std::vector<Fault> swapped_faults(const Netlist& netlist, const files::Board& board);
std::vector<Fault> bridge_faults(const Netlist& netlist, const files::Board& board);
std::vector<Fault> open_faults(const Netlist& netlist);
// A diode or lead missing from a gate's input: the stuck-at that leaves the other inputs in charge.
std::vector<Fault> missing_input_faults(const Netlist& netlist);

// "stuck-low", "bridged-and"; a line of a family in which 1 is the low level turns low and high
// round.
std::string fault_name(const Netlist& netlist, const files::Board& board, const Fault& fault);

}  // namespace tenterhook::circuit
