// Finds a test for a stuck-at fault, or proves that there is none, by satisfiability.
//
// The circuit and its faulty copy (only the part that the fault can reach) become clauses; a chain
// of differences must lead from the fault to an observed node (T. Larrabee, "Test pattern
// generation using Boolean satisfiability", IEEE Trans. CAD 11(1), 1992; from memory). State
// elements are treated as scanned: their outputs free, their pins observed while the element
// listens to them. So "untestable" is a proof for a sequential circuit too, while a test for one
// may need a state that cannot be reached.
#pragma once

#include <cstdint>
#include <memory>
#include <vector>

#include "host/circuit/faults.h"
#include "host/circuit/netlist.h"

namespace tenterhook::circuit {

enum class Proof : std::uint8_t { test, untestable, gave_up };

// Only gates, tables that say everything, and state elements: no shared nets, no loops.
bool provable(const Netlist& netlist);

struct FoundTest {
  Proof proof = Proof::gave_up;
  std::vector<bool> inputs;  // proof == test: one bit an input terminal
};
// Precondition: provable(netlist), a stuck-at fault. Gives up after `conflicts_max` conflicts.
FoundTest find_test(const Netlist& netlist, const Fault& fault, int conflicts_max = 2'000'000);

// Packs many faults into one pattern: every fault asked for gets a literal "this one is shown".
class TestPacker {
 public:
  explicit TestPacker(const Netlist& netlist);  // keeps a reference; provable() and no states
  ~TestPacker();
  TestPacker(const TestPacker&) = delete;
  TestPacker& operator=(const TestPacker&) = delete;
  // A pattern that shows all of `wanted` and `also`; none when there is none or it is too hard.
  bool pack(const std::vector<Fault>& wanted, const Fault& also, int conflicts_max,
            std::vector<bool>& inputs);
  // Prefer these values where the pattern is free (phases, not constraints).
  void prefer(const std::vector<bool>& inputs);

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace tenterhook::circuit
