#include "tests/simulation/scarce.h"

#include <cstdlib>
#include <new>

namespace tenterhook::simulation::scarce {

namespace {

thread_local std::uint64_t left = 0;  // allocations until one fails; 0: none will
thread_local int plenty = 0;
thread_local bool has_failed = false;

}  // namespace

void fail_allocation(std::uint64_t number) {
  left = number;
  has_failed = false;
}
bool failed() { return has_failed; }
Plenty::Plenty() { ++plenty; }
Plenty::~Plenty() { --plenty; }

void* allocate(std::size_t size) {
  if (left != 0 && plenty == 0 && --left == 0) {
    has_failed = true;
    throw std::bad_alloc();
  }
  void* const memory = std::malloc(size == 0 ? 1 : size);
  if (memory == nullptr) throw std::bad_alloc();
  return memory;
}

}  // namespace tenterhook::simulation::scarce

void* operator new(std::size_t size) { return tenterhook::simulation::scarce::allocate(size); }
void* operator new[](std::size_t size) { return tenterhook::simulation::scarce::allocate(size); }
void operator delete(void* memory) noexcept { std::free(memory); }
void operator delete[](void* memory) noexcept { std::free(memory); }
void operator delete(void* memory, std::size_t) noexcept { std::free(memory); }
void operator delete[](void* memory, std::size_t) noexcept { std::free(memory); }
