// Netlists: what is refused, where, and what flat text comes out.
#include "host/predict/netlist.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <iterator>
#include <random>

#include "host/predict/expression.h"

namespace tenterhook::predict {
namespace {

using testing::Contains;
using testing::HasSubstr;

std::string error_of(const std::string& cards) {
  auto n = Netlist::parse("gate.cir", "title\n" + cards);
  return n ? "no error" : n.error().text();
}

TEST(Number, SuffixesAreExact) {
  EXPECT_DOUBLE_EQ(*parse_number("4.7k", ""), 4700.0);
  EXPECT_DOUBLE_EQ(*parse_number("1meg", ""), 1e6);
  EXPECT_DOUBLE_EQ(*parse_number("1MEG", ""), 1e6);
  EXPECT_DOUBLE_EQ(*parse_number("-10m", ""), -0.01);
  EXPECT_DOUBLE_EQ(*parse_number("2.2e-9", ""), 2.2e-9);
  EXPECT_DOUBLE_EQ(*parse_number("3\xc2\xb5", ""), 3e-6);
}

TEST(Number, WhatSimulatorsMisreadIsRefused) {
  for (const char* bad :
       {"4k7", "1M", "10F", "5ohm", "1e", "k", "1.2.3", "", "--1", "1e999", "0x10"}) {
    EXPECT_FALSE(parse_number(bad, "f:1").ok()) << bad;
  }
}

TEST(Expression, PrecedenceAndFunctions) {
  const Lookup none = [](const std::string&) -> Result<double> { return bug_error("none"); };
  const auto value = [&](const char* text) {
    return *evaluate(*parse_expression(text, "", Allow::parameters), "", none);
  };
  EXPECT_DOUBLE_EQ(value("1+2*3"), 7.0);
  EXPECT_DOUBLE_EQ(value("8/4/2"), 1.0);
  EXPECT_DOUBLE_EQ(value("-(2-5)*2"), 6.0);
  EXPECT_DOUBLE_EQ(value("2--3"), 5.0);
  EXPECT_DOUBLE_EQ(value("max(1k, 2k)/pow(10, 3)"), 2.0);
}

TEST(Expression, DivisionByZeroIsAnError) {
  const Lookup none = [](const std::string&) -> Result<double> { return 0.0; };
  EXPECT_FALSE(evaluate(*parse_expression("1/x", "", Allow::parameters), "f:3", none).ok());
}

TEST(Netlist, EveryErrorNamesItsLine) {
  EXPECT_THAT(error_of("R1 a 0 4k7\n"), HasSubstr("gate.cir:2"));
  EXPECT_THAT(error_of("R1 a 0 1k\nR2 a 0 1M\n"), HasSubstr("gate.cir:3"));
  EXPECT_THAT(error_of("R1 a 1k\n"), HasSubstr("gate.cir:2"));
  EXPECT_THAT(error_of("V1 a 0 5\nR1 a b 1k\n"), HasSubstr("gate.cir:3: node b is touched by one"));
  EXPECT_THAT(error_of("V1 a 0 5\nD1 a 0 1n4184\n"), HasSubstr("gate.cir:3: model \"1n4184\""));
  EXPECT_THAT(error_of("V1 a 0 5\nR1 a 0 {rr}\n"), HasSubstr("gate.cir:3: parameter \"rr\""));
  EXPECT_THAT(error_of("V1 a 0 5\nR1 a 0 0\n"), HasSubstr("gate.cir:3: r1 is 0"));
  EXPECT_THAT(error_of("V1 a 0 5\nR1 a 0 1k\n\nR1 a 0 2k\n"),
              HasSubstr("gate.cir:5: R1 is already"));
  EXPECT_THAT(error_of("V1 a 0 5\nC1 a b 1n\nC2 b 0 1n\n"), HasSubstr("no direct current"));
  EXPECT_THAT(error_of("V1 a 0 5\nX1 a 0 nothing\n"), HasSubstr("gate.cir:3: subcircuit"));
  EXPECT_THAT(error_of("V1 a 0 5\nX1 a 0 ecc88\n"), HasSubstr("gives 2 nodes"));
  EXPECT_THAT(error_of("V1 a 0 5\nR1 a 0 1k emission=2\n"),
              HasSubstr("not known for this element"));
  EXPECT_THAT(error_of(".subckt s a b\nR1 a b 1k\n"), HasSubstr("no .ends"));
  EXPECT_THAT(error_of(""), HasSubstr("no element"));
}

TEST(Netlist, WhatCouldRunCommandsIsRefused) {
  for (const char* card :
       {".control\nshell touch x\n.endc\n", ".include /etc/passwd\n", ".lib x y\n",
        ".csparam a=1\n", ".options savecurrents\n", "A1 [a] [b] adc\n", ".func f(x) {x}\n"}) {
    EXPECT_THAT(error_of(std::string("V1 a 0 5\nR1 a 0 1k\n") + card), HasSubstr("gate.cir:4"))
        << card;
  }
}

TEST(Netlist, ParametersDependingOnThemselvesAreAnError) {
  EXPECT_THAT(error_of(".param a={b} b={a}\nV1 n 0 {a}\nR1 n 0 1k\n"),
              HasSubstr("depends on itself"));
}

TEST(Netlist, FlatTextHoldsPlainNumbersOnly) {
  auto n =
      Netlist::parse("g.cir",
                     "t\n.param rl=4.7k k={2*rl}\nV1 in 0 5\nX1 in out div top={k}\nRl out 0 {rl}\n"
                     ".subckt div a b top=1k\nR1 a b {top}\n.ends\n.op\n.end\n");
  ASSERT_TRUE(n.ok()) << n.error().text();
  auto flat = n->flatten();
  ASSERT_TRUE(flat.ok());
  EXPECT_THAT(flat->cards, Contains("r.x1.r1 in out 9400"));
  EXPECT_THAT(flat->cards, Contains("rl out 0 4700"));
  EXPECT_EQ(flat->analysis, "op");
  Changes c;
  c.parameters["rl"] = 1000;
  c.factors["x1.r1"] = 2;
  c.sources["v1"] = 7;
  flat = n->flatten(c);
  ASSERT_TRUE(flat.ok());
  EXPECT_THAT(flat->cards, Contains("r.x1.r1 in out 4000"));
  EXPECT_THAT(flat->cards, Contains("v1 in 0 dc 7"));
  c.instances["x1.top"] = 50;
  EXPECT_THAT(n->flatten(c)->cards, Contains("r.x1.r1 in out 100"));
}

TEST(Netlist, ChangesOfUnknownNamesAreErrors) {
  auto n = Netlist::parse("g.cir", "t\nV1 a 0 5\nR1 a 0 1k\n");
  ASSERT_TRUE(n.ok());
  Changes c;
  c.factors["r2"] = 1.1;
  EXPECT_FALSE(n->flatten(c).ok());
  c = {};
  c.parameters["x"] = 1;
  EXPECT_FALSE(n->flatten(c).ok());
  c = {};
  c.instances["x1.emission"] = 1;
  EXPECT_FALSE(n->flatten(c).ok());
}

// Bytes changed, dropped and doubled at random: every text is either read or refused with its
// place.
TEST(Netlist, MutilatedTextIsReadOrRefused) {
  std::ifstream in("fixtures/emulated/spice/triode-latch.cir");
  const std::string good((std::istreambuf_iterator<char>(in)), {});
  ASSERT_TRUE(Netlist::parse("g.cir", good).ok());
  std::mt19937_64 random(20);
  int refused = 0;
  for (int round = 0; round < 400; ++round) {
    std::string text = good;
    for (int hits = 0; hits < 3; ++hits) {
      const std::size_t at = random() % text.size();
      switch (random() % 4) {
        case 0:
          text[at] = static_cast<char>(random() % 256);
          break;
        case 1:
          text.erase(at, 1 + random() % 8);
          break;
        case 2:
          text.insert(at, text.substr(at, 1 + random() % 40));
          break;
        default:
          text.insert(at, 1, "{}()=.'\n+-*/"[random() % 12]);
          break;
      }
    }
    auto n = Netlist::parse("g.cir", text);
    if (n) continue;
    ++refused;
    EXPECT_EQ(n.error().trouble, Trouble::input) << text;
    EXPECT_THAT(n.error().where, HasSubstr("g.cir")) << n.error().text();
  }
  EXPECT_GT(refused, 100);
}

TEST(Library, EveryEntryCanBeUsed) {
  const auto entries = library_entries();
  ASSERT_GE(entries.size(), 6u);
  for (const LibraryEntry& e : entries) {
    const std::string card =
        e.kind == "diode" ? "D1 p 0 " + e.name : "X1 p g 0 " + e.name + "\nVg g 0 -1";
    auto n = Netlist::parse("m.cir", "t\nVp p 0 0.5\n" + card + "\n.op\n");
    EXPECT_TRUE(n.ok()) << e.name << ": " << (n ? "" : n.error().text());
    EXPECT_FALSE(e.note.empty());
  }
}

}  // namespace
}  // namespace tenterhook::predict
