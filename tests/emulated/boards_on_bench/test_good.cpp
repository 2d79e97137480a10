// Every board of the tree passes on the emulated fixture when it is good; what it passes by is seen to bite
// in test_faults.cpp.
#include "tests/emulated/boards_on_bench/on_bench.h"

namespace tenterhook::commands {
namespace {

using measure::Verdict;

class EveryBoard : public testing::TestWithParam<std::string> {};
INSTANTIATE_TEST_SUITE_P(Tree, EveryBoard, testing::ValuesIn(all_boards()), [](const auto& made) {
  std::string name = made.param;
  for (char& c : name) {
    if (!std::isalnum(static_cast<unsigned char>(c))) c = '_';
  }
  return name;
});

TEST_P(EveryBoard, PassesWhenGood) {
  auto plan = plan_file(GetParam());
  ASSERT_TRUE(plan) << plan.error().text();
  const std::size_t steps = plan->steps.size();
  std::size_t judged = 0;
  for (const plan::PlannedStep& step : plan->steps) {
    for (const plan::Expectation& e : step.expectations) judged += e.expected != files::Bit::any;
  }
  auto run = run_on_bench(plan.take(), {});
  ASSERT_TRUE(run) << run.error().text();
  EXPECT_FALSE(run->aborted) << told(*run);
  EXPECT_EQ(run->verdict, Verdict::pass) << told(*run);
  const record::CountsOf counts = record::counts_of(*run);
  EXPECT_EQ(static_cast<std::size_t>(counts.steps), steps);
  EXPECT_EQ(static_cast<std::size_t>(counts.pass), judged);
  EXPECT_GT(judged, 0u);
}

// The same, written against the promise of a TTL output (0.4 V): a fixture that is not calibrated cannot
// tell, and says so instead of passing.
TEST(StrictTtl, IsUndecidedWithoutACalibration) {
  auto plan = plan_file("tests/boards/shed-decoder.yaml");
  ASSERT_TRUE(plan) << plan.error().text();
  for (plan::PlannedStep& step : plan->steps) {
    for (plan::Expectation& e : step.expectations) {
      if (e.window && e.window->max == Volts{0.8}) e.window->max = Volts{0.4};
    }
  }
  auto run = run_on_bench(plan.take(), {});
  ASSERT_TRUE(run) << run.error().text();
  EXPECT_EQ(run->verdict, Verdict::unsure) << told(*run);
  EXPECT_EQ(record::counts_of(*run).unsure, 4);
}

// `z` is decided by pulling, never by level: with card A silent the bus must be free, and a driver that
// stays on is seen though its level may be what an undriven line happens to read.
TEST(SharedBus, UndrivenLinesAreFoundByPulling) {
  auto plan = plan_file("tests/boards/yarn-bus.yaml");
  ASSERT_TRUE(plan) << plan.error().text();
  auto good = run_on_bench(*plan, {});
  ASSERT_TRUE(good) << good.error().text();
  int undriven = 0;
  for (const measure::Reading& r : good->steps.at(3).readings) undriven += r.expected == files::Bit::undriven && r.verdict == Verdict::pass;
  EXPECT_EQ(undriven, 2) << told(*good);

  for (const char* fault : {"ENA stuck-high", "Y0 shorted-to ground", "Y1 shorted-to logic"}) {
    auto bad = run_on_bench(*plan, {fault});
    ASSERT_TRUE(bad) << bad.error().text();
    if (bad->aborted) continue;  // a short may trip first
    bool seen = false;
    for (const measure::Reading& r : bad->steps.at(3).readings) {
      seen |= r.expected == files::Bit::undriven && r.verdict == Verdict::fail;
    }
    EXPECT_TRUE(seen) << fault << ": " << told(*bad);
  }
}

}  // namespace
}  // namespace tenterhook::commands
