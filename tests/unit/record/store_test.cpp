#include "host/record/store.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sqlite3.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <functional>
#include <random>

#include "host/record/uid.h"
#include "tests/unit/record/scenario.h"
#include "tests/unit/record/store_fixture.h"

namespace tenterhook::record {
namespace {

using ::testing::HasSubstr;

void expect_same(const measure::Reading& a, const measure::Reading& b) {
  EXPECT_EQ(a.line, b.line);
  EXPECT_EQ(a.expected, b.expected);
  EXPECT_EQ(a.volts, b.volts);  // to the bit
  EXPECT_EQ(a.U, b.U);
  EXPECT_EQ(a.dof, b.dof);
  EXPECT_EQ(a.p, b.p);
  EXPECT_EQ(a.window.min, b.window.min);
  EXPECT_EQ(a.window.max, b.window.max);
  EXPECT_EQ(a.verdict, b.verdict);
  EXPECT_EQ(a.channel, b.channel);
  EXPECT_EQ(a.why, b.why);
  EXPECT_EQ(a.counts.n, b.counts.n);
  EXPECT_EQ(a.counts.sum, b.counts.sum);
  EXPECT_EQ(a.counts.min, b.counts.min);
  EXPECT_EQ(a.counts.max, b.counts.max);
  EXPECT_EQ(a.counts.sum_of_squares, b.counts.sum_of_squares);
}

void expect_same(const std::optional<LevelRecord::Side>& a,
                 const std::optional<LevelRecord::Side>& b) {
  ASSERT_EQ(a.has_value(), b.has_value());
  if (!a) return;
  EXPECT_EQ(a->min_v, b->min_v);
  EXPECT_EQ(a->max_v, b->max_v);
  EXPECT_EQ(a->mean_v, b->mean_v);
  EXPECT_EQ(a->U_v, b->U_v);
  EXPECT_EQ(a->n, b->n);
  EXPECT_EQ(a->worst_step, b->worst_step);
}

TEST_F(StoreTest, RunComesBackAsItWasRecorded) {
  scenario::LatchRun options;
  options.q1_stuck_low = true;
  options.q2_weak = true;
  RunRecord run = scenario::latch_run(options);
  run.notes = "after the move";
  run.warnings = {"drive.3 operated slowly", "a second thing"};
  run.sections["timing"] = R"({"delay_us": 4.5})";
  run.steps[1].set.emplace_back("odd name=1 %", files::Bit::undriven);
  Store store = open();
  const long number = record(store, run);
  const Result<RunRecord> found = store.load(number);
  ASSERT_TRUE(found.ok()) << found.error().text();
  const RunRecord& back = *found;
  EXPECT_EQ(back.started, run.started);
  EXPECT_EQ(back.kind, "run");
  EXPECT_EQ(back.board, run.board);
  EXPECT_EQ(back.board_serial, run.board_serial);
  EXPECT_EQ(back.vectors, run.vectors);
  EXPECT_EQ(back.fixture, run.fixture);
  EXPECT_EQ(back.fixture_serial, run.fixture_serial);
  EXPECT_EQ(back.firmware_build, run.firmware_build);
  EXPECT_EQ(back.calibration, run.calibration);
  EXPECT_EQ(back.operator_name, run.operator_name);
  EXPECT_EQ(back.notes, run.notes);
  EXPECT_EQ(back.seed, run.seed);
  EXPECT_EQ(back.faults, run.faults);
  EXPECT_EQ(back.warnings, run.warnings);
  EXPECT_EQ(back.sections, run.sections);
  EXPECT_EQ(back.relay_wear, run.relay_wear);
  EXPECT_EQ(back.relay_operations, run.relay_operations);
  EXPECT_EQ(back.steps_planned, run.steps_planned);
  EXPECT_EQ(back.verdict, run.verdict);
  EXPECT_TRUE(back.complete);
  EXPECT_FALSE(back.aborted.has_value());
  ASSERT_EQ(back.sources.size(), run.sources.size());
  for (std::size_t i = 0; i < run.sources.size(); ++i) {
    EXPECT_EQ(back.sources[i].path, run.sources[i].path);
    EXPECT_EQ(back.sources[i].text, run.sources[i].text);
    EXPECT_EQ(back.sources[i].sha256, run.sources[i].sha256);
  }
  ASSERT_EQ(back.steps.size(), run.steps.size());
  for (std::size_t i = 0; i < run.steps.size(); ++i) {
    EXPECT_EQ(back.steps[i].index, run.steps[i].index);
    EXPECT_EQ(back.steps[i].source, run.steps[i].source);
    EXPECT_EQ(back.steps[i].say, run.steps[i].say);
    EXPECT_EQ(back.steps[i].set, run.steps[i].set);
    EXPECT_EQ(back.steps[i].pulse, run.steps[i].pulse);
    EXPECT_EQ(back.steps[i].time_s, run.steps[i].time_s);
    ASSERT_EQ(back.steps[i].readings.size(), run.steps[i].readings.size());
    for (std::size_t k = 0; k < run.steps[i].readings.size(); ++k) {
      expect_same(back.steps[i].readings[k], run.steps[i].readings[k]);
    }
  }
}

TEST_F(StoreTest, LevelsPowerTimesAndCountersComeBack) {
  scenario::LatchRun options;
  options.q1_stuck_low = true;  // Q1 then has no good high: one side stays empty
  RunRecord run = scenario::latch_run(options);
  run.link = {1, 2, 3, 4, 5, 6, 7, 8};
  Store store = open();
  const Result<RunRecord> found = store.load(record(store, run));
  ASSERT_TRUE(found.ok()) << found.error().text();
  ASSERT_EQ(found->levels.size(), run.levels.size());
  for (std::size_t i = 0; i < run.levels.size(); ++i) {
    const LevelRecord& a = found->levels[i];
    const LevelRecord& b = run.levels[i];
    EXPECT_EQ(a.line, b.line);
    expect_same(a.low, b.low);
    expect_same(a.high, b.high);
    EXPECT_EQ(a.margin_low_v, b.margin_low_v);
    EXPECT_EQ(a.margin_high_v, b.margin_high_v);
    ASSERT_EQ(a.margins.size(), b.margins.size());
    EXPECT_EQ(a.margins[0].to, b.margins[0].to);
    EXPECT_EQ(a.margins[0].low_v, b.margins[0].low_v);
    EXPECT_EQ(a.margins[0].high_v, b.margins[0].high_v);
    EXPECT_EQ(a.margins[0].U_v, b.margins[0].U_v);
  }
  ASSERT_EQ(found->power.rails.size(), 3u);
  EXPECT_EQ(found->power.rails[2].rail, "plate");
  EXPECT_EQ(found->power.rails[2].measured_v, run.power.rails[2].measured_v);
  EXPECT_EQ(found->power.rails[1].window_max_v, -8.4);
  ASSERT_EQ(found->power.curves.size(), 2u);
  EXPECT_EQ(found->power.curves[0].time_s, run.power.curves[0].time_s);
  EXPECT_EQ(found->power.curves[0].value, run.power.curves[0].value);
  EXPECT_EQ(found->power.warm_up_s, run.power.warm_up_s);
  EXPECT_EQ(found->power.discharged_below_v, run.power.discharged_below_v);
  EXPECT_EQ(found->time.total_s, run.time.total_s);
  EXPECT_EQ(found->time.discharge_s, run.time.discharge_s);
  EXPECT_EQ(found->link.frames_sent, 1);
  EXPECT_EQ(found->link.overruns, 4);
  EXPECT_EQ(found->link.resets, 8);
}

TEST_F(StoreTest, NotANumberAndNoLimitSurvive) {
  RunRecord run = scenario::latch_run();
  measure::Reading& odd = run.steps[0].readings[0];
  odd.volts = Volts{std::nan("")};
  odd.window.max = Volts{INFINITY};
  Store store = open();
  const Result<RunRecord> back = store.load(record(store, run));
  ASSERT_TRUE(back.ok());
  EXPECT_TRUE(std::isnan(back->steps[0].readings[0].volts.value));
  EXPECT_EQ(back->steps[0].readings[0].window.max.value, INFINITY);
}

TEST_F(StoreTest, UnfinishedRunIsCutShortWithItsSteps) {
  RunRecord run = scenario::latch_run();
  {
    Store store = open();
    ASSERT_TRUE(store.begin(run).ok());
    for (int i = 0; i < 3; ++i) ASSERT_TRUE(store.add_step(run.number, run.steps[i]).ok());
  }
  Store store = open(Store::Mode::read);
  const Result<RunRecord> back = store.load("last");
  ASSERT_TRUE(back.ok());
  EXPECT_FALSE(back->complete);
  EXPECT_EQ(back->verdict, measure::Verdict::none);
  EXPECT_EQ(back->steps.size(), 3u);
  const Result<HistoryPage> page = store.history({});
  ASSERT_TRUE(page.ok());
  EXPECT_FALSE(page->runs[0].complete);
  EXPECT_EQ(page->runs[0].counts.steps, 3);
  EXPECT_EQ(page->runs[0].counts.pass, 24);
}

TEST_F(StoreTest, AbortIsKept) {
  Store store = open();
  const Result<RunRecord> back = store.load(record(store, scenario::tripped_run()));
  ASSERT_TRUE(back.ok());
  ASSERT_TRUE(back->aborted.has_value());
  EXPECT_EQ(back->aborted->cause, "over-current");
  EXPECT_EQ(back->aborted->where, "plate");
  EXPECT_EQ(back->aborted->blame, "board");
  EXPECT_TRUE(back->complete);
}

TEST_F(StoreTest, StepAfterTheEndIsRefused) {
  Store store = open();
  const RunRecord run = scenario::latch_run();
  const long number = record(store, run);
  const Status late = store.add_step(number, run.steps[0]);
  ASSERT_FALSE(late.ok());
  EXPECT_EQ(late.error().trouble, Trouble::bug);
}

TEST_F(StoreTest, SecondEndIsRefused) {
  Store store = open();
  RunRecord run = scenario::latch_run();
  run.number = record(store, run);
  EXPECT_FALSE(store.finish(run).ok());
}

TEST_F(StoreTest, RecordedRowsCannotBeChangedOrDeleted) {
  Store store = open();
  record(store, scenario::latch_run());
  for (const char* sql :
       {"UPDATE reading SET volts = 0", "DELETE FROM step", "DELETE FROM run_end",
        "UPDATE run_end SET verdict = 0", "UPDATE file SET text = ''", "DELETE FROM level"}) {
    EXPECT_THAT(raw(sql), HasSubstr("append-only")) << sql;
  }
}

TEST_F(StoreTest, EqualFilesAreStoredOnce) {
  Store store = open();
  for (int i = 0; i < 3; ++i) record(store, scenario::latch_run());
  std::string files;
  ASSERT_EQ(raw("SELECT count(*) FROM file", &files), "");
  EXPECT_EQ(files, "2");
}

TEST_F(StoreTest, ViewsSpeakInWords) {
  Store store = open();
  scenario::LatchRun options;
  options.q1_stuck_low = true;
  record(store, scenario::latch_run(options));
  std::string answer;
  ASSERT_EQ(raw("SELECT outcome FROM runs", &answer), "");
  EXPECT_EQ(answer, "fail");
  ASSERT_EQ(raw("SELECT DISTINCT line FROM readings WHERE verdict = 'fail' ORDER BY line LIMIT 1",
                &answer),
            "");
  EXPECT_EQ(answer, "Q1");
  ASSERT_EQ(raw("SELECT sets FROM steps WHERE position = 1", &answer), "");
  EXPECT_EQ(answer, "F3=1 F2=0 F1=1 F0=0 SKIP=0");
  ASSERT_EQ(raw("SELECT count(*) FROM levels WHERE side = 'high'", &answer), "");
  EXPECT_EQ(answer, "7");
  ASSERT_EQ(raw("SELECT json_extract(value, '$[0]') > 9 FROM curve LIMIT 1", &answer), "");
  EXPECT_EQ(answer, "1");
}

// What docs/store.md tells people to type works and finds something.
TEST_F(StoreTest, QueriesOfTheDocumentationAnswer) {
  Store store = open();
  scenario::LatchRun options;
  options.q1_stuck_low = true;
  for (int i = 0; i < 17; ++i) record(store, scenario::latch_run(options));
  ASSERT_TRUE(store.add_swap({"", "shed-latch", "003", "V3", ""}).ok());
  std::ifstream file(std::string(TH_SOURCE_DIR) + "/docs/store.md");
  std::string line, sql;
  bool inside = false;
  int queries = 0;
  while (std::getline(file, line)) {
    if (line.rfind("```", 0) == 0) {
      inside = line == "```sql";
      continue;
    }
    if (!inside) continue;
    sql += line + "\n";
    if (line.empty() || line.back() != ';') continue;
    std::string answer;
    EXPECT_EQ(raw(sql, &answer), "") << sql;
    EXPECT_NE(answer, "") << sql;
    ++queries;
    sql.clear();
  }
  EXPECT_EQ(queries, 6);
}

TEST_F(StoreTest, FindsRunsByEveryName) {
  Store store = open();
  scenario::LatchRun bad;
  bad.q1_stuck_low = true;
  bad.serial = "004";
  EXPECT_EQ(record(store, scenario::latch_run()), 1);
  EXPECT_EQ(record(store, scenario::latch_run(bad)), 2);
  EXPECT_EQ(record(store, scenario::tripped_run()), 3);
  EXPECT_EQ(*store.find("2"), 2);
  EXPECT_EQ(*store.find("last"), 3);
  EXPECT_EQ(*store.find("last-good"), 1);
  EXPECT_EQ(*store.find("shed-latch@003"), 1);
  EXPECT_EQ(*store.find("shed-latch@004"), 3);
  const std::string uid = store.load(2)->uid;
  EXPECT_EQ(*store.find(uid), 2);
  EXPECT_EQ(*store.find(uid.substr(0, 25)), 2);
  std::string lower = uid;
  for (char& c : lower) c = static_cast<char>(std::tolower(c));
  EXPECT_EQ(*store.find(lower), 2);
}

TEST_F(StoreTest, UnknownRunNamesWhatWasExpected) {
  Store store = open();
  record(store, scenario::latch_run());
  record(store, scenario::latch_run());
  const std::string shared = store.load(1)->uid.substr(0, 6);
  for (const std::string& name :
       {std::string("9"), std::string("nobody@1"), std::string("01"), std::string(""),
        std::string("last'; --"), shared, std::string("99999999999999999999999"),
        std::string("7ZZZZZZZ")}) {
    const Result<long> found = store.find(name);
    ASSERT_FALSE(found.ok()) << name;
    EXPECT_EQ(found.error().trouble, Trouble::input) << name;
    EXPECT_THAT(found.error().text(), HasSubstr("history")) << name;
  }
  EXPECT_THAT(store.find(shared).error().what, HasSubstr("several"));
}

TEST_F(StoreTest, HistoryFiltersAndPages) {
  Store store = open();
  for (int i = 0; i < 5; ++i) {
    RunRecord run = scenario::latch_run();
    run.started = "2026-11-2" + std::to_string(i) + "T08:00:00Z";
    record(store, run);
  }
  scenario::LatchRun bad;
  bad.q1_stuck_low = true;
  bad.serial = "004";
  record(store, scenario::latch_run(bad));
  record(store, scenario::tripped_run());

  HistoryFilter filter;
  filter.limit = 3;
  Result<HistoryPage> page = store.history(filter);
  ASSERT_TRUE(page.ok());
  EXPECT_EQ(page->total, 7);
  ASSERT_EQ(page->runs.size(), 3u);
  EXPECT_EQ(page->runs[0].number, 7);
  EXPECT_EQ(page->runs[0].aborted->cause, "over-current");
  EXPECT_GT(page->runs[1].counts.fail, 0);
  filter.offset = 6;
  page = store.history(filter);
  ASSERT_EQ(page->runs.size(), 1u);
  EXPECT_EQ(page->runs[0].number, 1);

  filter = {};
  filter.board_serial = "004";
  filter.verdict = measure::Verdict::fail;
  page = store.history(filter);
  ASSERT_EQ(page->runs.size(), 1u);
  EXPECT_EQ(page->runs[0].number, 6);
  filter = {};
  filter.since = "2026-11-21";
  filter.before = "2026-11-23";
  EXPECT_EQ(store.history(filter)->total, 2);
  filter = {};
  filter.board = "pick-counter";
  EXPECT_EQ(store.history(filter)->total, 0);
}

TEST_F(StoreTest, LevelHistoryFollowsOneLine) {
  Store store = open();
  for (int i = 0; i < 4; ++i) {
    scenario::LatchRun options;
    options.q2_high_v = 24.6 - 0.2 * i;
    options.serial = i == 3 ? "004" : "003";
    RunRecord run = scenario::latch_run(options);
    run.started = "2026-11-0" + std::to_string(4 - i) + "T08:00:00Z";  // recorded newest first
    record(store, run);
  }
  const auto points = store.level_history("shed-latch", "003", "Q2", true);
  ASSERT_TRUE(points.ok());
  ASSERT_EQ(points->size(), 3u);
  EXPECT_EQ((*points)[0].run, 3);  // the oldest by date
  EXPECT_NEAR((*points)[0].side.mean_v, 24.2, 0.03);
  EXPECT_NEAR((*points)[2].side.mean_v, 24.6, 0.03);
  EXPECT_EQ(store.level_history("shed-latch", "", "Q2", true)->size(), 4u);
  EXPECT_EQ(store.level_history("shed-latch", "", "nothing", true)->size(), 0u);
}

TEST_F(StoreTest, NotesAreAddedLater) {
  Store store = open();
  RunRecord run = scenario::latch_run();
  run.notes = "first";
  const long number = record(store, run);
  ASSERT_TRUE(store.add_note(number, "V3 reseated").ok());
  EXPECT_EQ(store.load(number)->notes, "first\nV3 reseated");
}

TEST_F(StoreTest, SwapsAreKeptByBoard) {
  Store store = open();
  ASSERT_TRUE(
      store.add_swap({"2026-11-02T00:00:00Z", "shed-latch", "003", "V3", "socket kept"}).ok());
  ASSERT_TRUE(store.add_swap({"2026-11-01T00:00:00Z", "shed-latch", "003", "V1", ""}).ok());
  ASSERT_TRUE(store.add_swap({"", "shed-latch", "004", "V2", ""}).ok());
  const auto swaps = store.swaps("shed-latch", "003");
  ASSERT_TRUE(swaps.ok());
  ASSERT_EQ(swaps->size(), 2u);
  EXPECT_EQ((*swaps)[0].part, "V1");
  EXPECT_EQ((*swaps)[1].note, "socket kept");
  EXPECT_EQ(store.swaps("shed-latch", "")->size(), 3u);
}

// ---- two benches -------------------------------------------------------------------------------

class MergeTest : public StoreTest {
 protected:
  Store other() { return Store::open(other_path()).take(); }
  std::string other_path() const { return (folder_ / "other.db").string(); }
};

TEST_F(MergeTest, RunsAreJoinedWholeAndOnlyOnce) {
  Store here = open();
  scenario::LatchRun dead;
  dead.q1_stuck_low = true;
  record(here, scenario::latch_run());
  std::string theirs_uid;
  {
    Store there = other();
    RunRecord odd = scenario::latch_run(dead);
    odd.steps[0].say = "only this bench says so";
    odd.steps[0].readings[0].window.max = Volts{8.25};
    odd.warnings = {"careful"};
    odd.notes = "their note";
    odd.sections["timing"] = "{}";
    record(there, odd);
    record(there, scenario::tripped_run());
    ASSERT_TRUE(there.add_swap({"2026-11-01T00:00:00Z", "shed-latch", "003", "V3", ""}).ok());
    theirs_uid = there.load(1)->uid;
  }
  Result<MergeCount> count = here.merge(other_path());
  ASSERT_TRUE(count.ok()) << count.error().text();
  EXPECT_EQ(count->added, 2);
  EXPECT_EQ(count->known, 0);
  ASSERT_TRUE(here.check().ok());
  const Result<RunRecord> joined = here.load(*here.find(theirs_uid));
  ASSERT_TRUE(joined.ok());
  const RunRecord original = other().load(1).take();
  EXPECT_EQ(joined->steps[0].say, "only this bench says so");
  ASSERT_EQ(joined->steps.size(), original.steps.size());
  for (std::size_t i = 0; i < original.steps.size(); ++i) {
    EXPECT_EQ(joined->steps[i].set, original.steps[i].set);
    for (std::size_t k = 0; k < original.steps[i].readings.size(); ++k) {
      expect_same(joined->steps[i].readings[k], original.steps[i].readings[k]);
    }
  }
  EXPECT_EQ(joined->levels.size(), original.levels.size());
  EXPECT_EQ(joined->levels[0].margins[0].to, "valve30");
  EXPECT_EQ(joined->levels[0].margin_high_v, original.levels[0].margin_high_v);
  EXPECT_EQ(joined->power.curves[0].value, original.power.curves[0].value);
  EXPECT_EQ(joined->relay_wear, original.relay_wear);
  EXPECT_EQ(joined->warnings, original.warnings);
  EXPECT_EQ(joined->notes, original.notes);
  EXPECT_EQ(joined->sections, original.sections);
  EXPECT_EQ(joined->verdict, original.verdict);
  EXPECT_TRUE(joined->complete);
  EXPECT_EQ(here.swaps("shed-latch", "003")->size(), 1u);
  // Again: nothing new. Then this store goes on as before.
  count = here.merge(other_path());
  ASSERT_TRUE(count.ok());
  EXPECT_EQ(count->added, 0);
  EXPECT_EQ(count->known, 2);
  EXPECT_EQ(here.history({})->total, 3);
  EXPECT_EQ(record(here, scenario::latch_run()), 4);
}

TEST_F(MergeTest, RunThatWasStillGoingIsCompletedLater) {
  Store here = open();
  Store there = other();
  RunRecord run = scenario::latch_run();
  ASSERT_TRUE(there.begin(run).ok());
  for (int i = 0; i < 5; ++i) ASSERT_TRUE(there.add_step(run.number, run.steps[i]).ok());
  ASSERT_TRUE(here.merge(other_path()).ok());
  EXPECT_FALSE(here.load(1)->complete);
  EXPECT_EQ(here.load(1)->steps.size(), 5u);
  for (std::size_t i = 5; i < run.steps.size(); ++i) {
    ASSERT_TRUE(there.add_step(run.number, run.steps[i]).ok());
  }
  ASSERT_TRUE(there.finish(run).ok());
  const Result<MergeCount> count = here.merge(other_path());
  ASSERT_TRUE(count.ok()) << count.error().text();
  EXPECT_EQ(count->completed, 1);
  EXPECT_EQ(count->added, 0);
  EXPECT_TRUE(here.load(1)->complete);
  EXPECT_EQ(here.load(1)->steps.size(), 38u);
  EXPECT_EQ(counts_of(*here.load(1)).pass, 304);
}

TEST_F(MergeTest, OlderStoreIsJoinedAndStaysAsItIs) {
  const std::string kept = std::string(TH_SOURCE_DIR) + "/tests/data/stores/v1.db";
  fs::copy_file(kept, other_path());
  fs::permissions(other_path(), fs::perms(0444));
  Store here = open();
  const Result<MergeCount> count = here.merge(other_path());
  ASSERT_TRUE(count.ok()) << count.error().text();
  EXPECT_EQ(count->added, 3);
  EXPECT_EQ(here.load(2)->steps.size(), 8u);
  const auto bytes = [](const std::string& path) {
    std::ifstream file(path, std::ios::binary);
    return std::string(std::istreambuf_iterator<char>(file), {});
  };
  EXPECT_EQ(bytes(other_path()), bytes(kept));
  int files = 0;
  for ([[maybe_unused]] const auto& file : fs::directory_iterator(folder_)) {
    files += file.path().string().find("merge") != std::string::npos ? 1 : 0;
  }
  EXPECT_EQ(files, 0);  // no copy is left behind
}

TEST_F(MergeTest, WhatIsNoOtherStoreIsRefused) {
  Store here = open();
  EXPECT_EQ(here.merge(other_path()).error().trouble, Trouble::input);
  EXPECT_EQ(here.merge(path_).error().trouble, Trouble::input);
  std::ofstream(other_path()) << std::string(4000, 'x');
  EXPECT_EQ(here.merge(other_path()).error().trouble, Trouble::input);
  // And the store still works.
  EXPECT_EQ(record(here, scenario::latch_run()), 1);
}

// ---- older schemas: one kept file of each ------------------------------------------------------

TEST_F(StoreTest, EveryOlderSchemaMigratesAndLosesNothing) {
  int versions = 0;
  for (const auto& file :
       fs::directory_iterator(std::string(TH_SOURCE_DIR) + "/tests/data/stores")) {
    if (file.path().extension() != ".db") continue;
    ++versions;
    SCOPED_TRACE(file.path().filename().string());
    fs::remove(path_);
    fs::copy_file(file.path(), path_);
    // Reading must not write: an older store is refused until it may be migrated.
    std::string before;
    raw("PRAGMA user_version", &before);
    EXPECT_EQ("v" + before, file.path().stem().string());
    {
      Store store = open();
      ASSERT_TRUE(store.check().ok());
      const Result<RunRecord> run = store.load(2);
      ASSERT_TRUE(run.ok()) << run.error().text();
      EXPECT_EQ(run->board, "shed-latch");
      EXPECT_EQ(run->steps.size(), 8u);
      EXPECT_EQ(counts_of(*run).pass, 64);
      EXPECT_EQ(run->power.curves.size(), 2u);
      EXPECT_EQ(record(store, scenario::latch_run()), 4);
      EXPECT_TRUE(store.add_swap({"", "shed-latch", "003", "V3", ""}).ok());
    }
    for (const char* table : {"fitting", "note", "run", "run_end", "self_test", "timing"}) {
      // A row-less table has nothing to refuse: the trigger must be there all the same.
      std::string triggers;
      raw(std::string("SELECT count(*) FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = '") +
              table + "'",
          &triggers);
      EXPECT_EQ(triggers, "2") << table;
    }
    EXPECT_THAT(raw("UPDATE fitting SET place = 'V4'"), HasSubstr("append-only"));
  }
  EXPECT_GE(versions, 2);
}

TEST_F(StoreTest, ReadingAnOlderStoreBringsItUpToDate) {
  fs::copy_file(std::string(TH_SOURCE_DIR) + "/tests/data/stores/v1.db", path_);
  Store store = open(Store::Mode::read);
  EXPECT_TRUE(store.load("last").ok());
  EXPECT_TRUE(store.swaps("shed-latch", "").ok());
}

// ---- files that are no good store -------------------------------------------------------------

TEST_F(StoreTest, ReadingAMissingStoreSaysNothingIsRecorded) {
  const Result<Store> store = Store::open(path_, Store::Mode::read);
  ASSERT_FALSE(store.ok());
  EXPECT_EQ(store.error().trouble, Trouble::input);
  EXPECT_THAT(store.error().text(), HasSubstr("nothing has been recorded"));
  EXPECT_FALSE(fs::exists(path_));
}

TEST_F(StoreTest, TextFileIsRefusedAndLeftAlone) {
  const std::string text(5000, 'x');
  std::ofstream(path_) << text;
  for (const Store::Mode mode : {Store::Mode::write, Store::Mode::read}) {
    const Result<Store> store = Store::open(path_, mode);
    ASSERT_FALSE(store.ok());
    EXPECT_EQ(store.error().trouble, Trouble::input);
    EXPECT_THAT(store.error().text(), HasSubstr("not a store"));
  }
  std::ifstream file(path_);
  EXPECT_EQ(std::string(std::istreambuf_iterator<char>(file), {}), text);
}

TEST_F(StoreTest, OtherProgramsDatabaseIsRefusedAndLeftAlone) {
  ASSERT_EQ(raw("CREATE TABLE recipes(name TEXT)"), "");
  const auto before = fs::file_size(path_);
  const Result<Store> store = Store::open(path_);
  ASSERT_FALSE(store.ok());
  EXPECT_EQ(store.error().trouble, Trouble::input);
  EXPECT_THAT(store.error().text(), HasSubstr("another program"));
  EXPECT_EQ(fs::file_size(path_), before);
  std::string mode;
  raw("PRAGMA journal_mode", &mode);
  EXPECT_EQ(mode, "delete");  // not switched to WAL
}

TEST_F(StoreTest, NewerSchemaIsRefusedPolitely) {
  { Store store = open(); }
  ASSERT_EQ(raw("PRAGMA user_version = 99"), "");
  for (const Store::Mode mode : {Store::Mode::write, Store::Mode::read}) {
    const Result<Store> store = Store::open(path_, mode);
    ASSERT_FALSE(store.ok());
    EXPECT_EQ(store.error().trouble, Trouble::input);
    EXPECT_THAT(store.error().text(), HasSubstr("schema 99"));
    EXPECT_THAT(store.error().text(), HasSubstr("newer Tenterhook"));
  }
}

TEST_F(StoreTest, TruncatedStoreIsDamagedNotEmpty) {
  {
    Store store = open();
    record(store, scenario::latch_run());
  }
  fs::resize_file(path_, fs::file_size(path_) / 2);
  Result<Store> store = Store::open(path_);
  const bool refused = !store.ok() || !store->check().ok() || !store->load(1).ok();
  EXPECT_TRUE(refused);
  if (!store.ok()) {
    EXPECT_EQ(store.error().trouble, Trouble::fixture) << store.error().text();
  }
}

TEST_F(StoreTest, FolderThatIsNotThereIsNamed) {
  const Result<Store> store = Store::open((folder_ / "no" / "where.db").string());
  ASSERT_FALSE(store.ok());
  EXPECT_EQ(store.error().trouble, Trouble::fixture);
  EXPECT_THAT(store.error().text(), HasSubstr("folder exists"));
}

// Runs `body` as a person without special rights, since root may write anywhere.
int as_nobody(const std::function<int()>& body) {
  const pid_t child = fork();
  if (child == 0) {
    constexpr uid_t kNobody = 65534;
    if (geteuid() == 0 && setuid(kNobody) != 0) _exit(99);
    _exit(body());
  }
  int status = 0;
  waitpid(child, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

TEST_F(StoreTest, ReadOnlyFolderIsReadButNotWritten) {
  {
    Store store = open();
    record(store, scenario::latch_run());
  }
  fs::permissions(path_, fs::perms::owner_read | fs::perms::group_read | fs::perms::others_read);
  fs::permissions(folder_, fs::perms(0555));
  const std::string path = path_;
  EXPECT_EQ(as_nobody([&path] {
              Result<Store> store = Store::open(path, Store::Mode::read);
              if (!store.ok()) return 1;
              Result<RunRecord> run = store->load("last");
              return run.ok() && run->steps.size() == 38 ? 0 : 2;
            }),
            0);
  EXPECT_EQ(as_nobody([&path] {
              Result<Store> store = Store::open(path, Store::Mode::write);
              if (store.ok()) return 1;
              const std::string text = store.error().text();
              return store.error().trouble == Trouble::fixture &&
                             text.find("read-only") != std::string::npos
                         ? 0
                         : 2;
            }),
            0);
}

TEST_F(StoreTest, OlderStoreThatMayNotBeWrittenSaysSo) {
  fs::copy_file(std::string(TH_SOURCE_DIR) + "/tests/data/stores/v1.db", path_);
  fs::permissions(path_, fs::perms(0444));
  fs::permissions(folder_, fs::perms(0555));
  const std::string path = path_;
  EXPECT_EQ(as_nobody([&path] {
              Result<Store> store = Store::open(path, Store::Mode::read);
              if (store.ok()) return 1;
              return store.error().trouble == Trouble::fixture &&
                             store.error().text().find("older schema 1") != std::string::npos
                         ? 0
                         : 2;
            }),
            0);
}

// ---- full disk and killed programs -------------------------------------------------------------

// A limit on the size of files stands for the full disk: the write fails in the same call.
TEST_F(StoreTest, FullDiskIsSaidAndNothingRecordedIsLost) {
  const std::string path = path_;
  int pipes[2];
  ASSERT_EQ(pipe(pipes), 0);
  const pid_t child = fork();
  if (child == 0) {
    signal(SIGXFSZ, SIG_IGN);
    Result<Store> store = Store::open(path);
    RunRecord run = scenario::latch_run();
    if (!store.ok() || !store->begin(run).ok()) _exit(90);
    const rlimit limit{400 * 1024, 400 * 1024};
    setrlimit(RLIMIT_FSIZE, &limit);
    int acknowledged = 0;
    for (int i = 0; i < 2000; ++i) {
      const Status added = store->add_step(run.number, run.steps[i % 38]);
      if (!added.ok()) {
        const bool clear = added.error().trouble == Trouble::fixture &&
                           added.error().text().find("disk") != std::string::npos;
        if (write(pipes[1], &acknowledged, sizeof acknowledged) < 0) _exit(92);
        _exit(clear ? 0 : 91);
      }
      ++acknowledged;
    }
    _exit(93);
  }
  int status = 0;
  waitpid(child, &status, 0);
  ASSERT_TRUE(WIFEXITED(status));
  ASSERT_EQ(WEXITSTATUS(status), 0);
  int acknowledged = 0;
  ASSERT_EQ(read(pipes[0], &acknowledged, sizeof acknowledged), ssize_t{sizeof acknowledged});
  close(pipes[0]);
  close(pipes[1]);
  EXPECT_GT(acknowledged, 10);
  Store store = open();
  ASSERT_TRUE(store.check().ok());
  const Result<RunRecord> back = store.load("last");
  ASSERT_TRUE(back.ok());
  EXPECT_EQ(static_cast<int>(back->steps.size()), acknowledged);
  EXPECT_FALSE(back->complete);
}

// The child tells through a pipe each step that the store acknowledged, until it is killed.
int record_until_killed(const std::string& path, useconds_t after_us) {
  int pipes[2];
  if (pipe(pipes) != 0) return -1;
  const pid_t child = fork();
  if (child == 0) {
    Result<Store> store = Store::open(path);
    if (!store.ok()) _exit(1);
    const RunRecord pattern = scenario::latch_run();
    for (;;) {
      RunRecord run = pattern;
      if (!store->begin(run).ok()) _exit(2);
      for (const StepRecord& step : pattern.steps) {
        if (!store->add_step(run.number, step).ok()) _exit(3);
        const char one = 1;
        if (write(pipes[1], &one, 1) != 1) _exit(4);
      }
      if (!store->finish(run).ok()) _exit(5);
    }
  }
  close(pipes[1]);
  usleep(after_us);
  kill(child, SIGKILL);
  int status = 0;
  waitpid(child, &status, 0);
  int acknowledged = 0;
  char buffer[4096];
  for (ssize_t n = 0; (n = read(pipes[0], buffer, sizeof buffer)) > 0;) {
    acknowledged += static_cast<int>(n);
  }
  close(pipes[0]);
  return WIFSIGNALED(status) ? acknowledged : -1;
}

TEST_F(StoreTest, KilledAnywhereKeepsEveryAcknowledgedStep) {
  const unsigned seed = std::random_device{}();
  SCOPED_TRACE("seed " + std::to_string(seed));
  std::mt19937 random(seed);
  const char* wanted = std::getenv("TENTERHOOK_KILLS");
  const int kills = wanted == nullptr ? 40 : std::atoi(wanted);
  long acknowledged = 0;
  for (int i = 0; i < kills; ++i) {
    const int steps = record_until_killed(path_, static_cast<useconds_t>(2000 + random() % 60000));
    ASSERT_GE(steps, 0);
    acknowledged += steps;
    if (!fs::exists(path_)) continue;  // killed before the file was made
    Result<Store> store = Store::open(path_);
    ASSERT_TRUE(store.ok()) << store.error().text();
    ASSERT_TRUE(store->check().ok()) << store->check().error().text();
  }
  std::string stored, unfinished, runs;
  ASSERT_EQ(raw("SELECT count(*) FROM step", &stored), "");
  ASSERT_EQ(raw("SELECT count(*) FROM runs WHERE outcome = 'cut short'", &unfinished), "");
  ASSERT_EQ(raw("SELECT count(*) FROM runs", &runs), "");
  EXPECT_GT(acknowledged, 0);
  // A step may be stored and its acknowledgement killed with the program; never the other way.
  EXPECT_GE(std::stol(stored), acknowledged);
  EXPECT_LE(std::stol(stored), acknowledged + kills);
  EXPECT_LE(std::stol(unfinished), kills);
  std::string torn;
  ASSERT_EQ(raw("SELECT count(*) FROM (SELECT run, step FROM reading GROUP BY run, step HAVING "
                "count(*) <> 8)",
                &torn),
            "");
  EXPECT_EQ(torn, "0");
  RecordProperty("acknowledged", static_cast<int>(acknowledged));
}

// ---- names of runs -----------------------------------------------------------------------------

// The example of the public ULID specification: time 1469918176385 ms begins "01ARYZ6S41".
// (github.com/ulid/spec, README; the value is from memory.) The bounds follow from the definition.
TEST(Uid, TimeComesFirstAndSorts) {
  EXPECT_EQ(make_uid(1469918176385u, 0, 0).substr(0, 10), "01ARYZ6S41");
  EXPECT_EQ(make_uid(0, 0, 0), std::string(26, '0'));
  EXPECT_EQ(make_uid((1ull << 48) - 1, 0xffff, ~0ull), "7" + std::string(25, 'Z'));
  EXPECT_LT(make_uid(1000, 0xffff, ~0ull), make_uid(1001, 0, 0));
  EXPECT_NE(make_uid(), make_uid());
}

TEST(DefaultStore, LiesInTheDataFolder) {
  std::string pattern = (fs::temp_directory_path() / "tenterhook-home-XXXXXX").string();
  ASSERT_NE(mkdtemp(pattern.data()), nullptr);
  setenv("XDG_DATA_HOME", pattern.c_str(), 1);
  EXPECT_EQ(*default_store_path(), pattern + "/tenterhook/history.db");
  EXPECT_TRUE(fs::is_directory(pattern + "/tenterhook"));
  setenv("XDG_DATA_HOME", "relative", 1);
  setenv("HOME", pattern.c_str(), 1);
  EXPECT_EQ(*default_store_path(), pattern + "/.local/share/tenterhook/history.db");
  setenv("TENTERHOOK_STORE", "bench.db", 1);
  EXPECT_EQ(*default_store_path(), "bench.db");
  unsetenv("TENTERHOOK_STORE");
  unsetenv("XDG_DATA_HOME");
  unsetenv("HOME");
  EXPECT_FALSE(default_store_path().ok());
  fs::remove_all(pattern);
}

}  // namespace
}  // namespace tenterhook::record
