// Results that a run keeps as JSON by name (timing, inrush, gauge study, suspects...) as parts of its page.
#pragma once

#include <string>

#include "host/record/run.h"

namespace tenterhook::report {

// Every section of the run, those that people look for first, each with its heading. A section of a known name is
// laid out for reading; any other as tables of what it holds. `id` numbers the drawings of the page.
std::string sections_of(const record::RunRecord& run, int& id);

// The suspects as `diagnose --json` writes them; empty when the text is none.
std::string suspects_section(const std::string& diagnosis_json);

}  // namespace tenterhook::report
