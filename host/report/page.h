// What all pages share, private to host/report: the frame of a page, verdict words with their shapes, prose.
#pragma once

#include <string>
#include <vector>

#include "host/record/store.h"

namespace tenterhook::report {

// A whole page: `body` holds header and main content; `skip` names the element that the skip link leads to.
std::string whole_page(const std::string& title, const std::string& skip, const std::string& skip_say, const std::string& body);

// Escaped text in which `code` between back-quotes is marked.
std::string prose(const std::string& text);
std::string list_of(const std::vector<std::string>& texts, const char* open, const char* close);

// "PASS", "FAIL", "UNSURE", "STOP", "DONE", "GOING" of a run in a list.
std::string word_of(const record::RunSummary& run);
const char* class_of(const std::string& word);
// A drawn sign for each verdict, so that none depends on its colour.
std::string shape_of(const std::string& word);
// "2026-11-25 10:00 UTC"
std::string moment_of(const std::string& started);

}  // namespace tenterhook::report
