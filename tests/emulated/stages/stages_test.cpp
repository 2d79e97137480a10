// Each stage of the assembly passes on a fixture where nothing later is built, and names what is wrong in it.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/emulated_bench.h"
#include "host/commands/selftest_stages.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

const files::Fixture& mega() {
  static const files::Fixture fixture = [] {
    auto read = files::read_fixture(TH_SOURCE_DIR "/fixtures/mega2560/fixture.yaml");
    EXPECT_TRUE(read.ok());
    return read.take();
  }();
  return fixture;
}

// What a fixture lacks that is built up to `stage`: every relay and reed of later stages never closes.
std::vector<std::string> not_yet_built(int stage) {
  std::vector<std::string> faults;
  const auto all = [&](const char* place, int count) {
    for (int i = 0; i < count; ++i) faults.push_back("fixture." + std::string(place) + "." + std::to_string(i) + " stuck-open");
  };
  if (stage < 6) all("drive", 16);
  if (stage < 7) all("test-bus", 32);
  if (stage < 8) {
    all("route", 16);
    all("fast", 2);
  }
  if (stage < 9) all("rail", 4);
  return faults;
}

struct Ran {
  SelfTest test;
  std::vector<Hand> hands;
};

Ran run(int stage, const std::vector<std::string>& faults, std::uint64_t seed = 1, bool obeys = true) {
  Ran ran;
  const std::vector<double> supplies = stage == 9 ? std::vector<double>{6.3, -9.0, 30.0, 24.0} : std::vector<double>{};
  auto made = make_emulated_fixture(seed, faults, nullptr, {}, Firmware::native, supplies);
  EXPECT_TRUE(made.ok()) << (made ? "" : made.error().text());
  if (!made) return ran;
  auto controller = made.take();
  emulated::Controller* fixture = controller.get();
  link::SessionOptions options;
  options.seed = static_cast<std::uint32_t>(seed);
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(std::move(controller)), options);
  EXPECT_TRUE(session.ok()) << (session ? "" : session.error().text());
  if (!session) return ran;
  const Hands hands = [&](Hand hand) {
    ran.hands.push_back(hand);
    if (!obeys) return;
    if (hand == Hand::press_stop || hand == Hand::release_stop) {
      fixture->circuit().press_stop(fixture->now(), hand == Hand::press_stop);
    } else {
      fixture->circuit().open_lid(fixture->now(), hand == Hand::open_lid);
    }
  };
  auto test = stage_test(**session, mega(), nullptr, stage, hands);
  EXPECT_TRUE(test.ok()) << "stage " << stage << ": " << (test ? "" : test.error().text());
  if (test) ran.test = test.take();
  return ran;
}

std::string said(const SelfTest& test) {
  std::string text;
  for (const SelfTestFinding& f : test.faults) text += f.where + " " + f.kind + ": " + f.text + "\n";
  return text;
}

class EveryStage : public testing::TestWithParam<int> {};

TEST_P(EveryStage, PassesWhenNothingLaterIsBuilt) {
  for (std::uint64_t seed : {1, 7, 23}) {
    const Ran ran = run(GetParam(), not_yet_built(GetParam()), seed);
    EXPECT_TRUE(ran.test.good()) << "stage " << GetParam() << ", seed " << seed << "\n" << said(ran.test);
  }
}

INSTANTIATE_TEST_SUITE_P(Assembly, EveryStage, testing::Range(1, kStages + 1));

TEST(Stages, AreTenAndSayWhatTheMeterMustShow) {
  ASSERT_EQ(stages().size(), static_cast<std::size_t>(kStages));
  for (int i = 0; i < kStages; ++i) {
    EXPECT_EQ(stages()[static_cast<std::size_t>(i)].number, i + 1);
    EXPECT_FALSE(stages()[static_cast<std::size_t>(i)].by_hand.empty());
  }
}

struct Wrong {
  int stage;
  std::vector<std::string> faults;
  const char* where;  // of the first finding
  const char* kind;
};

class Faulty : public testing::TestWithParam<Wrong> {};

TEST_P(Faulty, IsNamedByItsOwnStage) {
  const Wrong& wrong = GetParam();
  std::vector<std::string> faults = not_yet_built(wrong.stage);
  faults.insert(faults.end(), wrong.faults.begin(), wrong.faults.end());
  const Ran ran = run(wrong.stage, faults);
  ASSERT_FALSE(ran.test.good()) << "stage " << wrong.stage << " saw nothing";
  EXPECT_EQ(ran.test.faults[0].where, wrong.where) << said(ran.test);
  EXPECT_EQ(ran.test.faults[0].kind, wrong.kind) << said(ran.test);
  EXPECT_EQ(ran.test.faults.size(), 1u) << said(ran.test);
}

INSTANTIATE_TEST_SUITE_P(
    Assembly, Faulty,
    testing::Values(Wrong{2, {"fixture.reference drift 1"}, "reference", "drift"},
                    Wrong{4, {"fixture.chain.3 open"}, "chain", "relay-chain"},
                    Wrong{4, {"fixture.chain.15 open"}, "chain", "relay-chain"},
                    Wrong{5, {"fixture.sense.9 drift 40"}, "sense.9", "open-reads"},
                    Wrong{6, {"fixture.drive.5 stuck-open"}, "drive.5", "stuck-open"},
                    Wrong{6, {"fixture.drive.5 stuck-closed"}, "drive.5", "stuck-closed"},
                    Wrong{7, {"fixture.test-bus.11 stuck-open"}, "test-bus.11", "stuck-open"},
                    Wrong{7, {"fixture.sense.4 drift 2"}, "sense.4", "drift"},
                    Wrong{8, {"fixture.route.2 stuck-open"}, "route.2", "stuck-open"},
                    Wrong{8, {"fixture.route.7 stuck-closed"}, "route.7", "stuck-closed"},
                    Wrong{9, {"fixture.rail.2 stuck-open"}, "rail.2", "stuck-open"},
                    Wrong{9, {"fixture.rail-second.1 open"}, "rail.1", "second-wire"},
                    Wrong{9, {"fixture.rail-first.3 open"}, "rail.3", "first-wire"},
                    Wrong{10, {"fixture.drive.0 slow"}, "drive.0", "slow"}));

TEST(Stages, AFaultOfALaterStageDoesNotFailAnEarlierOne) {
  EXPECT_TRUE(run(5, {"fixture.route.2 stuck-open", "fixture.rail.2 stuck-open"}).test.good());
  EXPECT_TRUE(run(6, {"fixture.test-bus.11 stuck-open", "fixture.route.3 stuck-open"}).test.good());
  EXPECT_TRUE(run(4, {"fixture.sense.9 drift 40", "fixture.reference drift 1"}).test.good());
}

TEST(Stages, StopAndLidAreWorkedAndWatched) {
  const Ran first = run(1, not_yet_built(1));
  EXPECT_TRUE(first.test.good()) << said(first.test);
  EXPECT_THAT(first.hands, testing::ElementsAre(Hand::press_stop, Hand::release_stop, Hand::open_lid, Hand::shut_lid));
  const Ran last = run(10, {});
  EXPECT_TRUE(last.test.good()) << said(last.test);
  EXPECT_THAT(last.hands, testing::ElementsAre(Hand::press_stop, Hand::release_stop, Hand::open_lid, Hand::shut_lid));
  // Nobody presses: the check does not pass by itself.
  const Ran nobody = run(1, not_yet_built(1), 1, false);
  ASSERT_FALSE(nobody.test.good());
  EXPECT_EQ(nobody.test.faults[0].where, "stop");
  EXPECT_EQ(nobody.test.faults[0].kind, "unseen");
}

TEST(Stages, ARailWithoutABenchSupplyIsNotTestedRatherThanPassed) {
  auto made = make_emulated_fixture(1, {}, nullptr, {}, Firmware::native, {0.0, 0.0, 30.0, 0.0});
  ASSERT_TRUE(made.ok());
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(made.take()), {});
  ASSERT_TRUE(session.ok());
  auto test = stage_test(**session, mega(), nullptr, 9, {});
  ASSERT_TRUE(test.ok()) << test.error().text();
  EXPECT_TRUE(test->good()) << said(*test);
  int left = 0;
  for (const std::string& n : test->not_tested) left += n.find("no bench supply") != std::string::npos;
  EXPECT_EQ(left, 3);
}

}  // namespace
}  // namespace tenterhook::commands
