#include "host/record/store.h"

#include <fmt/format.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <limits>
#include <system_error>

#include "host/record/schema.h"
#include "host/record/store_state.h"
#include "host/record/uid.h"

namespace tenterhook::record {
namespace {

namespace fs = std::filesystem;

// Pages that one connection may keep, in KiB: a run of a thousand readings fits many times.
constexpr const char* kSettings =
    "PRAGMA foreign_keys = ON; PRAGMA cache_size = -16384; PRAGMA temp_store = MEMORY;";

// Runs `sql` once with parameters bound by `bind`.
template <class Bind>
Status insert(Database& database, const char* sql, Bind bind) {
  Result<Statement> statement = database.prepare(sql);
  if (!statement.ok()) return statement.error();
  bind(*statement);
  return statement->run();
}

Error missing(const std::string& path) {
  return input_error(path, "there is no store here: nothing has been recorded yet",
                     "run something first, or name the store with --store FILE");
}

// A WAL store in a folder that may not be written opens only as immutable, and only while no
// other program has unfinished pages beside it (sqlite.org/wal.html, "Read-Only Databases").
Result<std::unique_ptr<Database>> open_for_reading(const std::string& path) {
  std::error_code ignored;
  if (!fs::exists(path, ignored)) return missing(path);
  Result<std::unique_ptr<Database>> plain = Database::open(path, Database::Mode::read);
  if (plain.ok()) {
    const Result<long long> version = (*plain)->scalar("SELECT count(*) FROM sqlite_schema");
    if (version.ok()) return plain;
    const bool waiting =
        fs::exists(path + "-wal", ignored) && fs::file_size(path + "-wal", ignored) > 0;
    if (version.error().trouble == Trouble::input || waiting) return version.error();
  }
  return Database::open(path, Database::Mode::read, "immutable=1");
}

Result<std::unique_ptr<Database>> open_for_writing(const std::string& path) {
  Result<std::unique_ptr<Database>> database = Database::open(path, Database::Mode::create);
  if (!database.ok()) return database;
  // Look before the first write: another program's file must stay as it is.
  const Result<long long> version = schema_of(**database);
  if (!version.ok()) return version.error();
  TH_TRY((*database)->execute("PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL;"));
  TH_TRY(migrate(**database));
  return database;
}

}  // namespace

Store::Store(std::unique_ptr<State> state) : state_(std::move(state)) {}
Store::Store(Store&&) noexcept = default;
Store& Store::operator=(Store&&) noexcept = default;
Store::~Store() = default;

const std::string& Store::path() const {
  return state_->database->path();
}

Result<Store> Store::open(const std::string& path, Mode mode) {
  Result<std::unique_ptr<Database>> database =
      mode == Mode::read ? open_for_reading(path) : open_for_writing(path);
  if (!database.ok()) return database.error();
  const Result<long long> version = schema_of(**database);
  if (!version.ok()) return version.error();
  if (*version == 0) return missing(path);
  if (*version != newest_schema()) {  // only when reading: it was not migrated
    // An old store is brought up to date by the first command that may write it.
    const Result<std::unique_ptr<Database>> migrated = open_for_writing(path);
    if (!migrated.ok()) {
      return fixture_error(path,
                           fmt::format("the store has the older schema {} and cannot be brought to "
                                       "schema {}: {}",
                                       *version, newest_schema(), migrated.error().what),
                           "give write permission once, or work on a copy");
    }
    database = open_for_reading(path);
    if (!database.ok()) return database.error();
  }
  TH_TRY((*database)->execute(kSettings));
  auto state = std::make_unique<State>();
  state->database = database.take();
  state->mode = mode;
  return Store(std::move(state));
}

Status Store::State::prepare() {
  if (prepared) return {};
  const std::pair<Statement*, const char*> all[] = {
      {&insert_step, "INSERT INTO step VALUES(?,?,?,?,?,?,?,?)"},
      {&insert_reading, "INSERT INTO reading VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)"},
      {&insert_word, "INSERT INTO word(text) VALUES(?)"},
      {&find_word, "SELECT id FROM word WHERE text = ?"},
      {&insert_window, "INSERT INTO window(low, high) VALUES(?,?)"},
      {&find_window, "SELECT id FROM window WHERE low = ? AND high = ?"},
  };
  for (const auto& [statement, sql] : all) {
    Result<Statement> made = database->prepare(sql);
    if (!made.ok()) return made.error();
    *statement = made.take();
  }
  prepared = true;
  return {};
}

Result<long long> Store::State::word(const std::string& text) {
  if (const auto known = words.find(text); known != words.end()) return known->second;
  const Result<bool> row = find_word.bind(text).next();
  if (!row.ok()) return row.error();
  long long id = 0;
  if (*row) {
    id = find_word.integer();
    find_word.reset();
  } else {
    TH_TRY(insert_word.bind(text).run());
    id = database->last_row();
  }
  words.emplace(text, id);
  return id;
}

Result<long long> Store::State::window(const files::Window& limits) {
  // No limit is infinity, so that equal windows stay equal in the table's UNIQUE.
  const double infinity = std::numeric_limits<double>::infinity();
  const double low = std::isnan(limits.min.value) ? -infinity : limits.min.value;
  const double high = std::isnan(limits.max.value) ? infinity : limits.max.value;
  const std::pair<double, double> key{low, high};
  if (const auto known = windows.find(key); known != windows.end()) return known->second;
  const Result<bool> row = find_window.bind(low).bind(high).next();
  if (!row.ok()) return row.error();
  long long id = 0;
  if (*row) {
    id = find_window.integer();
    find_window.reset();
  } else {
    TH_TRY(insert_window.bind(low).bind(high).run());
    id = database->last_row();
  }
  windows.emplace(key, id);
  return id;
}

namespace {

Status insert_run(Database& database, const RunRecord& run, const ProcessId& by) {
  // As text: SQLite's integers are signed, a seed is not.
  const std::string seed = run.seed ? std::to_string(*run.seed) : "";
  return insert(database,
                "INSERT INTO run VALUES((SELECT coalesce(max(number), 0) + 1 FROM run),"
                "?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
                [&](Statement& s) {
                  s.bind(run.uid).bind(run.started).bind(run.kind).bind(run.board);
                  s.bind(run.board_serial).bind(run.vectors).bind(run.fixture);
                  s.bind(run.fixture_serial).bind(run.firmware_build).bind(run.calibration);
                  s.bind(run.operator_name);
                  run.seed ? s.bind(seed) : s.bind_null();
                  s.bind(run.steps_planned).bind(by.host).bind(by.process);
                });
}

Status insert_sources(Database& database, const RunRecord& run) {
  int position = 0;
  for (const files::SourceFile& file : run.sources) {
    if (file.sha256.size() != 64) {
      return bug_error("source file '" + file.path + "' came to the store without its SHA-256");
    }
    TH_TRY(insert(database, "INSERT OR IGNORE INTO file VALUES(?,?)",
                  [&](Statement& s) { s.bind(file.sha256).bind(file.text); }));
    TH_TRY(insert(database, "INSERT INTO run_file VALUES(?,?,?,?)", [&](Statement& s) {
      s.bind(run.number).bind(position).bind(file.path).bind(file.sha256);
    }));
    ++position;
  }
  return {};
}

Status insert_note(Database& database, long number, const std::string& text) {
  const std::string uid = make_uid();
  const std::string written = now_utc();
  return insert(database, "INSERT INTO note SELECT ?, ?, uid, ? FROM run WHERE number = ?",
                [&](Statement& s) { s.bind(uid).bind(written).bind(text).bind(number); });
}

// Runs `body` inside one transaction; a failure rolls everything of it back and forgets what the
// caches learned meanwhile.
template <class State, class Body>
Status in_transaction(State& state, Body body) {
  if (state.mode == Store::Mode::read) return bug_error("writing to a store opened for reading");
  Result<Transaction> transaction = Transaction::start(*state.database);
  if (!transaction.ok()) return transaction.error();
  Status done = body();
  if (done.ok()) done = transaction->commit();
  if (!done.ok()) {
    state.words.clear();
    state.windows.clear();
    state.current_run = 0;
  }
  return done;
}

// What must outlive a power cut is synced: the begin and the end of a run. Steps between them are
// safe from a killed program at once and from a power cut at the next sync; a sync for each step
// would cost more than the step.
class Synced {
 public:
  explicit Synced(Database& database) : database_(database) {
    (void)database_.execute("PRAGMA synchronous = FULL").ok();
  }
  ~Synced() { (void)database_.execute("PRAGMA synchronous = NORMAL").ok(); }
  Synced(const Synced&) = delete;
  Synced& operator=(const Synced&) = delete;

 private:
  Database& database_;
};

}  // namespace

Result<long> Store::begin(RunRecord& run) {
  Database& database = *state_->database;
  const Synced synced(database);
  RunRecord begun = run;
  const ProcessId by = this_process();
  begun.uid = make_uid();
  if (begun.started.empty()) begun.started = now_utc();
  const Status written = in_transaction(*state_, [&]() -> Status {
    TH_TRY(insert_run(database, begun, by));
    begun.number = static_cast<long>(database.last_row());
    TH_TRY(insert_sources(database, begun));
    int position = 0;
    for (const std::string& fault : begun.faults) {
      TH_TRY(insert(database, "INSERT INTO run_fault VALUES(?,?,?)",
                    [&](Statement& s) { s.bind(begun.number).bind(position).bind(fault); }));
      ++position;
    }
    if (!begun.notes.empty()) TH_TRY(insert_note(database, begun.number, begun.notes));
    return {};
  });
  if (!written.ok()) return written.error();
  run.number = begun.number;
  run.uid = begun.uid;
  run.started = begun.started;
  run.complete = false;
  return run.number;
}

Status Store::add_step(long number, const StepRecord& step) {
  State& state = *state_;
  return in_transaction(state, [&]() -> Status {
    TH_TRY(state.prepare());
    if (state.current_run != number) {
      const Result<long long> ended = state.database->scalar(
          fmt::format("SELECT count(*) FROM run_end WHERE run = {}", number));
      if (!ended.ok()) return ended.error();
      if (*ended != 0) return bug_error(fmt::format("run {} is finished: no step fits", number));
      const Result<long long> next = state.database->scalar(
          fmt::format("SELECT coalesce(max(position) + 1, 0) FROM step WHERE run = {}", number));
      if (!next.ok()) return next.error();
      state.current_run = number;
      state.next_position = static_cast<int>(*next);
    }
    long long words[4] = {};
    const std::string texts[4] = {step.source, step.say, join_sets(step.set),
                                  join_pulses(step.pulse)};
    for (int i = 0; i < 4; ++i) {
      const Result<long long> id = state.word(texts[i]);
      if (!id.ok()) return id.error();
      words[i] = *id;
    }
    const int position = state.next_position;
    Statement& s = state.insert_step;
    s.bind(number).bind(position).bind(step.index);
    for (const long long id : words) s.bind(id);
    TH_TRY(s.bind(step.time_s).run());
    int place = 0;
    for (const measure::Reading& reading : step.readings) {
      const Result<long long> line = state.word(reading.line);
      if (!line.ok()) return line.error();
      const Result<long long> window = state.window(reading.window);
      if (!window.ok()) return window.error();
      Statement& r = state.insert_reading;
      r.bind(number).bind(position).bind(place++).bind(*line);
      r.bind(static_cast<int>(reading.expected)).bind(reading.volts.value).bind(reading.U.value);
      r.bind(reading.dof).bind(reading.p).bind(*window).bind(static_cast<int>(reading.verdict));
      r.bind(reading.channel).bind(reading.counts.n);
      r.bind(static_cast<long long>(reading.counts.sum)).bind(reading.counts.min);
      r.bind(reading.counts.max).bind(static_cast<long long>(reading.counts.sum_of_squares));
      reading.why.empty() ? r.bind_null() : r.bind(reading.why);
      TH_TRY(r.run());
    }
    ++state.next_position;
    return {};
  });
}

namespace {

Status insert_end(Database& database, const RunRecord& run) {
  // Counted from what is recorded, not from what the caller still holds.
  Result<Statement> count = database.prepare(
      "SELECT (SELECT count(*) FROM step WHERE run = ?1), count(*) FILTER (WHERE verdict < 3),"
      " count(*) FILTER (WHERE verdict = 0), count(*) FILTER (WHERE verdict = 1),"
      " count(*) FILTER (WHERE verdict = 2) FROM reading WHERE run = ?1");
  if (!count.ok()) return count.error();
  const Result<bool> row = count->bind(run.number).next();
  if (!row.ok()) return row.error();
  long long counts[5] = {};
  for (long long& c : counts) c = count->integer();
  count->reset();
  const std::string ended = now_utc();
  return insert(
      database,
      "INSERT INTO run_end VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
      [&](Statement& s) {
        s.bind(run.number).bind(ended).bind(static_cast<int>(run.verdict));
        if (run.aborted) {
          s.bind(run.aborted->cause).bind(run.aborted->where).bind(run.aborted->blame);
          s.bind(run.aborted->message);
        } else {
          s.bind_null().bind_null().bind_null().bind_null();
        }
        for (const long long c : counts) s.bind(c);
        const Times& t = run.time;
        for (const double seconds : {t.total_s, t.relay_s, t.settle_s, t.convert_s, t.pulse_s,
                                     t.overhead_s, t.prepare_s, t.discharge_s}) {
          s.bind(seconds);
        }
        const Counters& c = run.link;
        for (const long n : {c.frames_sent, c.frames_received, c.crc_errors, c.overruns, c.timeouts,
                             c.resent, c.starvations, c.resets, run.relay_operations}) {
          s.bind(n);
        }
        const PowerRecord& p = run.power;
        p.warm_up_s ? s.bind(*p.warm_up_s) : s.bind_null();
        p.discharged_below_v ? s.bind(*p.discharged_below_v) : s.bind_null();
        run.powered_s ? s.bind(*run.powered_s) : s.bind_null();
      });
}

template <class State>
Status insert_levels(State& state, const RunRecord& run) {
  Database& database = *state.database;
  int position = 0;
  for (const LevelRecord& level : run.levels) {
    const Result<long long> line = state.word(level.line);
    if (!line.ok()) return line.error();
    for (const int high : {0, 1}) {
      const std::optional<LevelRecord::Side>& side = high == 1 ? level.high : level.low;
      if (!side) continue;
      TH_TRY(insert(database, "INSERT INTO level VALUES(?,?,?,?,?,?,?,?,?,?)", [&](Statement& s) {
        s.bind(run.number).bind(*line).bind(high).bind(position).bind(side->min_v);
        s.bind(side->max_v).bind(side->mean_v).bind(side->U_v).bind(side->n);
        s.bind(side->worst_step);
      }));
    }
    // Position -1, without receiver: the worst over all receivers.
    const auto margin = [&](int place, std::optional<long long> to, double low, double high,
                            double U) {
      return insert(database, "INSERT INTO margin VALUES(?,?,?,?,?,?,?)", [&](Statement& s) {
        s.bind(run.number).bind(*line).bind(place);
        to ? s.bind(*to) : s.bind_null();
        s.bind(low).bind(high).bind(U);
      });
    };
    const double none = std::numeric_limits<double>::quiet_NaN();
    if (level.margin_low_v || level.margin_high_v) {
      TH_TRY(margin(-1, std::nullopt, level.margin_low_v.value_or(none),
                    level.margin_high_v.value_or(none), none));
    }
    int place = 0;
    for (const MarginRecord& m : level.margins) {
      const Result<long long> to = state.word(m.to);
      if (!to.ok()) return to.error();
      TH_TRY(margin(place++, *to, m.low_v, m.high_v, m.U_v));
    }
    ++position;
  }
  return {};
}

template <class State>
Status insert_power(State& state, const RunRecord& run) {
  Database& database = *state.database;
  int position = 0;
  for (const RailRecord& rail : run.power.rails) {
    const Result<long long> id = state.word(rail.rail);
    if (!id.ok()) return id.error();
    TH_TRY(insert(database, "INSERT INTO rail VALUES(?,?,?,?,?,?,?,?,?)", [&](Statement& s) {
      s.bind(run.number).bind(position).bind(*id).bind(rail.nominal_v).bind(rail.measured_v);
      s.bind(rail.U_v).bind(rail.amps).bind(rail.window_min_v).bind(rail.window_max_v);
    }));
    ++position;
  }
  position = 0;
  for (const CurveRecord& curve : run.power.curves) {
    const Result<long long> id = state.word(curve.rail);
    if (!id.ok()) return id.error();
    const std::string time = join_numbers(curve.time_s);
    const std::string value = join_numbers(curve.value);
    TH_TRY(insert(database, "INSERT INTO curve VALUES(?,?,?,?,?,?)", [&](Statement& s) {
      s.bind(run.number).bind(position).bind(*id).bind(curve.quantity).bind(time).bind(value);
    }));
    ++position;
  }
  return {};
}

template <class State>
Status insert_amendments(State& state, const RunRecord& run) {
  int position = 0;
  for (const Amendment& a : run.amendments) {
    const Result<long long> line = state.word(a.line);
    if (!line.ok()) return line.error();
    const measure::Reading& r = a.reading;
    TH_TRY(insert(*state.database, "INSERT INTO amendment VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
                  [&](Statement& s) {
                    s.bind(run.number).bind(position++).bind(a.step).bind(*line);
                    s.bind(r.volts.value).bind(r.U.value).bind(r.dof).bind(r.p);
                    s.bind(static_cast<int>(a.verdict)).bind(static_cast<int>(r.counts.n));
                    s.bind(static_cast<long long>(r.counts.sum));
                    s.bind(static_cast<int>(r.counts.min)).bind(static_cast<int>(r.counts.max));
                    s.bind(static_cast<long long>(r.counts.sum_of_squares)).bind(a.why);
                  }));
  }
  return {};
}

template <class State>
Status insert_timings(State& state, const RunRecord& run) {
  int position = 0;
  for (const TimingRecord& t : run.timings) {
    const Result<long long> from = state.word(t.from);
    if (!from.ok()) return from.error();
    const Result<long long> line = state.word(t.line);
    if (!line.ok()) return line.error();
    TH_TRY(insert(*state.database, "INSERT INTO timing VALUES(?,?,?,?,?,?,?,?,?,?,?)",
                  [&](Statement& s) {
                    s.bind(run.number).bind(position++).bind(t.kind).bind(*from).bind(*line);
                    s.bind(t.edge).bind(t.seconds).bind(t.U_s);
                    t.limit_s ? s.bind(*t.limit_s) : s.bind_null();
                    s.bind(t.n).bind(static_cast<int>(t.verdict));
                  }));
  }
  return {};
}

// A field of one entry of the list that json_each walks through.
std::string entry(const std::string& field) {
  return "json_extract(section.json, entry.fullkey || '." + field + "')";
}

// Fills the table `study` from one list of the timing section: `kind`, `source` and `line` are SQL, `time` and
// `judged` name fields.
std::string study_rows(const std::string& list, const std::string& kind, const std::string& source,
                       const std::string& line, const std::string& edge, const std::string& time,
                       const std::string& judged, const std::string& n, const std::string& where) {
  return fmt::format(
      "INSERT INTO temp.study SELECT {}, {}, {}, {}, {}, {}, {}, {}, {} FROM section, json_each(section.json, '$.{}') "
      "entry WHERE run = ? AND name = 'timing' AND {}",
      kind, source, line, edge, entry(time + ".value"), entry(time + ".U"), entry(judged + ".limit_s"), n,
      entry(judged + ".verdict"), list, where);
}

// A timing study leaves its figures as JSON: its delays, transitions and limits become rows too, so that runs can be
// compared by them. A field of another shape than expected gives no row, never an error.
Status timings_of_study(Database& database, const RunRecord& run) {
  if (!run.timings.empty() || run.sections.count("timing") == 0) return {};
  const Result<long long> readable = database.scalar(
      fmt::format("SELECT count(*) FROM section WHERE run = {} AND name = 'timing' AND json_valid(json)", run.number));
  if (!readable.ok()) return readable.error();
  if (*readable == 0) return {};
  TH_TRY(database.execute(
      "CREATE TEMP TABLE IF NOT EXISTS study(kind TEXT, source TEXT, line TEXT, edge TEXT, seconds REAL, U REAL, "
      "limit_s REAL, n INTEGER, verdict TEXT); DELETE FROM temp.study;"));
  const std::string from = entry("from"), to = entry("to"), edge = entry("to_edge");
  for (const std::string& sql :
       {study_rows("edges", "'delay'", from, to, edge, "delay_s", "delay_judged", "0", "1"),
        study_rows("edges", "'transition'", "''", to, edge, "transition_s", "transition_judged", "0", "1"),
        study_rows("limits", entry("kind"), "coalesce(" + entry("data") + ", '')", entry("what"), "''", "value_s",
                   "judged", entry("at_edge.passes"), entry("state") + " = 'found'")}) {
    TH_TRY(insert(database, sql.c_str(), [&](Statement& s) { s.bind(run.number); }));
  }
  TH_TRY(database.execute(
      "DELETE FROM temp.study WHERE kind IS NULL OR source IS NULL OR line IS NULL OR typeof(seconds) <> 'real';"
      "INSERT OR IGNORE INTO word(text) SELECT source FROM temp.study UNION SELECT line FROM temp.study;"));
  return insert(database,
                "INSERT INTO timing SELECT ?, row_number() OVER (ORDER BY study.rowid) - 1, kind, a.id, b.id, "
                "coalesce(edge, ''), seconds, iif(typeof(U) = 'real', U, NULL), "
                "iif(typeof(limit_s) = 'real', limit_s, NULL), iif(typeof(n) = 'integer', n, 0), "
                "CASE verdict WHEN 'pass' THEN 0 WHEN 'fail' THEN 1 WHEN 'unsure' THEN 2 ELSE 3 END "
                "FROM temp.study JOIN word a ON a.text = source JOIN word b ON b.text = line",
                [&](Statement& s) { s.bind(run.number); });
}

template <class State>
Status insert_remarks(State& state, const RunRecord& run) {
  Database& database = *state.database;
  int position = 0;
  for (const std::string& warning : run.warnings) {
    TH_TRY(insert(database, "INSERT INTO warning VALUES(?,?,?)",
                  [&](Statement& s) { s.bind(run.number).bind(position).bind(warning); }));
    ++position;
  }
  for (const auto& [channel, operations] : run.relay_wear) {
    const Result<long long> id = state.word(channel);
    if (!id.ok()) return id.error();
    TH_TRY(insert(database, "INSERT INTO relay VALUES(?,?,?)",
                  [&](Statement& s) { s.bind(run.number).bind(*id).bind(operations); }));
  }
  for (const auto& [name, json] : run.sections) {
    TH_TRY(insert(database, "INSERT INTO section VALUES(?,?,?)",
                  [&](Statement& s) { s.bind(run.number).bind(name).bind(json); }));
  }
  return {};
}

Status check_run(Database& database, long number) {
  const Result<long long> found =
      database.scalar(fmt::format("SELECT count(*) FROM run WHERE number = {}", number));
  if (!found.ok()) return found.error();
  if (*found != 0) return {};
  return input_error(database.path(), fmt::format("there is no run {} in this store", number),
                     "`tenterhook history` lists the runs");
}

// What a part brings with it: told, or, when it is only named, what was said of its place before,
// or the sum of its earlier places in this record.
Result<Use> life_before(const Store& store, const Swap& swap, const std::string& happened) {
  Use life;
  if (!swap.replaces && swap.hours_before < 0.0 && swap.cycles_before < 0) {
    const auto parts = store.parts(swap.board, swap.board_serial);
    if (!parts.ok()) return parts.error();
    for (const PartLife& part : *parts) {
      if (part.fitted.part != swap.part) continue;
      life.hours = part.fitted.hours_before;
      life.cycles = part.fitted.cycles_before;
      return life;
    }
  }
  if (swap.part_serial.empty() || swap.hours_before >= 0.0 || swap.cycles_before >= 0) {
    life.hours = std::max(0.0, swap.hours_before);
    life.cycles = std::max(0L, swap.cycles_before);
    return life;
  }
  return store.life_of_part(swap.type, swap.part_serial, happened);
}

}  // namespace

Status Store::finish(RunRecord& run) {
  State& state = *state_;
  const Synced synced(*state.database);
  const Status written = in_transaction(state, [&]() -> Status {
    TH_TRY(state.prepare());
    TH_TRY(insert_end(*state.database, run));
    TH_TRY(insert_amendments(state, run));
    TH_TRY(insert_levels(state, run));
    TH_TRY(insert_power(state, run));
    TH_TRY(insert_timings(state, run));
    TH_TRY(insert_remarks(state, run));
    return timings_of_study(*state.database, run);
  });
  if (!written.ok()) return written;
  state.current_run = 0;
  run.complete = true;
  run.state = RunState::finished;
  return {};
}

Status Store::add_note(long number, const std::string& text) {
  return in_transaction(*state_, [&]() -> Status {
    TH_TRY(check_run(*state_->database, number));
    return insert_note(*state_->database, number, text);
  });
}

Status Store::add_photo(long number, const Photo& photo) {
  if (photo.sha256.size() != 64) return bug_error("photo '" + photo.path + "' came without its SHA-256");
  const std::string uid = make_uid();
  const std::string added = photo.added.empty() ? now_utc() : photo.added;
  return in_transaction(*state_, [&]() -> Status {
    TH_TRY(check_run(*state_->database, number));
    return insert(*state_->database, "INSERT INTO photo SELECT ?,?,uid,?,?,? FROM run WHERE number = ?",
                  [&](Statement& s) {
                    s.bind(uid).bind(added).bind(photo.path).bind(photo.sha256).bind(photo.note);
                    s.bind(number);
                  });
  });
}

Status Store::add_swap(const Swap& swap) {
  const std::string happened = swap.happened.empty() ? now_utc() : swap.happened;
  const Result<Use> before = life_before(*this, swap, happened);
  if (!before.ok()) return before.error();
  const std::string uid = make_uid();
  return in_transaction(*state_, [&] {
    return insert(*state_->database, "INSERT INTO fitting VALUES(?,?,?,?,?,?,?,?,?,?,?,?)",
                  [&](Statement& s) {
                    s.bind(uid).bind(happened).bind(swap.board).bind(swap.board_serial);
                    s.bind(swap.part).bind(swap.replaces ? 1 : 0).bind(swap.type);
                    s.bind(swap.part_serial).bind(swap.new_socket ? 1 : 0).bind(before->hours);
                    s.bind(before->cycles).bind(swap.note);
                  });
  });
}

Status Store::add_use(const Use& use) {
  const std::string uid = make_uid();
  const std::string happened = use.happened.empty() ? now_utc() : use.happened;
  return in_transaction(*state_, [&] {
    return insert(*state_->database, "INSERT INTO use VALUES(?,?,?,?,?,?,?)", [&](Statement& s) {
      s.bind(uid).bind(happened).bind(use.board).bind(use.board_serial).bind(use.hours);
      s.bind(use.cycles).bind(use.note);
    });
  });
}

Status Store::add_calibration(const CalibrationRecord& calibration) {
  return in_transaction(*state_, [&] {
    return insert(*state_->database, "INSERT OR IGNORE INTO calibration VALUES(?,?,?,?,?)",
                  [&](Statement& s) {
                    s.bind(calibration.hash).bind(calibration.fixture_serial);
                    s.bind(calibration.made).bind(calibration.expires).bind(calibration.text);
                  });
  });
}

Status Store::add_self_test(const SelfTestRecord& test) {
  const std::string uid = make_uid();
  const std::string happened = test.happened.empty() ? now_utc() : test.happened;
  return in_transaction(*state_, [&]() -> Status {
    Database& database = *state_->database;
    TH_TRY(insert(database, "INSERT INTO self_test VALUES(?,?,?,?,?,?,?,?,?)", [&](Statement& s) {
      s.bind(uid).bind(happened).bind(test.fixture).bind(test.fixture_serial);
      s.bind(test.firmware_build).bind(test.calibration).bind(test.good ? 1 : 0);
      s.bind(test.reference_counts).bind(test.ground_counts);
    }));
    int position = 0;
    for (const SelfTestRecord::Finding& f : test.findings) {
      TH_TRY(insert(database, "INSERT INTO self_test_finding VALUES(?,?,?,?,?)", [&](Statement& s) {
        s.bind(uid).bind(position++).bind(f.where).bind(f.kind).bind(f.text);
      }));
    }
    for (const auto& [channel, operations] : test.relay_operations) {
      TH_TRY(insert(database, "INSERT INTO self_test_relay VALUES(?,?,?)",
                    [&](Statement& s) { s.bind(uid).bind(channel).bind(operations); }));
    }
    return {};
  });
}

Status Store::check() const {
  Result<Statement> check = state_->database->prepare("PRAGMA integrity_check(1)");
  if (!check.ok()) return check.error();
  const Result<bool> row = check->next();
  if (!row.ok()) return row.error();
  const std::string answer = *row ? check->text() : "no answer";
  if (answer != "ok") {
    return fixture_error(path(), "the store is damaged: " + answer,
                         "copy the file away first, then recover what is readable with sqlite3's "
                         ".recover");
  }
  Result<Statement> keys = state_->database->prepare("PRAGMA foreign_key_check");
  if (!keys.ok()) return keys.error();
  const Result<bool> broken = keys->next();
  if (!broken.ok()) return broken.error();
  if (*broken) {
    return fixture_error(path(),
                         "the store is damaged: a row of table " + keys->text() +
                             " refers to a row that is not there",
                         "copy the file away first; another bench's copy can be merged");
  }
  return {};
}

Result<std::string> default_store_path() {
  const char* named = std::getenv("TENTERHOOK_STORE");
  if (named != nullptr && named[0] != '\0') return std::string(named);
  const char* data = std::getenv("XDG_DATA_HOME");
  const char* home = std::getenv("HOME");
  fs::path folder;
  // The specification: a relative XDG_DATA_HOME is invalid and ignored.
  if (data != nullptr && data[0] == '/') {
    folder = data;
  } else if (home != nullptr && home[0] != '\0') {
    folder = fs::path(home) / ".local" / "share";
  } else {
    return fixture_error("", "neither XDG_DATA_HOME nor HOME is set: no place for the store",
                         "name one with --store FILE");
  }
  folder /= "tenterhook";
  std::error_code error;
  fs::create_directories(folder, error);
  if (error) {
    return fixture_error(folder.string(), "the store's folder cannot be made: " + error.message(),
                         "name another store with --store FILE");
  }
  return (folder / "history.db").string();
}

}  // namespace tenterhook::record
