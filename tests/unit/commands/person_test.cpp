// The pieces between a person and the bench that need neither: when a held board is let go of, when a reading on the hand lead
// is taken, what a person may type.
#include <gtest/gtest.h>

#include "host/commands/holding.h"
#include "host/commands/repeating.h"
#include "host/commands/touching.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

TEST(HoldToRun, FallsASecondAfterTheLastKey) {
  HoldToRun keeper(true);
  keeper.begin(100.0);
  EXPECT_FALSE(keeper.released(100.0 + HoldToRun::kGrace));
  EXPECT_TRUE(keeper.released(100.1 + HoldToRun::kGrace)) << "nobody took hold";
  keeper.begin(100.0);
  for (double t = 101.0; t < 130.0; t += 0.5) {
    keeper.key(t);
    EXPECT_FALSE(keeper.released(t + 0.4));
  }
  EXPECT_FALSE(keeper.released(129.5 + HoldToRun::kReleasedAfter));
  EXPECT_TRUE(keeper.released(129.6 + HoldToRun::kReleasedAfter));
}

TEST(HoldToRun, TheFixturesSwitchHoldsAsWell) {
  HoldToRun keeper(true);
  keeper.begin(0.0);
  for (double t = 1.0; t < 20.0; t += 0.5) keeper.fixture_switch(true, t);
  EXPECT_FALSE(keeper.released(20.0));
  keeper.fixture_switch(false, 20.0);
  EXPECT_TRUE(keeper.released(21.0));
}

TEST(HoldToRun, AwayFromATerminalTheTimeLimitAloneEndsIt) {
  HoldToRun keeper(false);
  keeper.begin(0.0);
  EXPECT_FALSE(keeper.released(1e6));
}

Holding::HandReading on(double volts, double U = 0.2) { return {true, Volts{volts}, Volts{U}}; }
const Holding::HandReading kOff{false, Volts{0.86}, Volts{0.2}};

TEST(HandWatch, TakesASteadyReadingAfterTheLeadWasOff) {
  HandWatch watch;
  EXPECT_FALSE(watch.look(kOff));
  for (int i = 0; i + 1 < HandWatch::kSteadyLooks; ++i) EXPECT_FALSE(watch.look(on(23.8 + 0.01 * i)));
  const auto taken = watch.look(on(23.82));
  ASSERT_TRUE(taken.has_value());
  EXPECT_NEAR(taken->value, 23.81, 0.02);
}

TEST(HandWatch, WhereTheLeadStillHangsFromTheLastTouchIsNotTaken) {
  HandWatch watch;
  for (int i = 0; i < 50; ++i) EXPECT_FALSE(watch.look(on(4.9)));
  EXPECT_FALSE(watch.wants_touch());
  EXPECT_FALSE(watch.look(kOff));
  EXPECT_TRUE(watch.wants_touch());
  for (int i = 0; i + 1 < HandWatch::kSteadyLooks; ++i) EXPECT_FALSE(watch.look(on(4.9)));
  EXPECT_TRUE(watch.look(on(4.9)));
  // And not a second time.
  for (int i = 0; i < 50; ++i) EXPECT_FALSE(watch.look(on(4.9)));
}

TEST(HandWatch, AShakyHandIsWaitedFor) {
  HandWatch watch;
  EXPECT_FALSE(watch.look(kOff));
  for (int i = 0; i < 30; ++i) EXPECT_FALSE(watch.look(on(i % 2 ? 4.9 : 6.1)));
  EXPECT_FALSE(watch.look(kOff));
  EXPECT_FALSE(watch.look(on(4.9)));
  EXPECT_FALSE(watch.look(kOff)) << "slipped off";
  for (int i = 0; i + 1 < HandWatch::kSteadyLooks; ++i) EXPECT_FALSE(watch.look(on(4.9)));
  EXPECT_TRUE(watch.look(on(4.9)));
}

TEST(TypedVolts, AreTakenWithAndWithoutUnit) {
  EXPECT_DOUBLE_EQ(*typed_volts("23.8"), 23.8);
  EXPECT_DOUBLE_EQ(*typed_volts("-7.5 V"), -7.5);
  EXPECT_DOUBLE_EQ(*typed_volts("0V "), 0.0);
  for (const char* bad : {"", "V", "about 3", "3 mV", "3 volts", "3,5", "nan", "inf"}) EXPECT_FALSE(typed_volts(bad)) << bad;
}

TEST(Share, IsPerCentOrAFraction) {
  EXPECT_DOUBLE_EQ(*parse_share("--catch", "5%"), 0.05);
  EXPECT_DOUBLE_EQ(*parse_share("--catch", "5 %"), 0.05);
  EXPECT_DOUBLE_EQ(*parse_share("--catch", "0.05"), 0.05);
  for (const char* bad : {"", "5", "0", "100%", "-1%", "5 pro", "x", "5%%"}) EXPECT_FALSE(parse_share("--catch", bad).ok()) << bad;
}

TEST(Repeating, CountsThePassesAndReplacesTheSteps) {
  auto vectors = files::read_vectors(TH_SOURCE_DIR "/vectors/or-follower/board.yaml");
  ASSERT_TRUE(vectors.ok());
  const std::size_t each = vectors->steps.size();
  RunOptions options;
  EXPECT_FALSE(repeat_as_asked(options, *vectors, false)->has_value());
  EXPECT_EQ(vectors->steps.size(), each);
  options.catches = "5%";
  auto repeating = repeat_as_asked(options, *vectors, false);
  ASSERT_TRUE(repeating.ok() && repeating->has_value());
  EXPECT_EQ((*repeating)->order.passes.size(), 59u);
  EXPECT_EQ(static_cast<std::size_t>((*repeating)->steps_each), each);
  EXPECT_EQ(vectors->steps.size(), 59 * each);
  options.catches = "0.001%";
  EXPECT_FALSE(repeat_as_asked(options, *vectors, false).ok());
}

}  // namespace
}  // namespace tenterhook::commands
