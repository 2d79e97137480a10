// In which order a vectors file may be repeated without the board being off in between.
//
// A step from which a board, whatever it remembers and whatever its inputs were, comes to exactly the state
// that it has there in the file's own order may follow any other step. Such steps cut the file into blocks;
// the blocks may be shuffled. The circuit model decides (three-valued, so that an unknown stays unknown).
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/vectors.h"

namespace tenterhook::repeat {

constexpr int kPassesMost = 10'000;
constexpr long kStepsMost = 100'000;  // of all passes together: they are one record

struct Order {
  std::vector<int> starts;               // first step of each block; starts[0] == 0
  std::vector<std::vector<int>> passes;  // blocks in their order, a pass each; the first pass is the file's own
  bool varied = false;
  std::string why;                       // one sentence: what is varied, or why nothing can be
};

// Shuffled by `seed` (splitmix64, Fisher-Yates). Errors (input): too many passes or steps.
Result<Order> order_of(const files::Vectors& vectors, int passes, std::uint64_t seed);

// The steps of all passes, one after another: indices into the file's steps, of which there are `steps`.
std::vector<int> steps_in_order(const Order& order, int steps);

}  // namespace tenterhook::repeat
