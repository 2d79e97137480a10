// The board's circuit as a flat graph of nodes in evaluation order.
//
// Every place where a single wire can be stuck is a node of its own: a net (its stem), each pin
// that a net with several readers feeds (a branch), each lead on an output that is also read
// inside, and each driver of a shared net. A fault is therefore always "this node", and counting
// lines or faults is counting nodes. This is the line model of the ISCAS netlists (Brglez &
// Fujiwara 1985; Brglez, Bryan & Kozminski 1989): a net with one reader is one line, a net with n >
// 1 readers is 1 + n lines, and observation (an output line, the data pin of a scanned flip-flop)
// counts as a reader.
//
// Flat arrays, because fault simulation reads them millions of times a second.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <unordered_map>
#include <vector>

#include "host/base/result.h"
#include "host/files/board.h"

namespace tenterhook::circuit {

using NodeId = std::uint32_t;
inline constexpr NodeId kNoNode = 0xffffffffu;

enum class Op : std::uint8_t {
  input,    // the fixture's value; no fan-in
  one,      // constant 1
  unknown,  // a net whose parts are not built: x for ever
  buf,
  inv,
  conj,
  nand,
  disj,
  nor,
  parity,
  xnor,
  drive,    // tri-state driver: data, enable -> value or undriven
  bus_tri,  // several drivers, undriven ones ignored, disagreement is unknown
  bus_or,   // wired-or: 1 wins, 0 when nobody drives
  bus_and,  // wired-and: 0 wins, 1 when nobody drives
  clean,    // what a gate sees of a net that may be undriven: undriven reads as unknown
  table,    // one output of a truth table
  state,    // output of a state element; its pins are in Netlist::states
};

enum class StateKind : std::uint8_t { d_edge, t_edge, jk_edge, d_latch, sr_latch };

// A flip-flop acts on the rising edge of `clock` (a falling one has an inverter before it).
struct StateElement {
  StateKind kind = StateKind::d_edge;
  NodeId node = kNoNode;                  // its output
  NodeId a = kNoNode, b = kNoNode;        // D, T, J or S; K or R
  NodeId clock = kNoNode;                 // or the latch's enable
  NodeId set = kNoNode, clear = kNoNode;  // asynchronous, active high; kNoNode = absent
};

// One output of a table gate: the value for each input combination, input 0 being the highest bit.
struct Truth {
  std::vector<files::Bit> value;  // zero, one, or any where the table says nothing
};

// What a node stands for.
struct Site {
  enum class Kind : std::uint8_t { stem, branch, lead, driver, inner } kind = Kind::inner;
  std::uint32_t net = 0;   // index into Netlist::net_names
  std::int32_t gate = -1;  // reading gate of a branch, driving gate of a stem or driver; -1 = none
  std::string pin;         // "in1", "clock", "out", ... ; empty for leads and input lines
};

struct Netlist {
  // Per node, in evaluation order (fan-in first, except around loops and through states).
  std::vector<Op> op;
  std::vector<std::uint32_t> fanin_begin;  // size() + 1 entries
  std::vector<NodeId> fanin;
  std::vector<std::uint32_t> fanout_begin;  // size() + 1 entries; readers among nodes, not states
  std::vector<NodeId> fanout;
  std::vector<Site> site;
  std::vector<std::int32_t> truth_of;  // index into truths, -1 = not a table
  std::vector<files::Bit> weak;  // bus_tri, input: level when nobody drives (a pull), or undriven
  std::vector<Truth> truths;
  std::vector<StateElement> states;

  std::vector<std::string> net_names;
  std::unordered_map<std::string, std::uint32_t> net_index;
  std::vector<NodeId>
      net_node;  // per net: what its readers see; kNoNode for an output nobody builds
  std::vector<NodeId> net_raw;  // per net: before `clean`, so that undriven shows; else = net_node

  struct Terminal {
    std::string line;
    NodeId node = kNoNode;  // input: the node to set; output: the node that the lead shows
    NodeId raw = kNoNode;   // output: the same before `clean`
    bool clock = false;
    files::Bit rest = files::Bit::zero;
    files::Bit high = files::Bit::one;  // the logic value that is the high level
  };
  std::vector<Terminal> inputs;   // lines of kind input, clock, both; board order
  std::vector<Terminal> outputs;  // lines of kind output, both; board order
  std::vector<files::Gate> gates;
  bool has_loops = false;  // combinational loops: gates that hold by themselves

  std::size_t size() const { return op.size(); }
  // No state, loop, shared net or unspecified table row: the fast two-valued methods apply.
  bool combinational() const;
  std::optional<std::uint32_t> find_net(const std::string& name) const;
  // "Q0", "A at Y.in1" (the pin of the gate that drives Y), "Q0 lead", "B0 from gate 3".
  std::string label(NodeId node) const;
  const std::string& net_of(NodeId node) const { return net_names[site[node].net]; }
  // Part references that could cause a fault of this node; empty when the file names none.
  std::vector<std::string> parts_of(NodeId node) const;
};

// Checks connectivity and builds the graph. Errors (Trouble::input, with the gate's
// file:line:column): a net that is read but driven by nothing, two drivers on a net that is not
// wired, a gate driving an input line, pins missing or too many, a malformed table. Bounded by
// kMaxNodes and kMaxFanIn.
Result<Netlist> build_netlist(const files::Board& board);

// `build:` of a buffer that only shows a net on a line (a scanned flip-flop's data pin): no line of
// its own.
inline constexpr const char* kScanView = "scan";
inline constexpr std::size_t kMaxNodes = 4'000'000;
inline constexpr std::size_t kMaxFanIn = 4096;
inline constexpr std::size_t kMaxTableInputs = 12;

}  // namespace tenterhook::circuit
