// A repeated run's section `repeats` for people.
#pragma once

#include <string>

#include "host/record/run.h"
#include "host/report/screen.h"

namespace tenterhook::report {

// How many passes, how often and where they went wrong, and what goes together with it; rows of at most
// screen.width columns. Empty for a run that was not repeated.
std::string repeats_text(const record::RunRecord& run, const Screen& screen);

}  // namespace tenterhook::report
