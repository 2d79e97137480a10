// Families known by name, with the standard that each is taken from.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/files/board.h"

namespace tenterhook::files {

// Names: ttl, lvttl, 4000b-5v, 4000b-10v, 4000b-15v, iec-61131-2-type-1, -2, -3, v28.
std::vector<std::string> ready_family_names();

// The family of that name: windows in volts, drive levels as plain volts (a board's reader ties
// them to one of its rails), `standard` filled in. Empty for an unknown name.
std::optional<Family> ready_family(const std::string& name);

}  // namespace tenterhook::files
