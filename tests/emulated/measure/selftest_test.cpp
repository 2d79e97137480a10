// The fixture's self-test against faults planted in the emulated fixture, on the native firmware.
//
// TENTERHOOK_FIXTURES=1000 looks for false alarms on so many good fixtures (default 40).
#include <gtest/gtest.h>

#include <cstdlib>

#include "fixtures/emulated/boards/loop_back.h"
#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/emulated_bench.h"
#include "host/commands/selftest.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

files::Fixture description() {
  auto fixture = files::read_fixture(std::string(TH_SOURCE_DIR) + "/fixtures/mega2560/fixture.yaml");
  EXPECT_TRUE(fixture.ok());
  return fixture.take();
}

SelfTest tested(std::uint64_t seed, const std::vector<std::string>& faults) {
  auto controller = make_emulated_fixture(seed, faults, nullptr, {}, Firmware::native);
  EXPECT_TRUE(controller.ok()) << (controller.ok() ? "" : controller.error().text());
  link::SessionOptions options;
  options.seed = static_cast<std::uint32_t>(seed);
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(controller.take()), options);
  EXPECT_TRUE(session.ok());
  auto test = self_test(**session, description(), nullptr);
  EXPECT_TRUE(test.ok()) << (test.ok() ? "" : test.error().text());
  return test.ok() ? test.take() : SelfTest{};
}

struct Planted {
  const char* fault;
  const char* where;
  const char* kind;
};

class SelfTestFault : public testing::TestWithParam<Planted> {};

TEST_P(SelfTestFault, IsNamedAndNothingElse) {
  const SelfTest test = tested(11, {GetParam().fault});
  ASSERT_EQ(test.faults.size(), 1u);
  EXPECT_EQ(test.faults[0].where, GetParam().where);
  EXPECT_EQ(test.faults[0].kind, GetParam().kind);
}

INSTANTIATE_TEST_SUITE_P(
    Planted, SelfTestFault,
    testing::Values(Planted{"fixture.drive.0 stuck-open", "drive.0", "stuck-open"},
                    Planted{"fixture.drive.15 stuck-open", "drive.15", "stuck-open"},
                    Planted{"fixture.drive.3 stuck-closed", "drive.3", "stuck-closed"},
                    Planted{"fixture.drive.12 stuck-closed", "drive.12", "stuck-closed"},
                    Planted{"fixture.drive.7 slow", "drive.7", "slow"},
                    Planted{"fixture.drive.8 slow", "drive.8", "slow"},
                    Planted{"fixture.route.0 stuck-open", "route.0", "stuck-open"},
                    Planted{"fixture.route.9 stuck-open", "route.9", "stuck-open"},
                    Planted{"fixture.route.4 stuck-closed", "route.4", "stuck-closed"},
                    Planted{"fixture.route.5 slow", "route.5", "slow"},
                    Planted{"fixture.test-bus.0 stuck-open", "test-bus.0", "stuck-open"},
                    Planted{"fixture.test-bus.31 stuck-open", "test-bus.31", "stuck-open"},
                    Planted{"fixture.test-bus.8 stuck-closed", "test-bus.8", "stuck-closed"},
                    Planted{"fixture.test-bus.17 slow", "test-bus.17", "slow"},
                    Planted{"fixture.sense.2 drift 1", "sense.2", "drift"},
                    Planted{"fixture.sense.30 drift -1.5", "sense.30", "drift"},
                    Planted{"fixture.reference drift 1", "reference", "drift"},
                    Planted{"fixture.reference drift -1", "reference", "drift"},
                    Planted{"fixture.test-bus.20 slow", "test-bus.20", "slow"},
                    Planted{"fixture.master stuck-open", "master", "no-coil-supply"}));

SelfTest plugged(const std::vector<std::string>& faults) {
  auto controller = make_emulated_fixture(11, faults, std::make_unique<emulated::LoopBack>(16, 2), emulated::LoopBack::wired(16, 2), Firmware::native);
  EXPECT_TRUE(controller.ok());
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(controller.take()), {});
  EXPECT_TRUE(session.ok());
  auto test = self_test_plugged(**session, description(), nullptr);
  EXPECT_TRUE(test.ok()) << (test.ok() ? "" : test.error().text());
  return test.ok() ? test.take() : SelfTest{};
}

TEST(LoopBack, FindsWhatNoFreeLeadShows) {
  EXPECT_TRUE(plugged({}).good());
  for (const auto& [fault, where] : {std::pair{"fixture.drive.3 open", "drive.3"}, std::pair{"fixture.sense.9 open", "drive.9"},
                                     std::pair{"fixture.fast.0 open", "fast.0"}, std::pair{"fixture.fast.1 stuck-open", "fast.1"}}) {
    const SelfTest test = plugged({fault});
    ASSERT_EQ(test.faults.size(), 1u) << fault;
    EXPECT_EQ(test.faults[0].where, where) << fault;
    EXPECT_EQ(test.faults[0].kind, "open") << fault;
    EXPECT_TRUE(tested(11, {fault}).good()) << fault;
  }
}

// Operate, release and bounce of every drive and reed within what the emulated relays are made to (8 ms, 5 ms and up to
// 2 ms, +-25 %; reeds 1 ms, 0.5 ms, 0.3 ms), and a slow one three times that.
TEST(SelfTestTimes, AreThoseOfTheRelays) {
  const SelfTest test = tested(12, {"fixture.drive.7 slow"});
  int drives = 0, reeds = 0;
  for (const RelayTime& t : test.times) {
    SCOPED_TRACE(t.relay);
    if (t.relay.rfind("drive.", 0) == 0) {
      const double slow = t.relay == "drive.7" ? 3.0 : 1.0;
      EXPECT_GE(t.operate.value, slow * 6e-3 - 1e-3);
      EXPECT_LE(t.operate.value, slow * 10e-3 + 1e-3);
      EXPECT_LE(t.bounce.value, 2e-3 + 1.5e-3);
      EXPECT_GE(t.release.value, slow * 2e-3 - 1e-3);
      EXPECT_LE(t.release.value, slow * 6.3e-3 + 1e-3);
      ++drives;
    } else {
      EXPECT_LE(t.operate.value, 1.25e-3 + 1e-3);
      ++reeds;
    }
  }
  EXPECT_EQ(drives, 16);
  EXPECT_EQ(reeds, 32);
  EXPECT_GT(settle_needed(test.times).value, 22e-3);
  EXPECT_LT(settle_needed(tested(12, {}).times).value, 18e-3);
}

TEST(SelfTestGood, FindsNothingOnGoodFixtures) {
  const char* wanted = std::getenv("TENTERHOOK_FIXTURES");
  const int count = wanted ? std::atoi(wanted) : 40;
  for (int seed = 1; seed <= count; ++seed) {
    const SelfTest test = tested(static_cast<std::uint64_t>(seed), {});
    EXPECT_TRUE(test.good()) << "seed " << seed << ": " << test.faults.front().where << " " << test.faults.front().text;
  }
}

}  // namespace
}  // namespace tenterhook::commands
