// The small fixture (fixtures/breadboard-eight), emulated as it is built, with the same firmware: a
// breadboarded gate through it.
#include <gtest/gtest.h>

#include "host/commands/bench_run.h"
#include "host/files/reader.h"
#include "tests/emulated/acceptance/whole_run.h"

namespace tenterhook::acceptance {
namespace {

plan::Plan planned(const std::string& gate) {
  auto vectors = files::read_vectors(gate);
  auto fixture = files::read_fixture(TH_SOURCE_DIR "/fixtures/breadboard-eight/fixture.yaml");
  EXPECT_TRUE(vectors.ok()) << (vectors ? "" : vectors.error().text());
  EXPECT_TRUE(fixture.ok()) << (fixture ? "" : fixture.error().text());
  auto plan = plan::make_plan(vectors.take(), fixture.take(), {});
  EXPECT_TRUE(plan.ok()) << (plan ? "" : plan.error().text());
  return plan.take();
}

const std::string kGate = TH_SOURCE_DIR "/tests/emulated/breadboard/gate.yaml";

TEST(SmallFixture, AGoodGatePassesOnTheChipsOwnProgramAndNatively) {
  const plan::Plan plan = planned(kGate);
  for (const auto firmware : {commands::Firmware::elf, commands::Firmware::native}) {
    const Ended run = run_emulated(plan, 3, {}, firmware);
    ASSERT_FALSE(run.trouble) << run.trouble->text();
    ASSERT_FALSE(run.record.aborted) << run.record.aborted->message;
    EXPECT_EQ(run.exit_code, 0);
    ASSERT_EQ(run.record.levels.size(), 1u);
    const record::LevelRecord& y = run.record.levels[0];
    ASSERT_TRUE(y.low && y.high);
    // Its own front end: 47 mV a count, 0 V at count 170; what the gate truly shows, within U.
    for (const TrueLevel& t : true_levels(plan, 3)) {
      const auto& side = t.volts > 15.0 ? *y.high : *y.low;
      EXPECT_NEAR(side.mean_v, t.volts, side.U_v + 0.1) << t.step;
    }
  }
}

TEST(SmallFixture, ADeadTubeAndAnOpenDiodeFail) {
  const plan::Plan plan = planned(kGate);
  for (const char* fault : {"V1 dead", "A open", "Y shorted-to plate"}) {
    const Ended run = run_emulated(plan, 3, {fault}, commands::Firmware::native);
    EXPECT_NE(run.exit_code, 0) << fault;
    EXPECT_NE(run.record.verdict, measure::Verdict::pass) << fault;
  }
}

// It has no test bus: a lead that hangs free looks like a low, and is never passed as one.
TEST(SmallFixture, AnOpenLeadIsNoLow) {
  const plan::Plan plan = planned(kGate);
  const Ended run = run_emulated(plan, 3, {"fixture.sense.0 open"}, commands::Firmware::native);
  ASSERT_FALSE(run.trouble) << run.trouble->text();
  EXPECT_NE(run.record.verdict, measure::Verdict::pass);
  for (const record::StepRecord& step : run.record.steps) {
    for (const measure::Reading& r : step.readings) EXPECT_NE(r.verdict, measure::Verdict::pass) << step.index;
  }
}

TEST(SmallFixture, WhatItLacksIsRefusedBeforePower) {
  auto fixture = files::read_fixture(TH_SOURCE_DIR "/fixtures/breadboard-eight/fixture.yaml");
  ASSERT_TRUE(fixture.ok());
  auto latch = files::read_vectors(TH_SOURCE_DIR "/vectors/shed-latch/acceptance.vectors.yaml");
  ASSERT_TRUE(latch.ok());
  auto plan = plan::make_plan(latch.take(), fixture.take(), {});
  ASSERT_FALSE(plan.ok());
  EXPECT_EQ(plan.error().trouble, Trouble::input);
}

}  // namespace
}  // namespace tenterhook::acceptance
