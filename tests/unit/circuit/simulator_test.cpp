#include "host/circuit/simulator.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <random>

#include "tests/unit/circuit/boards.h"

namespace tenterhook::circuit::testing {
namespace {

using ::testing::AllOf;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::StartsWith;
using Kind = files::WiredNet::Kind;

char read(const Simulator& s, const std::string& net) {
  return "01xz"[static_cast<int>(s.read(net).value())];
}
std::string read_all(const Simulator& s, const std::vector<std::string>& nets) {
  std::string text;
  for (const std::string& n : nets) text += read(s, n);
  return text;
}
Bit bit(char c) {
  return c == '0' ? Bit::zero : c == '1' ? Bit::one : c == 'z' ? Bit::undriven : Bit::any;
}
void set(Simulator& s, const std::vector<std::string>& lines, const std::string& bits) {
  std::vector<std::pair<std::string, Bit>> values;
  for (std::size_t i = 0; i < lines.size(); ++i) values.push_back({lines[i], bit(bits[i])});
  const Status status = s.set(values);
  ASSERT_TRUE(status.ok()) << status.error().text();
}
std::string refused(const files::Board& board) {
  const Result<Simulator> made = Simulator::make(board);
  return made.ok() ? "accepted" : made.error().text();
}

TEST(Simulator, ShiftRegisterMovesOneBitAPulse) {
  BoardMaker b;
  b.in({"D"}).clock({"CK"}).out({"Q0", "Q1", "Q2"});
  b.clocked("d-flip-flop", {"D"}, "CK", "Q0");
  b.clocked("d-flip-flop", {"Q0"}, "CK", "Q1");
  b.clocked("d-flip-flop", {"Q1"}, "CK", "Q2");
  Simulator s = Simulator::make(b.board).take();
  std::string seen;
  for (const char c : std::string("1011")) {
    set(s, {"D"}, std::string(1, c));
    ASSERT_TRUE(s.pulse("CK").ok());
    seen += read_all(s, {"Q0", "Q1", "Q2"}) + ' ';
  }
  EXPECT_EQ(seen, "1xx 01x 101 110 ");
}

TEST(Simulator, RippleCounterCountsThroughGatedClocks) {
  BoardMaker b;
  b.in({"CLR"}).clock({"CK"}).out({"Q0", "Q1", "Q2"});
  for (int i = 0; i < 3; ++i) {
    Gate& g = b.clocked("t-flip-flop", {}, i == 0 ? "CK" : "Q" + std::to_string(i - 1),
                        "Q" + std::to_string(i));
    g.falling_edge = true;
    g.clear.net = "CLR";
  }
  Simulator s = Simulator::make(b.board).take();
  EXPECT_EQ(read_all(s, {"Q2", "Q1", "Q0"}), "xxx");
  set(s, {"CLR"}, "1");
  set(s, {"CLR"}, "0");
  for (int n = 1; n <= 9; ++n) {
    ASSERT_TRUE(s.pulse("CK").ok());
    std::string want;
    for (int k = 2; k >= 0; --k) want += ((n >> k) & 1) != 0 ? '1' : '0';
    EXPECT_EQ(read_all(s, {"Q2", "Q1", "Q0"}), want) << n;
  }
  ASSERT_TRUE(s.pulse("CK", 6).ok());
  EXPECT_EQ(read_all(s, {"Q2", "Q1", "Q0"}), "111");
}

TEST(Simulator, MasterSlaveOfTwoLatchesIsEdgeTriggered) {
  BoardMaker b;
  b.in({"D"}).clock({"CK"}).out({"Q"});
  b.gate("d-latch", {"D"}, "m").enable = {"CK", true};
  b.gate("d-latch", {"m"}, "Q").enable = {"CK", false};
  Simulator s = Simulator::make(b.board).take();
  set(s, {"D"}, "1");
  ASSERT_TRUE(s.pulse("CK").ok());
  EXPECT_EQ(read(s, "Q"), '1');
  set(s, {"D"}, "0");
  EXPECT_EQ(read(s, "Q"), '1');
  ASSERT_TRUE(s.pulse("CK").ok());
  EXPECT_EQ(read(s, "Q"), '0');
}

// A relay that holds itself: K = (START or K) and not STOP.
TEST(Simulator, SelfHoldingRelayRemembers) {
  BoardMaker b;
  b.in({"START", "STOP"}).out({"K"});
  b.gate("or", {"START", "K"}, "h");
  b.gate("and", {"h", "not STOP"}, "K");
  Simulator s = Simulator::make(b.board).take();
  EXPECT_EQ(read(s, "K"), 'x');
  set(s, {"STOP"}, "1");
  EXPECT_EQ(read(s, "K"), '0');
  set(s, {"STOP"}, "0");
  EXPECT_EQ(read(s, "K"), '0');
  set(s, {"START"}, "1");
  EXPECT_EQ(read(s, "K"), '1');
  set(s, {"START"}, "0");
  EXPECT_EQ(read(s, "K"), '1');
  set(s, {"STOP"}, "1");
  EXPECT_EQ(read(s, "K"), '0');
}

TEST(Simulator, CrossCoupledGatesReleasedTogetherAreUnknown) {
  BoardMaker b;
  b.in({"S", "R"}).out({"Q", "P"});
  b.gate("nor", {"R", "P"}, "Q");
  b.gate("nor", {"S", "Q"}, "P");
  Simulator s = Simulator::make(b.board).take();
  set(s, {"S", "R"}, "10");
  EXPECT_EQ(read_all(s, {"Q", "P"}), "10");
  set(s, {"S", "R"}, "00");
  EXPECT_EQ(read_all(s, {"Q", "P"}), "10");
  set(s, {"S", "R"}, "11");
  EXPECT_EQ(read_all(s, {"Q", "P"}), "00");
  set(s, {"S", "R"}, "00");
  EXPECT_EQ(read_all(s, {"Q", "P"}), "xx") << "the race must not be guessed";
  set(s, {"S", "R"}, "01");
  EXPECT_EQ(read_all(s, {"Q", "P"}), "01");
}

TEST(Simulator, RingOfInvertersIsUnknownAndEnds) {
  BoardMaker b;
  b.in({"EN"}).out({"Y"});
  b.gate("nand", {"EN", "Y"}, "a");
  b.gate("buf", {"a"}, "Y");
  Simulator s = Simulator::make(b.board).take();
  set(s, {"EN"}, "0");
  EXPECT_EQ(read(s, "Y"), '1');
  set(s, {"EN"}, "1");
  EXPECT_EQ(read(s, "Y"), 'x');
  set(s, {"EN"}, "0");
  EXPECT_EQ(read(s, "Y"), '1');
}

TEST(Simulator, FlipFlopsThatChaseEachOtherEndUnknown) {
  BoardMaker b;  // a latch that is transparent and fed by its own complement
  b.in({"EN", "CLR"}).out({"Q"});
  Gate& g = b.gate("d-latch", {"n"}, "Q");
  g.enable.net = "EN";
  g.clear.net = "CLR";
  b.gate("not", {"Q"}, "n");
  Simulator s = Simulator::make(b.board).take();
  set(s, {"CLR"}, "1");
  set(s, {"CLR"}, "0");
  EXPECT_EQ(read(s, "Q"), '0');
  set(s, {"EN"}, "1");
  EXPECT_EQ(read(s, "Q"), 'x');
}

TEST(Simulator, DecadeCounterClearsItselfByItsOwnDecode) {
  BoardMaker b;
  b.in({"CLR"}).clock({"CK"}).out({"Q0", "Q1"});
  b.gate("and", {"Q0", "Q1"}, "three");
  b.gate("or", {"three", "CLR"}, "c");
  Gate& g0 = b.clocked("t-flip-flop", {}, "CK", "Q0");
  g0.clear.net = "c";
  g0.falling_edge = true;
  Gate& g1 = b.clocked("t-flip-flop", {}, "Q0", "Q1");
  g1.clear.net = "c";
  g1.falling_edge = true;
  Simulator s = Simulator::make(b.board).take();
  set(s, {"CLR"}, "1");
  set(s, {"CLR"}, "0");
  std::string seen;
  for (int i = 0; i < 4; ++i) {
    ASSERT_TRUE(s.pulse("CK").ok());
    seen += read_all(s, {"Q1", "Q0"}) + ' ';
  }
  EXPECT_EQ(seen, "01 10 00 01 ");
}

TEST(Simulator, EdgeThatMayNotBeOneKeepsBothValuesPossible) {
  BoardMaker b;
  b.in({"D", "CLR"}).clock({"CK"}).out({"Q", "U"});
  b.clocked("d-flip-flop", {"U"}, "CK", "U");  // never known
  b.gate("and", {"CK", "U"}, "g");
  b.clocked("d-flip-flop", {"D"}, "g", "Q").clear.net = "CLR";
  Simulator s = Simulator::make(b.board).take();
  set(s, {"CLR"}, "1");
  set(s, {"CLR"}, "0");
  set(s, {"D"}, "1");
  ASSERT_TRUE(s.pulse("CK").ok());
  EXPECT_EQ(read(s, "Q"), 'x');
  set(s, {"CLR"}, "1");
  set(s, {"CLR", "D"}, "00");
  ASSERT_TRUE(s.pulse("CK").ok());
  EXPECT_EQ(read(s, "Q"), '0') << "both possibilities agree";
}

TEST(Simulator, DataAndClockSetTogetherRace) {
  BoardMaker b;
  b.in({"D", "CK"}).out({"Q"});
  b.clocked("d-flip-flop", {"D"}, "CK", "Q");
  Simulator s = Simulator::make(b.board).take();
  set(s, {"CK"}, "1");
  EXPECT_EQ(read(s, "Q"), '0');
  set(s, {"CK"}, "0");
  set(s, {"D", "CK"}, "11");
  EXPECT_EQ(read(s, "Q"), 'x') << "relays close in any order";
  set(s, {"CK"}, "0");
  set(s, {"CK"}, "1");
  EXPECT_EQ(read(s, "Q"), '1');
}

TEST(Simulator, SharedBusWithTwoDriversAndTheFixture) {
  BoardMaker b;
  b.in({"A", "B", "EA", "EB"}).both({"BUS"}).out({"SEEN"});
  b.gate("tri-state", {"A"}, "BUS").enable.net = "EA";
  b.gate("tri-state", {"B"}, "BUS").enable.net = "EB";
  b.gate("buf", {"BUS"}, "SEEN");
  Simulator s = Simulator::make(b.board).take();
  EXPECT_EQ(read_all(s, {"BUS", "SEEN"}), "zx");
  set(s, {"A", "B", "EA", "EB"}, "1010");
  EXPECT_EQ(read_all(s, {"BUS", "SEEN"}), "11");
  set(s, {"EA", "EB"}, "01");
  EXPECT_EQ(read_all(s, {"BUS", "SEEN"}), "00");
  set(s, {"EA", "EB"}, "11");
  EXPECT_EQ(read_all(s, {"BUS", "SEEN"}), "xx") << "they fight";
  set(s, {"EA", "EB", "BUS"}, "001");
  EXPECT_EQ(read_all(s, {"BUS", "SEEN"}), "11");
  EXPECT_TRUE(s.contentions().empty());
  EXPECT_EQ(s.outputs().size(), 1u) << "a line that the fixture drives is not an output now";
  set(s, {"EA"}, "1");
  EXPECT_THAT(s.contentions(), ElementsAre("BUS"));
}

TEST(Simulator, PullDecidesAnUndrivenBus) {
  BoardMaker b;
  b.in({"A", "EA"}).out({"Y"});
  b.board.lines.back().pull = files::Load{Ohms{10e3}, "plate"};
  b.board.rails.push_back({});
  b.board.rails[0].name = "plate";
  b.board.rails[0].nominal = Volts{30};
  b.gate("tri-state", {"A"}, "Y").enable.net = "EA";
  Simulator s = Simulator::make(b.board).take();
  set(s, {"A", "EA"}, "01");
  EXPECT_EQ(read(s, "Y"), '0');
  set(s, {"EA"}, "0");
  EXPECT_EQ(read(s, "Y"), '1');
  b.board.families["neg"].one_is_low = true;
  b.board.lines.back().family = "neg";
  Simulator n = Simulator::make(b.board).take();
  EXPECT_EQ(read(n, "Y"), '0') << "high volts are 0 where one is low";
}

TEST(Simulator, WiredOrAndWiredAnd) {
  for (const bool is_or : {true, false}) {
    BoardMaker b;
    b.in({"A", "B"}).out({"Y"});
    b.gate("buf", {"A"}, "Y");
    b.gate("buf", {"B"}, "Y");
    b.wired("Y", is_or ? Kind::wired_or : Kind::wired_and);
    Simulator s = Simulator::make(b.board).take();
    for (const std::string bits : {"00", "01", "10", "11"}) {
      set(s, {"A", "B"}, bits);
      const bool one = is_or ? bits != "00" : bits == "11";
      EXPECT_EQ(read(s, "Y"), one ? '1' : '0') << bits;
    }
    set(s, {"A", "B"}, is_or ? "1x" : "0x");
    EXPECT_EQ(read(s, "Y"), is_or ? '1' : '0');
  }
}

TEST(Simulator, TableBlockWithTwoOutputsAndEitherInputs) {
  BoardMaker b;
  b.in({"S", "A", "B"}).out({"Y", "SAME"});
  Gate& g = b.gate("table", {"S", "A", "B"}, "Y");
  g.outputs.push_back("SAME");
  g.table = {"00- 00", "01x 10", "1x0 00", "1x1 11"};
  Simulator s = Simulator::make(b.board).take();
  set(s, {"S", "A", "B"}, "010");
  EXPECT_EQ(read_all(s, {"Y", "SAME"}), "10");
  set(s, {"S", "A", "B"}, "101");
  EXPECT_EQ(read_all(s, {"Y", "SAME"}), "11");
  set(s, {"S", "A", "B"}, "x11");
  EXPECT_EQ(read_all(s, {"Y", "SAME"}), "1x") << "both rows agree on Y";
}

TEST(Simulator, FirstTableRowThatFitsDecides) {
  BoardMaker b;
  b.in({"A", "B"}).out({"Y"});
  b.gate("table", {"A", "B"}, "Y").table = {"1- 1", "-1 0", "00 0"};
  Simulator s = Simulator::make(b.board).take();
  set(s, {"A", "B"}, "11");
  EXPECT_EQ(read(s, "Y"), '1');
  set(s, {"A", "B"}, "01");
  EXPECT_EQ(read(s, "Y"), '0');
}

TEST(Simulator, LinesThatNobodyBuiltAreUnknown) {
  BoardMaker b;
  b.in({"A"}).out({"Y", "Q3"});
  b.gate("buf", {"A"}, "Y");
  EXPECT_THAT(refused(b.board), HasSubstr("output line 'Q3' is driven by no gate"));
  b.board.not_built.push_back("Q3");
  Simulator s = Simulator::make(b.board).take();
  EXPECT_EQ(read(s, "Q3"), 'x');
}

TEST(Simulator, RestAndUnknownAndReleasedInputs) {
  BoardMaker b;
  b.line(LineKind::input, {"A"}, Bit::one).out({"Y"});
  b.gate("not", {"A"}, "Y");
  Simulator s = Simulator::make(b.board).take();
  EXPECT_EQ(read(s, "Y"), '0');
  set(s, {"A"}, "z");
  EXPECT_EQ(read(s, "Y"), 'x');
  set(s, {"A"}, "0");
  EXPECT_EQ(read(s, "Y"), '1');
}

TEST(Simulator, StepSetsThenPulsesInOrder) {
  BoardMaker b;
  b.in({"D"}).clock({"P1", "P2"}).out({"Q"});
  b.clocked("d-flip-flop", {"D"}, "P1", "m");
  b.clocked("d-flip-flop", {"m"}, "P2", "Q");
  Simulator s = Simulator::make(b.board).take();
  files::Step step;
  step.set = {{"D", Bit::one}};
  step.pulse = {{"P1", 1}, {"P2", 1}};
  ASSERT_TRUE(s.step(step).ok());
  EXPECT_EQ(read(s, "Q"), '1');
  step.set = {{"D", Bit::zero}};
  step.pulse = {{"P2", 2}, {"P1", 1}};
  ASSERT_TRUE(s.step(step).ok());
  EXPECT_EQ(read(s, "Q"), '1');
  EXPECT_THAT(s.pulse("D").error().text(), HasSubstr("'D' is not a clock line"));
}

TEST(Connectivity, ErrorsNameTheNetThePlaceAndTheRemedy) {
  {
    BoardMaker b;
    b.in({"SKIP"}).out({"Y"});
    b.gate("or", {"SKIP", "SKLP"}, "Y");
    EXPECT_THAT(refused(b.board),
                AllOf(StartsWith("test.yaml:10:3: net 'SKLP' is read here but nothing drives it"),
                      HasSubstr("did you mean 'SKIP'?")));
  }
  {
    BoardMaker b;
    b.in({"A"}).out({"Y"});
    b.gate("buf", {"A"}, "Y");
    b.gate("not", {"A"}, "Y");
    EXPECT_THAT(refused(b.board),
                HasSubstr("test.yaml:11:3: net 'Y' has 2 drivers; the first is at test.yaml:10:3"));
  }
  {
    BoardMaker b;
    b.in({"A", "B"}).out({"Y"});
    b.gate("and", {"A", "B"}, "Y");
    b.gate("buf", {"A"}, "B");
    EXPECT_THAT(refused(b.board), HasSubstr("drives 'B', which is an input line"));
  }
  {
    BoardMaker b;
    b.in({"A"}).both({"B"});
    b.gate("buf", {"A"}, "B");
    EXPECT_THAT(refused(b.board), HasSubstr("'B' is bidirectional but"));
  }
  {
    BoardMaker b;
    b.in({"A"}).out({"Y"});
    b.gate("nadn", {"A"}, "Y");
    EXPECT_THAT(refused(b.board),
                AllOf(HasSubstr("unknown gate 'nadn'"), HasSubstr("did you mean 'nand'?")));
  }
  {
    BoardMaker b;
    b.in({"A", "B"}).out({"Y"});
    b.gate("not", {"A", "B"}, "Y");
    EXPECT_THAT(refused(b.board), HasSubstr("has 2 inputs, expected 1"));
  }
  {
    BoardMaker b;
    b.in({"A"}).out({"Y"});
    b.gate("d-flip-flop", {"A"}, "Y");
    EXPECT_THAT(refused(b.board), HasSubstr("needs a clock"));
  }
  {
    BoardMaker b;
    b.in({"A", "B"}).out({"Y"});
    b.gate("table", {"A", "B"}, "Y").table = {"01 1", "1 0"};
    EXPECT_THAT(refused(b.board), HasSubstr("row '1 0' of"));
  }
  EXPECT_THAT(refused(files::Board{}), HasSubstr("describes no circuit"));
}

// Soundness of the three-valued values: whatever is reported 0 or 1 must be the value for every
// completion of the unknown inputs and, for states, for every power-up.
TEST(Simulator, KnownMeansTheSameForEveryPowerUp) {
  std::mt19937 random(20);
  int known = 0;
  for (int trial = 0; trial < 60; ++trial) {
    BoardMaker b;
    b.in({"A", "B", "F"}).clock({"CK"}).out({"n5", "n8", "q1"});
    std::vector<std::string> nets{"A", "B", "q0", "q1", "q2"};
    const char* types[] = {"and", "or", "nand", "nor", "xor", "not"};
    for (int g = 0; g < 9; ++g) {
      const std::string type = types[random() % 6];
      std::vector<std::string> ins{nets[random() % nets.size()]};
      if (type != "not") ins.push_back(nets[random() % nets.size()]);
      const std::string out = "n" + std::to_string(g);
      b.gate(type, ins, out);
      nets.push_back(out);
    }
    BoardMaker forced = b;  // the same board with a forcing multiplexer before each flip-flop
    forced.in({"V0", "V1", "V2"});
    for (int q = 0; q < 3; ++q) {
      const std::string d = nets[5 + random() % 9], k = std::to_string(q);
      b.clocked("d-flip-flop", {d}, "CK", "q" + k);
      forced.gate("table", {"F", "V" + k, d}, "d" + k).table = {"00x 0", "01x 1", "1x0 0", "1x1 1"};
      forced.clocked("d-flip-flop", {"d" + k}, "CK", "q" + k);
    }
    std::vector<std::string> patterns;
    for (int i = 0; i < 6; ++i)
      patterns.push_back(std::string{"01"[random() % 2], "01"[random() % 2]});
    Simulator honest = Simulator::make(b.board).take();
    std::vector<std::string> claimed;
    for (const std::string& p : patterns) {
      set(honest, {"A", "B"}, p);
      ASSERT_TRUE(honest.pulse("CK").ok());
      claimed.push_back(read_all(honest, {"n5", "n8", "q1"}));
    }
    for (int start = 0; start < 8; ++start) {
      Simulator s = Simulator::make(forced.board).take();
      std::string v;
      for (int k = 0; k < 3; ++k) v += ((start >> k) & 1) != 0 ? '1' : '0';
      set(s, {"F", "V0", "V1", "V2"}, "0" + v);
      ASSERT_TRUE(s.pulse("CK").ok());
      set(s, {"F"}, "1");
      for (std::size_t i = 0; i < patterns.size(); ++i) {
        set(s, {"A", "B"}, patterns[i]);
        ASSERT_TRUE(s.pulse("CK").ok());
        const std::string real = read_all(s, {"n5", "n8", "q1"});
        for (std::size_t k = 0; k < real.size(); ++k) {
          if (claimed[i][k] == 'x') continue;
          ++known;
          EXPECT_EQ(claimed[i][k], real[k]) << "trial " << trial << " step " << i;
        }
      }
    }
  }
  EXPECT_GT(known, 1000) << "the trials must not be vacuous";
}

}  // namespace
}  // namespace tenterhook::circuit::testing
