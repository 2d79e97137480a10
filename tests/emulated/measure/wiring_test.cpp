// Wiring faults that show without power, on the demo boards: the run ends before any rail comes up and names the
// leads (what may be a lead or the board behind it is a warning, blame ""); and no alarm on good boards. TENTERHOOK_SEEDS=N for N good boards (default 48).
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdlib>

#include "tests/emulated/measure/native_bench.h"

namespace tenterhook::commands {
namespace {

using testing::HasSubstr;

const char* const kLatch = "shed-latch/acceptance.vectors.yaml";
const char* const kCounter = "pick-counter/acceptance.vectors.yaml";
const char* const kGuard = "shuttle-guard/acceptance.vectors.yaml";
const char* const kOr = "or-follower/board.yaml";

record::RunRecord run_of(const std::string& vectors, std::uint64_t seed, const std::vector<std::string>& faults, bool despite = false) {
  plan::Plan plan = plan_of(vectors);
  plan.steps.resize(1);  // what is looked at here comes before the vectors
  NativeRun options;
  options.seed = seed;
  options.faults = faults;
  options.despite_wiring = despite;
  return native_run(std::move(plan), options);
}

struct Wiring {
  const char *vectors, *fault, *first, *second, *blame;
};
const Wiring kFaults[] = {
    {kOr, "fixture.sense.0 open", "Y (sense.0)", "", "lead"},
    {kLatch, "fixture.sense.0 open", "Q0 (sense.0)", "", "lead"},
    {kLatch, "fixture.sense.1 open", "Q1 (sense.1)", "", "lead"},
    {kLatch, "fixture.sense.2 open", "Q2 (sense.2)", "", "lead"},
    {kLatch, "fixture.sense.3 open", "Q3 (sense.3)", "", "lead"},
    {kLatch, "fixture.sense.4 open", "Qn0 (sense.4)", "", "lead"},
    {kLatch, "fixture.sense.6 open", "Qn2 (sense.6)", "", "lead"},
    {kCounter, "fixture.sense.0 open", "N0 (sense.0)", "", "lead"},
    {kCounter, "fixture.sense.1 open", "N1 (sense.1)", "", "lead"},
    {kCounter, "fixture.sense.2 open", "N2 (sense.2)", "", "lead"},
    {kCounter, "N1 open", "N1 (sense.1)", "", "lead"},
    {kCounter, "fixture.drive.0 open", "CLEARn (drive.0)", "", ""},
    {kGuard, "fixture.drive.0 open", "BOX_L (drive.0)", "", ""},
    {kGuard, "fixture.drive.1 open", "BOX_R (drive.1)", "", ""},
    {kGuard, "fixture.drive.2 open", "GUARD (drive.2)", "", ""},
    {kGuard, "fixture.drive.3 open", "WARP (drive.3)", "", ""},
    {kGuard, "fixture.drive.4 open", "RUN (drive.4)", "", ""},
    {kLatch, "Q0 shorted-to Q1", "Q0 (sense.0)", "Q1 (sense.1)", "board"},
    {kLatch, "Q2 shorted-to Q3", "Q2 (sense.2)", "Q3 (sense.3)", "board"},
    {kLatch, "Q0 shorted-to Qn1", "Q0 (sense.0)", "Qn1 (sense.5)", "board"},
    {kLatch, "Qn2 shorted-to Qn3", "Qn2 (sense.6)", "Qn3 (sense.7)", "board"},
    {kCounter, "N0 shorted-to N1", "N0 (sense.0)", "N1 (sense.1)", "board"},
    {kCounter, "N1 shorted-to N2", "N1 (sense.1)", "N2 (sense.2)", "board"},
    {kCounter, "N0 shorted-to N2", "N0 (sense.0)", "N2 (sense.2)", "board"},
    {kGuard, "PICK_OK shorted-to ALARM", "PICK_OK (sense.0)", "ALARM (sense.1)", "board"},
    {kOr, "Y shorted-to A", "Y (sense.0)", "A (drive.0)", "board"},
    {kOr, "Y shorted-to B", "Y (sense.0)", "B (drive.1)", "board"},
    {kLatch, "Q2 shorted-to F2", "Q2 (sense.2)", "F2 (drive.2)", "board"},
    {kLatch, "Qn3 shorted-to SKIP", "Qn3 (sense.7)", "SKIP (drive.4)", "board"},
    {kCounter, "N1 shorted-to CLEARn", "N1 (sense.1)", "CLEARn (drive.0)", "board"},
    {kGuard, "ALARM shorted-to RUN", "ALARM (sense.1)", "RUN (drive.4)", "board"},
    {kOr, "Y shorted-to plate", "Y (sense.0)", "plate", "board"},
    {kLatch, "Q0 shorted-to plate", "Q0 (sense.0)", "plate", "board"},
    {kLatch, "Q3 shorted-to plate", "Q3 (sense.3)", "plate", "board"},
    {kCounter, "N0 shorted-to logic", "N0 (sense.0)", "logic", "board"},
    {kCounter, "N2 shorted-to logic", "N2 (sense.2)", "logic", "board"},
    {kGuard, "PICK_OK shorted-to coil", "PICK_OK (sense.0)", "coil", "board"},
    {kOr, "Y shorted-to ground", "Y (sense.0)", "ground", "board"},
    {kLatch, "Q1 shorted-to ground", "Q1 (sense.1)", "ground", "board"},
    {kLatch, "Qn0 shorted-to ground", "Qn0 (sense.4)", "ground", "board"},
    {kCounter, "N0 shorted-to ground", "N0 (sense.0)", "ground", "board"},
    {kCounter, "N2 shorted-to ground", "N2 (sense.2)", "ground", "board"},
    {kGuard, "PICK_OK shorted-to ground", "PICK_OK (sense.0)", "ground", "board"},
    {kLatch, "fixture.test-bus.1 stuck-open", "test-bus.1", "", "fixture"},
    {kCounter, "fixture.test-bus.0 stuck-open", "test-bus.0", "", "fixture"},
    {kGuard, "fixture.test-bus.0 stuck-closed", "test-bus.0", "", "fixture"},
    {kLatch, "fixture.test-bus.5 stuck-closed", "test-bus.5", "", "fixture"},
};

TEST(Wiring, EndsTheRunBeforePowerAndNamesTheLeads) {
  std::uint64_t seed = 30;
  for (const Wiring& w : kFaults) {
    const record::RunRecord run = run_of(w.vectors, ++seed, {w.fault});
    if (std::string(w.blame).empty()) {
      EXPECT_THAT(run.warnings, testing::Contains(testing::AllOf(HasSubstr("before power"), HasSubstr(w.first)))) << w.fault;
      continue;
    }
    ASSERT_TRUE(run.aborted) << w.vectors << " " << w.fault;
    EXPECT_THAT(run.aborted->message, HasSubstr("without power")) << w.fault;
    EXPECT_THAT(run.aborted->where, HasSubstr(w.first)) << w.fault << ": " << run.aborted->message;
    EXPECT_THAT(run.aborted->where, HasSubstr(w.second)) << w.fault << ": " << run.aborted->message;
    EXPECT_EQ(run.aborted->blame, w.blame) << w.fault << ": " << run.aborted->message;
    EXPECT_TRUE(run.power.rails.empty()) << w.fault;
    EXPECT_EQ(exit_code_of(run), kExitFixture);
  }
}

// The person may know better: lines that are meant to be joined.
TEST(Wiring, IsOnlyWarnedOfWhenThePersonSaysSo) {
  const record::RunRecord run = run_of(kCounter, 31, {"N0 shorted-to N1"}, true);
  EXPECT_FALSE(run.aborted) << run.aborted->message;
  EXPECT_THAT(run.warnings, testing::Contains(HasSubstr("N0 (sense.0) and N1 (sense.1) move as one")));
  // A lead that is off is nobody's intention.
  EXPECT_TRUE(run_of(kCounter, 31, {"fixture.sense.0 open"}, true).aborted);
}

// Without coils no pull-up arrives anywhere: all lines look tied then, and none is.
TEST(Wiring, DeadCoilSupplyIsTheFixtures) {
  for (const char* vectors : {kOr, kLatch}) {
    const record::RunRecord run = run_of(vectors, 1, {"fixture.master stuck-open"});
    ASSERT_TRUE(run.aborted);
    EXPECT_EQ(run.aborted->cause, "self-test");
    EXPECT_EQ(run.aborted->blame, "fixture");
  }
}

TEST(Wiring, NoAlarmOnGoodBoards) {
  const char* wanted = std::getenv("TENTERHOOK_SEEDS");
  const int boards = wanted ? std::atoi(wanted) : 48;
  const char* const kinds[] = {kOr, kCounter, kGuard, kLatch};
  for (int i = 0; i < boards; ++i) {
    const auto seed = static_cast<std::uint64_t>(i / 4 + 1);
    const record::RunRecord run = run_of(kinds[i % 4], seed, {});
    EXPECT_FALSE(run.aborted) << kinds[i % 4] << " " << seed << ": " << run.aborted->message;
    for (const std::string& warning : run.warnings) EXPECT_NE(warning.rfind("before power", 0), 0u) << seed << ": " << warning;
  }
}

}  // namespace
}  // namespace tenterhook::commands
