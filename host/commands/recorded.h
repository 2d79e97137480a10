// Files as a recorded run kept them, brought back to life.
#pragma once

#include <string>

#include "host/base/result.h"
#include "host/files/vectors.h"
#include "host/record/run.h"

namespace tenterhook::commands {

// The vectors (with their board) that a run was made with, read from the record's own texts: what was
// tested then, whatever the files say today.
Result<files::Vectors> vectors_of(const record::RunRecord& run);

struct ToHold {
  files::Vectors vectors;
  int step = -1;  // -1: at rest
};
// "FILE" (a board or vectors file) or "RUN:STEP".
Result<ToHold> vectors_to_hold(const std::string& what, const std::string& store);

}  // namespace tenterhook::commands
