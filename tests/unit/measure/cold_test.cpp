// Wiring faults as a network of resistors, solved apart from the rule that has to find them.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "host/measure/cold.h"

namespace tenterhook::measure {
namespace {

using testing::ElementsAre;
using testing::IsEmpty;
using testing::Pair;

constexpr Volts kOpen{0.8636};
constexpr Ohms kDivider{1.05777e6};
constexpr int kLeads = 4;

// Four lines, each with its own resistor to a rail at 0 V behind 1 kohm; what one pull shows.
struct Bench {
  double own[kLeads] = {10e3, 4.7e3, 22e3, 47e3};
  bool off[kLeads] = {};                 // lead not connected
  double between01 = 0.0;                // ohms from line 0 to line 1; 0: none
  double line2_rail = 0.0;               // ohms from line 2 to the rail

  ColdLook::Pull solve(int pulled) const {
    double v[kLeads] = {}, rail = 0.0;
    for (int sweep = 0; sweep < 20000; ++sweep) {
      double amps = 0.0, g = 1.0 / 1e3;
      for (int i = 0; i < kLeads; ++i) {
        const double to_rail = 1.0 / own[i] + (i == 2 && line2_rail > 0.0 ? 1.0 / line2_rail : 0.0);
        amps += v[i] * (off[i] ? 0.0 : to_rail);
        g += off[i] ? 0.0 : to_rail;
      }
      rail = amps / g;
      for (int i = 0; i < kLeads; ++i) {
        double a = kOpen.value / kDivider.value, b = 1.0 / kDivider.value;
        const double to_rail = 1.0 / own[i] + (i == 2 && line2_rail > 0.0 ? 1.0 / line2_rail : 0.0);
        if (!off[i]) { a += rail * to_rail; b += to_rail; }
        if (i == pulled) { a += 5.0 / 10e3; b += 1.0 / 10e3; }
        if (between01 > 0.0 && i < 2 && !off[0] && !off[1]) { a += v[1 - i] / between01; b += 1.0 / between01; }
        v[i] = a / b;
      }
    }
    ColdLook::Pull pull;
    for (int i = 0; i < kLeads; ++i) pull.sense[i] = Volts{v[i]};
    pull.rail[1] = Volts{rail};
    return pull;
  }
  ColdFindings look() const {
    ColdLook look;
    const auto rest = solve(-1);
    look.rest = rest.sense;
    look.rail_rest = rest.rail;
    for (int i = 0; i < kLeads; ++i) look.pulls[i] = solve(i);
    return judge_cold(look, kOpen, kDivider);
  }
};

TEST(Cold, AGoodBoardShowsNothing) {
  const auto f = Bench{}.look();
  EXPECT_THAT(f.open, IsEmpty());
  EXPECT_THAT(f.tied, IsEmpty());
  EXPECT_THAT(f.on_rail, IsEmpty());
}

TEST(Cold, AnOpenLeadIsNamed) {
  Bench b;
  b.off[1] = true;
  EXPECT_THAT(b.look().open, ElementsAre(1));
}

TEST(Cold, TiedLinesAreNamed) {
  Bench b;
  b.between01 = 1.0;
  const auto f = b.look();
  EXPECT_THAT(f.tied, ElementsAre(Pair(0, 1)));
  EXPECT_THAT(f.open, IsEmpty());
}

TEST(Cold, ALineOnItsRailIsNamed) {
  Bench b;
  b.line2_rail = 1.0;
  EXPECT_THAT(b.look().on_rail, ElementsAre(Pair(2, 1)));
}

}  // namespace
}  // namespace tenterhook::measure
