// tenterhook fixture calibrate: every sense channel against the person's meter.
#pragma once

#include <optional>
#include <string>

#include "host/commands/options.h"

namespace tenterhook::commands {

struct CalibrateOptions {
  BenchOptions bench;
  std::string points;        // CSV or YAML of channel and the meter's volts; "" = guided
  std::string instrument = "meter, no name given";
  double offset_v = 0.010;   // its U, 95 %: this...
  double percent = 0.05;     // ...and this much of the reading
  std::optional<double> temperature_c;
  std::string operator_name;
  int valid_days = 365;
  bool dry = false;          // fit and report, keep nothing
};
int fixture_calibrate(const CalibrateOptions& options);

}  // namespace tenterhook::commands
