// A measurement beside what was predicted for good parts: a level or an edge outside its band, although
// inside its window, says that a part drifts or is not what the drawing says.
//
// Inputs: the band of a family (board.h), the extremes measured and their expanded uncertainty U in the
// same unit. No verdict hangs on the answer.
#pragma once

#include <optional>
#include <string>

#include "host/files/board.h"

namespace tenterhook::files {

enum class Agreement {
  unpredicted,  // the file has no band for this
  inside,
  undecided,    // beyond the band by no more than U
  outside,      // beyond the band by more than U
};

Agreement agreement(const std::optional<Window>& band, Volts from, Volts to, Volts uncertainty);
Agreement agreement(const std::optional<Span>& band, Seconds from, Seconds to, Seconds uncertainty);

// "inside", ... as JSON and tables write it; "" for unpredicted.
std::string word(Agreement agreement);

// One line for a person, empty unless `outside`: which line and level, what was measured, what was
// predicted, and what that may mean.
std::string called_out(const std::string& line, const std::string& level, const std::optional<Window>& band, Volts from, Volts to,
                       Volts uncertainty);
std::string called_out(const std::string& line, const std::string& edge, const std::optional<Span>& band, Seconds from, Seconds to,
                       Seconds uncertainty);

}  // namespace tenterhook::files
