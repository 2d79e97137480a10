// What the tests of pages and exports share: every kind of run, finished, and the judgement of an outside program.
#pragma once

#include <string>
#include <vector>

#include "tests/unit/record/scenario.h"

namespace tenterhook::outside {

// As the store would hand it out: numbered, named, with its end.
record::RunRecord finished(record::RunRecord run);

// A pass, a fail, an unsure one, a stopped one, and one with every character that is special somewhere and no end.
std::vector<record::RunRecord> every_kind();

// Writes `text` to a file and runs `command FILE` quietly: its exit code, or -1. `ending`: of the file's name.
int run_on(const std::string& text, const std::string& command, const std::string& ending);

}  // namespace tenterhook::outside
