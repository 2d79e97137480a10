// Published function tables of the standard gates, latches and flip-flops against the simulator.
//
// Gates: Boolean definitions (the De Morgan duals are checked against each other as well).
// D flip-flop with preset and clear: SN54AHC74 data sheet, table 7-1 (ti.com document viewer).
// JK flip-flop with set and clear, falling edge: SN54/74LS76A data sheet, mode select table.
// SR latch: truth table of the RS flip-flop in Ribbens, "Understanding Automotive Electronics",
// fig. 2.41 (A). D latch: common practice, no source. Where a table says "unstable" or "uncertain"
// the simulator must say unknown, never guess.
#include <gtest/gtest.h>

#include "host/circuit/simulator.h"
#include "tests/unit/circuit/boards.h"

namespace tenterhook::circuit::testing {
namespace {

char read(const Simulator& s, const std::string& net) {
  return "01xz"[static_cast<int>(s.read(net).value())];
}
Bit bit(char c) {
  return c == '0' ? Bit::zero : c == '1' ? Bit::one : c == 'z' ? Bit::undriven : Bit::any;
}

void set(Simulator& s, const std::vector<std::string>& lines, const std::string& bits) {
  std::vector<std::pair<std::string, Bit>> values;
  for (std::size_t i = 0; i < lines.size(); ++i) values.push_back({lines[i], bit(bits[i])});
  ASSERT_TRUE(s.set(values).ok());
}

struct GateTable {
  const char* type;
  const char* rows;  // output for inputs 00 01 0x 10 11 1x x0 x1 xx
};

TEST(FunctionTables, TwoInputGatesWithUnknownInputs) {
  // Unknown inputs: an output is known only if both completions agree.
  const GateTable tables[] = {{"and", "00001x0xx"}, {"nand", "11110x1xx"}, {"or", "01x111x1x"},
                              {"nor", "10x000x0x"}, {"xor", "01x10xxxx"},  {"xnor", "10x01xxxx"}};
  const char* combos[] = {"00", "01", "0x", "10", "11", "1x", "x0", "x1", "xx"};
  for (const GateTable& t : tables) {
    BoardMaker b;
    b.in({"A", "B"}).out({"Y"});
    b.gate(t.type, {"A", "B"}, "Y");
    Simulator s = Simulator::make(b.board).take();
    for (int i = 0; i < 9; ++i) {
      set(s, {"A", "B"}, combos[i]);
      EXPECT_EQ(read(s, "Y"), t.rows[i]) << t.type << ' ' << combos[i];
    }
  }
}

TEST(FunctionTables, NotAndBufAndManyInputs) {
  BoardMaker b;
  b.in({"A", "B", "C", "D"}).out({"N", "F", "P", "Q"});
  b.gate("not", {"A"}, "N");
  b.gate("buf", {"A"}, "F");
  b.gate("xor", {"A", "B", "C", "D"}, "P");  // odd parity
  b.gate("nor", {"A", "B", "C", "D"}, "Q");
  Simulator s = Simulator::make(b.board).take();
  for (int m = 0; m < 16; ++m) {
    std::string bits;
    for (int k = 3; k >= 0; --k) bits += ((m >> k) & 1) != 0 ? '1' : '0';
    set(s, {"A", "B", "C", "D"}, bits);
    EXPECT_EQ(read(s, "N"), bits[0] == '1' ? '0' : '1');
    EXPECT_EQ(read(s, "F"), bits[0]);
    EXPECT_EQ(read(s, "P"), __builtin_popcount(static_cast<unsigned>(m)) % 2 != 0 ? '1' : '0');
    EXPECT_EQ(read(s, "Q"), m == 0 ? '1' : '0');
  }
}

TEST(FunctionTables, DeMorganDualsAgree) {
  BoardMaker b;
  b.in({"A", "B"}).out({"Y0", "Y1", "Y2", "Y3"});
  b.gate("nand", {"A", "B"}, "Y0");
  b.gate("or", {"not A", "not B"}, "Y1");
  b.gate("nor", {"A", "B"}, "Y2");
  b.gate("and", {"not A", "not B"}, "Y3");
  Simulator s = Simulator::make(b.board).take();
  for (const char* bits : {"00", "01", "10", "11", "0x", "x1", "xx"}) {
    set(s, {"A", "B"}, bits);
    EXPECT_EQ(read(s, "Y0"), read(s, "Y1")) << bits;
    EXPECT_EQ(read(s, "Y2"), read(s, "Y3")) << bits;
  }
}

Simulator d_flip_flop() {
  BoardMaker b;
  b.in({"PREn", "CLRn", "D"}).clock({"CLK"}).out({"Q", "Qn"});
  Gate& g = b.clocked("d-flip-flop", {"D"}, "CLK", "Q", "Qn");
  g.set = {"PREn", true};
  g.clear = {"CLRn", true};
  return Simulator::make(b.board).take();
}

TEST(FunctionTables, DFlipFlop) {
  Simulator s = d_flip_flop();
  set(s, {"PREn", "CLRn", "D"}, "110");
  EXPECT_EQ(read(s, "Q"), 'x');  // power-up
  set(s, {"PREn", "CLRn", "D"}, "01x");
  EXPECT_EQ(read(s, "Q"), '1');
  EXPECT_EQ(read(s, "Qn"), '0');
  set(s, {"PREn", "CLRn", "D"}, "10x");
  EXPECT_EQ(read(s, "Q"), '0');
  EXPECT_EQ(read(s, "Qn"), '1');
  set(s, {"PREn", "CLRn", "D"}, "11x");
  EXPECT_EQ(read(s, "Q"), '0');  // Q0 held
  for (const char d : {'1', '0', '1'}) {
    set(s, {"D"}, std::string(1, d));
    EXPECT_NE(read(s, "Q"), d) << "D alone must not pass";
    ASSERT_TRUE(s.pulse("CLK").ok());
    EXPECT_EQ(read(s, "Q"), d);
    EXPECT_NE(read(s, "Qn"), d);
  }
  set(s, {"PREn", "CLRn"}, "00");
  EXPECT_EQ(read(s, "Q"), 'x');  // unstable
  set(s, {"PREn", "CLRn"}, "11");
  EXPECT_EQ(read(s, "Q"), 'x');
  set(s, {"CLRn", "D"}, "01");  // clear overrides the clock
  ASSERT_TRUE(s.pulse("CLK").ok());
  EXPECT_EQ(read(s, "Q"), '0');
}

TEST(FunctionTables, JkFlipFlopOnTheFallingEdge) {
  BoardMaker b;
  b.in({"Sn", "Cn", "J", "K", "CP"}).out({"Q", "Qn"});
  Gate& g = b.clocked("jk-flip-flop", {"J", "K"}, "CP", "Q", "Qn");
  g.set = {"Sn", true};
  g.clear = {"Cn", true};
  g.falling_edge = true;
  Simulator s = Simulator::make(b.board).take();
  const auto fall = [&] {
    const char before = read(s, "Q");
    set(s, {"CP"}, "1");
    EXPECT_EQ(read(s, "Q"), before) << "nothing on the rising edge";
    set(s, {"CP"}, "0");
  };
  set(s, {"Sn", "Cn"}, "01");
  EXPECT_EQ(read(s, "Q"), '1');  // set
  set(s, {"Sn", "Cn"}, "10");
  EXPECT_EQ(read(s, "Q"), '0');  // reset
  set(s, {"Sn", "Cn", "J", "K"}, "1111");
  fall();
  EXPECT_EQ(read(s, "Q"), '1');  // toggle
  fall();
  EXPECT_EQ(read(s, "Q"), '0');
  set(s, {"J", "K"}, "10");
  fall();
  EXPECT_EQ(read(s, "Q"), '1');  // load 1
  set(s, {"J", "K"}, "00");
  fall();
  EXPECT_EQ(read(s, "Q"), '1');  // hold
  set(s, {"J", "K"}, "01");
  fall();
  EXPECT_EQ(read(s, "Q"), '0');  // load 0
  set(s, {"J", "K"}, "00");
  fall();
  EXPECT_EQ(read(s, "Qn"), '1');
  set(s, {"Sn", "Cn"}, "00");
  EXPECT_EQ(read(s, "Q"), 'x');  // undetermined
}

TEST(FunctionTables, JkLoadsFromUnknownPowerUp) {
  BoardMaker b;
  b.in({"J", "K"}).clock({"CP"}).out({"Q"});
  b.clocked("jk-flip-flop", {"J", "K"}, "CP", "Q");
  Simulator s = Simulator::make(b.board).take();
  set(s, {"J", "K"}, "11");
  ASSERT_TRUE(s.pulse("CP").ok());
  EXPECT_EQ(read(s, "Q"), 'x');
  set(s, {"J", "K"}, "10");
  ASSERT_TRUE(s.pulse("CP").ok());
  EXPECT_EQ(read(s, "Q"), '1');
}

TEST(FunctionTables, SrLatch) {
  BoardMaker b;
  b.in({"S", "R"}).out({"Q", "Qn"});
  b.gate("sr-latch", {"S", "R"}, "Q").inverse = "Qn";
  Simulator s = Simulator::make(b.board).take();
  set(s, {"S", "R"}, "00");
  EXPECT_EQ(read(s, "Q"), 'x');
  set(s, {"S", "R"}, "10");
  EXPECT_EQ(read(s, "Q"), '1');
  EXPECT_EQ(read(s, "Qn"), '0');
  set(s, {"S", "R"}, "00");
  EXPECT_EQ(read(s, "Q"), '1');
  set(s, {"S", "R"}, "01");
  EXPECT_EQ(read(s, "Q"), '0');
  EXPECT_EQ(read(s, "Qn"), '1');
  set(s, {"S", "R"}, "00");
  EXPECT_EQ(read(s, "Q"), '0');
  set(s, {"S", "R"}, "11");
  EXPECT_EQ(read(s, "Q"), 'x');
}

TEST(FunctionTables, DLatchIsTransparentWhileEnabled) {
  BoardMaker b;
  b.in({"D", "G"}).out({"Q"});
  b.gate("d-latch", {"D"}, "Q").enable.net = "G";
  Simulator s = Simulator::make(b.board).take();
  set(s, {"D", "G"}, "10");
  EXPECT_EQ(read(s, "Q"), 'x');
  set(s, {"G"}, "1");
  EXPECT_EQ(read(s, "Q"), '1');
  set(s, {"D"}, "0");
  EXPECT_EQ(read(s, "Q"), '0');
  set(s, {"G"}, "0");
  set(s, {"D"}, "1");
  EXPECT_EQ(read(s, "Q"), '0');
}

TEST(FunctionTables, TFlipFlopTogglesWhenEnabled) {
  BoardMaker b;
  b.in({"T", "CLR"}).clock({"CK"}).out({"Q"});
  b.clocked("t-flip-flop", {"T"}, "CK", "Q").clear.net = "CLR";
  Simulator s = Simulator::make(b.board).take();
  set(s, {"CLR"}, "1");
  set(s, {"CLR"}, "0");
  EXPECT_EQ(read(s, "Q"), '0');
  ASSERT_TRUE(s.pulse("CK").ok());
  EXPECT_EQ(read(s, "Q"), '0');
  set(s, {"T"}, "1");
  ASSERT_TRUE(s.pulse("CK", 3).ok());
  EXPECT_EQ(read(s, "Q"), '1');
}

TEST(FunctionTables, TriStateDriver) {
  BoardMaker b;
  b.in({"A", "EN"}).out({"Y"});
  b.gate("tri-state", {"A"}, "Y").enable.net = "EN";
  Simulator s = Simulator::make(b.board).take();
  set(s, {"A", "EN"}, "11");
  EXPECT_EQ(read(s, "Y"), '1');
  set(s, {"A", "EN"}, "01");
  EXPECT_EQ(read(s, "Y"), '0');
  set(s, {"A", "EN"}, "10");
  EXPECT_EQ(read(s, "Y"), 'z');
  set(s, {"A", "EN"}, "1x");
  EXPECT_EQ(read(s, "Y"), 'x');
}

}  // namespace
}  // namespace tenterhook::circuit::testing
