// Noise margins of standard families, by their definition: NML = VIL(max) - VOL(max), NMH = VOH(min) - VIH(min)
// (a textbook definition, read in a secondary source). Two readings of VOL and VOH are in use, and
// both are held here: the level an unloaded output shows, and the deviation an output is allowed
// while its input sits at VIL or VIH, which is what makers of 4000B parts guarantee.
#include <gtest/gtest.h>

#include "host/assess/assess.h"
#include "host/files/reader.h"
#include "host/files/ready_families.h"

namespace tenterhook::assess {
namespace {

struct Margins {
  double low, high;
};

// Margins as the levels table shows them, of an output whose readings are exactly vol and voh.
Margins margins_of(const std::string& family, double supply, double vol, double voh) {
  const std::string text = "board: margin-card\nrails: {supply: {nominal: " + std::to_string(supply) +
                           " V, window: 5 %, limit: 100 mA}}\nfamilies: {f: {like: " + family +
                           "}}\nlines: {A: {in: f}, Y: {out: f}}\ncircuit: [{gate: buf, in: A, out: Y, parts: [U1]}]\n"
                           "steps: [{set: {A: 0}, expect: {Y: 0}}]\n";
  auto vectors = files::parse_vectors("board.yaml", text);
  EXPECT_TRUE(vectors) << vectors.error().text();
  if (!vectors) return {0.0, 0.0};
  plan::Plan plan;
  plan.vectors = vectors.take();
  record::StepRecord step;
  measure::Reading low, high;
  low.line = high.line = "Y";
  low.expected = files::Bit::zero;
  low.volts = Volts{vol};
  high.expected = files::Bit::one;
  high.volts = Volts{voh};
  step.readings = {low, high};
  const auto levels = levels_of(plan, {step});
  EXPECT_EQ(levels.size(), 1u);
  if (levels.size() != 1 || !levels[0].margin_low_v || !levels[0].margin_high_v) return {0.0, 0.0};
  return {*levels[0].margin_low_v, *levels[0].margin_high_v};
}

// 4000B, JEDEC 13-B (values as in the CD4001BC data sheet): VIL/VIH 1.5/3.5, 3/7, 4/11 V; unloaded
// outputs 0.05 V from the rails give 1.45, 2.95, 3.95 V (computed).
TEST(NoiseMargin, Cmos4000bUnloaded) {
  for (const auto& [name, supply, margin] : {std::tuple{"4000b-5v", 5.0, 1.45}, {"4000b-10v", 10.0, 2.95}, {"4000b-15v", 15.0, 3.95}}) {
    const Margins m = margins_of(name, supply, 0.05, supply - 0.05);
    EXPECT_NEAR(m.low, margin, 1e-9) << name;
    EXPECT_NEAR(m.high, margin, 1e-9) << name;
  }
}

// The same family with outputs at their allowed deviation (0.5/4.5, 1/9, 1.5/13.5 V): the 1.0, 2.0 and 2.5 V
// that a maker's 4001B data sheet guarantees.
TEST(NoiseMargin, Cmos4000bGuaranteed) {
  for (const auto& [name, supply, out, margin] :
       {std::tuple{"4000b-5v", 5.0, 0.5, 1.0}, {"4000b-10v", 10.0, 1.0, 2.0}, {"4000b-15v", 15.0, 1.5, 2.5}}) {
    const Margins m = margins_of(name, supply, out, supply - out);
    EXPECT_NEAR(m.low, margin, 1e-9) << name;
    EXPECT_NEAR(m.high, margin, 1e-9) << name;
  }
}

// TTL (worked example of the SN7400 data sheet): 0.8/2.0/0.4/2.4 V, both margins 0.4 V.
TEST(NoiseMargin, Ttl) {
  const Margins m = margins_of("ttl", 5.0, 0.4, 2.4);
  EXPECT_NEAR(m.low, 0.4, 1e-9);
  EXPECT_NEAR(m.high, 0.4, 1e-9);
}

// LVTTL (JESD8C.01): the same thresholds at 3.3 V.
TEST(NoiseMargin, Lvttl) {
  const Margins m = margins_of("lvttl", 3.3, 0.4, 2.4);
  EXPECT_NEAR(m.low, 0.4, 1e-9);
  EXPECT_NEAR(m.high, 0.4, 1e-9);
}

// IEC 61131-2: type 1 reads 0 from -3 to 5 V and 1 from 15 to 30 V; types 2 and 3 read 1 from 11 V
// (controller manuals that quote the standard's table).
TEST(Families, Iec61131Inputs) {
  const auto type1 = files::ready_family("iec-61131-2-type-1");
  const auto type3 = files::ready_family("iec-61131-2-type-3");
  ASSERT_TRUE(type1 && type3);
  EXPECT_EQ(type1->needs.low->min, Volts{-3.0});
  EXPECT_EQ(type1->needs.low->max, Volts{5.0});
  EXPECT_EQ(type1->needs.high->min, Volts{15.0});
  EXPECT_EQ(type1->needs.high->max, Volts{30.0});
  EXPECT_EQ(type3->needs.high->min, Volts{11.0});
}

// V.28: a receiver takes +3 to +25 V as 0 and -3 to -25 V as 1: logic 1 is the low level.
TEST(Families, V28IsNegativeLogic) {
  const auto v28 = files::ready_family("v28");
  ASSERT_TRUE(v28);
  EXPECT_FALSE(plan::is_high(*v28, files::Bit::one));
  EXPECT_EQ(v28->needs.high->min, Volts{3.0});
  EXPECT_EQ(v28->needs.low->max, Volts{-3.0});
}

}  // namespace
}  // namespace tenterhook::assess
