// Files of the tree that travel inside the program: the fixture's description, the firmware's ELF for
// the emulated controller, the part lists of the demo boards.
#pragma once

#include <span>
#include <string>
#include <string_view>

namespace tenterhook::resources {

// Content of a resource by name ("fixture.yaml", "firmware.elf", "shed-latch.parts.yaml"); empty when
// there is none. Lives as long as the program.
std::string_view find(std::string_view name);

}  // namespace tenterhook::resources
