// Boards with the spread of their parts: one that is truly inside its windows by twice the measuring
// error must never be rejected, one that is truly outside by as much must never pass, and the rate of
// rejection must be what the spread of the parts alone predicts.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "tests/emulated/acceptance/whole_run.h"

namespace tenterhook::acceptance {
namespace {

constexpr int kSeeds = 200;
constexpr int kPredicting = 1000;  // other boards, by their electricity alone
constexpr std::uint64_t kFirstPredicting = 1'000'000;
constexpr int kOnElf = 20;

const plan::Plan& latch() {
  static const plan::Plan plan = plan_of(std::string(TH_SOURCE_DIR) + "/vectors/shed-latch/acceptance.vectors.yaml");
  return plan;
}

double largest_error(const record::RunRecord& run) {
  double most = 0.0;
  for (const record::StepRecord& step : run.steps) {
    for (const measure::Reading& r : step.readings) {
      if (r.verdict != measure::Verdict::none) most = std::max(most, r.U.value);
    }
  }
  return most;
}

struct Tally {
  int good = 0, good_unsure = 0, rejected = 0, unsure = 0, truly_out = 0;
  double most_error = 0.0, farthest = 0.0;
};

// One board: what it is, and what the run says of it.
void look_at(std::uint64_t seed, commands::Firmware firmware, Tally& tally) {
  SCOPED_TRACE("seed " + std::to_string(seed));
  const std::vector<TrueLevel> truth = true_levels(latch(), seed);
  const double inside = worst_inside(truth);
  const Ended run = run_emulated(latch(), seed, {}, firmware);
  ASSERT_FALSE(run.trouble) << run.trouble->text();
  ASSERT_FALSE(run.record.aborted) << run.record.aborted->message;
  ASSERT_EQ(run.record.steps.size(), latch().steps.size());
  const double error = largest_error(run.record);
  ASSERT_GT(error, 0.0);
  tally.most_error = std::max(tally.most_error, error);
  tally.truly_out += inside < 0.0;
  tally.rejected += run.record.verdict == measure::Verdict::fail;
  tally.unsure += run.record.verdict == measure::Verdict::unsure;
  if (inside >= 2.0 * error) {
    ++tally.good;
    tally.good_unsure += run.record.verdict == measure::Verdict::unsure;
    EXPECT_NE(run.record.verdict, measure::Verdict::fail) << "inside by " << inside << " V, error " << error << " V";
  }
  if (inside <= -2.0 * error) {
    EXPECT_EQ(run.record.verdict, measure::Verdict::fail) << "outside by " << -inside << " V";
  }
  std::size_t at = 0;  // what was read is what was there
  for (const record::StepRecord& step : run.record.steps) {
    for (const measure::Reading& r : step.readings) {
      if (r.verdict == measure::Verdict::none) continue;
      ASSERT_LT(at, truth.size());
      ASSERT_EQ(truth[at].line, r.line);
      tally.farthest = std::max(tally.farthest, std::abs(r.volts.value - truth[at].volts));
      ++at;
    }
  }
  EXPECT_EQ(at, truth.size());
}

TEST(Seeds, TwoHundredNativeBoardsAreJudgedAsTheyAre) {
  Tally tally;
  for (int i = 0; i < kSeeds; ++i) look_at(static_cast<std::uint64_t>(i) + 1, commands::Firmware::native, tally);
  int outside = 0;
  for (int i = 0; i < kPredicting; ++i) outside += worst_inside(true_levels(latch(), kFirstPredicting + i)) < 0.0;
  const double predicted = static_cast<double>(outside) / kPredicting;
  const double seen = static_cast<double>(tally.rejected) / kSeeds;
  std::printf("%d boards: %d inside by 2U (%d of them unsure), %d truly outside; unsure %d, rejected %d (%.1f %%), predicted %.1f %% "
              "by the spread of %d other boards; U up to %.3f V, reading from truth up to %.3f V\n",
              kSeeds, tally.good, tally.good_unsure, tally.truly_out, tally.unsure, tally.rejected, 100.0 * seen, 100.0 * predicted, kPredicting,
              tally.most_error, tally.farthest);
  EXPECT_GT(tally.good, kSeeds / 2);
  EXPECT_LE(tally.good_unsure, kSeeds / 50);  // a low near what an open lead reads, not proven by the pull-up
  const double sigma = std::sqrt(std::max(predicted, 1.0 / kPredicting) * (1.0 - predicted) * (1.0 / kSeeds + 1.0 / kPredicting));
  EXPECT_NEAR(seen, predicted, 4.0 * sigma);
}

TEST(Seeds, AFewOnTheRealFirmware) {
  Tally tally;
  for (int i = 0; i < kOnElf; ++i) look_at(static_cast<std::uint64_t>(i) + 1, commands::Firmware::elf, tally);
  EXPECT_GT(tally.good, 0);
}

}  // namespace
}  // namespace tenterhook::acceptance
