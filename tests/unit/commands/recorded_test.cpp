#include "host/commands/recorded.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "tests/emulated/boards_on_bench/on_bench.h"

namespace tenterhook::commands {
namespace {

using files::Bit;
using measure::Verdict;

constexpr const char* kCounter = "vectors/pick-counter/acceptance.vectors.yaml";

record::RunRecord counter_run(const std::vector<std::string>& faults = {}) {
  auto plan = plan_file(kCounter);
  EXPECT_TRUE(plan) << plan.error().text();
  auto run = run_on_bench(plan.take(), faults);
  EXPECT_TRUE(run) << run.error().text();
  return run.take();
}

files::Vectors counter() {
  auto vectors = read_any(TH_SOURCE_DIR + std::string("/") + kCounter);
  EXPECT_TRUE(vectors) << vectors.error().text();
  return vectors.take();
}

void spoil(record::RunRecord& run, int step) {
  for (measure::Reading& r : run.steps.at(static_cast<std::size_t>(step)).readings) r.verdict = Verdict::fail;
}

std::vector<std::pair<int, bool>> pairs(const std::vector<Chosen>& chosen) {
  std::vector<std::pair<int, bool>> result;
  for (const Chosen& c : chosen) result.emplace_back(c.step, c.judged);
  return result;
}

// The last rows of the counter's vectors: 27 clears, 28 counts nine, 29 clears, 30 counts 800.
TEST(OnlyFailed, GoesBackAsFarAsTheStateNeeds) {
  record::RunRecord run = counter_run();
  spoil(run, 28);
  auto chosen = failed_steps(counter(), run);
  ASSERT_TRUE(chosen) << chosen.error().text();
  EXPECT_THAT(pairs(*chosen), testing::ElementsAre(std::pair(27, false), std::pair(28, true)));

  // Deep in the count only the clear before it brings the state back.
  record::RunRecord deep = counter_run();
  spoil(deep, 10);
  auto long_way = failed_steps(counter(), deep);
  ASSERT_TRUE(long_way) << long_way.error().text();
  EXPECT_LE(long_way->front().step, 2);
  EXPECT_EQ(long_way->back().step, 10);
  EXPECT_EQ(std::count_if(long_way->begin(), long_way->end(), [](const Chosen& c) { return c.judged; }), 1);
}

TEST(OnlyFailed, WithoutACircuitEverythingBeforeIsNeeded) {
  record::RunRecord run = counter_run();
  spoil(run, 28);
  files::Vectors blind = counter();
  blind.board.circuit.clear();
  auto chosen = failed_steps(blind, run);
  ASSERT_TRUE(chosen) << chosen.error().text();
  EXPECT_EQ(chosen->size(), 29u);
}

TEST(OnlyFailed, ReducedVectorsShowTheSameFaultAndPassWhenMended) {
  const std::vector<std::string> fault = {"N2 stuck-low"};
  const record::RunRecord run = counter_run(fault);
  ASSERT_EQ(run.verdict, Verdict::fail);
  const files::Vectors vectors = counter();
  auto chosen = failed_steps(vectors, run);
  ASSERT_TRUE(chosen) << chosen.error().text();
  const files::Vectors reduced = only_steps(vectors, *chosen);
  ASSERT_LT(reduced.steps.size(), vectors.steps.size());
  auto fixture = describe_fixture(emulated_options());
  ASSERT_TRUE(fixture);
  auto plan = plan::make_plan(reduced, fixture.take(), {});
  ASSERT_TRUE(plan) << plan.error().text();
  auto again = run_on_bench(*plan, fault);
  ASSERT_TRUE(again);
  EXPECT_EQ(again->verdict, Verdict::fail) << told(*again);
  EXPECT_EQ(lines_with(*again, Verdict::fail), lines_with(run, Verdict::fail));
  auto mended = run_on_bench(*plan, {});
  ASSERT_TRUE(mended);
  EXPECT_EQ(mended->verdict, Verdict::pass) << told(*mended);
}

TEST(OnlyFailed, StepsKeepTheirNumbersInTheRecord) {
  record::RunRecord run = counter_run();
  run.number = 7;
  spoil(run, 28);
  auto chosen = failed_steps(counter(), run);
  ASSERT_TRUE(chosen);
  record::RunRecord second = run;  // the run of those steps: its steps are 0 and 1
  second.number = 8;
  second.sections[kOnlySection] = only_json(7, *chosen);
  second.steps = {run.steps[27], run.steps[28]};
  second.steps[0].index = 0;
  second.steps[0].readings.clear();
  second.steps[1].index = 1;
  auto vectors = vectors_of(second);
  ASSERT_TRUE(vectors) << vectors.error().text();
  ASSERT_EQ(vectors->steps.size(), 2u);
  EXPECT_TRUE(vectors->steps[0].expect.empty());
  EXPECT_EQ(vectors->steps[1].mark.line, counter().steps[28].mark.line);
  // And once more: what still fails is found at its own place.
  auto third = failed_steps(counter(), second);
  ASSERT_TRUE(third) << third.error().text();
  EXPECT_THAT(pairs(*third), testing::ElementsAre(std::pair(27, false), std::pair(28, true)));
}

TEST(OnlyFailed, RefusesWhatCannotBeRepeated) {
  record::RunRecord good = counter_run();
  auto nothing = failed_steps(counter(), good);
  ASSERT_FALSE(nothing);
  EXPECT_EQ(nothing.error().trouble, Trouble::input);
  spoil(good, 28);
  files::Vectors changed = counter();
  changed.steps.at(28).mark.line += 1;
  auto moved = failed_steps(changed, good);
  ASSERT_FALSE(moved);
  EXPECT_THAT(moved.error().text(), testing::HasSubstr("no longer those of run"));

  good.sections[kOnlySection] = R"({"steps": [{"step": 900000}]})";
  EXPECT_FALSE(vectors_of(good));
  good.sections[kOnlySection] = R"({"steps": "all"})";
  EXPECT_FALSE(vectors_of(good));
}

TEST(OnlyFailed, AStepThatStandsAloneSetsEveryLine) {
  const files::Vectors vectors = counter();
  const files::Vectors reduced = only_steps(vectors, {{4, true}});
  ASSERT_EQ(reduced.steps.size(), 1u);
  std::map<std::string, Bit> set(reduced.steps[0].set.begin(), reduced.steps[0].set.end());
  EXPECT_EQ(set.at("CLEARn"), Bit::one);
  EXPECT_EQ(set.at("STEP"), Bit::zero);
}

TEST(ReadAny, TakesABoardAlone) {
  auto board = read_any(TH_SOURCE_DIR "/vectors/shed-latch/board.yaml");
  ASSERT_TRUE(board) << board.error().text();
  EXPECT_TRUE(board->steps.empty());
  EXPECT_EQ(board->board.name, "shed-latch");
}

}  // namespace
}  // namespace tenterhook::commands
