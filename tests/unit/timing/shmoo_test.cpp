// The plot: cells, holes, and that pass, fail and unsure differ without colour.
#include "host/timing/shmoo.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace tenterhook::timing {
namespace {

using testing::HasSubstr;
using testing::Not;

Axis axis(const std::string& name, int n) {
  Axis a{name, "s", {}, {}};
  for (int i = 1; i <= n; ++i) a.values.push_back(i * 1e-6);
  return a;
}

// Passes above a diagonal, but for a block; on the diagonal it does both.
Shmoo example(bool hole) {
  auto s = shmoo("example", axis("period", 12), axis("width", 10), [hole](double x, double y) -> Result<Tally> {
    if (hole && x > 6.5e-6 && x < 9.5e-6 && y > 5.5e-6 && y < 7.5e-6) return Tally{0, 3, 0};
    if (std::abs(x + y - 8e-6) < 0.1e-6) return Tally{1, 2, 0};
    return x + y > 8e-6 ? Tally{3, 0, 0} : Tally{0, 3, 0};
  });
  return s.take();
}

TEST(Shmoo, FindsTheHoleAndNotTheFailingCorner) {
  EXPECT_TRUE(holes_of(example(false)).empty());
  const auto holes = holes_of(example(true));
  ASSERT_EQ(holes.size(), 1u);
  EXPECT_EQ(holes[0].size(), 6u);
}

TEST(Shmoo, ShapesDifferWithoutColour) {
  const std::string plain = text(example(true), false, false);
  for (const char* shape : {"#", "/", "?", "O"}) EXPECT_THAT(plain, HasSubstr(shape));
  EXPECT_THAT(plain, Not(HasSubstr("\x1b")));
  EXPECT_THAT(plain, HasSubstr("a hole of 6 cells: period 7 us to 9 us, width 6 us to 7 us"));
  EXPECT_THAT(text(example(true), true, true), HasSubstr("\x1b["));
  EXPECT_THAT(text(example(false), false, false), Not(HasSubstr("hole")));
}

TEST(Shmoo, CsvHasARowACell) {
  const std::string rows = csv(example(false));
  EXPECT_EQ(std::count(rows.begin(), rows.end(), '\n'), 121);
  EXPECT_THAT(rows, HasSubstr("period_s,width_s,passes,fails,unsure\n1e-06,1e-06,0,3,0\n"));
}

TEST(Shmoo, SvgDrawsEveryCellAndTheHole) {
  const std::string drawn = svg(example(true));
  auto count = [&](const std::string& what) {
    int n = 0;
    for (std::size_t at = 0; (at = drawn.find(what, at)) != std::string::npos; ++at) ++n;
    return n;
  };
  const Shmoo s = example(true);
  int passes = 0, fails = 0, unsure = 0;
  for (const Tally& t : s.tallies) {
    passes += cell_of(t) == Cell::pass;
    fails += cell_of(t) == Cell::fail;
    unsure += cell_of(t) == Cell::unsure;
  }
  EXPECT_EQ(count("class=\"p\""), passes + 1);  // and the legend
  EXPECT_EQ(count("class=\"f\""), fails + 1);
  EXPECT_EQ(count("class=\"u\""), unsure + 1);
  EXPECT_EQ(count("class=\"o\""), 10 + 1);  // round a block of 3 by 2
}

TEST(Shmoo, RefusesAxesThatCannotBeDrawn) {
  EXPECT_FALSE(shmoo("x", axis("period", 0), axis("width", 2), [](double, double) -> Result<Tally> { return Tally{}; }).ok());
  EXPECT_FALSE(shmoo("x", axis("period", 201), axis("width", 2), [](double, double) -> Result<Tally> { return Tally{}; }).ok());
}

}  // namespace
}  // namespace tenterhook::timing
