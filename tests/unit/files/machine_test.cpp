#include "host/files/machine.h"

#include <gtest/gtest.h>

namespace tenterhook::files {
namespace {

TEST(MachineFile, BoardsJoinsAndSupplies) {
  const auto read = read_machine(TH_SOURCE_DIR "/tests/boards/two-cards.machine.yaml");
  ASSERT_TRUE(read.ok()) << read.error().text();
  ASSERT_EQ(read->boards.size(), 2u);
  EXPECT_EQ(read->board("count")->serial, "001");
  EXPECT_EQ(read->board("count")->board.name, "pick-counter");
  ASSERT_EQ(read->joins.size(), 3u);
  EXPECT_EQ(read->joins[0].from.name, "N0");
  EXPECT_EQ(read->joins[1].from.name, "N2");
  EXPECT_EQ(read->joins[1].to.board, "latch");
  EXPECT_EQ(read->joins[1].to.name, "F2");
  ASSERT_EQ(read->supplies.size(), 2u);
  EXPECT_EQ(read->supplies[0].wire->awg, 20);
  EXPECT_EQ(read->supplies[0].wire->length, Metres{1.2});
  EXPECT_EQ(read->supplies[0].wire->contacts, 2);
  EXPECT_EQ(read->supplies[1].feeds.at(0).name, "logic");
  EXPECT_EQ(read->sources.size(), 3u);
}

TEST(MachineFile, TwoSpeakersMayShareAWireWhenBothLetGo) {
  const std::string head =
      "machine: m\nboards: {a: {file: tests/boards/yarn-bus.yaml}, b: {file: "
      "tests/boards/yarn-bus.yaml}, c: {file: tests/boards/yarn-bus.yaml}}\n";
  const std::string path = TH_SOURCE_DIR "/m.yaml";
  EXPECT_TRUE(parse_machine(path, head + "joins: {a.Y: c.Y, b.Y: c.Y}\n").ok());
  EXPECT_FALSE(parse_machine(path, head + "joins: {a.R: c.A, b.R: c.A}\n").ok());
}

TEST(MachineFile, TroubleInABoardIsToldAtTheBoard) {
  const auto read = parse_machine(TH_SOURCE_DIR "/tests/unit/files/malformed/m.yaml",
                                  "machine: m\nboards: {a: {file: unit-missing.board.yaml}}\n");
  ASSERT_FALSE(read.ok());
  EXPECT_NE(read.error().where.find("unit-missing.board.yaml:3:20"), std::string::npos);
}

}  // namespace
}  // namespace tenterhook::files
