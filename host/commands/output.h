// What commands share on their way out: error lines, machine files, the store.
#pragma once

#include <string>

#include "host/base/result.h"
#include "host/commands/options.h"
#include "host/record/store.h"

namespace tenterhook::commands {

constexpr int stdout_descriptor() { return 1; }
constexpr int stderr_descriptor() { return 2; }

// Prints "tenterhook: …" to the standard error; returns the trouble's exit code.
int tell(const Error& error);

// Writes text to a file, or to standard output for "-". Existing files are replaced whole or not at all.
Status write_text(const std::string& path, const std::string& text);

// The path of `board` as a file at `file` ("" = in the working folder) would name it.
std::string relative_to(const std::string& file, const std::string& board);

// Each to its path: "" = none, "-" = standard output. 0, or the exit code of what could not be written.
int write_exports(const std::string& junit, const std::string& tap, const std::string& csv, const record::RunRecord& run);

// --json, --junit, --tap, --csv of a run; 0, or the exit code of what could not be written.
int write_outputs(const RunOptions& options, const record::RunRecord& run);

// --store, or the default place.
Result<record::Store> open_store(const std::string& option);

}  // namespace tenterhook::commands
