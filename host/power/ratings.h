// What a board's rails will draw when its file does not say: estimated from the circuit's `build:` names.
#pragma once

#include <vector>

#include "host/files/board.h"

namespace tenterhook::power {

// The rail's own `draws`, else estimates. Rated currents and where they come from: ratings.cpp.
struct RailDraws {
  std::vector<files::Draw> draws;
  bool estimated = false;
};
RailDraws draws_of(const files::Board& board, const files::Rail& rail);

}  // namespace tenterhook::power
