// Which paths of our boards can be timed, and that every start state really follows from what is driven.
#include "host/timing/paths.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <set>

#include "host/circuit/simulator.h"
#include "host/files/reader.h"

namespace tenterhook::timing {
namespace {

using files::Bit;

plan::Plan plan_of(const std::string& file) {
  const std::string root = std::string(TH_SOURCE_DIR) + "/";
  auto fixture = files::read_fixture(root + "fixtures/mega2560/fixture.yaml");
  EXPECT_TRUE(fixture.ok());
  files::Vectors vectors;
  if (file.find("vectors.yaml") != std::string::npos) {
    vectors = files::read_vectors(root + file).take();
  } else {
    vectors.board = files::read_board(root + file).take();
  }
  auto plan = plan::make_plan(vectors, fixture.take(), {});
  EXPECT_TRUE(plan.ok()) << plan.error().text();
  prepare_wiring(*plan);
  return plan.take();
}

Found find(const plan::Plan& plan, const std::vector<std::string>& lines = {}) {
  auto found = find_paths(plan, {lines});
  EXPECT_TRUE(found.ok()) << found.error().text();
  return found.take();
}

std::set<std::string> names(const Found& found) {
  std::set<std::string> names;
  for (const Path& p : found.paths) {
    names.insert(p.from + (p.from_high ? "+ " : "- ") + p.to + (p.to_high ? "+" : "-"));
  }
  return names;
}

// Plays a start from many power-up states of the model: it is three-valued, so one unknown state is all of them.
void expect_starts(const plan::Plan& plan, const Found& found) {
  for (const Path& p : found.paths) {
    auto sim = circuit::Simulator::make(plan.vectors.board);
    ASSERT_TRUE(sim.ok());
    sim->power_up();
    ASSERT_TRUE(sim->set(p.start.inputs).ok());
    for (const Action& a : p.start.again) {
      ASSERT_TRUE((a.kind == Action::Kind::set ? sim->set({{a.line, a.bit}}) : sim->pulse(a.line)).ok());
      if (p.start.fast && a.kind == Action::Kind::set) {
        EXPECT_EQ(a.line, p.start.routed);
      }
    }
    if (p.trailing) continue;
    EXPECT_EQ(*sim->read(p.to), p.before.at(p.to)) << p.from << " to " << p.to;
    if (p.clocked) {
      EXPECT_NE(p.before.at(p.to), p.after.at(p.to));
    }
  }
}

TEST(Paths, ShedLatchIsTimedByFastLinesAlone) {
  const plan::Plan plan = plan_of("vectors/shed-latch/board.yaml");
  const Found found = find(plan);
  EXPECT_EQ(found.paths.size(), 16u);  // PICK to four true and four inverse outputs, both ways
  for (const Path& p : found.paths) {
    EXPECT_TRUE(p.start.fast) << p.to;
    EXPECT_TRUE(p.clocked);
    EXPECT_FALSE(p.trailing);
  }
  EXPECT_EQ(found.apertures.size(), 10u);  // F3..F0 and SKIP, both ways
  EXPECT_TRUE(found.trains.empty());
  ASSERT_EQ(found.not_measured.size(), 1u);
  EXPECT_THAT(found.not_measured[0], testing::HasSubstr("top rate of PICK"));
  expect_starts(plan, found);
  EXPECT_EQ(loop_back(plan).line, "PICK");
  EXPECT_EQ(loop_back(plan).sense, 31);
}

TEST(Paths, CounterIsResetByItsRoutedClear) {
  const plan::Plan plan = plan_of("vectors/pick-counter/board.yaml");
  const Found found = find(plan);
  const auto all = names(found);
  for (const char* n : {"STEP+ N0+", "STEP+ N0-", "STEP+ N1+", "STEP+ N1-", "STEP+ N2+", "STEP+ N2-", "CLEARn- N0-"}) {
    EXPECT_TRUE(all.count(n)) << n;
  }
  expect_starts(plan, found);
  ASSERT_FALSE(found.trains.empty());
  EXPECT_EQ(found.trains[0].runs.size(), 4u);
  EXPECT_EQ(found.trains[0].runs[0].pulses, 15);
  EXPECT_EQ(found.trains[0].rises.at("N0"), 8);
  for (const Path& p : found.paths) EXPECT_TRUE(p.start.fast) << p.from << " " << p.to;
  EXPECT_TRUE(found.apertures.empty());  // its data comes from itself; CLEARn needs no clock
}

TEST(Paths, GatesAreTimedBothWays) {
  const plan::Plan plan = plan_of("vectors/or-follower/board.yaml");
  const Found found = find(plan);
  EXPECT_THAT(names(found), testing::UnorderedElementsAre("A+ Y+", "A- Y-", "B+ Y+", "B- Y-"));
  for (const Path& p : found.paths) EXPECT_EQ(p.start.routed, p.from);
  expect_starts(plan, found);
  EXPECT_EQ(find(plan, {"A"}).paths.size(), 2u);
}

TEST(Paths, WhatIsNotOnAFastLineIsSaid) {
  const plan::Plan plan = plan_of("tests/boards/warp-shift.yaml");
  const Found found = find(plan);
  ASSERT_FALSE(found.not_measured.empty());
  EXPECT_THAT(found.not_measured[0], testing::HasSubstr("IN: it is not routed to a fast line"));
  expect_starts(plan, found);
}

TEST(Paths, EveryBoardOfTheTreeHasSome) {
  for (const char* board : {"beat-divider", "dent-adder", "pattern-gates", "row-register", "shed-decoder", "yard-counter"}) {
    const plan::Plan plan = plan_of(std::string("tests/boards/") + board + ".yaml");
    const Found found = find(plan);
    EXPECT_GT(found.paths.size(), 3u) << board;
    expect_starts(plan, found);
  }
}

TEST(Paths, NeedACircuit) {
  plan::Plan plan = plan_of("vectors/or-follower/board.yaml");
  plan.vectors.board.circuit.clear();
  EXPECT_EQ(find_paths(plan, {}).error().trouble, Trouble::input);
}

}  // namespace
}  // namespace tenterhook::timing
