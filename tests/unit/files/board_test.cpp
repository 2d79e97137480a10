#include <gtest/gtest.h>

#include "host/base/sha256.h"
#include "host/files/reader.h"

namespace tenterhook::files {
namespace {

const std::string kRoot = TH_SOURCE_DIR "/";

Board good(const Result<Board>& read) {
  EXPECT_TRUE(read.ok()) << (read.ok() ? "" : read.error().text());
  return read.ok() ? *read : Board{};
}

TEST(BoardFile, ShedLatchReadsWhole) {
  const Board board = good(read_board(kRoot + "vectors/shed-latch/board.yaml"));
  EXPECT_EQ(board.name, "shed-latch");
  ASSERT_EQ(board.rails.size(), 3u);
  const Rail& heater = board.rails[0];
  EXPECT_EQ(heater.nominal, Volts{6.3});
  EXPECT_EQ(heater.window.min, Volts{5.9});
  ASSERT_TRUE(heater.soft_start.has_value());
  EXPECT_LT(heater.soft_start->until, heater.nominal);
  EXPECT_EQ(board.rails[2].after, (std::vector<std::string>{"bias"}));
  EXPECT_EQ(board.warm_up->drift, Volts{0.05});
  ASSERT_EQ(board.bus("F")->lines, (std::vector<std::string>{"F3", "F2", "F1", "F0"}));
  const Line& pick = *board.line("PICK");
  EXPECT_EQ(pick.kind, LineKind::clock);
  EXPECT_EQ(pick.pulse, Seconds{200e-6});
  const Family& family = *board.family_of(pick);
  EXPECT_EQ(family.drive_low.kind, DriveLevel::Kind::ground);
  EXPECT_EQ(family.drive_high.kind, DriveLevel::Kind::rail);
  EXPECT_EQ(family.drive_high.rail, "plate");
  EXPECT_EQ(family.gives.low->max, Volts{8.6});
  EXPECT_EQ(family.predicted.levels.low->min, Volts{3.5});
  EXPECT_NEAR(family.predicted.fall->max.value, 2.58e-6, 1e-12);
  ASSERT_EQ(board.circuit.size(), 8u);
  EXPECT_EQ(board.circuit[0].inputs, (std::vector<std::string>{"F3", "SKIP"}));
  EXPECT_EQ(board.circuit[0].parts, (std::vector<std::string>{"D3a", "D3b", "V3a"}));
  EXPECT_EQ(board.circuit[7].clock.net, "PICK");
  EXPECT_EQ(board.circuit[7].inverse, "Qn0");
  EXPECT_EQ(board.limits.at(0).at_most, Seconds{6e-6});
  EXPECT_EQ(board.hookup.at("F3"), (Channel{"drive", 3}));
  EXPECT_EQ(board.hookup.at("Qn3"), (Channel{"sense", 7}));
  EXPECT_EQ(board.hookup.at("plate"), (Channel{"rail", 2}));
  EXPECT_EQ(board.probes.size(), 4u);
  ASSERT_EQ(board.sources.size(), 1u);
  EXPECT_EQ(board.sources[0].sha256, sha256(board.sources[0].text));
}

TEST(BoardFile, RailsKeepEveryQuantity) {
  const Board board =
      good(parse_board("f",
                       "board: b\nrails:\n  heater: {nominal: 6.3 V, window: [5.9 V, 6.7 V], "
                       "limit: 8 A, inrush: {peak: 11 A, within: 2 s}, ramp: 5 ms, hold: 1 s,\n"
                       "    capacitance: 10 uF, soft-start: {until: 3.6 V, at-least: 4 A, below: 6 "
                       "A, hold: 2 s, within: 40 s}}\n"
                       "  bias: {nominal: -9 V, window: 5 %, limit: 60 mA, after: "
                       "[heater]}\nlines: {Y: {out: ttl}}\n"));
  const Rail& heater = board.rails[0];
  EXPECT_EQ(heater.inrush->peak, Amps{11.0});
  EXPECT_EQ(heater.inrush->within, Seconds{2.0});
  EXPECT_EQ(heater.soft_start->until, Volts{3.6});
  EXPECT_EQ(heater.soft_start->at_least, Amps{4.0});
  EXPECT_EQ(heater.soft_start->below, Amps{6.0});
  EXPECT_EQ(heater.soft_start->hold, Seconds{2.0});
  EXPECT_EQ(heater.soft_start->within, Seconds{40.0});
  EXPECT_EQ(heater.ramp, Seconds{0.005});
  EXPECT_EQ(heater.hold, Seconds{1.0});
  EXPECT_EQ(heater.capacitance, Farads{10e-6});
  EXPECT_EQ(board.rails[1].after, (std::vector<std::string>{"heater"}));
}

TEST(BoardFile, EveryBoardOfTheTreeReads) {
  for (const char* name :
       {"beat-divider", "break-alarm", "dent-adder", "pattern-gates", "row-register",
        "shed-decoder", "stop-wire", "warp-shift", "yard-counter", "yarn-bus"})
    EXPECT_EQ(good(read_board(kRoot + "tests/boards/" + name + ".yaml")).name, name);
  for (const char* name : {"or-follower", "pick-counter", "shed-latch", "shuttle-guard"})
    EXPECT_EQ(good(read_board(kRoot + "vectors/" + name + "/board.yaml")).name, name);
}

std::string card(const std::string& lines, const std::string& more = {}) {
  return "board: card\nrails:\n  vcc: {nominal: 5 V, window: 5 %, limit: 1 A}\n  vdd: {nominal: 10 "
         "V, window: 2 %, limit: 1 A}\nlines: " +
         lines + "\n" + more;
}

TEST(BoardFile, ReadyFamilyTakesTheRailOfItsVolts) {
  const Board board =
      good(parse_board("f", card("{A: {in: ttl}, B: {in: 4000b-10v}, Y: {out: ttl}}")));
  EXPECT_EQ(board.families.at("ttl").drive_high.rail, "vcc");
  EXPECT_EQ(board.families.at("4000b-10v").drive_high.rail, "vdd");
  EXPECT_EQ(board.families.at("ttl").standard, "TTL (SN7400 data sheet)");
}

TEST(BoardFile, FamilyMayStartFromAnother) {
  const Board board =
      good(parse_board("f", card("{A: {in: mine}, Y: {out: yours}}",
                                 "families:\n  mine: {like: ttl, needs: {low: [0 V, 0.7 V]}}\n  "
                                 "yours: {like: mine, one: low, draws: 2 mA}\n")));
  const Family& mine = board.families.at("mine");
  EXPECT_EQ(mine.needs.low->max, Volts{0.7});
  EXPECT_EQ(mine.needs.high->min, Volts{2.0});
  EXPECT_TRUE(board.families.at("yours").one_is_low);
  EXPECT_EQ(board.families.at("yours").needs.low->max, Volts{0.7});
  EXPECT_EQ(board.families.at("yours").draws, Amps{0.002});
}

TEST(BoardFile, WithoutGivesOutputsAreJudgedByNeeds) {
  const Board board = good(parse_board("f", card("{Y: {out: iec-61131-2-type-1}}")));
  EXPECT_EQ(board.families.begin()->second.judged().high->min, Volts{15.0});
}

TEST(BoardFile, LineSettings) {
  const Board board = good(parse_board(
      "f", card("{A: {in: ttl, rest: 1, draws: 20 mA}, B: {both: ttl}, C: {clock: ttl, gap: 1 ms}, "
                "Y: {out: ttl, load: 1 kohm to ground, "
                "pull: 4.7 kohm to vcc, low: [-1 V, 1 V], respond: 3 ms, say: the answer}}")));
  EXPECT_EQ(board.line("A")->rest, Bit::one);
  EXPECT_EQ(board.line("A")->draws, Amps{0.02});
  EXPECT_EQ(board.line("B")->rest, Bit::undriven);  // the fixture lets a shared line go at rest
  EXPECT_EQ(board.line("C")->gap, Seconds{0.001});
  EXPECT_EQ(board.line("C")->rest, Bit::zero);
  const Line& y = *board.line("Y");
  EXPECT_EQ(y.load->to, "ground");
  EXPECT_EQ(y.pull->ohms, Ohms{4700.0});
  EXPECT_EQ(y.pull->to, "vcc");
  EXPECT_EQ(y.low->max, Volts{1.0});
  EXPECT_FALSE(y.high.has_value());
  EXPECT_EQ(y.say, "the answer");
}

TEST(BoardFile, OpenCoilFamilyDrivesByLettingGo) {
  const Board board = good(read_board(kRoot + "tests/boards/row-register.yaml"));
  EXPECT_EQ(board.families.at("coil24").drive_low.kind, DriveLevel::Kind::open);
  EXPECT_EQ(board.families.at("coil24").drive_high.rail, "coil");
}

TEST(BoardFile, BothWaysLinesNameTwoChannels) {
  const Board board = good(read_board(kRoot + "tests/boards/yarn-bus.yaml"));
  EXPECT_EQ(board.hookup.at("Y1"), (Channel{"drive", 5}));
  EXPECT_EQ(board.hookup_sense.at("Y1"), (Channel{"sense", 1}));
  EXPECT_EQ(board.hookup_sense.count("A1"), 0u);
}

TEST(BoardFile, HandProbeHasAChannel) {
  const Board board =
      good(parse_board("f", card("{A: {in: ttl}}", "hookup: {hand: sense.8, A: drive.0}\n")));
  EXPECT_EQ(board.hookup.at("hand"), (Channel{"sense", 8}));
  EXPECT_TRUE(board.has_hookup);
  EXPECT_FALSE(good(parse_board("f", card("{A: {in: ttl}}"))).has_hookup);
}

TEST(BoardFile, PercentWindowOfANegativeRailIsTheRightWayRound) {
  const Board board = good(parse_board("f",
                                       "board: b\nrails: {bias: {nominal: -10 V, window: 10 %, "
                                       "limit: 1 A}}\nlines: {Y: {out: ttl}}\n"));
  EXPECT_EQ(board.rails[0].window.min, Volts{-11.0});
  EXPECT_EQ(board.rails[0].window.max, Volts{-9.0});
}

TEST(BoardFile, KindOfAFileIsToldByItsFirstKey) {
  EXPECT_EQ(*file_kind(kRoot + "vectors/shed-latch/board.yaml"), FileKind::board);
  EXPECT_EQ(*file_kind(kRoot + "vectors/or-follower/board.yaml"), FileKind::vectors);
  EXPECT_EQ(*file_kind(kRoot + "vectors/shed-latch/acceptance.vectors.yaml"), FileKind::vectors);
  EXPECT_EQ(*file_kind(kRoot + "fixtures/mega2560/fixture.yaml"), FileKind::fixture);
  EXPECT_EQ(*file_kind(kRoot + "tests/boards/loom-gates.yaml"), FileKind::gates);
  EXPECT_EQ(*file_kind(kRoot + "tests/boards/two-cards.machine.yaml"), FileKind::machine);
}

}  // namespace
}  // namespace tenterhook::files
