// Writes description files that the reader accepts, for `generate` and `propose`.
//
// Output is text for people: one step a line in flow style, quoted only where YAML needs it.
// Reading it back gives the same steps (a property test holds that). Cannot fail.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "host/files/board.h"
#include "host/files/vectors.h"

namespace tenterhook::files {

// A scalar for a flow or block position: as it is where that reads back as the same text, else
// quoted.
std::string yaml_scalar(const std::string& text);

// "28.5 V", "200 us", "4.7 kohm": the shortest decimal that reads back as the same number.
std::string yaml_quantity(double si_value, const std::string& unit);
inline std::string yaml_quantity(Volts v) {
  return yaml_quantity(v.value, "V");
}
inline std::string yaml_quantity(Amps v) {
  return yaml_quantity(v.value, "A");
}
inline std::string yaml_quantity(Ohms v) {
  return yaml_quantity(v.value, "ohm");
}
inline std::string yaml_quantity(Seconds v) {
  return yaml_quantity(v.value, "s");
}

// What a proposal has besides its steps.
struct Proposed {
  std::string approved;                         // "no"
  std::map<std::string, LevelWindows> windows;  // by line, for all steps
  std::map<std::string, std::string> reasons;   // of the windows: a comment beside each
};

// A vectors file. `board_path` is written as its `board:`; lines of one bus that appear together
// and in order are written as the bus. `header` becomes comment lines on top.
std::string write_vectors(const std::string& name, const std::string& board_path,
                          const Board& board, const std::vector<Step>& steps,
                          const std::string& header = {}, const Proposed* proposed = nullptr);

// A `families:` block as in a board file.
std::string write_families(const std::map<std::string, Family>& families);

}  // namespace tenterhook::files
