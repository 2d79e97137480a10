// What a command is to work on: files as they are now, or as a recorded run kept them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/vectors.h"
#include "host/record/run.h"
#include "host/record/store.h"

namespace tenterhook::commands {

// A vectors file with its board, a board with steps, or a board alone (then without steps).
Result<files::Vectors> read_any(const std::string& path);

// A proposal that nobody has approved is not run. Error (input) says how to approve it.
Status check_approved(const files::Vectors& vectors);

// The vectors (with their board) that a run was made with, read from the record's own texts: what was
// tested then, whatever the files say today. Step i is the run's step i, also after `run --only failed`.
Result<files::Vectors> vectors_of(const record::RunRecord& run);

struct ToHold {
  files::Vectors vectors;
  int step = -1;  // -1: at rest
};
// "FILE" (a board or vectors file) or "RUN:STEP".
Result<ToHold> vectors_to_hold(const std::string& what, const std::string& store);

// --- repeating what failed ---

// Some steps of a vectors file, in their order.
struct Chosen {
  int step = 0;
  bool judged = true;  // false: driven for its state alone
};

// The steps of `vectors` that failed or were unsure in `last`, with the steps before each that bring the
// board's state back: as few as the circuit needs to know again what it knew, all from the start without a
// circuit. Errors (input): the run had no such step; the vectors are no longer those of the run.
Result<std::vector<Chosen>> failed_steps(const files::Vectors& vectors, const record::RunRecord& last);

// A step that sets every line as it stands there in the file's order.
files::Step standing_alone(const files::Vectors& vectors, int step);

// The vectors reduced to these steps: where some were left out, the next one sets every line as it would
// stand then.
files::Vectors only_steps(const files::Vectors& vectors, const std::vector<Chosen>& chosen);

// The choice as the record keeps it (RunRecord::sections, this name), and read back; all when there is none.
constexpr const char* kOnlySection = "only";
std::string only_json(long of_run, const std::vector<Chosen>& chosen);

// The last finished run of this board and serial before `number` (0: of all); nothing when there is none.
Result<std::optional<record::RunRecord>> last_run(const record::Store& store, const std::string& board,
                                                  const std::string& serial, long number);

}  // namespace tenterhook::commands
