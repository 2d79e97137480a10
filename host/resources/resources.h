// Files of the tree that travel inside the program: the fixture's description, the firmware's ELF for
// the emulated controller and the HEX for the real one, the part lists of the demo boards.
#pragma once

#include <span>
#include <string>
#include <string_view>

namespace tenterhook::resources {

// Content of a resource by name ("fixture.yaml", "firmware.elf", "firmware.hex", "shed-latch.parts.yaml"); empty when
// there is none. Lives as long as the program.
std::string_view find(std::string_view name);

}  // namespace tenterhook::resources
