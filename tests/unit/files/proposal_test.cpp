// What a proposal has that other vectors files have not: whether somebody approved it, and windows for all its steps.
#include "host/files/writer.h"

#include <gtest/gtest.h>

#include "host/files/reader.h"

namespace tenterhook::files {
namespace {

const std::string kPath = TH_SOURCE_DIR "/vectors/or-follower/proposed.vectors.yaml";
const std::string kHead = "vectors: v\nboard: board.yaml\n";
const std::string kSteps = "steps: [{set: {A: 0, B: 0}, expect: {Y: 0}}, {set: {A: 1}, expect: {Y: 1}, windows: {Y: {high: [20 V, 28 V]}}}]\n";

Vectors read(const std::string& text) {
  auto vectors = parse_vectors(kPath, text);
  EXPECT_TRUE(vectors.ok()) << vectors.error().text();
  return vectors.take();
}

TEST(Approval, IsOfProposalsOnly) {
  EXPECT_FALSE(read(kHead + kSteps).approved.has_value());
  EXPECT_EQ(*read(kHead + "approved: no\n" + kSteps).approved, "no");
  EXPECT_EQ(*read(kHead + "approved: the weaver, 2026-11-25\n" + kSteps).approved, "the weaver, 2026-11-25");
}

TEST(Windows, OfTheFileStandForTheLinesOwn) {
  const Vectors vectors = read(kHead + "windows: {Y: {low: [0 V, 6 V], high: [21 V, 27 V]}}\n" + kSteps);
  const Line& line = *vectors.board.line("Y");
  ASSERT_TRUE(line.low && line.high);
  EXPECT_EQ(line.low->max, Volts{6.0});
  EXPECT_EQ(line.high->min, Volts{21.0});
  // A step's own window goes before it.
  EXPECT_EQ(vectors.steps[1].windows.at("Y").high->min, Volts{20.0});
  EXPECT_FALSE(vectors.steps[1].windows.at("Y").low.has_value());
  // One side alone leaves the other as it was.
  const Vectors one = read(kHead + "windows: {Y: {low: [0 V, 6 V]}}\n" + kSteps);
  EXPECT_TRUE(one.board.line("Y")->low.has_value());
  EXPECT_FALSE(one.board.line("Y")->high.has_value());
}

TEST(Proposed, IsReadBackAsWritten) {
  const Vectors plain = read(kHead + kSteps);
  const Proposed proposed{"no", {{"Y", {Window{Volts{-0.25}, Volts{6.5}}, Window{Volts{21.07}, Volts{27.0}}}}}, {{"Y", "low: measured; U 0.28 # not a remark: text"}}};
  const Vectors back = read(write_vectors("proposed", "board.yaml", plain.board, plain.steps, "A proposal", &proposed));
  EXPECT_EQ(*back.approved, "no");
  EXPECT_EQ(back.board.line("Y")->low->min, Volts{-0.25});
  EXPECT_EQ(back.board.line("Y")->high->min, Volts{21.07});
  ASSERT_EQ(back.steps.size(), plain.steps.size());
  EXPECT_EQ(back.steps[1].expect, plain.steps[1].expect);
}

}  // namespace
}  // namespace tenterhook::files
