// What single faults look like, each against the same board without it: levels (L), under a 22 kohm
// load (R), edges (T), as simulated on follower gates.
#include <chrono>
#include <cmath>

#include "tests/emulated/boards/bench.h"
#include "tests/processor_clock.h"

namespace tenterhook::emulated {
namespace {

// The breadboarded OR at inputs a, b.
struct Or {
  explicit Or(const std::vector<std::string>& planted = {}, bool biased = false)
      : truth(bench(description(biased), 7, planted)) {
    truth.set("A", false);
    truth.set("B", false);
    truth.power_up(1.0);
  }
  static BoardDescription description(bool biased) {
    if (!biased) return demo("or-follower");
    BoardDescription d = one_gate("or", "cathode-follower", 2);
    d.elements[0].parts = {"D1", "D2", "V1"};
    return d;
  }
  double y(bool a, bool b) {
    truth.set("A", a);
    truth.set("B", b);
    truth.wait(0.02);
    return truth.volts("Y");
  }
  double loaded(bool a, bool b, double ohms = 22e3) {
    y(a, b);
    truth.set_volts("Y", 0.0, ohms);
    truth.wait(0.01);
    const double v = truth.volts("Y");
    truth.release("Y");
    truth.wait(0.01);
    return v;
  }
  double fall() {
    y(true, false);
    return truth.edge("A", false, "Y", 500e-6)->transition_s;
  }
  BoardTruth truth;
};

TEST(InputDiode, OpenIsDeafOnThatInputOnly) {
  Or good, bad({"D1 open"});
  EXPECT_LT(bad.y(true, false), 2.0);
  EXPECT_NEAR(bad.y(false, true), good.y(false, true), 0.1);
  EXPECT_NEAR(bad.y(true, true), good.y(true, true), 0.2);
}

TEST(InputDiode, NamedByItsPinIsThatOne) {
  BoardDescription d = one_gate("or", "cathode-follower", 2);
  d.elements[0].pin_parts = {{"in1", "D8"}, {"in2", "D7"}, {"out", "V9"}};
  BoardTruth t = bench(d, 7, {"D7 open"});
  t.power_up(1.0);
  t.set("A", true);
  t.set("B", false);
  t.wait(0.02);
  EXPECT_GT(t.volts("Y"), 20.0);
  t.set("A", false);
  t.set("B", true);
  t.wait(0.02);
  EXPECT_LT(t.volts("Y"), 2.0);
}

TEST(InputDiode, ShortedShowsOnlyAtTheInputPins) {
  Or good, bad({"D1 shorted-to Y"});
  // The input driver is a real one: some kilohms. A low at A is pulled up by a high at B.
  for (Or* board : {&good, &bad}) {
    board->truth.set_volts("A", 0.0, 3e3);
    board->truth.set_volts("B", 24.6, 500.0);
    board->truth.wait(0.02);
  }
  EXPECT_LT(good.truth.volts("A"), 0.2);
  EXPECT_GT(bad.truth.volts("A"), 10.0);
  EXPECT_NEAR(bad.y(true, true), good.y(true, true), 0.7);
  EXPECT_NEAR(bad.y(false, false), good.y(false, false), 0.7);
}

TEST(InputDiode, LeakingMovesTheOtherInputALittle) {
  Or good, bad({"D1 leaky 100 kohm"});
  for (Or* board : {&good, &bad}) {
    board->truth.set_volts("A", 0.0, 3e3);
    board->truth.set_volts("B", 24.6, 500.0);
    board->truth.wait(0.02);
  }
  EXPECT_GT(bad.truth.volts("A"), good.truth.volts("A") + 0.3);
  EXPECT_NEAR(bad.truth.volts("Y"), good.truth.volts("Y"), 0.5);
}

TEST(DeadValve, LeavesItsResistorAlone) {
  Or grounded({"V1 dead"}), biased({"V1 dead"}, true);
  for (int p = 0; p < 4; ++p) {
    EXPECT_NEAR(grounded.y(p & 1, p & 2), 0.0, 0.05);
    EXPECT_NEAR(biased.y(p & 1, p & 2), -9.0, 0.1);
  }
}

TEST(DeadValve, OfAPairLeavesItsPartnerHigh) {
  BoardTruth t = shed_latch(2, {"V0d dead"});  // the Q side of bit 0
  for (const bool one : {false, true, false}) {
    t.set("F0", one);
    t.wait(1e-3);
    t.pulse("PICK", 200e-6);
    EXPECT_NEAR(t.volts("Q0"), -9.0, 0.3);
    EXPECT_GT(t.volts("Qn0"), 22.0);
  }
}

TEST(SharedFaults, TwoAtOnceBothShow) {
  BoardTruth t = shed_latch(2, {"V0d dead", "F1 stuck-high"});
  EXPECT_NEAR(t.volts("Q0"), -9.0, 0.3);
  EXPECT_GT(t.volts("Q1"), 22.0);
}

TEST(WeakValve, ShowsUnderLoadFirst) {
  Or good({}, true), half({"V1 weak 0.5"}, true), fifth({"V1 weak 0.2"}, true);
  const double level = good.y(true, false), under = good.loaded(true, false);
  EXPECT_LT(std::fabs(half.y(true, false) - level), 0.5);  // half: inside any window
  EXPECT_GT(level - fifth.y(true, false), 0.8);            // a fifth: seen in the level
  EXPECT_GT(under - half.loaded(true, false), level - half.y(true, false) + 0.15);
  EXPECT_GT(under - fifth.loaded(true, false), level - fifth.y(true, false) + 0.5);
}

TEST(PlateLead, OpenLosesAFewVoltsOfTheHighAndAllStrength) {
  Or good({}, true), bad({"V1 open"}, true);
  const double high = bad.y(true, false);
  EXPECT_GT(good.y(true, false) - high, 2.0);
  EXPECT_GT(high, 20.0);  // passes a plain threshold
  EXPECT_LT(bad.loaded(true, false), good.loaded(true, false) - 6.0);
}

TEST(SlowValve, ChangesOnlyTheEdge) {
  Or good({}, true), bad({"V1 slow 4"}, true);
  EXPECT_NEAR(bad.y(true, false), good.y(true, false), 1e-3);
  EXPECT_NEAR(bad.fall() / good.fall(), 4.0, 0.5);
}

TEST(ColdJoint, ByItsResistance) {
  Or good({}, true);
  const double level = good.y(true, false), under = good.loaded(true, false);
  Or ten({"Y open 10 kohm"}, true), million({"Y open 1 Mohm"}, true);
  // Through a 1 Mohm divider: 10 kohm is invisible, 1 Mohm halves the level.
  const auto divided = [](Or& board) { return board.loaded(true, false, 1e6); };
  EXPECT_NEAR(divided(ten), level, 0.5);
  EXPECT_LT(ten.loaded(true, false), under - 5.0);
  EXPECT_NEAR(divided(million), 0.5 * level, 0.5);
}

// The breadboarded gate with its resistors named: grid leak, cathode resistor.
BoardDescription with_resistors() {
  BoardDescription d = one_gate("or", "cathode-follower", 2);
  d.elements[0].parts = {"D1", "D2", "V1", "R1", "R2"};
  return d;
}

TEST(Resistors, OfTheGridShowInTheFallAlone) {
  BoardTruth good = bench(with_resistors(), 7), bad = bench(with_resistors(), 7, {"R1 weak 0.4"});
  double fall[2], level[2];
  int i = 0;
  for (BoardTruth* t : {&good, &bad}) {
    t->set("A", true);
    t->set("B", false);
    t->power_up(1.0);
    level[i] = t->volts("Y");
    fall[i++] = t->edge("A", false, "Y", 500e-6)->transition_s;
  }
  EXPECT_NEAR(level[1], level[0], 0.05);
  EXPECT_NEAR(fall[1] / fall[0], 2.5, 0.4);
}

TEST(Resistors, OfTheCathodeShowInAPullUpTest) {
  BoardTruth good = bench(with_resistors(), 7), bad = bench(with_resistors(), 7, {"R2 weak 0.5"}),
             open = bench(with_resistors(), 7, {"R2 open"});
  double plain[3], pulled[3];
  int i = 0;
  for (BoardTruth* t : {&good, &bad, &open}) {
    t->set("A", false);
    t->set("B", false);
    t->power_up(1.0);
    plain[i] = t->volts("Y");
    t->set_volts("Y", 24.0, 47e3);
    t->wait(1e-3);
    pulled[i++] = t->volts("Y");
  }
  EXPECT_NEAR(plain[1], plain[0], 0.05);
  EXPECT_GT(pulled[1], pulled[0] + 1.0);
  EXPECT_GT(pulled[2], 20.0);
}

TEST(Shorted, NeighboursShowOnlyWithOppositePatterns) {
  BoardTruth good = shed_latch(2), bad = shed_latch(2, {"Q0 shorted-to Q1"});
  const auto clocked = [](BoardTruth& t, bool f0, bool f1) {
    t.set("F0", f0);
    t.set("F1", f1);
    t.wait(1e-3);
    t.pulse("PICK", 200e-6);
    return std::pair{t.volts("Q0"), t.volts("Q1")};
  };
  for (const bool same : {false, true}) {
    const auto g = clocked(good, same, same), b = clocked(bad, same, same);
    EXPECT_NEAR(b.first, 0.5 * (g.first + g.second), 1.0);
  }
  const auto b = clocked(bad, true, false);
  EXPECT_NEAR(b.first, b.second, 0.3);
  EXPECT_GT(b.first, 14.0);  // followers make a wired OR
}

TEST(Leaky, HeaterToCathodeShowsUnderLoadOrInHistoryOnly) {
  Or good({}, true), bad({"V1 leaky 100 kohm"}, true);
  const double moved = good.y(true, false) - bad.y(true, false);
  EXPECT_GT(moved, 0.02);
  EXPECT_LT(moved, 0.4);
}

struct Reach {
  const char* board;
  const char* fault;
  double at_least;  // volts at some terminal
};

class FaultKind : public testing::TestWithParam<Reach> {};

TEST_P(FaultKind, ChangesTheLevelsThatItShould) {
  const Reach& reach = GetParam();
  const auto change = largest_change(demo(reach.board), 3, faults({reach.fault}));
  ASSERT_TRUE(change.ok()) << change.error().text();
  EXPECT_GT(*change, reach.at_least) << reach.fault;
}

INSTANTIATE_TEST_SUITE_P(
    Faults, FaultKind,
    testing::Values(
        Reach{"or-follower", "A stuck-low", 20}, Reach{"or-follower", "A stuck-high", 20},
        Reach{"or-follower", "Y stuck-low", 20}, Reach{"or-follower", "Y stuck-high", 20},
        Reach{"or-follower", "B open", 20}, Reach{"or-follower", "A inverted", 15},
        Reach{"or-follower", "Y inverted", 15}, Reach{"or-follower", "Y weak 0.2", 0.8},
        Reach{"or-follower", "A shorted-to B", 10}, Reach{"or-follower", "Y shorted-to ground", 20},
        Reach{"or-follower", "D2 inverted", 20}, Reach{"or-follower", "plate open", 20},
        Reach{"or-follower", "Y intermittent 0.5", 20}, Reach{"or-follower", "Y leaky 10 kohm", 1},
        Reach{"shed-latch", "F1 stuck-high", 15}, Reach{"shed-latch", "SKIP stuck-high", 15},
        Reach{"shed-latch", "PICK stuck-low", 15}, Reach{"shed-latch", "PICK open", 15},
        Reach{"shed-latch", "d1 stuck-low", 15}, Reach{"shed-latch", "d1 open", 15},
        Reach{"shed-latch", "d0 swapped-with d1", 15},
        Reach{"shed-latch", "F0 swapped-with F1", 15},
        Reach{"shed-latch", "Q3 swapped-with Qn3", 15}, Reach{"shed-latch", "Q0 inverted", 15},
        Reach{"shed-latch", "D0a open", 15}, Reach{"shed-latch", "D3b open", 15},
        Reach{"shed-latch", "V0a dead", 15}, Reach{"shed-latch", "V1b dead", 15},
        Reach{"shed-latch", "V2c dead", 15}, Reach{"shed-latch", "V3d dead", 25},
        Reach{"shed-latch", "V0e dead", 25}, Reach{"shed-latch", "V0d open", 2},
        Reach{"shed-latch", "Q2 weak 0.2", 1}, Reach{"shed-latch", "heater open", 20},
        Reach{"shed-latch", "bias open", 5}, Reach{"shed-latch", "plate folds-back 10 mA", 5},
        Reach{"pick-counter", "STEP stuck-low", 9}, Reach{"pick-counter", "CLEARn stuck-low", 9},
        Reach{"pick-counter", "N1 swapped-with N2", 9}, Reach{"pick-counter", "c1 inverted", 9},
        Reach{"pick-counter", "k2 stuck-high", 9}, Reach{"pick-counter", "T0c dead", 9},
        Reach{"pick-counter", "T1x dead", 9}, Reach{"pick-counter", "T2v dead", 9},
        Reach{"pick-counter", "N1 leaky 1 kohm", 4}, Reach{"pick-counter", "T0a bounce 1", 9},
        Reach{"pick-counter", "STEP bounce 1", 9}, Reach{"shuttle-guard", "BOX_L stuck-low", 20},
        Reach{"shuttle-guard", "trouble stuck-low", 20},
        Reach{"shuttle-guard", "trouble stuck-high", 20}, Reach{"shuttle-guard", "boxed open", 20},
        Reach{"shuttle-guard", "K1 dead", 20}, Reach{"shuttle-guard", "K4 stuck-high", 20},
        Reach{"shuttle-guard", "K8 open", 20}, Reach{"shuttle-guard", "D1 open", 20},
        Reach{"shuttle-guard", "PICK_OK swapped-with ALARM", 20},
        Reach{"shuttle-guard", "ALARM weak 0.3", 1}),
    [](const testing::TestParamInfo<Reach>& p) { return "n" + std::to_string(p.index); });

TEST(PlantedFault, LeavesTheSpreadOfOtherPartsAlone) {
  BoardTruth good = shed_latch(5), bad = shed_latch(5, {"F3 stuck-high"});
  for (const char* line : {"Q0", "Q1", "Q2", "Qn0"})
    EXPECT_NEAR(good.volts(line), bad.volts(line), 1e-3);
  EXPECT_GT(bad.volts("Q3"), 15.0);
}

struct Wrong {
  const char* text;
  const char* says;
};
class WrongFault : public testing::TestWithParam<Wrong> {};

TEST_P(WrongFault, IsRefusedWithAHint) {
  const auto spec = parse_fault(GetParam().text);
  std::string message;
  if (!spec.ok()) {
    message = spec.error().text();
    EXPECT_EQ(spec.error().trouble, Trouble::input);
  } else {
    const auto board = make_board(demo("shed-latch"), 1, {*spec});
    ASSERT_FALSE(board.ok()) << GetParam().text;
    EXPECT_EQ(board.error().trouble, Trouble::input);
    message = board.error().text();
  }
  EXPECT_NE(message.find(GetParam().says), std::string::npos) << message;
}

INSTANTIATE_TEST_SUITE_P(
    Texts, WrongFault,
    testing::Values(
        Wrong{"V0a", "too few words"}, Wrong{"", "too few words"},
        Wrong{"V0a daed", "did you mean 'dead'"}, Wrong{"V0q dead", "did you mean 'V0"},
        Wrong{"Q7 stuck-low", "did you mean 'Q"}, Wrong{"Q0 shorted-to", "lacks its value"},
        Wrong{"Q0 shorted-to Q9", "did you mean 'Q"}, Wrong{"Q0 stuck-low 3", "takes no value"},
        Wrong{"Q0 weak 1.5", "a fraction"}, Wrong{"Q0 weak much", "takes a number"},
        Wrong{"Q0 weak nan", "takes a number"}, Wrong{"Q0 slow 0.5", "a factor"},
        Wrong{"Q0 intermittent 2", "a probability"}, Wrong{"Q0 leaky -5", "a resistance"},
        Wrong{"Q0 leaky 10 volts", "write ohm"}, Wrong{"PICK bounce 1.5", "a count"},
        Wrong{"Q0 dead", "cannot be 'dead'"}, Wrong{"Q0 folds-back 1", "cannot be 'folds-back'"},
        Wrong{"V0a swapped-with V0b", "cannot be"}, Wrong{"plate inverted", "cannot be"},
        Wrong{"Q0 swapped-with Q0", "itself"}, Wrong{"Q0 swapped-with d0", "inner net"},
        Wrong{"fixture.drive.0 melted", "no fault 'melted'"}),
    [](const testing::TestParamInfo<Wrong>& p) { return "n" + std::to_string(p.index); });

TEST(FaultText, CarriesUnits) {
  EXPECT_DOUBLE_EQ(*parse_amount("100 kohm"), 100e3);
  EXPECT_DOUBLE_EQ(*parse_amount("100kohm"), 100e3);
  EXPECT_DOUBLE_EQ(*parse_amount("10 mA"), 10e-3);
  EXPECT_DOUBLE_EQ(*parse_amount("0.6"), 0.6);
  EXPECT_DOUBLE_EQ(*parse_amount("2 Mohm"), 2e6);
  EXPECT_TRUE(parse_fault("fixture.sense.3 drift 0.5").ok());
}

TEST(Oscillation, OfALoopIsBoundedInWork) {
  BoardDescription d = one_gate("not", "transistor", 1);
  d.elements[0].inputs = {"Y"};
  BoardTruth t = bench(d);
  t.power_up(0.01);
  const auto start = ProcessorClock::now();
  t.wait(10.0);
  EXPECT_LT(std::chrono::duration<double>(ProcessorClock::now() - start).count(), 4.0);
  EXPECT_GE(t.volts("Y"), -0.1);
  EXPECT_LE(t.volts("Y"), 12.1);
}

TEST(Intermittent, FailsAtAboutItsRate) {
  BoardTruth t = shed_latch(4, {"Q0 intermittent 0.2"});
  t.set_volts("Q0", 1.07, 1e6);  // a sense lead
  int bad = 0;
  bool one = false;
  for (int i = 0; i < 400; ++i) {
    one = !one;
    t.set("F0", one);
    t.wait(1e-3);
    t.pulse("PICK", 200e-6);
    t.wait(0.1);
    const double v = t.volts("Q0");
    bad += one ? v < 20.0 : v < 2.0;
  }
  EXPECT_GT(bad, 45);  // 80 expected, 8 standard deviation
  EXPECT_LT(bad, 115);
}

}  // namespace
}  // namespace tenterhook::emulated
