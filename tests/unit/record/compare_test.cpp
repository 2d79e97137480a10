#include "host/record/compare.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "tests/unit/record/scenario.h"

namespace tenterhook::record {
namespace {

using Kind = Change::Kind;

RunRecord latch(scenario::LatchRun options) {
  RunRecord run = scenario::latch_run(options);
  run.complete = true;
  return run;
}

const Change* find(const Comparison& comparison, Kind kind, const std::string& where) {
  for (const Change& change : comparison.changes) {
    if (change.kind == kind && change.where == where) return &change;
  }
  return nullptr;
}

TEST(Compare, RunAgainstItselfChangesNothing) {
  const RunRecord run = latch({});
  const Comparison comparison = compare(run, run);
  EXPECT_TRUE(comparison.changes.empty());
  EXPECT_TRUE(comparison.notes.empty());
  // 8 lines' verdicts, 16 levels, 3 rails' volts and amps, 2 inrush peaks, 3 times
  EXPECT_EQ(comparison.compared, 8 + 16 + 6 + 2 + 3);
}

TEST(Compare, NoiseOfTwoGoodRunsStaysBelowTheUncertainty) {
  for (std::uint64_t seed = 2; seed < 40; ++seed) {
    scenario::LatchRun options;
    options.seed = seed;
    const Comparison comparison = compare(latch({}), latch(options));
    EXPECT_TRUE(comparison.changes.empty())
        << "seed " << seed << ": " << comparison.changes[0].where;
  }
}

TEST(Compare, LevelMovesOnlyBeyondTheCombinedUncertainty) {
  const RunRecord before = latch({});
  RunRecord after = before;
  const double U = std::hypot(before.levels[0].high->U_v, before.levels[0].high->U_v);
  after.levels[0].high->mean_v = before.levels[0].high->mean_v - 0.999 * U;
  EXPECT_TRUE(compare(before, after).changes.empty());
  after.levels[0].high->mean_v = before.levels[0].high->mean_v - 3.0 * U;
  const Comparison comparison = compare(before, after);
  ASSERT_EQ(comparison.changes.size(), 1u);
  EXPECT_EQ(comparison.changes[0].where, "Q3");
  EXPECT_EQ(comparison.changes[0].side, "high");
  EXPECT_NEAR(*comparison.changes[0].U, U, 1e-12);
  EXPECT_NEAR(comparison.changes[0].significance, 3.0, 1e-9);
}

TEST(Compare, NewFailuresComeFirst) {
  scenario::LatchRun dead;
  dead.q1_stuck_low = true;
  RunRecord after = latch(dead);
  for (LevelRecord& level : after.levels) {
    if (level.high) level.high->mean_v -= 20.0;  // far more significant by its number
  }
  const Comparison comparison = compare(latch({}), after);
  ASSERT_GT(comparison.changes.size(), 4u);
  EXPECT_EQ(comparison.changes[0].kind, Kind::fails_now);
  EXPECT_EQ(comparison.changes[1].kind, Kind::fails_now);
  EXPECT_EQ(comparison.changes[0].where, "Q1");
  EXPECT_EQ(comparison.changes[0].after, 28);
  EXPECT_TRUE(std::is_sorted(
      comparison.changes.begin() + 2, comparison.changes.end(),
      [](const Change& a, const Change& b) { return a.significance > b.significance; }));
}

TEST(Compare, MendedLineIsTold) {
  scenario::LatchRun dead;
  dead.q1_stuck_low = true;
  const Comparison comparison = compare(latch(dead), latch({}));
  EXPECT_NE(find(comparison, Kind::passes_now, "Q1"), nullptr);
}

TEST(Compare, CurrentsInrushAndTimesAreCompared) {
  const RunRecord before = latch({});
  RunRecord after = before;
  after.power.rails[0].amps *= 1.2;
  after.power.curves[0].value[0] *= 1.5;
  after.power.warm_up_s = *before.power.warm_up_s * 2;
  after.time.total_s += 5.0;
  const Comparison comparison = compare(before, after);
  EXPECT_EQ(comparison.changes.size(), 4u);
  const Change* current = find(comparison, Kind::current, "heater");
  ASSERT_NE(current, nullptr);
  EXPECT_NEAR(current->significance, 2.0, 1e-9);
  EXPECT_NE(find(comparison, Kind::inrush, "heater"), nullptr);
  EXPECT_NE(find(comparison, Kind::time, "warm-up"), nullptr);
  EXPECT_NE(find(comparison, Kind::time, "total"), nullptr);
}

TEST(Compare, TotalTimesOfDifferentVectorsAreNotCompared) {
  scenario::LatchRun brief;
  brief.steps = 8;
  EXPECT_EQ(find(compare(latch({}), latch(brief)), Kind::time, "total"), nullptr);
}

TEST(Compare, DelayMovesOnlyBeyondTheCombinedUncertainty) {
  RunRecord before = latch({});
  before.timings = {{"delay", "PICK", "Q0", "rising", 3.0e-6, 0.3e-6, 6e-6, 12, measure::Verdict::pass},
                    {"set-up", "F0", "PICK", "", 2.0e-6, std::nan(""), std::nullopt, 9, measure::Verdict::none}};
  RunRecord after = before;
  after.timings[0].seconds = 3.4e-6;  // U of the difference: 0.424 us
  after.timings[1].seconds = 2.3e-6;  // no U: below a fifth
  EXPECT_EQ(compare(before, after).changes.size(), 0u);
  after.timings[0].seconds = 3.5e-6;
  after.timings[1].seconds = 2.5e-6;
  const Comparison comparison = compare(before, after);
  const Change* delay = find(comparison, Kind::delay, "PICK to Q0");
  ASSERT_NE(delay, nullptr);
  EXPECT_EQ(delay->side, "rising");
  EXPECT_NEAR(delay->significance, 0.5 / 0.4243, 1e-3);
  EXPECT_NE(find(comparison, Kind::delay, "F0 to PICK"), nullptr);
}

TEST(Compare, NotesSayWhyRunsMayDiffer) {
  const RunRecord before = latch({});
  RunRecord after = before;
  after.board_serial = "004";
  after.calibration = "4711";
  after.sources[1].sha256[0] = after.sources[1].sha256[0] == 'a' ? 'b' : 'a';
  after.complete = false;
  EXPECT_EQ(compare(before, after).notes.size(), 4u);
}

}  // namespace
}  // namespace tenterhook::record
