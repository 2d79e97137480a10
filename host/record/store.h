// The store: every run kept, in one SQLite file that only grows.
//
// A run is begun, gets its steps one by one, and is finished. Each call is committed before it
// returns: a program killed at any moment loses at most the step in flight, and a run that was
// never finished is loaded as cut short (RunRecord::complete false). Rows are never changed or
// deleted; triggers in the file refuse it.
//
// Errors: Trouble::input for a file that is no store, one of another program or of a newer
// schema, and for a run that is not there; Trouble::fixture for a full disk, missing permission, a
// lock that is not released, damage. The messages name the file and the remedy.
// One Store belongs to one thread; several programs may have the same file open.
#pragma once

#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/record/lives.h"
#include "host/record/run.h"

namespace tenterhook::record {

// One line of `history`: a run without its steps.
struct RunSummary {
  long number = 0;
  std::string uid, started, kind, board, board_serial, vectors, fixture;
  bool complete = false;
  RunState state = RunState::finished;  // of a run that is not complete: going, cut short, unknown
  std::string host;                     // the computer that recorded it
  measure::Verdict verdict = measure::Verdict::none;  // none when cut short
  std::optional<Aborted> aborted;
  CountsOf counts;
  double total_s = 0.0;
};

struct HistoryFilter {
  std::string board, board_serial;          // empty: any
  bool exact_serial = false;                // an empty serial means boards without one
  std::string since, before;                // "2026-11-25" or longer: since <= started < before
  std::string kind;                         // empty: any
  std::optional<measure::Verdict> verdict;  // finished and not aborted runs of that verdict
  int limit = 20;                           // at most this many, newest first
  int offset = 0;
};

struct HistoryPage {
  std::vector<RunSummary> runs;
  long total = 0;  // runs that the filter lets through
};

// One point of a line's level over time, for trends.
struct LevelPoint {
  long run = 0;
  std::string started;
  std::string board_serial;
  double total_s = 0.0;  // how long that run took
  LevelRecord::Side side;
};

struct MergeCount {
  long added = 0;      // runs that were not here
  long completed = 0;  // runs that were here without their end
  long known = 0;      // runs that were here already
};

class Store {
 public:
  enum class Mode {
    write,  // made when missing, migrated when older
    read,   // must exist; opened without writing (but migrated when older), also from a
            // read-only folder
  };
  static Result<Store> open(const std::string& path, Mode mode = Mode::write);
  Store(Store&&) noexcept;
  Store& operator=(Store&&) noexcept;
  ~Store();

  // Records everything that is known before the first step: identity, faults, the texts of all
  // sources (each stored once, by its SHA-256). Sets run.number, run.uid and, when empty,
  // run.started; returns the number. On disk (synced) when it returns.
  Result<long> begin(RunRecord& run);
  // The next step of run `number`, with its readings; steps keep the order of these calls.
  Status add_step(long number, const StepRecord& step);
  // Verdict, abort, times, counters, levels, power, warnings, sections of run.number; steps in
  // `run` are not written again. Sets run.complete. On disk (synced) when it returns.
  Status finish(RunRecord& run);
  Status add_note(long number, const std::string& text);
  Status add_photo(long number, const Photo& photo);
  // A part was replaced (or, with replaces = false, only named). Fills hours and cycles that the
  // part brings with it when they are below zero.
  Status add_swap(const Swap& swap);
  Status add_use(const Use& use);
  // Once for each hash; the text of a calibration whose hash is known already is not kept again.
  Status add_calibration(const CalibrationRecord& calibration);
  Status add_self_test(const SelfTestRecord& test);
  // Joins all runs of another store that are not here yet (by uid), oldest first, under numbers of
  // this store. All or nothing; the other file is only read. Errors as for open().
  Result<MergeCount> merge(const std::string& other);

  // RUN as people write it: a number, a prefix of the uid (4 characters or more), `last`,
  // `last-good` (the last that passed), `BOARD@SERIAL` (its last run), or NUMBER.UID from a label.
  Result<long> find(const std::string& run) const;
  Result<RunRecord> load(long number) const;
  // "17" or `last` to the record in one go.
  Result<RunRecord> load(const std::string& run) const;
  Result<HistoryPage> history(const HistoryFilter& filter) const;
  // Levels of one line in every finished run of a board, oldest first. Empty serial: all serials.
  Result<std::vector<LevelPoint>> level_history(const std::string& board,
                                                const std::string& board_serial,
                                                const std::string& line, bool high) const;
  // Parts that were replaced, oldest first. Empty serial: all serials.
  Result<std::vector<Swap>> swaps(const std::string& board, const std::string& board_serial) const;
  // What sits in each place of one board that a swap or a naming was recorded for, by place.
  Result<std::vector<PartLife>> parts(const std::string& board,
                                      const std::string& board_serial) const;
  // Places that ever needed a new part on boards of this name, most swaps first.
  Result<std::vector<PlaceHistory>> place_history(const std::string& board) const;
  // Hours under power and power-ups of one board until now: recorded runs and told use.
  Result<Use> use_of(const std::string& board, const std::string& board_serial) const;
  // Hours and power-ups of one single part in all its places before `until`, with what it was
  // recorded to have had before the first. An empty type matches any.
  Result<Use> life_of_part(const std::string& type, const std::string& part_serial,
                           const std::string& until) const;
  // Run -> hours under power that the board had behind it at the run's start, told use included.
  Result<std::map<long, double>> hours_by_run(const std::string& board,
                                              const std::string& board_serial) const;
  // Times it was told to have worked elsewhere, oldest first.
  Result<std::vector<Use>> uses(const std::string& board, const std::string& board_serial) const;
  Result<std::vector<Photo>> photos(long number) const;
  // Notes and photos of all runs of one board, newest first.
  Result<std::vector<Remark>> remarks(const std::string& board,
                                      const std::string& board_serial) const;
  // Serials of the fixtures that ran or tested themselves.
  Result<std::vector<std::string>> fixtures() const;
  // The input files of a run alone, as it kept them.
  Result<std::vector<files::SourceFile>> sources(long number) const;
  // By hash; Trouble::input when it is not kept.
  Result<CalibrationRecord> calibration(const std::string& hash) const;
  // Newest first, at most `limit`. Empty serial: all fixtures.
  Result<std::vector<SelfTestRecord>> self_tests(const std::string& fixture_serial,
                                                 int limit = 20) const;
  // Operations of each relay of one fixture over all recorded runs and self-tests, most first.
  Result<std::vector<RelayWear>> relay_wear(const std::string& fixture_serial) const;
  // Every board that has runs, by name and serial, with its last run.
  Result<std::vector<RunSummary>> boards() const;
  // The file's own integrity check and its foreign keys.
  Status check() const;
  const std::string& path() const;

 private:
  struct State;
  explicit Store(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

// Where the store lies when no --store is given: $TENTERHOOK_STORE, else $XDG_DATA_HOME/tenterhook/history.db, by default
// ~/.local/share (XDG Base Directory Specification). Makes the folder. Trouble::fixture when
// neither XDG_DATA_HOME nor HOME is set or the folder cannot be made.
Result<std::string> default_store_path();

}  // namespace tenterhook::record
