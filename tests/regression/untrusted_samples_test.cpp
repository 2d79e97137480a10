// A fixture that sends results nobody asked for: found by planting a session that delivers results twice.
// The assessor read beyond the plan's last step, and took a step of the past for the next one.
#include <gtest/gtest.h>

#include "host/assess/assess.h"
#include "tests/emulated/acceptance/whole_run.h"

namespace tenterhook {
namespace {

link::SampleBlock block_of(const plan::Plan& plan, int step) {
  link::SampleBlock block;
  block.step = step;
  for (const plan::Expectation& e : plan.steps.front().expectations) {
    block.channels.push_back({link::ChannelKind::sense, e.sense, {4, 4 * 300, 300, 300, 4 * 300 * 300}});
  }
  return block;
}

TEST(UntrustedSamples, BeyondThePlanOrOfThePastAreNotTaken) {
  const plan::Plan plan = acceptance::plan_of(std::string(TH_SOURCE_DIR) + "/vectors/or-follower/board.yaml");
  int done = 0;
  assess::Assessor assessor(plan, {}, [&](const record::StepRecord&) { ++done; });
  assessor.take(block_of(plan, 0));
  EXPECT_EQ(done, 1);
  assessor.take(block_of(plan, 0));  // again
  EXPECT_EQ(done, 1);
  assessor.take(block_of(plan, 60000));  // never asked for
  assessor.take(block_of(plan, 60001));
  record::RunRecord record;
  assessor.finish(record);
  EXPECT_NE(record.verdict, measure::Verdict::pass);
}

}  // namespace
}  // namespace tenterhook
