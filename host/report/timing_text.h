// A recorded timing study as it was told when it was made. "" when the run has none.
#pragma once

#include <string>

#include "host/record/run.h"
#include "host/report/screen.h"

namespace tenterhook::report {

std::string timing_text(const record::RunRecord& run, const Screen& screen);

}  // namespace tenterhook::report
