// What a set of vectors would catch: detected, missed and provably untestable faults.
#pragma once

#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/circuit/faults.h"
#include "host/circuit/netlist.h"
#include "host/circuit/sequence.h"

namespace tenterhook::circuit {

struct Coverage {
  FaultList list;  // single stuck-at faults and their classes
  std::vector<std::int64_t>
      first_step;  // per class: step (from 0) at which it first shows; -1 = never
  std::vector<std::uint8_t> untestable;  // per class: 1 = proved that no vectors can show it
  std::vector<std::uint8_t> gave_up;  // per class: 1 = not shown, and the proof ran out of effort
  std::size_t detected() const;
  std::size_t untestable_count() const;
  double coverage() const;  // detected / (classes - untestable); 1 when there is nothing to detect
};

// Stuck-at coverage of resolved steps. `prove`: try to prove the undetected classes untestable.
Coverage stuck_at_coverage(const Netlist& netlist, const std::vector<SequenceStep>& steps,
                           bool prove = true);

// Classes among `faults` (all stuck-at) that no input sequence can show; only where provable().
std::vector<std::uint8_t> prove_untestable(const Netlist& netlist, const std::vector<Fault>& faults,
                                           std::vector<std::uint8_t>* gave_up = nullptr);

}  // namespace tenterhook::circuit
