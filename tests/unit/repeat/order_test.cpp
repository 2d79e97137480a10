#include "host/repeat/order.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <set>

#include "host/circuit/simulator.h"
#include "host/commands/recorded.h"
#include "host/files/reader.h"
#include "host/plan/expect.h"

namespace tenterhook::repeat {
namespace {

const std::string kTree = TH_SOURCE_DIR;

files::Vectors read(const std::string& path) {
  auto vectors = files::read_vectors(kTree + "/vectors/" + path);
  EXPECT_TRUE(vectors.ok()) << vectors.error().text();
  return vectors.take();
}
files::Vectors parse(const std::string& text) {
  auto vectors = files::parse_vectors("board.yaml", text);
  EXPECT_TRUE(vectors.ok()) << vectors.error().text();
  return vectors.take();
}

// What the circuit knows at every step, by step of the file, when they are played in this order after one power-up.
void expect_same_as_in_file_order(const files::Vectors& vectors, const Order& order) {
  auto filed = circuit::Simulator::make(vectors.board);
  ASSERT_TRUE(filed.ok());
  filed->power_up();
  std::vector<std::vector<std::pair<std::string, files::Bit>>> there;
  for (const files::Step& step : vectors.steps) {
    ASSERT_TRUE(filed->step(step).ok());
    there.push_back(filed->outputs());
  }
  std::vector<commands::Chosen> chosen;
  const std::vector<int> steps = steps_in_order(order, static_cast<int>(vectors.steps.size()));
  for (const int step : steps) chosen.push_back({step, true});
  const files::Vectors repeated = commands::only_steps(vectors, chosen);
  auto model = circuit::Simulator::make(vectors.board);
  ASSERT_TRUE(model.ok());
  model->power_up();
  std::size_t known = 0;
  for (std::size_t i = 0; i < repeated.steps.size(); ++i) {
    ASSERT_TRUE(model->step(repeated.steps[i]).ok());
    const auto here = model->outputs();
    const auto& wanted = there[static_cast<std::size_t>(steps[i])];
    ASSERT_EQ(here.size(), wanted.size());
    for (std::size_t k = 0; k < here.size(); ++k) {
      if (wanted[k].second == files::Bit::any) continue;
      ++known;
      EXPECT_EQ(here[k], wanted[k]) << "step " << steps[i] << " of the file, played as number " << i;
    }
  }
  EXPECT_GE(known, repeated.steps.size());
}

TEST(Order, EveryPassHasEveryStepOnceAndTheFirstIsTheFile) {
  const files::Vectors vectors = read("shuttle-guard/acceptance.vectors.yaml");
  const int n = static_cast<int>(vectors.steps.size());
  const auto order = order_of(vectors, 20, 3);
  ASSERT_TRUE(order.ok()) << order.error().text();
  const std::vector<int> steps = steps_in_order(*order, n);
  ASSERT_EQ(static_cast<int>(steps.size()), 20 * n);
  std::set<std::vector<int>> different;
  for (int pass = 0; pass < 20; ++pass) {
    std::vector<int> one(steps.begin() + pass * n, steps.begin() + (pass + 1) * n);
    different.insert(one);
    std::sort(one.begin(), one.end());
    for (int i = 0; i < n; ++i) EXPECT_EQ(one[static_cast<std::size_t>(i)], i);
  }
  EXPECT_TRUE(std::is_sorted(steps.begin(), steps.begin() + n));
  EXPECT_EQ(different.size(), 20u);
  EXPECT_TRUE(order->varied);
  // The same seed, the same order; another seed, another.
  EXPECT_EQ(order_of(vectors, 20, 3)->passes, order->passes);
  EXPECT_NE(order_of(vectors, 20, 4)->passes, order->passes);
}

TEST(Order, WhateverFollowsWhateverTheBoardIsWhereTheFileSays) {
  for (const char* path : {"shuttle-guard/acceptance.vectors.yaml", "shed-latch/acceptance.vectors.yaml", "pick-counter/acceptance.vectors.yaml",
                           "or-follower/board.yaml"}) {
    SCOPED_TRACE(path);
    const files::Vectors vectors = read(path);
    const auto order = order_of(vectors, 12, 1);
    ASSERT_TRUE(order.ok()) << order.error().text();
    EXPECT_TRUE(order->varied) << order->why;
    expect_same_as_in_file_order(vectors, *order);
  }
}

// A counter may be entered only where it is cleared.
TEST(Order, ACounterIsShuffledInWholeCountsOnly) {
  const files::Vectors vectors = read("pick-counter/acceptance.vectors.yaml");
  const auto order = order_of(vectors, 3, 1);
  ASSERT_TRUE(order.ok());
  EXPECT_LT(order->starts.size(), vectors.steps.size() / 2);
  for (const int start : order->starts) {
    if (start == 0) continue;
    auto model = circuit::Simulator::make(vectors.board);
    ASSERT_TRUE(model.ok());
    model->power_up();
    ASSERT_TRUE(model->step(commands::standing_alone(vectors, start)).ok());
    for (const auto& [line, bit] : model->outputs()) EXPECT_NE(bit, files::Bit::any) << line << " at step " << start;
  }
}

const char* kHead =
    "rails: {logic: {nominal: 5 V, window: 5 %, limit: 150 mA}}\n";

TEST(Order, WithoutACircuitTheFileIsFollowed) {
  const auto vectors = parse(std::string("board: unknown\n") + kHead +
                             "lines: {A: {in: ttl}, Y: {out: ttl}}\nsteps: [{set: {A: 0}, expect: {Y: 0}}, {set: {A: 1}, expect: {Y: 1}}]\n");
  const auto order = order_of(vectors, 4, 1);
  ASSERT_TRUE(order.ok());
  EXPECT_FALSE(order->varied);
  EXPECT_NE(order->why.find("no circuit"), std::string::npos);
  EXPECT_EQ(steps_in_order(*order, 2), (std::vector<int>{0, 1, 0, 1, 0, 1, 0, 1}));
}

// Holding is remembering: the step that only holds must stay behind the one that stored.
TEST(Order, StepsThatOnlyHoldStayBehindTheOnesThatStored) {
  const auto vectors = parse(std::string("board: keeper\n") + kHead +
                             "lines: {D: {in: ttl}, EN: {in: ttl}, Q: {out: ttl}}\n"
                             "circuit: [{gate: d-latch, in: D, enable: EN, out: Q}]\n"
                             "steps:\n  - {set: {D: 1, EN: 1}, expect: {Q: 1}}\n  - {set: {EN: 0}, expect: {Q: 1}}\n  - {set: {D: 0}, expect: {Q: 1}}\n"
                             "  - {set: {EN: 1}, expect: {Q: 0}}\n  - {set: {EN: 0}, expect: {Q: 0}}\n");
  const auto order = order_of(vectors, 30, 1);
  ASSERT_TRUE(order.ok());
  EXPECT_EQ(order->starts, (std::vector<int>{0, 3}));
  expect_same_as_in_file_order(vectors, *order);
}

// An input that clocks a flip-flop: what the input was before decides whether there is an edge.
TEST(Order, AnEdgeMadeByAnInputIsNoPlaceToEnter) {
  const auto vectors = parse(std::string("board: edges\n") + kHead +
                             "lines: {D: {in: ttl}, C: {in: ttl}, Q: {out: ttl}}\n"
                             "circuit: [{gate: d-flip-flop, in: D, clock: C, out: Q}]\n"
                             "steps:\n  - {set: {D: 1, C: 0}, measure: Q}\n  - {set: {C: 1}, expect: {Q: 1}}\n  - {set: {C: 0, D: 0}, expect: {Q: 1}}\n"
                             "  - {set: {C: 1}, expect: {Q: 0}}\n");
  const auto order = order_of(vectors, 5, 1);
  ASSERT_TRUE(order.ok());
  EXPECT_EQ(order->starts, (std::vector<int>{0}));
  EXPECT_FALSE(order->varied);
}

TEST(Order, MoreThanOneRecordTakesIsRefused) {
  const files::Vectors vectors = read("shed-latch/acceptance.vectors.yaml");
  EXPECT_FALSE(order_of(vectors, kPassesMost + 1, 1).ok());
  EXPECT_FALSE(order_of(vectors, static_cast<int>(kStepsMost / static_cast<long>(vectors.steps.size())) + 1, 1).ok());
  EXPECT_FALSE(order_of(vectors, 0, 1).ok());
}

}  // namespace
}  // namespace tenterhook::repeat
