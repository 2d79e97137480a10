#include "host/circuit/coverage.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "host/circuit/bench.h"
#include "host/circuit/patterns.h"
#include "host/circuit/prover.h"
#include "tests/unit/circuit/boards.h"
#include "tests/unit/circuit/random_circuit.h"

namespace tenterhook::circuit::testing {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

std::vector<std::string> missed(const Netlist& n, const files::Board& b, const Coverage& c) {
  std::vector<std::string> names;
  for (std::size_t i = 0; i < c.first_step.size(); ++i)
    if (c.first_step[i] < 0 && c.untestable[i] == 0)
      names.push_back(n.label(c.list.representatives[i].at) + ' ' +
                      fault_name(n, b, c.list.representatives[i]));
  return names;
}

// Random circuits are full of redundancy: the proof must agree with trying every pattern.
TEST(Prover, AgreesWithExhaustion) {
  std::size_t untestable = 0, testable = 0;
  ::testing::internal::CaptureStdout();
  for (unsigned seed = 1; seed <= 30; ++seed) {
    const Netlist n =
        build_netlist(parse_bench("t.bench", random_bench(seed, 8, 50)).take()).take();
    const FaultList list = stuck_at_faults(n);
    Patterns all(8);
    for (unsigned m = 0; m < 256; ++m) {
      std::vector<bool> p;
      for (int i = 0; i < 8; ++i) p.push_back(((m >> i) & 1u) != 0);
      all.add(p);
    }
    const std::vector<std::int64_t> first = first_detections(n, list.representatives, all);
    for (std::size_t f = 0; f < first.size(); ++f) {
      const FoundTest found = find_test(n, list.representatives[f]);
      ASSERT_EQ(found.proof, first[f] < 0 ? Proof::untestable : Proof::test)
          << seed << ' ' << n.label(list.representatives[f].at);
      (first[f] < 0 ? untestable : testable)++;
      if (found.proof != Proof::test) continue;
      Patterns one(8);
      one.add(found.inputs);
      ASSERT_EQ(first_detections(n, {list.representatives[f]}, one)[0], 0)
          << "the test must show the fault";
    }
  }
  EXPECT_EQ(::testing::internal::GetCapturedStdout(), "")
      << "standard output belongs to the commands";
  EXPECT_GT(untestable, 50u);
  EXPECT_GT(testable, 500u);
}

TEST(Prover, PackedPatternShowsAllThatWereAsked) {
  const Netlist n = build_netlist(parse_bench("t.bench", multiplier_bench(4)).take()).take();
  const FaultList list = stuck_at_faults(n);
  TestPacker packer(n);
  std::vector<Fault> wanted;
  std::vector<bool> pattern;
  for (std::size_t f = 0; f < list.representatives.size(); f += 7) {
    std::vector<bool> inputs;
    if (!packer.pack(wanted, list.representatives[f], 1000, inputs)) continue;
    wanted.push_back(list.representatives[f]);
    pattern = inputs;
  }
  ASSERT_GT(wanted.size(), 3u);
  Patterns one(n.inputs.size());
  one.add(pattern);
  EXPECT_THAT(first_detections(n, wanted, one), ::testing::Each(0));
}

// A full adder's mux with a redundant consensus term: its stuck-at-0 cannot show.
TEST(Coverage, RedundantTermIsProvedUntestable) {
  BoardMaker b;
  b.in({"S", "A", "B"}).out({"Y"});
  b.gate("and", {"not S", "A"}, "p");
  b.gate("and", {"S", "B"}, "q");
  b.gate("and", {"A", "B"}, "r");
  b.gate("or", {"p", "q", "r"}, "Y");
  const Netlist n = build_netlist(b.board).take();
  std::vector<files::Step> steps;
  for (unsigned m = 0; m < 8; ++m) {
    files::Step step;
    step.set = {{"S", (m & 4) != 0 ? Bit::one : Bit::zero},
                {"A", (m & 2) != 0 ? Bit::one : Bit::zero},
                {"B", (m & 1) != 0 ? Bit::one : Bit::zero}};
    step.expect_circuit = true;
    steps.push_back(step);
  }
  const Coverage c = stuck_at_coverage(n, compile_sequence(n, steps)->steps);
  EXPECT_EQ(c.untestable_count(), 1u);
  EXPECT_DOUBLE_EQ(c.coverage(), 1.0);
  EXPECT_THAT(missed(n, b.board, c), ElementsAre());
  steps.resize(4);  // S stays 0
  const Coverage less = stuck_at_coverage(n, compile_sequence(n, steps)->steps);
  EXPECT_LT(less.coverage(), 1.0);
  EXPECT_THAT(missed(n, b.board, less), ::testing::Contains("S stuck-low"));
}

files::Step step(std::vector<std::pair<std::string, Bit>> set, const char* clock,
                 std::vector<std::pair<std::string, Bit>> expect) {
  files::Step s;
  s.set = std::move(set);
  if (clock != nullptr) s.pulse = {{clock, 1}};
  s.expect = std::move(expect);
  return s;
}

TEST(Coverage, DeadClockIsCaughtThoughThePowerUpStateIsUnknown) {
  BoardMaker b;
  b.in({"D"}).clock({"CK"}).out({"Q"});
  b.clocked("d-flip-flop", {"D"}, "CK", "Q");
  const Netlist n = build_netlist(b.board).take();
  const std::vector<files::Step> only_one{step({{"D", Bit::one}}, "CK", {{"Q", Bit::one}})};
  const Coverage half = stuck_at_coverage(n, compile_sequence(n, only_one)->steps);
  EXPECT_THAT(missed(n, b.board, half),
              ElementsAre("D stuck-high", "CK stuck-low", "CK stuck-high", "Q stuck-high"))
      << "a dead flip-flop may have woken up as 1";
  const std::vector<files::Step> both{step({{"D", Bit::one}}, "CK", {{"Q", Bit::one}}),
                                      step({{"D", Bit::zero}}, "CK", {{"Q", Bit::zero}})};
  EXPECT_DOUBLE_EQ(stuck_at_coverage(n, compile_sequence(n, both)->steps).coverage(), 1.0);
}

// J and K do not matter while the clear that gates them overrides them.
TEST(Prover, PinsThatNobodyListensToAreUntestable) {
  BoardMaker b;
  b.in({"CLR", "J"}).clock({"CK"}).out({"Q"});
  b.clocked("jk-flip-flop", {"J", "not CLR"}, "CK", "Q").clear.net = "CLR";
  const Netlist n = build_netlist(b.board).take();
  for (const Fault& f : stuck_at_faults(n).representatives) {
    const bool idle = n.label(f.at) == "CLR at Q.in2" && f.kind == FaultKind::stuck_zero;
    EXPECT_EQ(find_test(n, f).proof, idle ? Proof::untestable : Proof::test) << n.label(f.at);
  }
}

// A stage that cannot be cleared: what clocks it wakes up unknown too, and all cases must be tried.
TEST(Coverage, MissingClearOfARippleStageIsCaught) {
  BoardMaker b;
  b.in({"CLR"}).clock({"CK"}).out({"Q0", "Q1"});
  for (const bool second : {false, true}) {
    Gate& g = b.clocked("t-flip-flop", {}, second ? "Q0" : "CK", second ? "Q1" : "Q0");
    g.falling_edge = true;
    g.clear.net = "CLR";
  }
  const Netlist n = build_netlist(b.board).take();
  std::vector<SequenceStep> steps{{{{0, Bit::one}}, {}, {}},
                                  {{{0, Bit::zero}}, {{1, 1}}, {}},
                                  {{}, {{1, 1}}, {}},
                                  {{{0, Bit::one}}, {}, {}}};
  judge_by_circuit(n, steps);
  for (NodeId i = 0; i < n.size(); ++i) {
    if (n.label(i) != "CLR at Q1.clear") continue;
    EXPECT_GE(sequence_detections(n, {{i, FaultKind::stuck_zero, kNoNode}}, steps)[0], 0);
    return;
  }
  FAIL() << "no such pin";
}

TEST(Coverage, UndrivenLeadContradictsAHighOnly) {
  BoardMaker b;
  b.in({"A", "EN"}).out({"Y"});
  b.gate("tri-state", {"A"}, "Y").enable.net = "EN";
  const Netlist n = build_netlist(b.board).take();
  const NodeId enable = n.net_node[*n.find_net("EN")];
  const auto first = [&](Bit data) {
    std::vector<SequenceStep> steps{{{{0, data}, {1, Bit::one}}, {}, {}}};
    judge_by_circuit(n, steps);
    return sequence_detections(n, {{enable, FaultKind::stuck_zero, kNoNode}}, steps)[0];
  };
  EXPECT_EQ(first(Bit::one), 0);
  EXPECT_EQ(first(Bit::zero), -1) << "an open lead reads as a perfectly good low";
}

TEST(Coverage, CountsOnlyWhatTheStepsJudge) {
  BoardMaker b;
  b.in({"A"}).out({"Y", "Z"});
  b.gate("buf", {"A"}, "Y");
  b.gate("not", {"A"}, "Z");
  const Netlist n = build_netlist(b.board).take();
  const std::vector<files::Step> steps{
      step({{"A", Bit::zero}}, nullptr, {{"Y", Bit::zero}}),
      step({{"A", Bit::one}}, nullptr, {{"Y", Bit::one}, {"Z", Bit::any}})};
  const Coverage c = stuck_at_coverage(n, compile_sequence(n, steps)->steps);
  EXPECT_THAT(missed(n, b.board, c), ElementsAre("A at Z.in1 stuck-low", "A at Z.in1 stuck-high"));
}

TEST(Coverage, WrongExpectationsAreReportedAndNotCounted) {
  BoardMaker b;
  b.in({"A"}).out({"Y"});
  b.gate("buf", {"A"}, "Y");
  const Netlist n = build_netlist(b.board).take();
  const auto sequence = compile_sequence(n, {step({{"A", Bit::one}}, nullptr, {{"Y", Bit::zero}})});
  ASSERT_TRUE(sequence.ok());
  EXPECT_THAT(sequence->disagreements, ElementsAre("step 1: Y expected 0, the circuit gives 1"));
  EXPECT_EQ(stuck_at_coverage(n, sequence->steps).detected(), 0u);
  EXPECT_THAT(compile_sequence(n, {step({{"B", Bit::one}}, nullptr, {})}).error().text(),
              HasSubstr("'B' is not a line that can be set"));
}

// Other kinds of fault, each by a circuit small enough to work out by hand.
TEST(SequenceDetections, OtherKindsOfFault) {
  BoardMaker b;
  b.in({"A", "B"}).out({"Y", "Z"});
  b.gate("buf", {"A"}, "Y");
  b.gate("buf", {"B"}, "Z");
  const Netlist n = build_netlist(b.board).take();
  const NodeId a = n.net_node[*n.find_net("A")], bb = n.net_node[*n.find_net("B")],
               y = n.net_node[*n.find_net("Y")];
  const auto first = [&](const std::vector<const char*>& patterns, const Fault& f) {
    std::vector<SequenceStep> steps;
    for (const char* p : patterns)
      steps.push_back(
          {{{0, p[0] == '1' ? Bit::one : Bit::zero}, {1, p[1] == '1' ? Bit::one : Bit::zero}},
           {},
           {}});
    judge_by_circuit(n, steps);
    return sequence_detections(n, {f}, steps)[0];
  };
  EXPECT_EQ(first({"00", "11", "01"}, {a, FaultKind::bridge_and, bb}), 2);
  EXPECT_EQ(first({"00", "11", "10"}, {a, FaultKind::bridge_or, bb}), 2);
  EXPECT_EQ(first({"00", "11"}, {a, FaultKind::bridge_and, bb}), -1);
  EXPECT_EQ(first({"00", "11", "10"}, {a, FaultKind::dominated, bb}), 2);
  EXPECT_EQ(first({"00", "11", "01"}, {a, FaultKind::swapped, bb}), 2);
  EXPECT_EQ(first({"00", "11"}, {a, FaultKind::swapped, bb}), -1);
  EXPECT_EQ(first({"00"}, {y, FaultKind::inverted, kNoNode}), 0);
  EXPECT_EQ(first({"10", "00", "10"}, {a, FaultKind::slow_fall, kNoNode}), 1);
  EXPECT_EQ(first({"00", "10"}, {a, FaultKind::slow_rise, kNoNode}), 1);
  EXPECT_EQ(first({"00", "01"}, {a, FaultKind::slow_rise, kNoNode}), -1);
  EXPECT_EQ(first({"00", "01"}, {a, FaultKind::open, kNoNode}), -1) << "it may float low";
  EXPECT_EQ(first({"00", "10"}, {a, FaultKind::open, kNoNode}), 1);
}

// A bridge from a gate's output back to its input makes a loop; the result must not be a guess.
TEST(SequenceDetections, FeedbackBridgeIsNotGuessed) {
  BoardMaker b;
  b.in({"A"}).out({"Y"});
  b.gate("not", {"A"}, "Y");
  const Netlist n = build_netlist(b.board).take();
  Machines m(n);
  m.inject(1, {n.net_node[*n.find_net("A")], FaultKind::bridge_or, n.net_node[*n.find_net("Y")]});
  m.set(0, Bit::one);
  m.settle();
  EXPECT_EQ(m.read_output(0, 0), Bit::zero);
  EXPECT_EQ(m.read_output(0, 1), Bit::one) << "A holds both high";
  m.set(0, Bit::zero);
  m.settle();
  EXPECT_EQ(m.read_output(0, 1), Bit::any) << "it oscillates";
}

TEST(Faults, NamesKnowFamiliesInWhichOneIsLow) {
  BoardMaker b;
  b.in({"A"}).out({"Y"});
  b.gate("buf", {"A"}, "Y");
  b.board.families["neg"].one_is_low = true;
  b.board.lines[0].family = "neg";
  const Netlist n = build_netlist(b.board).take();
  EXPECT_EQ(fault_name(n, b.board, {n.net_node[0], FaultKind::stuck_zero, kNoNode}), "stuck-high");
  EXPECT_EQ(fault_name(n, b.board, {n.net_node[1], FaultKind::stuck_zero, kNoNode}), "stuck-low");
}

TEST(Faults, PartsComeFromPinsWhereGiven) {
  BoardMaker b;
  b.in({"A", "B"}).out({"Y", "Z"});
  Gate& g = b.gate("or", {"A", "B"}, "Y");
  g.parts = {"D1", "D2", "V1"};
  g.pin_parts = {{"in1", "D1"}, {"out", "V1"}};
  b.gate("buf", {"A"}, "Z");
  const Netlist n = build_netlist(b.board).take();
  for (NodeId i = 0; i < n.size(); ++i) {
    if (n.label(i) == "A at Y.in1") {
      EXPECT_THAT(n.parts_of(i), ElementsAre("D1"));
    } else if (n.label(i) == "Y") {
      EXPECT_THAT(n.parts_of(i), ElementsAre("V1"));
    }
  }
}

}  // namespace
}  // namespace tenterhook::circuit::testing
