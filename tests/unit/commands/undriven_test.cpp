// `z`: judged by the currents that two pulls find (host/assess). Counts are made from nodal sums of the
// line's network, not from the judge.
#include <gtest/gtest.h>

#include "host/assess/assess.h"
#include "host/commands/bench.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

using measure::Verdict;

plan::Plan bus(const std::string& line) {
  auto vectors = files::parse_vectors("board.yaml", R"(board: lone-bus
rails: {logic: {nominal: 12 V, window: 5 %, limit: 100 mA}}
families:
  t12: {drive: {low: ground, high: logic}, gives: {low: [-0.5 V, 0.9 V], high: [9 V, 12.9 V]}, needs: {low: [-0.5 V, 1.1 V], high: [3.5 V, 12.9 V]}}
lines:
  )" + line + R"(
steps: [{expect: {Y: z}}]
)");
  EXPECT_TRUE(vectors) << vectors.error().text();
  BenchOptions options;
  options.fixture = "emulated";
  auto fixture = describe_fixture(options);
  EXPECT_TRUE(fixture);
  auto plan = plan::make_plan(vectors.take(), fixture.take(), {});
  EXPECT_TRUE(plan) << plan.error().text();
  return plan.take();
}

// What the line does by itself: a source behind a resistance. `known` siemens hang on it to 12 V besides.
Verdict judged(const plan::Plan& plan, double source, double ohms, double known = 0.0) {
  const auto& sense = plan.fixture.sense;
  const auto reads = [&](double pull_volts, double pull) {
    const double divider = 1.0 / sense.divider.value, own = 1.0 / ohms;
    return (source * own + pull_volts * pull + 12.0 * known + sense.open_reads.value * divider) / (own + pull + known + divider);
  };
  Verdict verdict = Verdict::none;
  assess::Assessor assessor(plan, {}, [&](const record::StepRecord& step) { verdict = step.readings.at(0).verdict; });
  const int channel = plan.steps[0].expectations[0].sense;
  int index = 0;
  for (const double volts : {reads(0, 0), reads(5.0, 1e-4), reads(0.0, 1.0 / 22e3)}) {
    link::SampleBlock block;
    block.step = 0;
    block.index = index++;
    link::ChannelSample sample;
    sample.kind = link::ChannelKind::sense;
    sample.index = channel;
    const double counts = (volts - sense.span_min.value) / (sense.span_max - sense.span_min).value * 1023.0;
    sample.counts.n = 48;
    sample.counts.sum = static_cast<std::uint32_t>(48.0 * counts);
    sample.counts.min = sample.counts.max = static_cast<std::uint16_t>(counts);
    sample.counts.sum_of_squares = static_cast<std::uint32_t>(48.0 * counts * counts);
    block.channels.push_back(sample);
    assessor.take(block);
  }
  return verdict;
}

TEST(Undriven, FreeLinesPassAlsoUnderTheInputsOfOtherCards) {
  const plan::Plan plan = bus("Y: {out: t12}");
  EXPECT_EQ(judged(plan, 0.0, 1e12), Verdict::pass);
  EXPECT_EQ(judged(plan, 0.0, 47e3), Verdict::pass);
  EXPECT_EQ(judged(plan, 0.0, 22e3), Verdict::pass);
}

TEST(Undriven, DriversOfEitherLevelFail) {
  const plan::Plan plan = bus("Y: {out: t12}");
  EXPECT_EQ(judged(plan, 0.1, 20.0), Verdict::fail);
  EXPECT_EQ(judged(plan, 12.0, 1e3), Verdict::fail);
  EXPECT_EQ(judged(plan, 11.4, 120.0), Verdict::fail);
  EXPECT_EQ(judged(plan, 5.0, 100.0), Verdict::fail) << "a level that the pull-up alone would not move";
}

TEST(Undriven, BetweenTheTwoIsUnsure) {
  EXPECT_EQ(judged(bus("Y: {out: t12}"), 0.0, 10e3), Verdict::unsure);
}

TEST(Undriven, AResistorThatTheFileKnowsIsNoDriver) {
  EXPECT_EQ(judged(bus("Y: {out: t12, pull: 10 kohm to logic}"), 0.0, 1e12, 1e-4), Verdict::pass);
  EXPECT_EQ(judged(bus("Y: {out: t12}"), 0.0, 1e12, 1e-4), Verdict::fail);
  EXPECT_EQ(judged(bus("Y: {out: t12, pull: 10 kohm to logic}"), 0.1, 20.0, 1e-4), Verdict::fail);
}

}  // namespace
}  // namespace tenterhook::commands
