#include "host/commands/compare.h"

#include "host/commands/output.h"
#include "host/commands/review.h"
#include "host/record/compare.h"
#include "host/report/tables.h"

namespace tenterhook::commands {
namespace {

constexpr int kRunsLookedAt = 1000;

// The last run before `of` of the same board and serial that passed.
Result<std::string> last_good_before(const record::Store& store, const std::string& of) {
  const Result<record::RunRecord> run = store.load(of);
  if (!run.ok()) return run.error();
  record::HistoryFilter filter;
  filter.board = run->board;
  filter.board_serial = run->board_serial;
  filter.exact_serial = true;
  filter.verdict = measure::Verdict::pass;
  filter.limit = kRunsLookedAt;
  const Result<record::HistoryPage> page = store.history(filter);
  if (!page.ok()) return page.error();
  for (const record::RunSummary& good : page->runs) {
    const bool earlier = good.started < run->started || (good.started == run->started && good.number < run->number);
    if (earlier && good.kind == run->kind) return std::to_string(good.number);
  }
  return input_error("run " + std::to_string(run->number), "no earlier run of this board passed", "name the run to compare it with");
}

}  // namespace

int compare(const CompareOptions& given) {
  CompareOptions options = given;
  const Result<record::Store> store = open_store_to_read(options.store);
  if (!store.ok()) return tell(store.error());
  if (options.after.empty()) {
    const Result<std::string> good = last_good_before(*store, options.before);
    if (!good.ok()) return tell(good.error());
    options.after = options.before;
    options.before = *good;
  }
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
