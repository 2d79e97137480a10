// Another bench's record joined to this one, in one transaction.
#include <fmt/format.h>
#include <unistd.h>

#include <filesystem>
#include <string>
#include <system_error>

#include "host/record/schema.h"
#include "host/record/store_state.h"

namespace tenterhook::record {
namespace {

namespace fs = std::filesystem;

// Runs are the same when their uids are; words, windows and files when their contents are. A run
// that is known here without its end takes over what the other store knows more. Rows of runs get
// the run's number here; `map` holds theirs -> ours for the runs that bring something.
constexpr const char* kMaps = R"sql(
CREATE TEMP TABLE map(theirs INTEGER PRIMARY KEY, ours INTEGER NOT NULL, fresh INTEGER NOT NULL);
INSERT INTO map SELECT number, (SELECT coalesce(max(number), 0) FROM main.run)
    + row_number() OVER (ORDER BY started, number), 1
  FROM other.run WHERE uid NOT IN (SELECT uid FROM main.run);
INSERT INTO map SELECT theirs.number, ours.number, 0
  FROM other.run theirs JOIN main.run ours USING(uid)
  WHERE NOT EXISTS (SELECT 1 FROM main.run_end WHERE run = ours.number)
    AND EXISTS (SELECT 1 FROM other.run_end WHERE run = theirs.number);
INSERT OR IGNORE INTO main.word(text) SELECT text FROM other.word;
CREATE TEMP TABLE words(theirs INTEGER PRIMARY KEY, ours INTEGER NOT NULL);
INSERT INTO words SELECT theirs.id, ours.id FROM other.word theirs JOIN main.word ours USING(text);
INSERT OR IGNORE INTO main.window(low, high) SELECT low, high FROM other.window;
CREATE TEMP TABLE windows(theirs INTEGER PRIMARY KEY, ours INTEGER NOT NULL);
INSERT INTO windows SELECT theirs.id, ours.id
  FROM other.window theirs JOIN main.window ours USING(low, high);
INSERT OR IGNORE INTO main.file SELECT sha256, text FROM other.file;
)sql";

constexpr const char* kRows = R"sql(
INSERT INTO main.run SELECT map.ours, uid, started, kind, board, board_serial, vectors, fixture,
    fixture_serial, firmware_build, calibration, operator, seed, steps_planned, host, process
  FROM other.run JOIN map ON map.theirs = number WHERE fresh = 1;
INSERT OR IGNORE INTO main.run_fault SELECT map.ours, position, text
  FROM other.run_fault JOIN map ON map.theirs = run;
INSERT OR IGNORE INTO main.run_file SELECT map.ours, position, path, sha256
  FROM other.run_file JOIN map ON map.theirs = run;
INSERT OR IGNORE INTO main.step SELECT map.ours, position, vector, a.ours, b.ours, c.ours, d.ours,
    time_s
  FROM other.step JOIN map ON map.theirs = run JOIN words a ON a.theirs = source
    JOIN words b ON b.theirs = say JOIN words c ON c.theirs = sets
    JOIN words d ON d.theirs = pulses;
INSERT OR IGNORE INTO main.reading SELECT map.ours, step, position, words.ours, expected, volts, U,
    dof, p, windows.ours, verdict, channel, n, sum, min, max, sum_of_squares, why
  FROM other.reading JOIN map ON map.theirs = run JOIN words ON words.theirs = line
    JOIN windows ON windows.theirs = window;
INSERT OR IGNORE INTO main.amendment SELECT map.ours, position, vector, words.ours, volts, U, dof, p,
    verdict, n, sum, min, max, sum_of_squares, why
  FROM other.amendment JOIN map ON map.theirs = run JOIN words ON words.theirs = line;
INSERT OR IGNORE INTO main.level SELECT map.ours, words.ours, high, position, min, max, mean, U, n,
    worst_step
  FROM other.level JOIN map ON map.theirs = run JOIN words ON words.theirs = line;
INSERT OR IGNORE INTO main.margin SELECT map.ours, words.ours, position, receivers.ours, low,
    margin.high, U
  FROM other.margin JOIN map ON map.theirs = run JOIN words ON words.theirs = line
    LEFT JOIN words receivers ON receivers.theirs = receiver;
INSERT OR IGNORE INTO main.rail SELECT map.ours, position, words.ours, nominal, measured, U, amps,
    window_low, window_high
  FROM other.rail JOIN map ON map.theirs = run JOIN words ON words.theirs = rail;
INSERT OR IGNORE INTO main.curve SELECT map.ours, position, words.ours, quantity, time_s, value
  FROM other.curve JOIN map ON map.theirs = run JOIN words ON words.theirs = rail;
INSERT OR IGNORE INTO main.relay SELECT map.ours, words.ours, operations
  FROM other.relay JOIN map ON map.theirs = run JOIN words ON words.theirs = channel;
INSERT OR IGNORE INTO main.warning SELECT map.ours, position, text
  FROM other.warning JOIN map ON map.theirs = run;
INSERT OR IGNORE INTO main.timing SELECT map.ours, position, kind, a.ours, b.ours, edge, seconds, U,
    limit_s, n, verdict
  FROM other.timing JOIN map ON map.theirs = run JOIN words a ON a.theirs = source
    JOIN words b ON b.theirs = line;
INSERT OR IGNORE INTO main.note SELECT * FROM other.note;
INSERT OR IGNORE INTO main.photo SELECT * FROM other.photo;
INSERT OR IGNORE INTO main.fitting SELECT * FROM other.fitting;
INSERT OR IGNORE INTO main.use SELECT * FROM other.use;
INSERT OR IGNORE INTO main.calibration SELECT * FROM other.calibration;
INSERT OR IGNORE INTO main.self_test SELECT * FROM other.self_test;
INSERT OR IGNORE INTO main.self_test_finding SELECT * FROM other.self_test_finding;
INSERT OR IGNORE INTO main.self_test_relay SELECT * FROM other.self_test_relay;
INSERT OR IGNORE INTO main.section SELECT map.ours, name, json
  FROM other.section JOIN map ON map.theirs = run;
INSERT INTO main.run_end SELECT map.ours, ended, verdict, aborted_cause, aborted_where,
    aborted_blame, aborted_message, steps, readings, pass, fail, unsure, total_s, relay_s, settle_s,
    convert_s, pulse_s, overhead_s, prepare_s, discharge_s, frames_sent, frames_received,
    crc_errors, overruns, timeouts, resent, starvations, resets, relay_operations, warm_up_s,
    discharged_below_v, powered_s
  FROM other.run_end JOIN map ON map.theirs = run;
)sql";

// A copy at the newest schema of a store that is older, so that the other bench's file stays as
// it is. Removed when it goes.
class MigratedCopy {
 public:
  MigratedCopy() = default;
  MigratedCopy(const MigratedCopy&) = delete;
  MigratedCopy& operator=(const MigratedCopy&) = delete;
  ~MigratedCopy() {
    std::error_code ignored;
    for (const char* ending : {"", "-wal", "-shm"}) {
      if (!path_.empty()) fs::remove(path_ + ending, ignored);
    }
  }
  Status make(const std::string& from, const std::string& beside) {
    path_ = fmt::format("{}.merge-{}", beside, getpid());
    const auto source = Database::open(from, Database::Mode::read);
    if (!source.ok()) return source.error();
    Result<Statement> copy = (*source)->prepare("VACUUM INTO ?");
    if (!copy.ok()) return copy.error();
    TH_TRY(copy->bind(path_).run());
    const auto migrated = Database::open(path_, Database::Mode::create);
    if (!migrated.ok()) return migrated.error();
    return migrate(**migrated);
  }
  const std::string& path() const { return path_; }

 private:
  std::string path_;
};

Result<long long> schema_of_file(const std::string& path) {
  const auto database = Database::open(path, Database::Mode::read);
  if (!database.ok()) return database.error();
  return schema_of(**database);
}

// Every step and reading of the joined runs must have arrived; rows are ignored only when they
// are there already.
Status check_arrival(Database& database) {
  for (const char* table : {"step", "reading", "level"}) {
    const Result<long long> theirs = database.scalar(
        fmt::format("SELECT count(*) FROM other.{} JOIN map ON map.theirs = run", table));
    if (!theirs.ok()) return theirs.error();
    const Result<long long> ours = database.scalar(
        fmt::format("SELECT count(*) FROM main.{} JOIN map ON map.ours = run", table));
    if (!ours.ok()) return ours.error();
    if (*ours < *theirs) {
      return bug_error(
          fmt::format("merging lost rows: {} of {} arrived in {}", *ours, *theirs, table));
    }
  }
  return {};
}

Result<MergeCount> join(Database& database) {
  MergeCount count;
  TH_TRY(database.execute(kMaps));
  const std::pair<long*, const char*> counts[] = {
      {&count.added, "SELECT count(*) FROM map WHERE fresh = 1"},
      {&count.completed, "SELECT count(*) FROM map WHERE fresh = 0"},
      {&count.known, "SELECT (SELECT count(*) FROM other.run) - (SELECT count(*) FROM map)"}};
  for (const auto& [number, sql] : counts) {
    const Result<long long> value = database.scalar(sql);
    if (!value.ok()) return value.error();
    *number = static_cast<long>(*value);
  }
  TH_TRY(database.execute(kRows));
  TH_TRY(check_arrival(database));
  TH_TRY(database.execute("DROP TABLE map; DROP TABLE words; DROP TABLE windows"));
  return count;
}

}  // namespace

Result<MergeCount> Store::merge(const std::string& other) {
  Database& database = *state_->database;
  if (state_->mode == Mode::read) return bug_error("merging into a store opened for reading");
  std::error_code error;
  if (!fs::exists(other, error)) {
    return input_error(other, "there is no store here", "name the other bench's store");
  }
  if (fs::equivalent(other, path(), error)) {
    return input_error(other, "is the store itself", "name another bench's store");
  }
  const Result<long long> version = schema_of_file(other);
  if (!version.ok()) return version.error();
  if (*version == 0) return input_error(other, "this store is empty: nothing to join");
  MigratedCopy copy;
  if (*version != newest_schema()) TH_TRY(copy.make(other, path()));
  const std::string& from = copy.path().empty() ? other : copy.path();
  Result<Statement> attach = database.prepare("ATTACH ? AS other");
  if (!attach.ok()) return attach.error();
  TH_TRY(attach->bind(from).run());
  Result<MergeCount> count = MergeCount{};
  {
    Result<Transaction> transaction = Transaction::start(database);
    if (transaction.ok()) {
      count = join(database);
      if (count.ok()) {
        const Status committed = transaction->commit();
        if (!committed.ok()) count = committed.error();
      }
    } else {
      count = transaction.error();
    }
  }
  state_->words.clear();
  state_->windows.clear();
  const Status detached = database.execute("DETACH other");
  if (count.ok() && !detached.ok()) return detached.error();
  return count;
}

}  // namespace tenterhook::record
