#include "host/record/schema.h"

#include <fmt/format.h>

#include <array>

namespace tenterhook::record {
namespace {

// Text that repeats (line names, sources, sayings) is stored once in `word` and referred to by
// number; so are windows, and the input files by their hash. A reading then costs its numbers.
// Codes: expected 0, 1, 2 = x, 3 = z; verdict 0 pass, 1 fail, 2 unsure, 3 none. The views spell
// everything out. NULL in a number column stands for "not a number".
constexpr const char* kVersion1 = R"sql(
CREATE TABLE word(id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE window(id INTEGER PRIMARY KEY, low REAL NOT NULL, high REAL NOT NULL,
  UNIQUE(low, high)) STRICT;
CREATE TABLE file(sha256 TEXT PRIMARY KEY, text TEXT NOT NULL) STRICT, WITHOUT ROWID;

CREATE TABLE run(
  number INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, started TEXT NOT NULL, kind TEXT NOT NULL,
  board TEXT NOT NULL, board_serial TEXT NOT NULL, vectors TEXT NOT NULL, fixture TEXT NOT NULL,
  fixture_serial TEXT NOT NULL, firmware_build TEXT NOT NULL, calibration TEXT NOT NULL,
  operator TEXT NOT NULL, seed TEXT, steps_planned INTEGER NOT NULL) STRICT;
CREATE INDEX run_by_board ON run(board, board_serial);
CREATE TABLE run_fault(run INTEGER NOT NULL REFERENCES run(number), position INTEGER NOT NULL,
  text TEXT NOT NULL, PRIMARY KEY(run, position)) STRICT, WITHOUT ROWID;
CREATE TABLE run_file(run INTEGER NOT NULL REFERENCES run(number), position INTEGER NOT NULL,
  path TEXT NOT NULL, sha256 TEXT NOT NULL REFERENCES file(sha256),
  PRIMARY KEY(run, position)) STRICT, WITHOUT ROWID;

CREATE TABLE step(
  run INTEGER NOT NULL REFERENCES run(number), position INTEGER NOT NULL,
  vector INTEGER NOT NULL, source INTEGER NOT NULL REFERENCES word(id),
  say INTEGER NOT NULL REFERENCES word(id), sets INTEGER NOT NULL REFERENCES word(id),
  pulses INTEGER NOT NULL REFERENCES word(id), time_s REAL,
  PRIMARY KEY(run, position)) STRICT, WITHOUT ROWID;
CREATE TABLE reading(
  run INTEGER NOT NULL, step INTEGER NOT NULL, position INTEGER NOT NULL,
  line INTEGER NOT NULL REFERENCES word(id), expected INTEGER NOT NULL,
  volts REAL, U REAL, dof REAL, p REAL, window INTEGER NOT NULL REFERENCES window(id),
  verdict INTEGER NOT NULL, channel INTEGER NOT NULL,
  n INTEGER NOT NULL, sum INTEGER NOT NULL, min INTEGER NOT NULL, max INTEGER NOT NULL,
  sum_of_squares INTEGER NOT NULL, why TEXT,
  PRIMARY KEY(run, step, position),
  FOREIGN KEY(run, step) REFERENCES step(run, position)) STRICT, WITHOUT ROWID;

CREATE TABLE run_end(
  run INTEGER PRIMARY KEY REFERENCES run(number), ended TEXT NOT NULL, verdict INTEGER NOT NULL,
  aborted_cause TEXT, aborted_where TEXT, aborted_blame TEXT, aborted_message TEXT,
  steps INTEGER NOT NULL, readings INTEGER NOT NULL, pass INTEGER NOT NULL, fail INTEGER NOT NULL,
  unsure INTEGER NOT NULL,
  total_s REAL, relay_s REAL, settle_s REAL, convert_s REAL, pulse_s REAL, overhead_s REAL,
  prepare_s REAL, discharge_s REAL,
  frames_sent INTEGER NOT NULL, frames_received INTEGER NOT NULL, crc_errors INTEGER NOT NULL,
  overruns INTEGER NOT NULL, timeouts INTEGER NOT NULL, resent INTEGER NOT NULL,
  starvations INTEGER NOT NULL, resets INTEGER NOT NULL, relay_operations INTEGER NOT NULL,
  warm_up_s REAL, discharged_below_v REAL) STRICT;
CREATE TABLE level(
  run INTEGER NOT NULL REFERENCES run(number), line INTEGER NOT NULL REFERENCES word(id),
  high INTEGER NOT NULL, position INTEGER NOT NULL, min REAL, max REAL, mean REAL, U REAL,
  n INTEGER NOT NULL, worst_step INTEGER NOT NULL,
  PRIMARY KEY(run, line, high)) STRICT, WITHOUT ROWID;
CREATE TABLE margin(
  run INTEGER NOT NULL REFERENCES run(number), line INTEGER NOT NULL REFERENCES word(id),
  position INTEGER NOT NULL, receiver INTEGER REFERENCES word(id), low REAL, high REAL, U REAL,
  PRIMARY KEY(run, line, position)) STRICT, WITHOUT ROWID;
CREATE TABLE rail(
  run INTEGER NOT NULL REFERENCES run(number), position INTEGER NOT NULL,
  rail INTEGER NOT NULL REFERENCES word(id), nominal REAL, measured REAL, U REAL, amps REAL,
  window_low REAL, window_high REAL, PRIMARY KEY(run, position)) STRICT, WITHOUT ROWID;
CREATE TABLE curve(
  run INTEGER NOT NULL REFERENCES run(number), position INTEGER NOT NULL,
  rail INTEGER NOT NULL REFERENCES word(id), quantity TEXT NOT NULL,
  time_s TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY(run, position)) STRICT, WITHOUT ROWID;
CREATE TABLE relay(
  run INTEGER NOT NULL REFERENCES run(number), channel INTEGER NOT NULL REFERENCES word(id),
  operations INTEGER NOT NULL, PRIMARY KEY(run, channel)) STRICT, WITHOUT ROWID;
CREATE TABLE warning(
  run INTEGER NOT NULL REFERENCES run(number), position INTEGER NOT NULL, text TEXT NOT NULL,
  PRIMARY KEY(run, position)) STRICT, WITHOUT ROWID;
CREATE TABLE note(
  run INTEGER NOT NULL REFERENCES run(number), position INTEGER NOT NULL, written TEXT NOT NULL,
  text TEXT NOT NULL, PRIMARY KEY(run, position)) STRICT, WITHOUT ROWID;
CREATE TABLE section(
  run INTEGER NOT NULL REFERENCES run(number), name TEXT NOT NULL, json TEXT NOT NULL,
  PRIMARY KEY(run, name)) STRICT, WITHOUT ROWID;

CREATE VIEW runs AS
  SELECT number, uid, started, kind, board, board_serial, vectors, fixture, fixture_serial,
    CASE WHEN run_end.run IS NULL THEN 'cut short'
         WHEN aborted_cause IS NOT NULL THEN 'aborted'
         ELSE CASE verdict WHEN 0 THEN 'pass' WHEN 1 THEN 'fail' WHEN 2 THEN 'unsure'
              ELSE 'none' END END AS outcome,
    steps, readings, pass, fail, unsure, total_s, aborted_cause, aborted_where, aborted_blame
  FROM run LEFT JOIN run_end ON run_end.run = run.number;
CREATE VIEW steps AS
  SELECT run, position, vector, source.text AS source, say.text AS say, sets.text AS sets,
    pulses.text AS pulses, time_s
  FROM step JOIN word source ON source.id = step.source JOIN word say ON say.id = step.say
    JOIN word sets ON sets.id = step.sets JOIN word pulses ON pulses.id = step.pulses;
CREATE VIEW readings AS
  SELECT run, step, reading.position, word.text AS line,
    CASE expected WHEN 0 THEN '0' WHEN 1 THEN '1' WHEN 2 THEN 'x' ELSE 'z' END AS expected,
    volts, U, p, window.low AS window_low, window.high AS window_high,
    CASE verdict WHEN 0 THEN 'pass' WHEN 1 THEN 'fail' WHEN 2 THEN 'unsure' ELSE 'none' END
      AS verdict, n, sum, min, max, sum_of_squares, channel, why
  FROM reading JOIN word ON word.id = reading.line JOIN window ON window.id = reading.window;
CREATE VIEW levels AS
  SELECT run, word.text AS line, CASE high WHEN 1 THEN 'high' ELSE 'low' END AS side,
    min, max, mean, U, n, worst_step
  FROM level JOIN word ON word.id = level.line;
)sql";

// Parts that were replaced: a trend restarts there.
constexpr const char* kVersion2 = R"sql(
CREATE TABLE swap(
  id INTEGER PRIMARY KEY, happened TEXT NOT NULL, board TEXT NOT NULL, board_serial TEXT NOT NULL,
  part TEXT NOT NULL, note TEXT NOT NULL, UNIQUE(happened, board, board_serial, part)) STRICT;
)sql";

// Who recorded a run, so that one still going is told from one cut short; the parts of a board and
// their lives; notes and photos; what is known of the fixture itself. Rows that two benches may both
// add have a uid, and refer to a run by its uid: joining two stores keeps both.
constexpr const char* kVersion3 = R"sql(
ALTER TABLE run ADD COLUMN host TEXT;
ALTER TABLE run ADD COLUMN process TEXT;
ALTER TABLE run_end ADD COLUMN powered_s REAL;

CREATE TABLE fitting(
  uid TEXT PRIMARY KEY, happened TEXT NOT NULL, board TEXT NOT NULL, board_serial TEXT NOT NULL,
  place TEXT NOT NULL, replaces INTEGER NOT NULL, type TEXT NOT NULL, part_serial TEXT NOT NULL,
  new_socket INTEGER NOT NULL, hours_before REAL NOT NULL, cycles_before INTEGER NOT NULL,
  note TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE INDEX fitting_by_board ON fitting(board, board_serial);
INSERT INTO fitting SELECT 'swap ' || happened || ' ' || board || ' ' || board_serial || ' ' || part,
    happened, board, board_serial, part, 1, '', '', 0, 0, 0, note FROM swap;
DROP TABLE swap;
CREATE TABLE use(
  uid TEXT PRIMARY KEY, happened TEXT NOT NULL, board TEXT NOT NULL, board_serial TEXT NOT NULL,
  hours REAL NOT NULL, cycles INTEGER NOT NULL, note TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE INDEX use_by_board ON use(board, board_serial);

ALTER TABLE note RENAME TO old_note;
CREATE TABLE note(
  uid TEXT PRIMARY KEY, written TEXT NOT NULL, run_uid TEXT NOT NULL REFERENCES run(uid),
  text TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE INDEX note_by_run ON note(run_uid);
INSERT INTO note SELECT run.uid || ' ' || printf('%06d', position), written, run.uid, text
  FROM old_note JOIN run ON run.number = old_note.run;
DROP TABLE old_note;
CREATE TABLE photo(
  uid TEXT PRIMARY KEY, added TEXT NOT NULL, run_uid TEXT NOT NULL REFERENCES run(uid),
  path TEXT NOT NULL, sha256 TEXT NOT NULL, note TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE INDEX photo_by_run ON photo(run_uid);

CREATE TABLE calibration(
  hash TEXT PRIMARY KEY, fixture_serial TEXT NOT NULL, made TEXT NOT NULL, expires TEXT NOT NULL,
  text TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE self_test(
  uid TEXT PRIMARY KEY, happened TEXT NOT NULL, fixture TEXT NOT NULL, fixture_serial TEXT NOT NULL,
  firmware_build TEXT NOT NULL, calibration TEXT NOT NULL, good INTEGER NOT NULL,
  reference_counts REAL, ground_counts REAL) STRICT, WITHOUT ROWID;
CREATE TABLE self_test_finding(
  self_test TEXT NOT NULL REFERENCES self_test(uid), position INTEGER NOT NULL, place TEXT NOT NULL,
  kind TEXT NOT NULL, text TEXT NOT NULL, PRIMARY KEY(self_test, position)) STRICT, WITHOUT ROWID;
CREATE TABLE self_test_relay(
  self_test TEXT NOT NULL REFERENCES self_test(uid), channel TEXT NOT NULL,
  operations INTEGER NOT NULL, PRIMARY KEY(self_test, channel)) STRICT, WITHOUT ROWID;
CREATE TABLE timing(
  run INTEGER NOT NULL REFERENCES run(number), position INTEGER NOT NULL, kind TEXT NOT NULL,
  source INTEGER NOT NULL REFERENCES word(id), line INTEGER NOT NULL REFERENCES word(id),
  edge TEXT NOT NULL, seconds REAL, U REAL, limit_s REAL, n INTEGER NOT NULL,
  verdict INTEGER NOT NULL, PRIMARY KEY(run, position)) STRICT, WITHOUT ROWID;

CREATE VIEW powered AS
  SELECT number AS run, board, board_serial, started,
    CASE WHEN run_end.run IS NULL
         THEN coalesce((SELECT max(time_s) FROM step WHERE step.run = number), 0)
         ELSE coalesce(powered_s, coalesce(prepare_s, 0) + coalesce(total_s, 0)) END AS seconds
  FROM run LEFT JOIN run_end ON run_end.run = run.number;
CREATE VIEW swaps AS
  SELECT happened, board, board_serial, place, type, part_serial,
    CASE new_socket WHEN 1 THEN 'socket replaced' ELSE 'socket kept' END AS socket, note
  FROM fitting WHERE replaces = 1;
CREATE VIEW parts AS
  SELECT board, board_serial, place, type, part_serial, since,
    hours_before
      + coalesce((SELECT sum(seconds) / 3600 FROM powered p WHERE p.board = f.board
                  AND p.board_serial = f.board_serial AND p.started >= since), 0)
      + coalesce((SELECT sum(hours) FROM use u WHERE u.board = f.board
                  AND u.board_serial = f.board_serial AND u.happened >= since), 0) AS hours,
    cycles_before
      + (SELECT count(*) FROM powered p WHERE p.board = f.board AND p.seconds > 0
         AND p.board_serial = f.board_serial AND p.started >= since)
      + coalesce((SELECT sum(cycles) FROM use u WHERE u.board = f.board
                  AND u.board_serial = f.board_serial AND u.happened >= since), 0) AS cycles,
    note
  FROM (SELECT *, coalesce((SELECT max(happened) FROM fitting swap WHERE swap.replaces = 1
                            AND swap.board = fitting.board AND swap.place = fitting.place
                            AND swap.board_serial = fitting.board_serial), '') AS since
        FROM fitting) f
  WHERE NOT EXISTS (SELECT 1 FROM fitting later WHERE later.board = f.board
    AND later.board_serial = f.board_serial AND later.place = f.place
    AND (later.happened, later.uid) > (f.happened, f.uid));
CREATE VIEW relay_wear AS
  SELECT fixture_serial, channel, sum(operations) AS operations, min(at) AS first, max(at) AS last
  FROM (SELECT fixture_serial, word.text AS channel, operations, started AS at
          FROM relay JOIN run ON run.number = relay.run JOIN word ON word.id = relay.channel
        UNION ALL
        SELECT fixture_serial, channel, operations, happened
          FROM self_test_relay JOIN self_test ON self_test.uid = self_test_relay.self_test)
  GROUP BY fixture_serial, channel;
CREATE VIEW timings AS
  SELECT run, kind, source.text AS source, line.text AS line, edge, seconds, U, limit_s, n,
    CASE verdict WHEN 0 THEN 'pass' WHEN 1 THEN 'fail' WHEN 2 THEN 'unsure' ELSE 'none' END
      AS verdict
  FROM timing JOIN word source ON source.id = timing.source
    JOIN word line ON line.id = timing.line;
)sql";

// Readings that were looked at again after they were told: the rows of `reading` stay, the last amendment
// of one holds.
constexpr const char* kVersion4 = R"sql(
CREATE TABLE amendment(
  run INTEGER NOT NULL REFERENCES run(number), position INTEGER NOT NULL, vector INTEGER NOT NULL,
  line INTEGER NOT NULL REFERENCES word(id), volts REAL, U REAL, dof REAL, p REAL,
  verdict INTEGER NOT NULL, n INTEGER NOT NULL, sum INTEGER NOT NULL, min INTEGER NOT NULL,
  max INTEGER NOT NULL, sum_of_squares INTEGER NOT NULL, why TEXT NOT NULL,
  PRIMARY KEY(run, position)) STRICT, WITHOUT ROWID;
DROP VIEW readings;
CREATE VIEW readings AS
  SELECT reading.run, reading.step, reading.position, word.text AS line,
    CASE expected WHEN 0 THEN '0' WHEN 1 THEN '1' WHEN 2 THEN 'x' ELSE 'z' END AS expected,
    iif(a.run IS NULL, reading.volts, a.volts) AS volts, iif(a.run IS NULL, reading.U, a.U) AS U,
    iif(a.run IS NULL, reading.p, a.p) AS p, window.low AS window_low, window.high AS window_high,
    CASE iif(a.run IS NULL, reading.verdict, a.verdict)
      WHEN 0 THEN 'pass' WHEN 1 THEN 'fail' WHEN 2 THEN 'unsure' ELSE 'none' END AS verdict,
    iif(a.run IS NULL, reading.n, a.n) AS n, iif(a.run IS NULL, reading.sum, a.sum) AS sum,
    iif(a.run IS NULL, reading.min, a.min) AS min, iif(a.run IS NULL, reading.max, a.max) AS max,
    iif(a.run IS NULL, reading.sum_of_squares, a.sum_of_squares) AS sum_of_squares, channel,
    iif(a.run IS NULL, reading.why, a.why) AS why
  FROM reading JOIN word ON word.id = reading.line JOIN window ON window.id = reading.window
    JOIN step ON step.run = reading.run AND step.position = reading.step
    LEFT JOIN amendment a ON a.run = reading.run AND a.position =
      (SELECT max(position) FROM amendment b WHERE b.run = reading.run AND b.line = reading.line
       AND b.vector = step.vector);
)sql";

constexpr std::array<const char*, 4> kVersions = {kVersion1, kVersion2, kVersion3, kVersion4};

// Rows are added, never changed or taken away: the record is evidence. Installed for every table
// of the version just made.
Status forbid_changes(Database& database) {
  Result<Statement> tables = database.prepare(
      "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE "
      "'sqlite_%'");
  if (!tables.ok()) return tables.error();
  std::string sql;
  for (;;) {
    const Result<bool> row = tables->next();
    if (!row.ok()) return row.error();
    if (!*row) break;
    const std::string table = tables->text();
    for (const char* change : {"UPDATE", "DELETE"}) {
      sql += fmt::format(
          "CREATE TRIGGER IF NOT EXISTS keep_{0}_{1} BEFORE {1} ON \"{0}\" "
          "BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END;\n",
          table, change);
    }
  }
  return database.execute(sql);
}

}  // namespace

long long newest_schema() {
  return static_cast<long long>(kVersions.size());
}

Result<long long> schema_of(Database& database) {
  const Result<long long> version = database.scalar("PRAGMA user_version");
  if (!version.ok()) return version.error();
  const Result<long long> application = database.scalar("PRAGMA application_id");
  if (!application.ok()) return application.error();
  if (*application != kApplicationId) {
    const Result<long long> tables = database.scalar("SELECT count(*) FROM sqlite_schema");
    if (!tables.ok()) return tables.error();
    if (*version != 0 || *application != 0 || *tables != 0) {
      return input_error(database.path(),
                         "this database belongs to another program: it does not carry the mark of "
                         "a store of Tenterhook",
                         "name the store with --store FILE");
    }
    return 0;
  }
  if (*version > newest_schema()) {
    return input_error(database.path(),
                       fmt::format("this store has schema {}, and this Tenterhook knows up to {}",
                                   *version, newest_schema()),
                       "use the newer Tenterhook that wrote it; nothing was changed");
  }
  return *version;
}

Status migrate(Database& database) {
  const Result<long long> found = schema_of(database);
  if (!found.ok()) return found.error();
  if (*found == newest_schema()) return {};
  Result<Transaction> transaction = Transaction::start(database);
  if (!transaction.ok()) return transaction.error();
  // Another program may have migrated between the look and the lock.
  const Result<long long> version = schema_of(database);
  if (!version.ok()) return version.error();
  for (long long next = *version; next < newest_schema(); ++next) {
    TH_TRY(database.execute(kVersions[static_cast<std::size_t>(next)]));
  }
  TH_TRY(forbid_changes(database));
  TH_TRY(database.execute(fmt::format("PRAGMA application_id = {}; PRAGMA user_version = {}",
                                      kApplicationId, newest_schema())));
  return transaction->commit();
}

}  // namespace tenterhook::record
