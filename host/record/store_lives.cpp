// What is asked of the store beside runs: parts, use, photos, calibrations, self-tests, relay wear.
#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "host/record/store_state.h"
#include "host/record/uid.h"

namespace tenterhook::record {
namespace {

constexpr double kSecondsPerHour = 3600.0;

// Runs a query with text parameters and calls visit(row) for each row.
template <class Visit>
Status each(Database& database, const std::string& sql, const std::vector<std::string>& texts, Visit visit) {
  Result<Statement> statement = database.prepare(sql);
  if (!statement.ok()) return statement.error();
  for (const std::string& text : texts) statement->bind(text);
  for (;;) {
    const Result<bool> row = statement->next();
    if (!row.ok()) return row.error();
    if (!*row) return {};
    visit(*statement);
  }
}

// A time under power: a recorded run, or told use.
struct Stint {
  std::string at;
  long run = 0;  // 0: told
  double hours = 0.0;
  long cycles = 0;
};

// Every stint of one board, oldest first.
Result<std::vector<Stint>> stints_of(Database& database, const std::string& board, const std::string& serial) {
  std::vector<Stint> stints;
  TH_TRY(each(database,
              "SELECT started, run, seconds, seconds > 0 FROM powered WHERE board = ?1 AND board_serial = ?2 "
              "UNION ALL SELECT happened, 0, hours * 3600, cycles FROM use WHERE board = ?1 AND board_serial = ?2 "
              "ORDER BY 1, 2",
              {board, serial}, [&](Statement& s) {
                Stint& stint = stints.emplace_back();
                stint.at = s.text();
                stint.run = static_cast<long>(s.integer());
                stint.hours = s.real() / kSecondsPerHour;
                stint.cycles = static_cast<long>(s.integer());
              }));
  return stints;
}

// What a board did from `since` on and before `until` (empty: no end).
Use between(const std::vector<Stint>& stints, const std::string& since, const std::string& until) {
  Use use;
  for (const Stint& stint : stints) {
    if (stint.at < since || (!until.empty() && stint.at >= until)) continue;
    use.hours += stint.hours;
    use.cycles += stint.cycles;
  }
  return use;
}

// All fittings that fulfil `where`, oldest first.
Result<std::vector<Swap>> fittings(Database& database, const std::string& where, const std::vector<std::string>& texts) {
  std::vector<Swap> all;
  TH_TRY(each(database,
              "SELECT happened, board, board_serial, place, note, type, part_serial, new_socket, replaces, hours_before, "
              "cycles_before FROM fitting WHERE " + where + " ORDER BY happened, uid",
              texts, [&](Statement& s) {
                Swap& swap = all.emplace_back();
                for (std::string* text : {&swap.happened, &swap.board, &swap.board_serial, &swap.part, &swap.note, &swap.type,
                                          &swap.part_serial}) {
                  *text = s.text();
                }
                swap.new_socket = s.integer() != 0;
                swap.replaces = s.integer() != 0;
                swap.hours_before = s.real();
                swap.cycles_before = static_cast<long>(s.integer());
              }));
  return all;
}

}  // namespace

Result<std::vector<Swap>> Store::swaps(const std::string& board, const std::string& board_serial) const {
  if (board_serial.empty()) return fittings(*state_->database, "replaces = 1 AND board = ?", {board});
  return fittings(*state_->database, "replaces = 1 AND board = ? AND board_serial = ?", {board, board_serial});
}

Result<std::vector<PartLife>> Store::parts(const std::string& board, const std::string& board_serial) const {
  const auto all = fittings(*state_->database, "board = ? AND board_serial = ?", {board, board_serial});
  if (!all.ok()) return all.error();
  const auto stints = stints_of(*state_->database, board, board_serial);
  if (!stints.ok()) return stints.error();
  std::map<std::string, PartLife> places;
  std::map<std::string, std::string> socket_since;
  for (const Swap& swap : *all) {
    PartLife& life = places[swap.part];
    life.swaps += swap.replaces ? 1 : 0;
    if (swap.new_socket) socket_since[swap.part] = swap.happened;
    // A part that is only named was there already, since the last swap or from the beginning.
    const std::string since = swap.replaces ? swap.happened : life.fitted.happened;
    life.fitted = swap;
    life.fitted.happened = since;
  }
  std::vector<PartLife> lives;
  for (auto& [place, life] : places) {
    const Use here = between(*stints, life.fitted.happened, "");
    life.hours = life.fitted.hours_before + here.hours;
    life.cycles = life.fitted.cycles_before + here.cycles;
    life.socket_hours = between(*stints, socket_since[place], "").hours;
    lives.push_back(life);
  }
  return lives;
}

Result<Use> Store::life_of_part(const std::string& type, const std::string& part_serial, const std::string& until) const {
  Database& database = *state_->database;
  const auto stays = type.empty() ? fittings(database, "part_serial = ? AND happened < ?", {part_serial, until})
                                  : fittings(database, "part_serial = ? AND happened < ? AND type = ?", {part_serial, until, type});
  if (!stays.ok()) return stays.error();
  Use life;
  bool first = true;
  for (const Swap& stay : *stays) {
    if (first) {
      life.hours = stay.hours_before;
      life.cycles = stay.cycles_before;
      first = false;
    }
    std::string came = stay.happened;
    if (!stay.replaces) {
      const auto swapped = fittings(database, "board = ? AND board_serial = ? AND place = ? AND happened < ? AND replaces = 1",
                                    {stay.board, stay.board_serial, stay.part, stay.happened});
      if (!swapped.ok()) return swapped.error();
      came = swapped->empty() ? "" : swapped->back().happened;
    }
    // It left when something else came into the same place.
    const auto next = fittings(database, "board = ? AND board_serial = ? AND place = ? AND happened > ? AND replaces = 1",
                               {stay.board, stay.board_serial, stay.part, stay.happened});
    if (!next.ok()) return next.error();
    const std::string left = next->empty() || next->front().happened > until ? until : next->front().happened;
    const auto stints = stints_of(database, stay.board, stay.board_serial);
    if (!stints.ok()) return stints.error();
    const Use here = between(*stints, came, left);
    life.hours += here.hours;
    life.cycles += here.cycles;
  }
  return life;
}

Result<Use> Store::use_of(const std::string& board, const std::string& board_serial) const {
  const auto stints = stints_of(*state_->database, board, board_serial);
  if (!stints.ok()) return stints.error();
  return between(*stints, "", "");
}

Result<std::map<long, double>> Store::hours_by_run(const std::string& board, const std::string& board_serial) const {
  const auto stints = stints_of(*state_->database, board, board_serial);
  if (!stints.ok()) return stints.error();
  std::map<long, double> hours;
  double sum = 0.0;
  for (const Stint& stint : *stints) {
    if (stint.run != 0) hours[stint.run] = sum;
    sum += stint.hours;
  }
  return hours;
}

Result<std::vector<Use>> Store::uses(const std::string& board, const std::string& board_serial) const {
  std::vector<Use> uses;
  TH_TRY(each(*state_->database,
              "SELECT happened, board, board_serial, hours, cycles, note FROM use WHERE board = ? AND board_serial = ? "
              "ORDER BY happened, uid",
              {board, board_serial}, [&](Statement& s) {
                Use& use = uses.emplace_back();
                for (std::string* text : {&use.happened, &use.board, &use.board_serial}) *text = s.text();
                use.hours = s.real();
                use.cycles = static_cast<long>(s.integer());
                use.note = s.text();
              }));
  return uses;
}

Result<std::vector<PlaceHistory>> Store::place_history(const std::string& board) const {
  Database& database = *state_->database;
  double hours = 0.0;
  TH_TRY(each(database,
              "SELECT coalesce((SELECT sum(seconds) / 3600 FROM powered WHERE board = ?1), 0) + "
              "coalesce((SELECT sum(hours) FROM use WHERE board = ?1), 0)",
              {board}, [&](Statement& s) { hours = s.real(); }));
  std::vector<PlaceHistory> places;
  TH_TRY(each(database,
              "SELECT place, count(*) FROM fitting WHERE board = ? AND replaces = 1 GROUP BY place ORDER BY count(*) DESC, place",
              {board}, [&](Statement& s) {
                PlaceHistory& place = places.emplace_back();
                place.part = s.text();
                place.swaps = static_cast<int>(s.integer());
                place.hours = hours;
              }));
  return places;
}

Result<std::vector<Photo>> Store::photos(long number) const {
  std::vector<Photo> photos;
  TH_TRY(each(*state_->database,
              "SELECT added, path, sha256, photo.note FROM photo JOIN run ON run.uid = run_uid "
              "WHERE number = CAST(? AS INTEGER) ORDER BY added, photo.uid",
              {std::to_string(number)}, [&](Statement& s) {
                Photo& photo = photos.emplace_back();
                for (std::string* text : {&photo.added, &photo.path, &photo.sha256, &photo.note}) *text = s.text();
              }));
  return photos;
}

Result<std::vector<Remark>> Store::remarks(const std::string& board, const std::string& board_serial) const {
  std::vector<Remark> remarks;
  TH_TRY(each(*state_->database,
              "SELECT number, written, note.text, '', '' FROM note JOIN run ON run.uid = run_uid WHERE board = ?1 AND board_serial = ?2 "
              "UNION ALL SELECT number, added, photo.note, path, sha256 FROM photo JOIN run ON run.uid = run_uid "
              "WHERE board = ?1 AND board_serial = ?2 ORDER BY 2 DESC",
              {board, board_serial}, [&](Statement& s) {
                Remark& remark = remarks.emplace_back();
                remark.run = static_cast<long>(s.integer());
                for (std::string* text : {&remark.written, &remark.text, &remark.path, &remark.sha256}) *text = s.text();
              }));
  return remarks;
}

Result<std::vector<std::string>> Store::fixtures() const {
  std::vector<std::string> serials;
  TH_TRY(each(*state_->database,
              "SELECT fixture_serial FROM run UNION SELECT fixture_serial FROM self_test ORDER BY 1", {},
              [&](Statement& s) {
                serials.push_back(s.text());
                if (serials.back().empty()) serials.pop_back();
              }));
  return serials;
}

Result<std::vector<files::SourceFile>> Store::sources(long number) const {
  std::vector<files::SourceFile> sources;
  TH_TRY(each(*state_->database,
              "SELECT path, text, sha256 FROM run_file JOIN file USING(sha256) WHERE run = CAST(? AS INTEGER) ORDER BY position",
              {std::to_string(number)}, [&](Statement& s) {
                files::SourceFile& file = sources.emplace_back();
                for (std::string* text : {&file.path, &file.text, &file.sha256}) *text = s.text();
              }));
  return sources;
}

Result<CalibrationRecord> Store::calibration(const std::string& hash) const {
  std::vector<CalibrationRecord> found;
  TH_TRY(each(*state_->database, "SELECT hash, fixture_serial, made, expires, text FROM calibration WHERE hash = ?", {hash},
              [&](Statement& s) {
                CalibrationRecord& c = found.emplace_back();
                for (std::string* text : {&c.hash, &c.fixture_serial, &c.made, &c.expires, &c.text}) *text = s.text();
              }));
  if (found.empty()) return input_error(path(), "no calibration '" + hash + "' is kept in this store");
  return found.front();
}

Result<std::vector<SelfTestRecord>> Store::self_tests(const std::string& fixture_serial, int limit) const {
  Database& database = *state_->database;
  std::vector<SelfTestRecord> tests;
  std::vector<std::string> uids;
  TH_TRY(each(database,
              fmt::format("SELECT uid, happened, fixture, fixture_serial, firmware_build, calibration, good, "
                          "reference_counts, ground_counts FROM self_test WHERE ?1 = '' OR fixture_serial = ?1 "
                          "ORDER BY happened DESC, uid DESC LIMIT {}", std::max(limit, 0)),
              {fixture_serial}, [&](Statement& s) {
                uids.push_back(s.text());
                SelfTestRecord& t = tests.emplace_back();
                for (std::string* text : {&t.happened, &t.fixture, &t.fixture_serial, &t.firmware_build, &t.calibration}) {
                  *text = s.text();
                }
                t.good = s.integer() != 0;
                t.reference_counts = s.real();
                t.ground_counts = s.real();
              }));
  for (std::size_t i = 0; i < tests.size(); ++i) {
    TH_TRY(each(database, "SELECT place, kind, text FROM self_test_finding WHERE self_test = ? ORDER BY position", {uids[i]},
                [&](Statement& s) {
                  SelfTestRecord::Finding& f = tests[i].findings.emplace_back();
                  for (std::string* text : {&f.where, &f.kind, &f.text}) *text = s.text();
                }));
    TH_TRY(each(database, "SELECT channel, operations FROM self_test_relay WHERE self_test = ?", {uids[i]}, [&](Statement& s) {
      const std::string channel = s.text();
      tests[i].relay_operations.emplace_back(channel, static_cast<long>(s.integer()));
    }));
  }
  return tests;
}

Result<std::vector<RelayWear>> Store::relay_wear(const std::string& fixture_serial) const {
  std::vector<RelayWear> wear;
  TH_TRY(each(*state_->database,
              "SELECT channel, operations, first, last FROM relay_wear WHERE fixture_serial = ? ORDER BY operations DESC, channel",
              {fixture_serial}, [&](Statement& s) {
                RelayWear& relay = wear.emplace_back();
                relay.channel = s.text();
                relay.operations = static_cast<long>(s.integer());
                relay.first = s.text();
                relay.last = s.text();
              }));
  return wear;
}

Result<std::vector<RunSummary>> Store::boards() const {
  std::vector<std::pair<std::string, std::string>> names;
  TH_TRY(each(*state_->database, "SELECT DISTINCT board, board_serial FROM run ORDER BY board, board_serial", {},
              [&](Statement& s) {
                const std::string board = s.text();
                names.emplace_back(board, s.text());
              }));
  std::vector<RunSummary> boards;
  for (const auto& [board, serial] : names) {
    HistoryFilter filter;
    filter.board = board;
    filter.board_serial = serial;
    filter.exact_serial = true;
    filter.limit = 1;
    const Result<HistoryPage> page = history(filter);
    if (!page.ok()) return page.error();
    if (!page->runs.empty()) boards.push_back(page->runs.front());
  }
  return boards;
}

}  // namespace tenterhook::record
