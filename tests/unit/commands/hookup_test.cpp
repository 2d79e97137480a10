#include "host/commands/hookup.h"

#include <gtest/gtest.h>

#include "host/measure/contact.h"

namespace tenterhook::commands {
namespace {

constexpr Volts kOpen{0.86};
constexpr Ohms kDivider{1e6};
constexpr Volts kU{0.28};

// What a lead reads with `ohms` to `source` on it, as it is and with 10 kohm to +5 V: nodal sums.
LeadAt at(double source, double ohms) {
  const double load = 1.0 / kDivider.value, pull = 1e-4, board = 1.0 / ohms;
  const double plain = (kOpen.value * load + source * board) / (load + board);
  const double pulled = (kOpen.value * load + source * board + 5.0 * pull) / (load + board + pull);
  return lead_at(Volts{plain}, Volts{pulled}, kU, kOpen, kDivider);
}

TEST(LeadAt, TellsAirPostAndBoardApart) {
  EXPECT_EQ(at(0.0, 1e12), LeadAt::nothing);
  EXPECT_EQ(at(0.0, 1.0), LeadAt::ground);
  EXPECT_EQ(at(0.0, 10e3), LeadAt::board);
  EXPECT_EQ(at(12.0, 1e3), LeadAt::board);
  // Nearly as high-ohm as air: pulled all the way, but not at the open voltage.
  EXPECT_EQ(at(4.9, 100e3), LeadAt::unclear);
}

LeadWalk::State after(std::initializer_list<LeadAt> looks) {
  LeadWalk walk;
  for (const LeadAt look : looks) walk.look(look);
  return walk.state();
}

TEST(LeadWalk, ProvesALeadByThePostAndThenTheBoard) {
  using S = LeadWalk::State;
  EXPECT_EQ(after({}), S::unknown);
  EXPECT_EQ(after({LeadAt::nothing}), S::free);
  EXPECT_EQ(after({LeadAt::nothing, LeadAt::ground}), S::touching);
  EXPECT_EQ(after({LeadAt::nothing, LeadAt::ground, LeadAt::nothing}), S::known);
  EXPECT_EQ(after({LeadAt::nothing, LeadAt::ground, LeadAt::nothing, LeadAt::board, LeadAt::board}), S::placed);
}

TEST(LeadWalk, DoesNotTakeAnotherLeadsMoves) {
  using S = LeadWalk::State;
  // On the board from the start: nobody has shown which lead it is.
  EXPECT_EQ(after({LeadAt::board, LeadAt::board, LeadAt::board}), S::unknown);
  // Straight onto the board without the post.
  EXPECT_EQ(after({LeadAt::nothing, LeadAt::board, LeadAt::board, LeadAt::board}), S::free);
  // One look in passing is no contact.
  EXPECT_EQ(after({LeadAt::nothing, LeadAt::ground, LeadAt::nothing, LeadAt::board, LeadAt::nothing}), S::known);
  // Still on the post, however long.
  EXPECT_EQ(after({LeadAt::nothing, LeadAt::ground, LeadAt::ground, LeadAt::ground}), S::touching);
}

}  // namespace
}  // namespace tenterhook::commands
