// Function tables by electrical simulation: what a gate's output shows in volts, for every build.
// External check: function tables of the standard gates (IEC 60617-12 / textbook definitions).
#include <functional>

#include "tests/emulated/boards/bench.h"

namespace tenterhook::emulated {
namespace {

struct Case {
  const char* type;
  int inputs;
  std::function<bool(int ones, int n)> one;
};

const Case kGates[] = {
    {"and", 3, [](int ones, int n) { return ones == n; }},
    {"nand", 3, [](int ones, int n) { return ones != n; }},
    {"or", 3, [](int ones, int) { return ones > 0; }},
    {"nor", 3, [](int ones, int) { return ones == 0; }},
    {"xor", 2, [](int ones, int) { return ones == 1; }},
    {"xnor", 2, [](int ones, int) { return ones != 1; }},
    {"not", 1, [](int ones, int) { return ones == 0; }},
    {"buf", 1, [](int ones, int) { return ones == 1; }},
};

class EveryBuild : public testing::TestWithParam<const char*> {};

TEST_P(EveryBuild, GivesTheFunctionTableOfEveryGate) {
  for (const Case& gate : kGates) {
    const BoardDescription d = one_gate(gate.type, GetParam(), gate.inputs);
    BoardTruth truth = bench(d, 5);
    truth.power_up(1.0);
    const double middle = GetParam() == std::string("ttl") ? 1.4 : 0.45 * d.rails[0].nominal_volts;
    for (int pattern = 0; pattern < (1 << gate.inputs); ++pattern) {
      int ones = 0;
      for (int i = 0; i < gate.inputs; ++i) {
        truth.set(d.terminals[static_cast<std::size_t>(i)].name, (pattern >> i) & 1);
        ones += (pattern >> i) & 1;
      }
      truth.wait(0.05);
      EXPECT_EQ(truth.volts("Y") > middle, gate.one(ones, gate.inputs))
          << gate.type << " of " << GetParam() << ", pattern " << pattern << ": "
          << truth.volts("Y") << " V";
    }
  }
}

INSTANTIATE_TEST_SUITE_P(Builds, EveryBuild,
                         testing::Values("cathode-follower", "triode-inverter", "triode-nor",
                                         "relay", "diode", "transistor", "open-collector",
                                         "tri-state", "4000b", "ttl", ""));

BoardDescription flip_flop(const std::string& type, const std::string& build, int inputs) {
  BoardDescription d = one_gate(type, build, inputs);
  Terminal clock;
  clock.name = "CK";
  d.terminals.push_back(clock);
  d.elements[0].clock = "CK";
  return d;
}

class EveryFlipFlop : public testing::TestWithParam<const char*> {};

TEST_P(EveryFlipFlop, FollowsItsNextStateTable) {
  const bool relay = GetParam() == std::string("relay-latch");
  const double width = relay ? 0.05 : 50e-6;
  const auto high = [](BoardTruth& t, const BoardDescription& d) {
    return t.volts("Y") > 0.45 * d.rails[0].nominal_volts;
  };
  {
    const BoardDescription d = flip_flop("jk-flip-flop", GetParam(), 2);
    BoardTruth t = bench(d, 3);
    t.set("CK", false);
    t.power_up(1.0);
    bool q = false;
    const int sequence[][2] = {{0, 1}, {0, 0}, {1, 0}, {0, 0}, {1, 1}, {1, 1}, {1, 0}, {0, 1}};
    for (const auto& [j, k] : sequence) {
      t.set("A", j);
      t.set("B", k);
      t.wait(0.05);
      t.pulse("CK", width);
      q = j && k ? !q : j ? true : k ? false : q;
      EXPECT_EQ(high(t, d), q) << "J " << j << " K " << k;
    }
  }
  const BoardDescription d = flip_flop("t-flip-flop", GetParam(), 1);
  BoardTruth t = bench(d, 3);
  t.set("CK", false);
  t.set("A", true);
  t.power_up(1.0);
  bool q = high(t, d);
  for (int i = 0; i < 5; ++i) {
    t.pulse("CK", width);
    EXPECT_NE(high(t, d), q) << "toggle " << i;
    q = high(t, d);
  }
  t.set("A", false);
  t.wait(0.05);
  t.pulse("CK", width);
  EXPECT_EQ(high(t, d), q);
}

TEST_P(EveryFlipFlop, TakesDataAtTheFallingEdgeWhenBuiltSo) {
  BoardDescription d = flip_flop("d-flip-flop", GetParam(), 1);
  d.elements[0].clock_falling = true;
  const double width = GetParam() == std::string("relay-latch") ? 0.05 : 50e-6;
  BoardTruth t = bench(d, 4);
  t.set("CK", false);
  t.set("A", false);
  t.power_up(1.0);
  t.pulse("CK", width);
  t.set("A", true);
  t.wait(0.05);
  t.set("CK", true);
  t.wait(0.05);
  EXPECT_LT(t.volts("Y"), 9.0);
  t.set("CK", false);
  t.wait(0.05);
  EXPECT_GT(t.volts("Y"), 9.0);
}

INSTANTIATE_TEST_SUITE_P(Builds, EveryFlipFlop,
                         testing::Values("triode-latch", "triode-flip-flop", "relay-latch",
                                         "transistor-flip-flop", ""));

TEST(Latch, FollowsWhileEnabledAndHoldsAfter) {
  BoardDescription d = one_gate("d-latch", "triode-latch", 1);
  Terminal enable;
  enable.name = "EN";
  d.terminals.push_back(enable);
  d.elements[0].enable = "EN";
  BoardTruth t = bench(d);
  t.set("EN", true);
  t.power_up(1.0);
  for (const bool level : {true, false, true}) {
    t.set("A", level);
    t.wait(0.01);
    EXPECT_EQ(t.volts("Y") > 15.0, level);
  }
  t.set("EN", false);
  t.wait(0.01);
  t.set("A", false);
  t.wait(0.01);
  EXPECT_GT(t.volts("Y"), 15.0);
}

class EveryTriState : public testing::TestWithParam<const char*> {};
INSTANTIATE_TEST_SUITE_P(Builds, EveryTriState,
                         testing::Values("tri-state", "relay", "triode-inverter", "4000b", "ttl"));

TEST_P(EveryTriState, LetsGoOfItsLineWhenDisabled) {
  BoardDescription d = one_gate("tri-state", GetParam(), 1);
  const double main = d.rails[0].nominal_volts;
  Terminal enable;
  enable.name = "ENn";
  d.terminals.push_back(enable);
  d.elements[0].enable = "ENn";
  d.elements[0].enable_low = true;
  BoardTruth t = bench(d);
  t.set("A", true);
  t.set("ENn", false);
  t.power_up(1.0);
  EXPECT_GT(t.volts("Y"), 0.6 * main);
  t.set("A", false);
  t.wait(0.05);
  t.set_volts("Y", main, 100e3);
  t.wait(0.05);
  EXPECT_LT(t.volts("Y"), 0.35 * main);  // a driven low holds against a pull-up
  t.set("ENn", true);
  t.wait(0.05);
  for (const double pulled :
       {0.2 * main, 0.8 * main}) {  // undriven: it goes where a weak source pulls it
    t.set_volts("Y", pulled, 100e3);
    t.wait(0.1);
    EXPECT_NEAR(t.volts("Y"), pulled, 0.1);
  }
}

TEST(Table, OutputsFollowTheirRows) {
  BoardDescription d = one_gate("table", "transistor", 2);
  Terminal z;
  z.name = "Z";
  z.is_output = true;
  d.terminals.push_back(z);
  d.elements[0].outputs = {"Y", "Z"};  // half adder: sum, carry
  d.elements[0].table = {"00 00", "01 10", "10 10", "11 01"};
  BoardTruth t = bench(d);
  t.power_up(1.0);
  for (int p = 0; p < 4; ++p) {
    t.set("A", p & 1);
    t.set("B", p & 2);
    t.wait(0.01);
    EXPECT_EQ(t.volts("Y") > 5.0, p == 1 || p == 2);
    EXPECT_EQ(t.volts("Z") > 5.0, p == 3);
  }
}

TEST(ActiveLowLines, TurnTheGateOver) {
  // Every line low for 1: an AND whose output is low only when both inputs are low.
  for (const char* build : {"triode-nor", "transistor", "diode"}) {
    BoardDescription d = one_gate("and", build, 2);
    for (Terminal& t : d.terminals) t.one_is_low = true;
    BoardTruth t = bench(d);
    t.power_up(1.0);
    for (int p = 0; p < 4; ++p) {
      t.set("A", p & 1);
      t.set("B", p & 2);
      t.wait(0.01);
      EXPECT_EQ(t.volts("Y") > 0.45 * d.rails[0].nominal_volts, p != 0) << build << ' ' << p;
    }
  }
}

}  // namespace
}  // namespace tenterhook::emulated
