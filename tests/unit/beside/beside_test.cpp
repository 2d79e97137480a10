// What was measured beside what was predicted: agreement by U, words for what lies outside, text and JSON.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <nlohmann/json.hpp>

#include "host/commands/beside_prediction.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

using files::Agreement;
using testing::HasSubstr;

const files::Window kBand{Volts{3.5}, Volts{8.3}};

TEST(Agreement, IsDecidedOnlyBeyondTheUncertainty) {
  const Volts U{0.2};
  EXPECT_EQ(files::agreement(kBand, Volts{4}, Volts{8}, U), Agreement::inside);
  EXPECT_EQ(files::agreement(kBand, Volts{3.5}, Volts{8.3}, U), Agreement::inside);
  EXPECT_EQ(files::agreement(kBand, Volts{3.4}, Volts{8}, U), Agreement::undecided);
  EXPECT_EQ(files::agreement(kBand, Volts{4}, Volts{8.45}, U), Agreement::undecided);
  EXPECT_EQ(files::agreement(kBand, Volts{4}, Volts{8.55}, U), Agreement::outside);
  EXPECT_EQ(files::agreement(kBand, Volts{3.2}, Volts{8}, U), Agreement::outside);
  EXPECT_EQ(files::agreement(std::optional<files::Window>{}, Volts{0}, Volts{0}, U), Agreement::unpredicted);
  const files::Span rise{Seconds{2e-6}, Seconds{3e-6}};
  EXPECT_EQ(files::agreement(rise, Seconds{2.1e-6}, Seconds{2.9e-6}, Seconds{1e-7}), Agreement::inside);
  EXPECT_EQ(files::agreement(rise, Seconds{2.1e-6}, Seconds{3.2e-6}, Seconds{1e-7}), Agreement::outside);
}

files::Board latch() {
  auto board = files::read_board(TH_SOURCE_DIR "/vectors/shed-latch/board.yaml");
  EXPECT_TRUE(board.ok()) << (board ? "" : board.error().text());
  return board.take();
}

record::LevelRecord level(const std::string& line, double low, double high) {
  record::LevelRecord l;
  l.line = line;
  l.low = record::LevelRecord::Side{low - 0.02, low + 0.02, low, 0.2, 10, 3};
  l.high = record::LevelRecord::Side{high - 0.02, high + 0.02, high, 0.2, 10, 4};
  return l;
}

// Q1's high is 21.5 V: a good high by its window (from 21.2 V), 1.1 V below every good gate.
TEST(Beside, ALevelInsideItsWindowButOutsideItsBandIsCalledOut) {
  const files::Board board = latch();
  const files::Family& family = board.families.at("valve30");
  ASSERT_TRUE(family.gives.high->contains(Volts{21.5}));
  const auto all = levels_beside(board, {level("Q0", 5.0, 24.6), level("Q1", 5.0, 21.5)});
  ASSERT_EQ(all.size(), 4u);
  int outside = 0;
  for (const Beside& b : all) {
    const bool is_it = b.line == "Q1" && b.what == "high";
    EXPECT_EQ(b.agreement, is_it ? Agreement::outside : Agreement::inside) << b.line << " " << b.what;
    EXPECT_EQ(b.said.empty(), !is_it);
    outside += is_it;
  }
  EXPECT_EQ(outside, 1);
  const std::string text = beside_text(all);
  EXPECT_THAT(text, HasSubstr("Q1 high: 21.48 to 21.52 V measured, 22.60 to 26.10 V predicted"));
  EXPECT_THAT(text, HasSubstr("drifts, or is not what the drawing says"));
  const auto json = nlohmann::json::parse(beside_json(all));
  ASSERT_EQ(json.size(), 4u);
  EXPECT_EQ(json[3]["agrees"], "outside");
  EXPECT_EQ(json[3]["predicted"], (std::vector<double>{22.6, 26.1}));
}

TEST(Beside, EdgesAreHeldAgainstTheirBandInMicroseconds) {
  const files::Board board = latch();
  const auto slow = edges_beside(board, "Q0", true, Seconds{2.0e-6}, Seconds{4.0e-6}, Seconds{0.1e-6});
  ASSERT_EQ(slow.size(), 1u);
  EXPECT_EQ(slow[0].what, "rise");
  EXPECT_EQ(slow[0].agreement, Agreement::outside);
  EXPECT_THAT(beside_text(slow), HasSubstr("Q0 rise: 2.00 to 4.00 us measured, 1.96 to 2.74 us predicted"));
  EXPECT_EQ(edges_beside(board, "Q0", false, Seconds{2.0e-6}, Seconds{2.5e-6}, Seconds{0.1e-6})[0].agreement, Agreement::inside);
}

TEST(Beside, NothingIsSaidWhereNothingWasPredicted) {
  auto board = files::read_board(TH_SOURCE_DIR "/vectors/pick-counter/board.yaml");
  ASSERT_TRUE(board.ok());
  EXPECT_TRUE(levels_beside(*board, {level("N0", 0.1, 12.0)}).empty());
  EXPECT_TRUE(edges_beside(*board, "N0", true, Seconds{1e-6}, Seconds{1e-6}, Seconds{}).empty());
  EXPECT_EQ(beside_text({}), "");
}

// What the file says survives being written and read again.
TEST(Predicted, IsReadWrittenAndRefusedWhenTurnedRound) {
  const std::string head = "board: b\nrails: {plate: {nominal: 30 V, window: 5 %, limit: 50 mA}}\nfamilies:\n  f:\n    drive: {low: ground, high: plate}\n    needs: {low: [-1 V, 9 V], high: [14 V, 31.5 V]}\n    predicted: ";
  const std::string tail = "\nlines: {A: {in: f}, Y: {out: f}}\n";
  auto board = files::parse_board("b.yaml", head + "{low: [1.5 V, 2 V], rise: [1 us, 2.5 us]}" + tail);
  ASSERT_TRUE(board.ok()) << board.error().text();
  const files::Predicted& p = board->families.at("f").predicted;
  EXPECT_EQ(p.levels.low->max, Volts{2.0});
  EXPECT_FALSE(p.levels.high.has_value());
  EXPECT_NEAR(p.rise->max.value, 2.5e-6, 1e-12);
  EXPECT_FALSE(files::parse_board("b.yaml", head + "{rise: [3 us, 1 us]}" + tail).ok());
  EXPECT_FALSE(files::parse_board("b.yaml", head + "{low: [3 V, 1 V]}" + tail).ok());
  EXPECT_FALSE(files::parse_board("b.yaml", head + "{lows: [1 V, 3 V]}" + tail).ok());
}

}  // namespace
}  // namespace tenterhook::commands
