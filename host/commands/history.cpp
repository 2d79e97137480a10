#include "host/commands/history.h"

#include <algorithm>
#include <cctype>

#include "host/commands/output.h"
#include "host/commands/review.h"
#include "host/report/tables.h"

namespace tenterhook::commands {
namespace {

constexpr int kLimitMax = 100000;

// A year at least, then as much of "2026-11-25T10:00:00Z" as is wanted.
bool is_date(const std::string& text) {
  static const std::string kShape = "dddd-dd-ddTdd:dd:ddZ";
  if (text.size() < 4 || text.size() > kShape.size()) return false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const bool digit = std::isdigit(static_cast<unsigned char>(text[i])) != 0;
    if (kShape[i] == 'd' ? !digit : text[i] != kShape[i]) return false;
  }
  return true;
}

Result<record::HistoryFilter> filter_of(const HistoryOptions& options) {
  record::HistoryFilter filter;
  const Result<std::string> board = board_name(options.board);
  if (!board.ok()) return board.error();
  filter.board = *board;
  filter.board_serial = options.serial;
  for (const auto& [name, text] :
       {std::pair{"--since", options.since}, {"--before", options.before}}) {
    if (!text.empty() && !is_date(text)) {
      return input_error(
          name, "expected a date such as 2026-11-25 or 2026-11-25T10:00, found '" + text + "'");
    }
  }
  filter.since = options.since;
  filter.before = options.before;
  if (options.verdict == "pass") filter.verdict = measure::Verdict::pass;
  if (options.verdict == "fail") filter.verdict = measure::Verdict::fail;
  if (options.verdict == "unsure") filter.verdict = measure::Verdict::unsure;
  if (!options.verdict.empty() && !filter.verdict) {
    return input_error("--verdict",
                       "expected pass, fail or unsure, found '" + options.verdict + "'");
  }
  if (options.limit < 1 || options.limit > kLimitMax || options.page < 1 ||
      options.page > kLimitMax) {
    return input_error("--limit, --page", "expected 1 to " + std::to_string(kLimitMax) +
                                              ", found " + std::to_string(options.limit) + " and " +
                                              std::to_string(options.page));
  }
  filter.limit = options.limit;
  filter.offset =
      static_cast<int>(std::min(2000000000L, static_cast<long>(options.page - 1) * options.limit));
  return filter;
}

}  // namespace

int history(const HistoryOptions& options) {
  const Result<record::HistoryFilter> filter = filter_of(options);
  if (!filter.ok()) return tell(filter.error());
  const Result<record::Store> store = open_store_to_read(options.store);
  if (!store.ok()) return tell(store.error());
  const Result<record::HistoryPage> page = store->history(*filter);
  if (!page.ok()) return tell(page.error());
  const report::Screen screen = people_screen(options.json);
  return answer(options.json, options.json.empty() ? "" : report::history_json(*page),
                [&] { return report::history_table(*page, *filter, screen); });
}

}  // namespace tenterhook::commands
