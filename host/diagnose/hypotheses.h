// What might be wrong with a board: every single cause that diagnosis weighs, and what each would
// show.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "host/circuit/faults.h"
#include "host/circuit/netlist.h"
#include "host/files/board.h"

namespace tenterhook::diagnose {

// What a cause makes of one reading or one touched net.
enum class Shows : std::uint8_t {
  zero,
  one,
  unknown,    // the model cannot know: predicts nothing
  undriven,   // reads as an open lead
  weak_zero,  // a 0 that has moved towards the middle, or into it
  weak_one,   // a 1 that has
  erratic,    // now right, now wrong
  contested,  // two outputs drive against each other
  dead,       // below any low: what is left when nothing works
};
inline constexpr std::size_t kShows = 9;

// Causes that change the volts and not the logic behind them act on one output line (`line`,
// `other`).
enum class Effect : std::uint8_t {
  logic,      // `faults`, simulated
  line_zero,  // the line's own end of the output is stuck; what else the gate feeds is right
  line_one,
  line_inverted,
  weak_zero,  // its 0 is no proper 0
  weak_one,   // its 1 is no proper 1
  shifted,    // its levels have moved and are still in their windows: `poor_low`, `poor_high`
  erratic,
  contested,  // `line` and `other` touch, neither wins
  leak,       // an input pin lets current through: no level moves, the other input's lead does
};
inline constexpr std::uint32_t kNoLine = 0xffffffffu;

struct Hypothesis {
  std::vector<circuit::Fault> faults;  // at once; empty for effects on a line
  Effect effect = Effect::logic;
  std::uint32_t line = kNoLine, other = kNoLine;  // index into Netlist::outputs
  bool at_reader = false;  // inside the pin of the net's only reader: the net itself is right
  bool poor_low = false, poor_high = false;       // weak_zero, weak_one, shifted: the levels that moved
  std::uint32_t dead_line = kNoLine;              // its 0 is that of a dead output
  circuit::NodeId at = circuit::kNoNode;  // where, for the reason
  std::string net;                        // where, for people
  std::vector<std::string> nets;          // every net it sits on: where its volts may be odd
  std::vector<std::string> near;          // nets of the gates it sits at: their leads may read oddly
  std::vector<std::string> leaks_from;    // Effect::leak: lines that reach `net` through the pin
  std::string fault;                      // "stuck-low", "missing input", ...
  std::vector<std::string> parts;         // references that would explain it; may be empty
  double weight = 1.0;                    // before anything is seen, relative to the others
};

// Every single cause: a pin or net stuck (a missing input is its idle level), both outputs of a
// flip-flop stuck, inverted outputs, swapped and bridged neighbours (adjacent on a bus, or nets of one
// gate), changes that come too late, leaking input pins, and the effects on output lines. Flat weights,
// but the variants of one bridge share one. At most kMaxHypotheses. Wiring has no part: the parts of
// swaps and bridges are empty.
inline constexpr std::size_t kMaxHypotheses = 200'000;
// Everything that could tie a net to something else: what drives it, and what sits at its readers' pins.
std::vector<std::string> parts_on(const circuit::Netlist& netlist, const std::string& net);

std::vector<Hypothesis> single_causes(const circuit::Netlist& netlist, const files::Board& board);

}  // namespace tenterhook::diagnose
