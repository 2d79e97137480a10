// tenterhook propose BOARD: vectors, expectations and windows written from a board that a person vouches for.
#pragma once

#include <string>

#include "host/commands/options.h"

namespace tenterhook::commands {

struct ProposeOptions {
  BenchOptions bench;
  std::string board;
  std::string out;     // "" = standard output
  int rounds = 3;      // the board is powered so often; what differs is not expected
};
// The file is marked `approved: no`: `run` refuses it until a person has read it and put a name there. Exit code: 0
// written, 2 bad input, 3 the fixture or a trip, 4 written, but something was undecided or contradicts the board's circuit.
int propose(const ProposeOptions& options);

}  // namespace tenterhook::commands
