// Speed of the store. Recording stands beside plain SQLite writing the same rows with the same
// settings and one transaction a step; reading is timed on the store that TENTERHOOK_STORE names
// (make_store FILE 10000 125 makes the big one), or on a small one made here.
#include <benchmark/benchmark.h>
#include <sqlite3.h>

#include <cstdio>
#include <cstdlib>
#include <filesystem>

#include "host/record/compare.h"
#include "host/record/store.h"
#include "host/record/trend.h"
#include "tests/unit/record/scenario.h"

namespace tenterhook::record {
namespace {

namespace fs = std::filesystem;

constexpr int kSteps = 125;

std::string temporary(const char* name) {
  const std::string path = (fs::temp_directory_path() / name).string();
  for (const char* ending : {"", "-wal", "-shm"}) fs::remove(path + ending);
  return path;
}

RunRecord run_of(int steps) {
  scenario::LatchRun options;
  options.steps = steps;
  return scenario::latch_run(options);
}

void BM_RecordThroughTheStore(benchmark::State& state) {
  Store store = Store::open(temporary("tenterhook-speed-store.db")).take();
  const RunRecord pattern = run_of(kSteps);
  RunRecord run = pattern;
  if (!store.begin(run).ok()) state.SkipWithError("begin");
  std::size_t next = 0;
  for (auto _ : state) {
    if (!store.add_step(run.number, pattern.steps[next++ % kSteps]).ok())
      state.SkipWithError("step");
  }
  state.SetItemsProcessed(state.iterations() * 8);
}
BENCHMARK(BM_RecordThroughTheStore)->MinTime(2.0);

// The same rows of step and reading, word and window numbers already known; no foreign keys, no
// triggers, no look-ups.
void BM_RecordPlainSqlite(benchmark::State& state) {
  sqlite3* db = nullptr;
  sqlite3_open(temporary("tenterhook-speed-plain.db").c_str(), &db);
  sqlite3_exec(
      db,
      "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; PRAGMA cache_size = -16384;"
      "CREATE TABLE step(run INTEGER, position INTEGER, vector INTEGER, source INTEGER, "
      "say INTEGER, sets INTEGER, pulses INTEGER, time_s REAL, PRIMARY KEY(run, position)) "
      "WITHOUT ROWID;"
      "CREATE TABLE reading(run INTEGER, step INTEGER, position INTEGER, line INTEGER, "
      "expected INTEGER, volts REAL, U REAL, dof REAL, p REAL, window INTEGER, verdict "
      "INTEGER, channel INTEGER, n INTEGER, sum INTEGER, min INTEGER, max INTEGER, "
      "sum_of_squares INTEGER, why TEXT, PRIMARY KEY(run, step, position)) WITHOUT ROWID;",
      nullptr, nullptr, nullptr);
  sqlite3_stmt *step = nullptr, *reading = nullptr;
  sqlite3_prepare_v2(db, "INSERT INTO step VALUES(?,?,?,?,?,?,?,?)", -1, &step, nullptr);
  sqlite3_prepare_v2(db, "INSERT INTO reading VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)", -1,
                     &reading, nullptr);
  const RunRecord pattern = run_of(kSteps);
  int position = 0;
  for (auto _ : state) {
    const StepRecord& s = pattern.steps[static_cast<std::size_t>(position % kSteps)];
    sqlite3_exec(db, "BEGIN IMMEDIATE", nullptr, nullptr, nullptr);
    const int numbers[] = {1, position, s.index, 1, 2, 3, 4};
    for (int i = 0; i < 7; ++i) sqlite3_bind_int(step, i + 1, numbers[i]);
    sqlite3_bind_double(step, 8, s.time_s);
    sqlite3_step(step);
    sqlite3_reset(step);
    int place = 0;
    for (const measure::Reading& r : s.readings) {
      int at = 0;
      for (const int v : {1, position, place, 5 + place, static_cast<int>(r.expected)}) {
        sqlite3_bind_int(reading, ++at, v);
      }
      for (const double v : {r.volts.value, r.U.value, r.dof, r.p}) {
        sqlite3_bind_double(reading, ++at, v);
      }
      for (const long long v :
           {1LL, static_cast<long long>(r.verdict), static_cast<long long>(r.channel),
            static_cast<long long>(r.counts.n), static_cast<long long>(r.counts.sum),
            static_cast<long long>(r.counts.min), static_cast<long long>(r.counts.max),
            static_cast<long long>(r.counts.sum_of_squares)}) {
        sqlite3_bind_int64(reading, ++at, v);
      }
      sqlite3_bind_null(reading, ++at);
      sqlite3_step(reading);
      sqlite3_reset(reading);
      ++place;
    }
    sqlite3_exec(db, "COMMIT", nullptr, nullptr, nullptr);
    ++position;
  }
  state.SetItemsProcessed(state.iterations() * 8);
  sqlite3_finalize(step);
  sqlite3_finalize(reading);
  sqlite3_close(db);
}
BENCHMARK(BM_RecordPlainSqlite)->MinTime(2.0);

// The store that is read from; its size and bytes a reading are printed once.
const std::string& filled_store() {
  static const std::string kPath = [] {
    if (const char* given = std::getenv("TENTERHOOK_STORE"); given != nullptr)
      return std::string(given);
    const std::string path = temporary("tenterhook-speed-filled.db");
    Store store = Store::open(path).take();
    for (int i = 0; i < 50; ++i) {
      RunRecord run = run_of(kSteps);
      if (!store.begin(run).ok()) std::abort();
      for (const StepRecord& step : run.steps) {
        if (!store.add_step(run.number, step).ok()) std::abort();
      }
      if (!store.finish(run).ok()) std::abort();
    }
    return path;
  }();
  return kPath;
}

// Opening the store is part of every command, so it is part of the time.
void BM_HistoryFirstPage(benchmark::State& state) {
  for (auto _ : state) {
    const Store store = Store::open(filled_store(), Store::Mode::read).take();
    benchmark::DoNotOptimize(store.history({}).take());
  }
}
BENCHMARK(BM_HistoryFirstPage)->Unit(benchmark::kMillisecond);

void BM_HistoryFiltered(benchmark::State& state) {
  HistoryFilter filter;
  filter.board = "shed-latch";
  filter.board_serial = "004";
  filter.verdict = measure::Verdict::pass;
  for (auto _ : state) {
    const Store store = Store::open(filled_store(), Store::Mode::read).take();
    benchmark::DoNotOptimize(store.history(filter).take());
  }
}
BENCHMARK(BM_HistoryFiltered)->Unit(benchmark::kMillisecond);

void BM_Compare(benchmark::State& state) {
  for (auto _ : state) {
    const Store store = Store::open(filled_store(), Store::Mode::read).take();
    const RunRecord before = store.load("1").take();
    const RunRecord after = store.load("last").take();
    benchmark::DoNotOptimize(compare(before, after));
  }
}
BENCHMARK(BM_Compare)->Unit(benchmark::kMillisecond);

void BM_TrendOfOneLine(benchmark::State& state) {
  for (auto _ : state) {
    const Store store = Store::open(filled_store(), Store::Mode::read).take();
    const auto levels = store.level_history("shed-latch", "003", "Q2", true).take();
    std::vector<TrendPoint> points;
    for (const LevelPoint& level : levels) {
      points.push_back({level.run, static_cast<double>(points.size()), level.side.min_v});
    }
    benchmark::DoNotOptimize(assess_trend(points, 22.0, true, {}));
  }
}
BENCHMARK(BM_TrendOfOneLine)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace tenterhook::record

BENCHMARK_MAIN();
