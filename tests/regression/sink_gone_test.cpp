// An exception on its way out of execute() (memory that ends, a sink that throws) takes the sink with it; what the
// session still drains when it is closed must not go there. Found by the simulation's failing allocations.
#include <gtest/gtest.h>

#include <stdexcept>

#include "tests/unit/link/bench.h"

namespace tenterhook::link {
namespace {

TEST(Session, SinkIsNotCalledAfterExecuteHasThrown) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  int taken = 0, after = 0;
  Sink sink;
  sink.sample = [&](const SampleBlock&) {
    if (++taken == 3) throw std::runtime_error("no memory");
  };
  EXPECT_THROW((void)rig.session->execute(program_of({.steps = 40, .wait_us = 3000}), sink), std::runtime_error);
  sink.sample = [&](const SampleBlock&) { ++after; };
  (void)rig.session->idle(Seconds{0.05});
  rig.session.reset();  // stops, and drains what had been measured
  EXPECT_EQ(after, 0);
  EXPECT_EQ(taken, 3);
}

}  // namespace
}  // namespace tenterhook::link
