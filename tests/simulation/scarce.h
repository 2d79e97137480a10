// Memory that ends for the host, and only for it: one allocation of this thread throws std::bad_alloc.
#pragma once

#include <cstdint>

namespace tenterhook::simulation::scarce {

// The allocation of that number from now fails, once; 0: none does.
void fail_allocation(std::uint64_t number);
// Whether it has, since the last fail_allocation().
bool failed();

// While it lives nothing fails: the world around the host has all the memory it wants.
class Plenty {
 public:
  Plenty();
  ~Plenty();
  Plenty(const Plenty&) = delete;
  Plenty& operator=(const Plenty&) = delete;
};

}  // namespace tenterhook::simulation::scarce
