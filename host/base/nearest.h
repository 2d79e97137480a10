// The known name that a misspelt one most likely meant.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace tenterhook {

// Inputs: what was written, and the names that would have been right. Output: the nearest of them
// by edit distance (insertions, deletions, replacements and swaps of neighbours; look-alikes such
// as O and 0, or a difference in case, count half), or an empty string when none is near enough to
// be worth suggesting.
std::string nearest_name(std::string_view written, const std::vector<std::string>& known);

}  // namespace tenterhook
