// The shed latch by the builder's own words, judged from volts alone: a pick stores the pattern, a
// skipped pick stores all ones, and nobody knows what it holds before the first pick.
#include <gtest/gtest.h>

#include <set>

#include "tests/emulated/acceptance/whole_run.h"

namespace tenterhook::acceptance {
namespace {

constexpr int kLines = 4;
// Levels of the demo boards' valve stages: well apart from either window (vectors/shed-latch/board.yaml).
constexpr double kHighFrom = 22.0, kLowUpTo = 8.2;

// The stored word as the outputs show it, Q3 first; -1 when a line is neither high nor low, or when the
// inverse outputs do not say the opposite.
int word_of(const record::StepRecord& step) {
  int word = 0, inverse = 0;
  for (int i = 0; i < kLines; ++i) {
    for (const measure::Reading& r : step.readings) {
      const bool high = r.volts.value > kHighFrom;
      if (r.line != "Q" + std::to_string(i) && r.line != "Qn" + std::to_string(i)) continue;
      if (!high && r.volts.value > kLowUpTo) return -1;
      if (r.line[1] == 'n') inverse |= high << i;
      else word |= high << i;
    }
  }
  return (word ^ inverse) == 0xF ? word : -1;
}

TEST(Skip, HighStoresAllOnesLowStoresThePatternForEveryPattern) {
  const plan::Plan plan = plan_of(std::string(TH_SOURCE_DIR) + "/tests/emulated/acceptance/skip.vectors.yaml");
  std::set<int> powered_up;
  for (std::uint64_t seed = 1; seed <= 8; ++seed) {
    SCOPED_TRACE("seed " + std::to_string(seed));
    const Ended run = run_emulated(plan, seed, {}, seed == 1 ? commands::Firmware::elf : commands::Firmware::native);
    ASSERT_FALSE(run.trouble) << run.trouble->text();
    ASSERT_FALSE(run.record.aborted) << run.record.aborted->message;
    ASSERT_EQ(run.record.steps.size(), 34U);
    // Before the first clock nothing is assumed: no reading is judged, whatever it shows.
    for (const measure::Reading& r : run.record.steps[0].readings) {
      EXPECT_EQ(r.verdict, measure::Verdict::none) << r.line;
      EXPECT_EQ(r.expected, files::Bit::any) << r.line;
    }
    ASSERT_EQ(run.record.steps[1].readings.size(), 8U);
    powered_up.insert(word_of(run.record.steps[1]));
    for (int i = 0; i < 32; ++i) {
      const int pattern = i & 15;
      const bool skip = i >= 16;
      EXPECT_EQ(word_of(run.record.steps[static_cast<std::size_t>(i) + 2]), skip ? 0xF : pattern) << "pattern " << pattern << " skip " << skip;
    }
  }
  // And indeed boards differ in it: an assumption would have been wrong.
  EXPECT_GE(powered_up.size(), 3U);
}

}  // namespace
}  // namespace tenterhook::acceptance
