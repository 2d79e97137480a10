// Steps one good board by names, as the fixture would step the real one: what should each net show?
//
// Power-up is unknown; a value is 0 or 1 only when it follows from what was set since, whatever the
// board woke up with and whichever of two racing changes came first.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/board.h"
#include "host/files/vectors.h"

namespace tenterhook::circuit {

class Simulator {
 public:
  // Errors: everything build_netlist() refuses, and a board without a circuit.
  static Result<Simulator> make(const files::Board& board);
  Simulator(Simulator&&) noexcept;
  Simulator& operator=(Simulator&&) noexcept;
  ~Simulator();

  // All states unknown, every input at its line's rest, settled.
  void power_up();
  // Sets lines (not buses) together, then settles. `any` = unknown, `undriven` = the fixture lets
  // go. Unknown names and lines that the fixture cannot drive are input errors.
  Status set(const std::vector<std::pair<std::string, files::Bit>>& lines);
  // `count` pulses of a clock line away from its present level and back, settling at each level.
  Status pulse(const std::string& clock, int count = 1);
  // set, then pulse, as a step of a vectors file does; expectations are not looked at.
  Status step(const files::Step& step);

  // Level of a line or inner net: zero, one, any (unknown) or undriven (nobody drives it and no
  // pull).
  Result<files::Bit> read(const std::string& net) const;
  bool has_net(const std::string& net) const;
  // Every output line (kind out and both) with its level, in board order. A bidirectional line that
  // the fixture drives at the moment is left out.
  std::vector<std::pair<std::string, files::Bit>> outputs() const;
  // Bidirectional and wired lines that the fixture drives to 0 or 1 while a gate may drive them
  // too.
  std::vector<std::string> contentions() const;

 private:
  struct State;
  explicit Simulator(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace tenterhook::circuit
