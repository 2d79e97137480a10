#include <gtest/gtest.h>

#include "host/files/reader.h"

namespace tenterhook::files {
namespace {

TEST(FixtureFile, Mega2560) {
  const auto read = read_fixture(TH_SOURCE_DIR "/fixtures/mega2560/fixture.yaml");
  ASSERT_TRUE(read.ok()) << read.error().text();
  EXPECT_EQ(read->name, "mega2560");
  EXPECT_EQ(read->firmware, 1);
  EXPECT_EQ(read->drive.channels, 16);
  EXPECT_EQ(read->fast.channels, 2);
  EXPECT_EQ(read->sense.channels, 32);
  ASSERT_EQ(read->rails.size(), 4u);
  ASSERT_TRUE(read->rails[0].pre_charge.has_value());
  EXPECT_GT(read->rails[0].pre_charge->value, 0.0);
  EXPECT_FALSE(read->rails[1].pre_charge.has_value());
  for (const Fixture::RailChannel& rail : read->rails)
    EXPECT_GE(rail.per_count.value * 1024.0, rail.max.value);
  EXPECT_LE(read->max_difference, Volts{60.0});
}

// The nominal line of the front end, from its resistors: 1 Mohm to the lead, 274 kohm to 4.096 V
// and 73.2 kohm to ground, a 10-bit converter on 4.096 V.
TEST(FixtureFile, SenseLineAgreesWithItsResistors) {
  const auto read = read_fixture(TH_SOURCE_DIR "/fixtures/mega2560/fixture.yaml");
  ASSERT_TRUE(read.ok());
  const double lead = 1e6, up = 274e3, down = 73.2e3, reference = 4.096;
  const double bias = reference * down / (up + down), behind = up * down / (up + down);
  EXPECT_NEAR(read->sense.open_reads.value, bias, 1e-3);
  EXPECT_NEAR(read->sense.per_count.value, reference / 1024.0 * (lead + behind) / behind, 1e-5);
  EXPECT_NEAR(read->sense.offset.value, -bias * lead / behind, 1e-2);
  EXPECT_NEAR(read->sense.divider.value, lead + behind, 100.0);
}

TEST(FixtureFile, WhatIsNotDeclaredFollowsFromTheSpan) {
  const auto read = parse_fixture("f",
                                  "fixture: bench\naccepts: {firmware: 1}\ndrive: {channels: 0..7, "
                                  "settle: 30 ms, series: 10 ohm, max: 0.5 A}\n"
                                  "sense: {channels: 0..3, span: [-10 V, 41.2 V], divider: 1 "
                                  "Mohm}\nrail: {channels: 0..1, max: {0: 8 A, 1: 1024 mA}}\n");
  ASSERT_TRUE(read.ok()) << read.error().text();
  EXPECT_EQ(read->sense.offset, Volts{-10.0});
  EXPECT_NEAR(read->sense.per_count.value, 0.05, 1e-12);
  EXPECT_NEAR(read->rails[1].per_count.value, 0.001, 1e-12);
  EXPECT_EQ(read->fast.channels, 0);
}

}  // namespace
}  // namespace tenterhook::files
