// A run as the JSON that other programs rely on (docs/schemas/run.schema.json, draft-07).
//
// Fields are only ever added. Volts, amps and seconds are plain numbers in SI units, written so
// that they read back to the same double; a value that is not a number is null.
#pragma once

#include <string>

#include "host/record/run.h"

namespace tenterhook::report {

// indent < 0: all on one line. Ends without a newline.
std::string run_json(const record::RunRecord& run, int indent = 2);

}  // namespace tenterhook::report
