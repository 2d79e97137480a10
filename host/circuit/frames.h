// Tests for sequential circuits by time-frame expansion and satisfiability, three-valued.
//
// For circuits with one clock line that clocks every flip-flop directly, all on the same edge, and
// whose set and clear pins depend on inputs alone. A frame is a step: set the inputs, pulse the
// clock once, look. Each node has two literals, "can be 0" and "can be 1", so that a state which is
// not known stays unknown; a test found is a test for every power-up.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "host/circuit/faults.h"
#include "host/circuit/netlist.h"

namespace tenterhook::circuit {

struct FrameClock {
  std::size_t input = 0;               // terminal of the clock line
  std::vector<std::uint8_t> on_clock;  // per node: 1 = between the clock line and the flip-flops
};
// The clock if the circuit is of that kind.
std::optional<FrameClock> frame_clock(const Netlist& netlist);

// Input patterns (one a frame, `frames` of them) that lead from the given states (one Bit an
// element: zero, one or any) to an output that certainly contradicts, in the last frame; nothing
// when there are none or `conflicts_max` was reached. Precondition: a stuck-at fault that is not on
// the clock.
std::optional<std::vector<std::vector<bool>>> find_frames(const Netlist& netlist,
                                                          const FrameClock& clock,
                                                          const Fault& fault,
                                                          const std::vector<files::Bit>& good_state,
                                                          const std::vector<files::Bit>& bad_state,
                                                          std::size_t frames, int conflicts_max);

}  // namespace tenterhook::circuit
