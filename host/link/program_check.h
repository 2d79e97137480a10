// Looks through a step program before it is sent: its shape, its declared sizes, its features.
#pragma once

#include <cstdint>
#include <span>

#include "host/base/result.h"
#include "host/link/session.h"

namespace tenterhook::link {

struct ProgramShape {
  bool ends = false;  // its last operation is `end`
  int steps = 0;
};

// Errors: Trouble::bug when the program contradicts the rules of firmware/wire/program.h;
// Trouble::fixture when it uses an operation that this fixture's firmware does not have.
Result<ProgramShape> check_program(std::span<const std::uint8_t> program, const Identity& device);

}  // namespace tenterhook::link
