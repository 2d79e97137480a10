#include "host/commands/compare.h"

#include "host/commands/output.h"
#include "host/commands/review.h"
#include "host/record/compare.h"
#include "host/report/tables.h"

namespace tenterhook::commands {

int compare(const CompareOptions& options) {
  const Result<record::Store> store = open_store_to_read(options.store);
  if (!store.ok()) return tell(store.error());
  const Result<record::RunRecord> before = store->load(options.before);
  if (!before.ok()) return tell(before.error());
  const Result<record::RunRecord> after = store->load(options.after);
  if (!after.ok()) return tell(after.error());
  const record::Comparison comparison = record::compare(*before, *after);
  if (comparison.compared == 0) {
    return tell(input_error("run " + std::to_string(after->number),
                            "has no line, rail or time in common with run " +
                                std::to_string(before->number) + " (" + before->board + ")",
                            "compare runs of one board, or of two boards of one kind"));
  }
  const report::Screen screen = people_screen(options.json);
  return answer(options.json,
                options.json.empty() ? "" : report::comparison_json(*before, *after, comparison),
                [&] { return report::comparison_text(*before, *after, comparison, screen); });
}

}  // namespace tenterhook::commands
