#include "host/circuit/bench.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <ctime>
#include <random>

#include "host/circuit/faults.h"
#include "host/circuit/netlist.h"

namespace tenterhook::circuit {
namespace {

using ::testing::HasSubstr;
using ::testing::StartsWith;

std::string refused(const std::string& text) {
  const Result<files::Board> board = parse_bench("t.bench", text);
  if (!board.ok()) return board.error().text();
  const Result<Netlist> netlist = build_netlist(*board);
  return netlist.ok() ? "accepted" : netlist.error().text();
}

TEST(Bench, ReadsAnyCaseSpacingCommentsAndLineEnds) {
  const auto board = parse_bench(
      "t.bench", "# c\r\n input( a )\r\nINPUT(b)#x\r\n\r\nOutput(y)\r\ny=nand( a ,b )\r\n");
  ASSERT_TRUE(board.ok()) << board.error().text();
  ASSERT_EQ(board->circuit.size(), 1u);
  EXPECT_EQ(board->circuit[0].type, "nand");
  EXPECT_EQ(board->circuit[0].mark.line, 6);
  EXPECT_EQ(board->name, "t");
}

TEST(Bench, FlipFlopsAreScannedAndSharedDataPinsKeepTheirNames) {
  const auto board = parse_bench(
      "t.bench",
      "INPUT(a)\nOUTPUT(q)\nOUTPUT(a)\nq = DFF(n)\nr = DFF(n)\ns = DFF(a)\nn = NAND(a, r)\n");
  ASSERT_TRUE(board.ok()) << board.error().text();
  std::string lines;
  for (const files::Line& l : board->lines)
    lines += l.name + (l.kind == files::LineKind::input ? "< " : "> ");
  EXPECT_EQ(lines, "a< q< r< s< q_out> a_out> q_next> r_next> s_next> ");
  const auto netlist = build_netlist(*board);
  ASSERT_TRUE(netlist.ok()) << netlist.error().text();
  EXPECT_TRUE(netlist->combinational());
}

TEST(Bench, ErrorsNameLineAndColumn) {
  EXPECT_THAT(refused("INPUT(a\n"),
              StartsWith("t.bench:1:8: expected ')', found the end of the line"));
  EXPECT_THAT(refused("INPUT(a)\n  y = NADN(a)\n"), StartsWith("t.bench:2:7: unknown gate 'NADN'"));
  EXPECT_THAT(refused("INPUT(a)\nINPUT(a)\n"), StartsWith("t.bench:2:1: 'a' is defined twice"));
  EXPECT_THAT(refused("INPUT(a)\nOUTPUT(y)\ny = NOT(b)\n"),
              StartsWith("t.bench:3:1: net 'b' is read here but nothing drives it"));
  EXPECT_THAT(refused("INPUT(a)\nOUTPUT(z)\ny = NOT(a)\n"),
              HasSubstr("output line 'z' is driven by no gate"));
  EXPECT_THAT(refused("INPUT(a)\ny = NOT(a) b\n"),
              StartsWith("t.bench:2:12: expected the end of the line, found 'b'"));
  EXPECT_THAT(refused("INPUT(a)\ny = AND(a,)\n"),
              StartsWith("t.bench:2:11: expected the name of a net, found ')'"));
  EXPECT_THAT(refused("INPUT(\x01)\n"), HasSubstr("found the byte 0x01"));
  EXPECT_THAT(refused("hello\n"), HasSubstr("'HELLO' is neither INPUT"));
  EXPECT_THAT(refused(""), HasSubstr("no gate"));
  EXPECT_THAT(refused("INPUT(a)\ny = NOT(a, a)\n"), HasSubstr("has 2 inputs, expected 1"));
  EXPECT_FALSE(read_bench("/nonexistent.bench").ok());
  EXPECT_FALSE(read_bench("/dev/zero").ok());
}

TEST(Bench, LongNamesAndManyInputsAreRefused) {
  EXPECT_THAT(refused("INPUT(" + std::string(300, 'a') + ")\n"),
              HasSubstr("more than 256 characters"));
  std::string wide = "INPUT(a)\ny = AND(a";
  for (int i = 0; i < 5000; ++i) wide += ",a";
  EXPECT_THAT(refused(wide + ")\n"), HasSubstr("more than 4096 inputs"));
}

TEST(Bench, DeepChainsNeedNoStackAndLittleTime) {
  std::string text = "INPUT(n0)\nOUTPUT(n200000)\n";
  for (int i = 1; i <= 200000; ++i)
    text += "n" + std::to_string(i) + "=NOT(n" + std::to_string(i - 1) + ")\n";
  const std::clock_t begin = std::clock();  // processor time: the machine may be busy
  const auto board = parse_bench("t.bench", text);
  ASSERT_TRUE(board.ok());
  const auto netlist = build_netlist(*board);
  ASSERT_TRUE(netlist.ok());
  EXPECT_EQ(stuck_at_faults(*netlist).representatives.size(), 2u);
  EXPECT_LT(std::clock() - begin, 5 * CLOCKS_PER_SEC);
}

TEST(Bench, LoopsAreSeen) {
  const auto board =
      parse_bench("t.bench", "INPUT(s)\nINPUT(r)\nOUTPUT(q)\nq = NOR(r, p)\np = NOR(s, q)\n");
  ASSERT_TRUE(board.ok());
  const auto netlist = build_netlist(*board);
  ASSERT_TRUE(netlist.ok());
  EXPECT_TRUE(netlist->has_loops);
  EXPECT_FALSE(netlist->combinational());
}

// Mutations of a good file: whatever comes, an answer without a crash, and places inside the file.
TEST(Bench, DamagedFilesAreAnsweredNotCrashed) {
  const std::string good =
      "INPUT(a)\nINPUT(b)\nOUTPUT(y)\nq = DFF(n)\nn = NAND(a, q)\ny = XOR(n, b)\n";
  std::mt19937 random(4);
  int accepted = 0, refusals = 0;
  for (int i = 0; i < 20000; ++i) {
    std::string text = good;
    const int edits = 1 + static_cast<int>(random() % 4);
    for (int e = 0; e < edits; ++e) {
      const std::size_t at = random() % text.size();
      switch (random() % 4) {
        case 0:
          text.erase(at, 1 + random() % 5);
          break;
        case 1:
          text.insert(at, 1, static_cast<char>(random() % 256));
          break;
        case 2:
          text[at] = "(),=#\nabqny"[random() % 11];
          break;
        default:
          text.insert(at, text.substr(random() % text.size(), random() % 20));
          break;
      }
      if (text.empty()) text = "x";
    }
    (refused(text) == "accepted" ? accepted : refusals)++;
  }
  EXPECT_GT(refusals, 5000);
  EXPECT_GT(accepted, 100);
}

}  // namespace
}  // namespace tenterhook::circuit
