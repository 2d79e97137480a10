// Noise margins of published families by the definition that `levels` and `machine` use:
// NML = VIL(max) - VOL(max), NMH = VOH(min) - VIH(min).
#include <gtest/gtest.h>

#include "host/assess/assess.h"

namespace tenterhook::assess {
namespace {

struct Table {
  const char* name;
  double vil, vih, vol, voh, nml, nmh;
};

plan::Plan plan_of(const Table& t) {
  plan::Plan plan;
  files::Family family;
  family.name = "receiver";
  family.needs.low = files::Window{Volts{-0.5}, Volts{t.vil}};
  family.needs.high = files::Window{Volts{t.vih}, Volts{t.voh + 1.0}};
  plan.vectors.board.families["receiver"] = family;
  files::Line line;
  line.name = "Y";
  line.kind = files::LineKind::output;
  line.family = "receiver";
  plan.vectors.board.lines.push_back(line);
  return plan;
}

record::LevelRecord levels_at(const Table& t) {
  const plan::Plan plan = plan_of(t);
  record::StepRecord low, high;
  measure::Reading r;
  r.line = "Y";
  r.U = Volts{0.01};
  r.expected = files::Bit::zero;
  r.volts = Volts{t.vol};
  low.readings = {r};
  high.index = 1;
  r.expected = files::Bit::one;
  r.volts = Volts{t.voh};
  high.readings = {r};
  return levels_of(plan, {low, high}).at(0);
}

// 4000B: limits by JEDEC 13-B and a CD4001BC data sheet; the margins from them are arithmetic, 1.45, 2.95
// and 3.95 V with open outputs. Makers print 1.0, 2.0 and 2.5 V: the other definition, the input limit
// against the allowed output deviation. TTL 74xx: 0.4 V both ways (SN7400 worked example).
TEST(Margins, OfPublishedFamilies) {
  for (const Table& t : {Table{"4000B 5 V", 1.5, 3.5, 0.05, 4.95, 1.45, 1.45}, Table{"4000B 10 V", 3.0, 7.0, 0.05, 9.95, 2.95, 2.95},
                         Table{"4000B 15 V", 4.0, 11.0, 0.05, 14.95, 3.95, 3.95}, Table{"TTL", 0.8, 2.0, 0.4, 2.4, 0.4, 0.4}}) {
    const record::LevelRecord level = levels_at(t);
    ASSERT_EQ(level.margins.size(), 1u) << t.name;
    EXPECT_NEAR(level.margins[0].low_v, t.nml, 1e-9) << t.name;
    EXPECT_NEAR(level.margins[0].high_v, t.nmh, 1e-9) << t.name;
    EXPECT_NEAR(*level.margin_low_v, t.nml, 1e-9) << t.name;
    EXPECT_EQ(level.margins[0].U_v, 0.01);
  }
}

// The other definition, a maker's 4001B data sheet (noise-margin figure): the input limit against the allowed
// deviation of the OUTPUT (0.5, 1, 1.5 V at 5, 10, 15 V; the condition under which the input limits hold). An output
// that is measured at that deviation has just that margin left by ours.
TEST(Margins, OfAnOutputAtTheMakersAllowedDeviation) {
  for (const Table& t : {Table{"4000B 5 V", 1.5, 3.5, 0.5, 4.5, 1.0, 1.0}, Table{"4000B 10 V", 3.0, 7.0, 1.0, 9.0, 2.0, 2.0},
                         Table{"4000B 15 V", 4.0, 11.0, 1.5, 13.5, 2.5, 2.5}}) {
    const record::LevelRecord level = levels_at(t);
    EXPECT_NEAR(*level.margin_low_v, t.nml, 1e-9) << t.name;
    EXPECT_NEAR(*level.margin_high_v, t.nmh, 1e-9) << t.name;
  }
}

}  // namespace
}  // namespace tenterhook::assess
