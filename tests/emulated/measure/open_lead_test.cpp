// A sense lead that comes off at any step of a run, on any line: found, or the run ends unsure; never a
// pass. And good boards pass: an unconnected lead's volts look like a good low, and lows that lie near them
// must not make a run unsure.
//
// TENTERHOOK_SEEDS=N for N good boards of each kind (default 4); TENTERHOOK_EVERY=1 for every step instead
// of three or four of them.
#include <gtest/gtest.h>

#include <cstdlib>

#include "tests/emulated/measure/native_bench.h"

namespace tenterhook::commands {
namespace {

using measure::Verdict;

int setting(const char* name, int otherwise) {
  const char* text = std::getenv(name);
  return text ? std::atoi(text) : otherwise;
}

const char* const kBoards[] = {"or-follower/board.yaml", "pick-counter/acceptance.vectors.yaml",
                               "shuttle-guard/acceptance.vectors.yaml", "shed-latch/acceptance.vectors.yaml"};

// The line at terminal `terminal` loses its lead right after step `step` was taken.
record::RunRecord losing(const plan::Plan& plan, int terminal, int step) {
  LooseLead* lead = nullptr;
  NativeRun options;
  options.seed = 5;
  options.adjust.board = [&](std::unique_ptr<emulated::Board> board) {
    auto loose = std::make_unique<LooseLead>(std::move(board), terminal);
    lead = loose.get();
    if (step < 0) lead->come_off();
    return loose;
  };
  options.step = [&](const record::StepRecord& taken) {
    if (taken.index >= step) lead->come_off();
  };
  return native_run(plan, options);
}

class OpenLead : public testing::TestWithParam<const char*> {};
INSTANTIATE_TEST_SUITE_P(Boards, OpenLead, testing::ValuesIn(kBoards));

TEST_P(OpenLead, IsNeverAPassWheneverItComesOff) {
  const plan::Plan plan = plan_of(GetParam());
  auto description = describe_emulated(plan);
  ASSERT_TRUE(description.ok());
  const int every = setting("TENTERHOOK_EVERY", std::max(1, static_cast<int>(plan.steps.size()) / 3));
  int runs = 0, named = 0, wrong = 0, unsure = 0;
  for (std::size_t t = 0; t < description->terminals.size(); ++t) {
    if (description->terminals[t].sense < 0) continue;
    for (int step = -1; step < static_cast<int>(plan.steps.size()); step += every) {
      const record::RunRecord run = losing(plan, static_cast<int>(t), step);
      ++runs;
      named += run.aborted.has_value();
      wrong += !run.aborted && run.verdict == Verdict::fail;
      unsure += !run.aborted && run.verdict == Verdict::unsure;
      EXPECT_TRUE(run.aborted || run.verdict == Verdict::fail || run.verdict == Verdict::unsure)
          << description->terminals[t].name << " off after step " << step;
      if (!run.aborted) continue;
      EXPECT_EQ(run.aborted->blame, "lead") << run.aborted->message;
      EXPECT_NE(run.aborted->where.find(description->terminals[t].name), std::string::npos) << run.aborted->where;
    }
  }
  std::printf("%s: %d runs, the lead named in %d, levels wrong in %d, unsure in %d\n", GetParam(), runs, named, wrong, unsure);
  EXPECT_GT(runs, 0);
}

class GoodBoard : public testing::TestWithParam<const char*> {};
INSTANTIATE_TEST_SUITE_P(Boards, GoodBoard, testing::ValuesIn(kBoards));

// A level near its window's limit may be unsure by its own uncertainty; the lead's volts must not be why.
TEST_P(GoodBoard, IsNotDoubtedForItsLeads) {
  const plan::Plan plan = plan_of(GetParam());
  const int seeds = setting("TENTERHOOK_SEEDS", 4);
  int passes = 0, unsure = 0;
  for (int seed = 1; seed <= seeds; ++seed) {
    NativeRun options;
    options.seed = static_cast<std::uint64_t>(seed);
    const record::RunRecord run = native_run(plan, options);
    EXPECT_FALSE(run.aborted) << seed << ": " << run.aborted->message;
    EXPECT_NE(run.verdict, Verdict::fail) << seed;
    passes += run.verdict == Verdict::pass;
    unsure += run.verdict == Verdict::unsure;
    for (const record::StepRecord& step : run.steps) {
      for (const measure::Reading& r : step.readings) {
        EXPECT_EQ(r.why.find("an unconnected lead"), std::string::npos) << seed << " " << r.line << ": " << r.why;
      }
    }
  }
  std::printf("%s: of %d good ones %d pass, %d unsure by their levels\n", GetParam(), seeds, passes, unsure);
}

}  // namespace
}  // namespace tenterhook::commands
