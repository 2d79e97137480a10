// One run as one page: self-contained (no network, no script), light and dark, printable on A4 and
// Letter, readable without colours and by a screen reader. Every text from files is escaped.
#pragma once

#include <string>

#include "host/record/run.h"

namespace tenterhook::report {

std::string html_page(const record::RunRecord& run);

}  // namespace tenterhook::report
