// The ready families against published levels.
#include "host/files/ready_families.h"

#include <gtest/gtest.h>

namespace tenterhook::files {
namespace {

struct Published {
  const char* name;
  double vil_max, vih_min, vol_max, voh_min;
};

TEST(ReadyFamilies, PublishedLevels) {
  const Published kPublished[] = {
      // JEDEC 13-B as in the CD4001BC data sheet: VIL and VIH at 5, 10, 15 V; the output deviations
      // VO = 0.5/4.5, 1/9, 1.5/13.5 V at which they are measured.
      {"4000b-5v", 1.5, 3.5, 0.5, 4.5},
      {"4000b-10v", 3.0, 7.0, 1.0, 9.0},
      {"4000b-15v", 4.0, 11.0, 1.5, 13.5},
      // SN7400 data sheet (worked example): 0.8 / 2.0 / 0.4 / 2.4 V.
      {"ttl", 0.8, 2.0, 0.4, 2.4},
      // JESD8C.01: 0.8 / 2.0 / 0.4 / 2.4 V.
      {"lvttl", 0.8, 2.0, 0.4, 2.4},
  };
  for (const Published& p : kPublished) {
    const auto family = ready_family(p.name);
    ASSERT_TRUE(family.has_value()) << p.name;
    EXPECT_EQ(family->needs.low->max, Volts{p.vil_max}) << p.name;
    EXPECT_EQ(family->needs.high->min, Volts{p.vih_min}) << p.name;
    EXPECT_EQ(family->gives.low->max, Volts{p.vol_max}) << p.name;
    EXPECT_EQ(family->gives.high->min, Volts{p.voh_min}) << p.name;
  }
}

// A maker's 4001B data sheet guarantees 1.0, 2.0 and 2.5 V: the input limit against the allowed
// output deviation. TTL: 0.4 V either way (worked example of the SN7400 data sheet).
TEST(ReadyFamilies, GuaranteedNoiseMargins) {
  const struct {
    const char* name;
    double margin;
  } kMargins[] = {
      {"4000b-5v", 1.0}, {"4000b-10v", 2.0}, {"4000b-15v", 2.5}, {"ttl", 0.4}, {"lvttl", 0.4}};
  for (const auto& m : kMargins) {
    const auto family = ready_family(m.name);
    EXPECT_NEAR(family->needs.low->max.value - family->gives.low->max.value, m.margin, 1e-12)
        << m.name;
    EXPECT_NEAR(family->gives.high->min.value - family->needs.high->min.value, m.margin, 1e-12)
        << m.name;
  }
}

// IEC 61131-2 as in a PLC manual: type 1 reads 0 at -3 to 5 V and 1 at 15 to 30 V; types 2 and 3
// read 1 from 11 V.
TEST(ReadyFamilies, Iec61131) {
  for (const auto& [name, high] :
       {std::pair{"iec-61131-2-type-1", 15.0}, std::pair{"iec-61131-2-type-2", 11.0},
        std::pair{"iec-61131-2-type-3", 11.0}}) {
    const auto family = ready_family(name);
    EXPECT_EQ(family->needs.low->min, Volts{-3.0});
    EXPECT_EQ(family->needs.low->max, Volts{5.0});
    EXPECT_EQ(family->needs.high->min, Volts{high});
    EXPECT_EQ(family->needs.high->max, Volts{30.0});
  }
}

// V.28: +3 to +25 V is 0 (space, on), -3 to -25 V is 1 (mark).
TEST(ReadyFamilies, V28IsNegativeLogic) {
  const auto family = ready_family("v28");
  EXPECT_TRUE(family->one_is_low);
  EXPECT_EQ(family->needs.low->max, Volts{-3.0});
  EXPECT_EQ(family->needs.high->min, Volts{3.0});
  EXPECT_EQ(family->needs.high->max, Volts{25.0});
}

TEST(ReadyFamilies, EachHasItsStandardAndDrivesInsideItsOwnWindows) {
  EXPECT_EQ(ready_family_names().size(), 9u);
  for (const std::string& name : ready_family_names()) {
    const auto family = ready_family(name);
    EXPECT_FALSE(family->standard.empty()) << name;
    const auto volts = [](const DriveLevel& level) {
      return level.kind == DriveLevel::Kind::ground ? Volts{} : level.volts;
    };
    EXPECT_TRUE(family->needs.low->contains(volts(family->drive_low))) << name;
    EXPECT_TRUE(family->needs.high->contains(volts(family->drive_high))) << name;
  }
  EXPECT_FALSE(ready_family("none").has_value());
}

}  // namespace
}  // namespace tenterhook::files
