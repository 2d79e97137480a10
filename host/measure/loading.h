// What drives a line, worked out by loading it: source resistance, and the volts it would show to nobody.
//
// The line is a source of E volts behind R. The sense divider always hangs on it (siemens to its bias
// voltage), a known resistor to ground may be added by the test bus:
//   V = (E / R + bias * divider) / (1 / R + divider + load).
// Two loads give R and E; a third says whether the line is such a source at all. docs/measurement.md.
#pragma once

#include <string>

#include "host/base/units.h"
#include "host/measure/uncertainty.h"

namespace tenterhook::measure {

struct LoadingParts {
  Ohms divider{};
  Volts bias{};             // what the divider pulls to: an open lead's reading
  Ohms heavy{22e3}, light{220e3};
  double tolerance = 0.01;  // of the loads; of the divider a tenth of it
};

struct Source {
  bool known = false;     // else `why`
  Ohms ohms{};            // at least 0
  Ohms ohms_U{};          // expanded, 95 %
  Volts open_circuit{};   // corrected for the divider
  Volts U{};
  std::string why;        // ill-conditioned, not static, not a source behind a resistance
};

// From readings of one line as it is, with the heavy load, and with the light one.
Source source_of(const Estimate& bare, const Estimate& heavy, const Estimate& light, const LoadingParts& parts);

}  // namespace tenterhook::measure
