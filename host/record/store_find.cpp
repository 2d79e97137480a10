// Which runs there are: by name, by filter, and one line's level through all of them.
#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <charconv>

#include "host/record/store_state.h"

namespace tenterhook::record {
namespace {

// Shorter ones say little: the first characters of a uid are its time in years.
constexpr std::size_t kPrefixMin = 4;

Error no_such_run(const std::string& path, const std::string& run, const std::string& why) {
  return input_error(path, "no run '" + run + "': " + why, "`tenterhook history` lists the runs");
}

// The only number a query gives; 0 when it gives none, -1 when it gives several.
Result<long> only_number(Result<Statement> statement, const std::vector<std::string>& texts) {
  if (!statement.ok()) return statement.error();
  for (const std::string& text : texts) statement->bind(text);
  Result<bool> row = statement->next();
  if (!row.ok()) return row.error();
  if (!*row) return 0L;
  const long number = static_cast<long>(statement->integer());
  row = statement->next();
  if (!row.ok()) return row.error();
  return *row ? -1L : number;
}

// "WHERE ..." with its text parameters in order.
struct Condition {
  std::string sql = " WHERE 1";
  std::vector<std::string> texts;

  void add(const std::string& clause, const std::string& text) {
    if (text.empty()) return;
    sql += " AND " + clause;
    texts.push_back(text);
  }
};

}  // namespace

Result<long> Store::find(const std::string& run) const {
  Database& database = *state_->database;
  const auto found = [&](const char* sql, const std::vector<std::string>& texts,
                         const std::string& why) -> Result<long> {
    Result<long> number = only_number(database.prepare(sql), texts);
    if (number.ok() && *number == 0) return no_such_run(path(), run, why);
    return number;
  };
  if (run == "last") {
    return found("SELECT number FROM run ORDER BY number DESC LIMIT 1", {},
                 "nothing has been recorded yet");
  }
  if (run == "last-good") {
    return found(
        "SELECT run FROM run_end WHERE verdict = 0 AND aborted_cause IS NULL "
        "ORDER BY run DESC LIMIT 1",
        {}, "no recorded run passed");
  }
  if (const std::size_t at = run.find('@'); at != std::string::npos) {
    return found(
        "SELECT number FROM run WHERE board = ? AND board_serial = ? "
        "ORDER BY number DESC LIMIT 1",
        {run.substr(0, at), run.substr(at + 1)}, "that board has no recorded run");
  }
  const bool digits = !run.empty() && std::all_of(run.begin(), run.end(), [](unsigned char c) {
    return std::isdigit(c) != 0;
  });
  if (digits && run[0] != '0') {
    long number = 0;
    const auto parsed = std::from_chars(run.data(), run.data() + run.size(), number);
    if (parsed.ec != std::errc()) return no_such_run(path(), run, "that number is out of range");
    return found("SELECT number FROM run WHERE number = CAST(? AS INTEGER)", {run},
                 "that number has not been given yet");
  }
  // "17.01KAXY..." of a label's code: the uid holds in every store, the number in one.
  const std::size_t dot = run.find('.');
  std::string prefix = dot == std::string::npos ? run : run.substr(dot + 1);
  for (char& c : prefix) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  const bool plain = std::all_of(prefix.begin(), prefix.end(),
                                 [](unsigned char c) { return std::isalnum(c) != 0; });
  if (prefix.size() < kPrefixMin || !plain) {
    return no_such_run(path(), run,
                       fmt::format("expected a number, {} or more characters of a run's uid, last, "
                                   "last-good, or BOARD@SERIAL",
                                   kPrefixMin));
  }
  // '[' follows 'Z': every uid that starts with the prefix lies between the two.
  const Result<long> number = found("SELECT number FROM run WHERE uid >= ? AND uid < ? LIMIT 2",
                                    {prefix, prefix + "["}, "no uid begins so");
  if (number.ok() && *number < 0) {
    return no_such_run(path(), run, "several runs' uids begin so; give more characters");
  }
  return number;
}

Result<RunRecord> Store::load(const std::string& run) const {
  const Result<long> number = find(run);
  if (!number.ok()) return number.error();
  return load(*number);
}

Result<HistoryPage> Store::history(const HistoryFilter& filter) const {
  Database& database = *state_->database;
  Condition condition;
  condition.add("board = ?", filter.board);
  condition.add("board_serial = ?", filter.board_serial);
  if (filter.exact_serial && filter.board_serial.empty()) condition.sql += " AND board_serial = ''";
  condition.add("kind = ?", filter.kind);
  condition.add("started >= ?", filter.since);
  condition.add("started < ?", filter.before);
  if (filter.verdict) {
    condition.sql += fmt::format(" AND verdict = {} AND aborted_cause IS NULL",
                                 static_cast<int>(*filter.verdict));
  }
  const std::string from =
      " FROM run LEFT JOIN run_end ON run_end.run = run.number" + condition.sql;
  HistoryPage page;
  Result<Statement> count = database.prepare("SELECT count(*)" + from);
  if (!count.ok()) return count.error();
  for (const std::string& text : condition.texts) count->bind(text);
  const Result<bool> counted = count->next();
  if (!counted.ok()) return counted.error();
  page.total = static_cast<long>(count->integer());

  Result<Statement> rows = database.prepare(
      "SELECT number, uid, started, kind, board, board_serial, vectors, fixture, ended IS NOT "
      "NULL, "
      "coalesce(verdict, 3), steps, readings, pass, fail, unsure, coalesce(total_s, 0), "
      "coalesce(host, ''), coalesce(process, ''), "
      "aborted_cause, aborted_where, aborted_blame, aborted_message" +
      from + " ORDER BY number DESC LIMIT ? OFFSET ?");
  if (!rows.ok()) return rows.error();
  for (const std::string& text : condition.texts) rows->bind(text);
  rows->bind(std::max(filter.limit, 0)).bind(std::max(filter.offset, 0));
  for (;;) {
    const Result<bool> row = rows->next();
    if (!row.ok()) return row.error();
    if (!*row) break;
    RunSummary& run = page.runs.emplace_back();
    run.number = static_cast<long>(rows->integer());
    for (std::string* text : {&run.uid, &run.started, &run.kind, &run.board, &run.board_serial,
                              &run.vectors, &run.fixture}) {
      *text = rows->text();
    }
    run.complete = rows->integer() != 0;
    run.verdict = static_cast<measure::Verdict>(rows->integer() & 3);
    CountsOf& counts = run.counts;
    for (int* n : {&counts.steps, &counts.readings, &counts.pass, &counts.fail, &counts.unsure}) {
      *n = static_cast<int>(rows->integer());
    }
    run.total_s = rows->real();
    run.host = rows->text();
    const std::string process = rows->text();
    run.state = run.complete ? RunState::finished : state_without_end({run.host, process});
    if (!rows->is_null()) {
      Aborted& aborted = run.aborted.emplace();
      for (std::string* text : {&aborted.cause, &aborted.where, &aborted.blame, &aborted.message}) {
        *text = rows->text();
      }
    }
  }
  // A run without an end has no counts stored: they are taken from its steps.
  for (RunSummary& run : page.runs) {
    if (run.complete) continue;
    Result<Statement> partial = database.prepare(
        "SELECT (SELECT count(*) FROM step WHERE run = ?1), count(*) FILTER (WHERE verdict < 3),"
        " count(*) FILTER (WHERE verdict = 0), count(*) FILTER (WHERE verdict = 1),"
        " count(*) FILTER (WHERE verdict = 2) FROM reading WHERE run = ?1");
    if (!partial.ok()) return partial.error();
    const Result<bool> row = partial->bind(run.number).next();
    if (!row.ok()) return row.error();
    for (int* n : {&run.counts.steps, &run.counts.readings, &run.counts.pass, &run.counts.fail,
                   &run.counts.unsure}) {
      *n = static_cast<int>(partial->integer());
    }
  }
  return page;
}

Result<std::vector<LevelPoint>> Store::level_history(const std::string& board,
                                                     const std::string& board_serial,
                                                     const std::string& line, bool high) const {
  Condition condition;
  condition.add("board = ?", board);
  condition.add("board_serial = ?", board_serial);
  Result<Statement> rows = state_->database->prepare(
      "SELECT number, started, board_serial, total_s, min, max, mean, U, n, worst_step "
      "FROM run JOIN run_end ON run_end.run = number JOIN level ON level.run = number "
      "AND level.line = (SELECT id FROM word WHERE text = ?) AND level.high = ?" +
      condition.sql + " ORDER BY started, number");
  if (!rows.ok()) return rows.error();
  rows->bind(line).bind(high ? 1 : 0);
  for (const std::string& text : condition.texts) rows->bind(text);
  std::vector<LevelPoint> points;
  for (;;) {
    const Result<bool> row = rows->next();
    if (!row.ok()) return row.error();
    if (!*row) return points;
    LevelPoint& point = points.emplace_back();
    point.run = static_cast<long>(rows->integer());
    point.started = rows->text();
    point.board_serial = rows->text();
    point.total_s = rows->real();
    for (double* value :
         {&point.side.min_v, &point.side.max_v, &point.side.mean_v, &point.side.U_v}) {
      *value = rows->real();
    }
    point.side.n = static_cast<int>(rows->integer());
    point.side.worst_step = static_cast<int>(rows->integer());
  }
}

}  // namespace tenterhook::record
