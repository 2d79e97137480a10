#include "host/circuit/generate.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <random>

#include "host/circuit/bench.h"
#include "host/circuit/frames.h"
#include "host/circuit/simulator.h"
#include "tests/unit/circuit/boards.h"
#include "tests/unit/circuit/random_circuit.h"

namespace tenterhook::circuit::testing {
namespace {

const std::string kIscas = TH_SOURCE_DIR "/tests/data/iscas/";

Generated made(const Netlist& n, std::uint64_t seed = 1) {
  GenerateOptions options;
  options.seed = seed;
  return generate(n, options).take();
}

// Counted again from nothing: the steps alone, by the general three-valued simulation.
std::size_t shown_again(const Netlist& n, const std::vector<SequenceStep>& steps) {
  const FaultList list = stuck_at_faults(n);
  std::size_t shown = 0;
  for (const std::int64_t first : sequence_detections(n, list.representatives, steps))
    shown += first >= 0 ? 1 : 0;
  return shown;
}

struct Case {
  const char* name;
  std::size_t
      patterns_max;  // 1.6 x the smallest published test set (27, 52, 16; from memory); c17: 4 or 5
};
class GenerateIscas : public ::testing::TestWithParam<Case> {};

TEST_P(GenerateIscas, EveryTestableFaultInFewPatterns) {
  const Netlist n = build_netlist(*read_bench(kIscas + GetParam().name + ".bench")).take();
  const Generated g = made(n);
  EXPECT_DOUBLE_EQ(g.coverage.coverage(), 1.0);
  EXPECT_LE(g.steps.size(), GetParam().patterns_max);
  EXPECT_EQ(shown_again(n, g.steps), g.coverage.detected());
  EXPECT_EQ(g.coverage.detected() + g.coverage.untestable_count(),
            g.coverage.list.representatives.size());
}
INSTANTIATE_TEST_SUITE_P(All, GenerateIscas,
                         ::testing::Values(Case{"c17", 5}, Case{"c432", 43}, Case{"c499", 83},
                                           Case{"c880", 25}, Case{"s27", 9}),
                         [](const auto& p) { return std::string(p.param.name); });

TEST(Generate, IsRepeatable) {
  const Netlist n = build_netlist(*read_bench(kIscas + "c17.bench")).take();
  const Generated a = made(n, 5), b = made(n, 5);
  ASSERT_EQ(a.steps.size(), b.steps.size());
  for (std::size_t i = 0; i < a.steps.size(); ++i) EXPECT_EQ(a.steps[i].set, b.steps[i].set);
}

TEST(Generate, RandomCircuitsWithRedundancy) {
  for (unsigned seed = 1; seed <= 5; ++seed) {
    const Netlist n =
        build_netlist(parse_bench("t.bench", random_bench(seed, 12, 120)).take()).take();
    const Generated g = made(n);
    EXPECT_DOUBLE_EQ(g.coverage.coverage(), 1.0) << seed;
    EXPECT_GT(g.coverage.untestable_count(), 0u) << seed;
  }
}

// Too large to pack faults by proof: patterns are improved by trial instead. An array multiplier of
// any width is known to be testable with a few tens of patterns.
TEST(Generate, LargeCircuitInFewPatterns) {
  const Netlist n = build_netlist(parse_bench("t.bench", multiplier_bench(11)).take()).take();
  const Generated g = made(n);
  EXPECT_DOUBLE_EQ(g.coverage.coverage(), 1.0);
  EXPECT_LE(g.steps.size(), 18u);
}

// The sequential boards of the tests, each from unknown power-up.
BoardMaker latch_card() {
  BoardMaker b;
  b.in({"F3", "F2", "F1", "F0", "SKIP"})
      .clock({"PICK"})
      .out({"Q3", "Q2", "Q1", "Q0", "Qn3", "Qn2", "Qn1", "Qn0"});
  for (const std::string k : {"3", "2", "1", "0"}) {
    b.gate("or", {"F" + k, "SKIP"}, "d" + k);
    b.clocked("d-flip-flop", {"d" + k}, "PICK", "Q" + k, "Qn" + k);
  }
  return b;
}

BoardMaker counter_card() {
  BoardMaker b;
  b.in({"CLR"}).clock({"CK"}).out({"N0", "N1", "N2"});
  b.clocked("jk-flip-flop", {"not CLR", "not CLR"}, "CK", "N0").clear.net = "CLR";
  b.clocked("jk-flip-flop", {"N0", "N0"}, "CK", "N1").clear.net = "CLR";
  b.gate("and", {"N0", "N1"}, "c");
  b.clocked("jk-flip-flop", {"c", "c"}, "CK", "N2").clear.net = "CLR";
  return b;
}

BoardMaker bus_card() {
  BoardMaker b;
  b.in({"A", "B", "EA", "EB"}).both({"BUS"}).clock({"CK"}).out({"Q"});
  b.gate("tri-state", {"A"}, "BUS").enable.net = "EA";
  b.gate("tri-state", {"B"}, "BUS").enable.net = "EB";
  b.clocked("d-flip-flop", {"BUS"}, "CK", "Q");
  return b;
}

BoardMaker two_clock_card() {
  BoardMaker b;
  b.in({"D", "LOAD"}).clock({"P1", "P2"}).out({"Q0", "Q1", "Q2"});
  std::string from = "D";
  for (const std::string k : {"0", "1", "2"}) {
    b.gate("and", {from, "LOAD"}, "g" + k);
    b.gate("d-latch", {"g" + k}, "m" + k).enable.net = "P1";
    b.gate("d-latch", {"m" + k}, "Q" + k).enable.net = "P2";
    from = "Q" + k;
  }
  return b;
}

BoardMaker relay_card() {
  BoardMaker b;  // two self-holding relays, the second interlocked with the first
  b.in({"START", "STOP", "NEXT"}).out({"K1", "K2"});
  b.gate("or", {"START", "K1"}, "h1");
  b.gate("and", {"h1", "not STOP"}, "K1");
  b.gate("and", {"NEXT", "K1"}, "n2");
  b.gate("or", {"n2", "K2"}, "h2");
  b.gate("and", {"h2", "not STOP"}, "K2");
  return b;
}

TEST(GenerateSequence, CardsReachEveryFaultFromUnknownPowerUp) {
  const std::pair<const char*, BoardMaker> cards[] = {{"latch", latch_card()},
                                                      {"counter", counter_card()},
                                                      {"two clocks", two_clock_card()},
                                                      {"relay", relay_card()}};
  for (const auto& [name, card] : cards) {
    const Netlist n = build_netlist(card.board).take();
    const Generated g = made(n);
    std::string left;
    for (std::size_t f = 0; f < g.coverage.first_step.size(); ++f)
      if (g.coverage.first_step[f] < 0 && g.coverage.untestable[f] == 0)
        left += n.label(g.coverage.list.representatives[f].at) + ' ' +
                fault_name(n, card.board, g.coverage.list.representatives[f]) + ", ";
    EXPECT_EQ(left, "") << name;
    EXPECT_EQ(shown_again(n, g.steps), g.coverage.detected()) << name;
    EXPECT_LT(g.steps.size(), 40u) << name;
    RecordProperty(std::string(name) + " steps", static_cast<int>(g.steps.size()));
  }
}

// A loadable up-down counter of `width` bits: its upper carries need one state in 2^width, which
// walks at random do not find and time frames do.
BoardMaker loadable_counter(int width) {
  BoardMaker b;
  b.in({"CLR", "LD", "EN", "UP"}).clock({"CK"});
  std::string carry = "EN";
  std::vector<std::string> data, state;
  for (int i = 0; i < width; ++i) {
    data.push_back(numbered("D", static_cast<std::size_t>(i)));
    state.push_back(numbered("Q", static_cast<std::size_t>(i)));
  }
  b.in(data).out(state).out({"TC"});
  for (std::size_t i = 0; i < data.size(); ++i) {
    const auto net = [&](const char* stem) { return numbered(stem, i); };
    b.gate("xor", {state[i], carry}, net("t"));
    b.gate("and", {net("t"), "not LD"}, net("h"));
    b.gate("and", {data[i], "LD"}, net("l"));
    b.gate("or", {net("h"), net("l")}, net("d"));
    b.clocked("d-flip-flop", {net("d")}, "CK", state[i]).clear.net = "CLR";
    b.gate("xnor", {state[i], "UP"}, net("e"));
    b.gate("and", {carry, net("e")}, net("c"));
    carry = net("c");
  }
  b.gate("buf", {carry}, "TC");
  return b;
}

TEST(GenerateSequence, HardStatesAreReachedByTimeFrames) {
  const BoardMaker card = loadable_counter(12);
  const Netlist n = build_netlist(card.board).take();
  ASSERT_GE(n.gates.size(), 60u);
  const Generated g = made(n);
  EXPECT_DOUBLE_EQ(g.coverage.coverage(), 1.0);
  EXPECT_EQ(shown_again(n, g.steps), g.coverage.detected());
  EXPECT_LE(g.steps.size(), 50u);
}

// The frames against the machines: what they promise must happen, for every power-up.
TEST(Frames, FoundContinuationsShowTheirFaults) {
  const BoardMaker card = loadable_counter(4);
  const Netlist n = build_netlist(card.board).take();
  const auto clock = frame_clock(n);
  ASSERT_TRUE(clock);
  const std::vector<Bit> unknown(n.states.size(), Bit::any);
  int found = 0;
  for (const Fault& f : stuck_at_faults(n).representatives) {
    if (clock->on_clock[f.at] != 0) continue;
    for (std::size_t frames = 1; frames <= 4; ++frames) {
      const auto patterns = find_frames(n, *clock, f, unknown, unknown, frames, 100'000);
      if (!patterns) continue;
      ++found;
      std::vector<SequenceStep> steps;
      for (const auto& p : *patterns) {
        SequenceStep step;
        for (std::uint32_t i = 0; i < p.size(); ++i)
          if (i != clock->input) step.set.push_back({i, p[i] ? Bit::one : Bit::zero});
        step.pulse = {{static_cast<std::uint32_t>(clock->input), 1}};
        steps.push_back(step);
      }
      judge_by_circuit(n, steps);
      EXPECT_GE(sequence_detections(n, {f}, steps)[0], 0) << n.label(f.at);
      break;
    }
  }
  EXPECT_GT(found, 60);
  EXPECT_FALSE(frame_clock(build_netlist(two_clock_card().board).take())) << "two clocks";
  EXPECT_FALSE(frame_clock(build_netlist(relay_card().board).take())) << "no clock";
}

TEST(GenerateSequence, BusIsNeverDrivenFromBothSides) {
  const BoardMaker card = bus_card();
  const Netlist n = build_netlist(card.board).take();
  const Generated g = made(n);
  EXPECT_DOUBLE_EQ(g.coverage.coverage(), 1.0);
  Simulator s = Simulator::make(card.board).take();
  for (const SequenceStep& step : g.steps) {
    files::Step named;
    bool bus_moves = false;
    for (const auto& [input, bit] : step.set) {
      named.set.push_back({n.inputs[input].line, bit});
      bus_moves |= n.inputs[input].line == "BUS";
    }
    EXPECT_TRUE(!bus_moves || step.set.size() == 1) << "relays move in any order";
    for (const auto& [input, count] : step.pulse)
      named.pulse.push_back({n.inputs[input].line, count});
    ASSERT_TRUE(s.step(named).ok());
    EXPECT_THAT(s.contentions(), ::testing::IsEmpty());
  }
}

int changes(const std::vector<std::vector<bool>>& patterns, const std::vector<std::size_t>& order,
            std::vector<bool> at) {
  int sum = 0;
  for (const std::size_t k : order) {
    for (std::size_t i = 0; i < at.size(); ++i) sum += at[i] != patterns[k][i] ? 1 : 0;
    at = patterns[k];
  }
  return sum;
}

std::vector<std::size_t> as_given(std::size_t n) {
  std::vector<std::size_t> order(n);
  for (std::size_t i = 0; i < n; ++i) order[i] = i;
  return order;
}

// All patterns of n lines: a Gray code changes one line a step, 2^n - 1 in all, which no order can
// beat; binary counting makes 2^(n+1) - 2 - n. The ratio falls below 55 % from five lines on.
TEST(QuietOrder, ExhaustiveSetsTakeAtMostFiftyFivePercentOfBinaryOrder) {
  for (std::size_t width = 1; width <= 12; ++width) {
    std::vector<std::vector<bool>> patterns;
    for (std::size_t m = 0; m < std::size_t{1} << width; ++m) {
      std::vector<bool> p;
      for (std::size_t i = 0; i < width; ++i) p.push_back(((m >> (width - 1 - i)) & 1u) != 0);
      patterns.push_back(p);
    }
    const std::vector<bool> rest(width, false);
    const auto order = quiet_order(patterns, rest);
    EXPECT_THAT(order, ::testing::UnorderedElementsAreArray(as_given(patterns.size())));
    const int quiet = changes(patterns, order, rest),
              binary = changes(patterns, as_given(patterns.size()), rest);
    EXPECT_EQ(quiet, (1 << width) - 1);
    EXPECT_EQ(binary, (1 << (width + 1)) - 2 - static_cast<int>(width));
    if (width < 5) continue;
    EXPECT_LE(quiet, 0.55 * binary) << width;
  }
}

TEST(QuietOrder, GrayStartsAtRestWhereverThatIs) {
  std::vector<std::vector<bool>> patterns;
  for (unsigned m = 0; m < 8; ++m) patterns.push_back({(m & 1) != 0, (m & 2) != 0, (m & 4) != 0});
  const std::vector<bool> rest{true, false, true};
  EXPECT_EQ(changes(patterns, quiet_order(patterns, rest), rest), 7);
}

TEST(QuietOrder, ToursArePermutationsAndMuchShorterThanRandom) {
  std::mt19937 random(9);
  for (const std::size_t count : {1u, 2u, 3u, 40u, 150u}) {
    std::vector<std::vector<bool>> patterns;
    for (std::size_t k = 0; k < count; ++k) {
      std::vector<bool> p;
      for (int i = 0; i < 12; ++i) p.push_back(random() % 2 != 0);
      patterns.push_back(p);
    }
    const std::vector<bool> rest(12, false);
    const auto order = quiet_order(patterns, rest);
    EXPECT_THAT(order, ::testing::UnorderedElementsAreArray(as_given(count)));
    if (count < 40) continue;
    EXPECT_LT(changes(patterns, order, rest), 0.5 * changes(patterns, as_given(count), rest));
  }
}

// Small enough to try every order.
TEST(QuietOrder, FindsTheShortestTourOfSixPoints) {
  std::mt19937 random(2);
  int best_found = 0;
  for (int trial = 0; trial < 40; ++trial) {
    std::vector<std::vector<bool>> patterns;
    for (int k = 0; k < 6; ++k) {
      std::vector<bool> p;
      for (int i = 0; i < 8; ++i) p.push_back(random() % 2 != 0);
      patterns.push_back(p);
    }
    const std::vector<bool> rest(8, false);
    std::vector<std::size_t> order = as_given(6);
    int shortest = 1000;
    do shortest = std::min(shortest, changes(patterns, order, rest));
    while (std::next_permutation(order.begin(), order.end()));
    const int found = changes(patterns, quiet_order(patterns, rest), rest);
    EXPECT_LE(found, shortest + 2);
    best_found += found == shortest ? 1 : 0;
  }
  EXPECT_GE(best_found, 30);
}

}  // namespace
}  // namespace tenterhook::circuit::testing
