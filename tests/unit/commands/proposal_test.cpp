#include "host/commands/proposal.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <set>

#include "host/circuit/simulator.h"
#include "host/commands/propose_steps.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

using files::Bit;
using ::testing::HasSubstr;

files::Board board_of(const std::string& text) {
  auto board = files::parse_board("board.yaml", text);
  EXPECT_TRUE(board.ok()) << board.error().text();
  return board.take();
}
const std::string kHead =
    "board: made\nrails: {plate: {nominal: 30 V, window: 5 %, limit: 50 mA}}\n"
    "families: {v30: {drive: {low: ground, high: plate}, gives: {low: [-1 V, 8 V], high: [22 V, 31 V]}, needs: {low: [-9 V, 9.3 V], high: [14 V, 31.5 V]}}}\n";
files::Board gate() { return board_of(kHead + "lines: {A: {in: v30}, B: {in: v30}, Y: {out: v30}}\ncircuit: [{gate: or, in: [A, B], out: Y}]\n"); }

// --- what is tried ---

std::set<std::string> patterns(const std::vector<files::Step>& steps, const std::vector<std::string>& inputs) {
  std::map<std::string, char> now;
  std::set<std::string> seen;
  for (const files::Step& step : steps) {
    for (const auto& [line, bit] : step.set) now[line] = files::letter(bit);
    std::string pattern;
    for (const std::string& input : inputs) pattern += now.at(input);
    seen.insert(pattern);
  }
  return seen;
}

TEST(StepsToPropose, TryEveryCombinationWithOneChangeEach) {
  const auto proposed = steps_to_propose(gate(), 1);
  ASSERT_TRUE(proposed.ok());
  EXPECT_EQ(proposed->steps.size(), 4u);
  EXPECT_EQ(patterns(proposed->steps, {"A", "B"}).size(), 4u);
  for (std::size_t i = 1; i < proposed->steps.size(); ++i) EXPECT_EQ(proposed->steps[i].set.size(), 1u);
}

TEST(StepsToPropose, WalkEveryStateOfACounterInEveryInput) {
  const auto board = files::read_board(TH_SOURCE_DIR "/vectors/pick-counter/board.yaml");
  ASSERT_TRUE(board.ok());
  const auto proposed = steps_to_propose(*board, 1);
  ASSERT_TRUE(proposed.ok()) << proposed.error().text();
  EXPECT_LT(static_cast<int>(proposed->steps.size()), kWalkSteps);
  auto model = circuit::Simulator::make(*board);
  ASSERT_TRUE(model.ok());
  model->power_up();
  std::set<std::string> states, transitions;
  for (const files::Step& step : proposed->steps) {
    std::string from;
    for (const auto& [line, bit] : model->outputs()) from += files::letter(bit);
    ASSERT_TRUE(model->step(step).ok());
    std::string to;
    for (const auto& [line, bit] : model->outputs()) to += files::letter(bit);
    states.insert(to);
    if (from.find('x') == std::string::npos && !step.pulse.empty()) transitions.insert(from + to);
  }
  for (const char* state : {"000", "001", "010", "011", "100", "101", "110", "111"}) EXPECT_TRUE(states.count(state)) << state;
  // Eight counts on, the wrap among them, and eight pulses that the clear swallows.
  EXPECT_GE(transitions.size(), 15u);
  EXPECT_TRUE(transitions.count("111000"));
}

TEST(StepsToPropose, WithoutACircuitTheWalkIsRandomAndTheSameForASeed) {
  const files::Board board = board_of(kHead + "lines: {A: {in: v30}, CK: {clock: v30}, Y: {out: v30}}\n");
  const auto one = steps_to_propose(board, 1), same = steps_to_propose(board, 1), other = steps_to_propose(board, 2);
  ASSERT_TRUE(one.ok() && same.ok() && other.ok());
  const auto text = [](const ProposedSteps& p) {
    std::string all;
    for (const files::Step& s : p.steps) all += std::to_string(s.set.size()) + std::to_string(s.pulse.size());
    return all;
  };
  EXPECT_EQ(text(*one), text(*same));
  EXPECT_NE(text(*one), text(*other));
  EXPECT_THAT(one->how, HasSubstr("not covered"));
}

TEST(StepsToPropose, RefuseWhatOnlyAPersonKnows) {
  EXPECT_FALSE(steps_to_propose(board_of(kHead + "lines: {D: {both: v30}, A: {in: v30}}\n"), 1).ok());
  EXPECT_FALSE(steps_to_propose(board_of(kHead + "lines: {Y: {out: v30}}\n"), 1).ok());
}

// --- what is made of it ---

// Readings of Y, by round and step; U 0.1 V.
std::vector<record::RunRecord> rounds_of(const std::vector<std::vector<double>>& volts) {
  std::vector<record::RunRecord> rounds;
  for (const auto& round : volts) {
    record::RunRecord run;
    for (std::size_t i = 0; i < round.size(); ++i) {
      record::StepRecord step;
      step.index = static_cast<int>(i);
      measure::Reading r;
      r.line = "Y";
      r.volts = Volts{round[i]};
      r.U = Volts{0.1};
      step.readings.push_back(r);
      run.steps.push_back(step);
    }
    rounds.push_back(run);
  }
  return rounds;
}
Proposal propose_gate(const std::vector<std::vector<double>>& volts) {
  const auto steps = steps_to_propose(gate(), 1);
  auto proposal = propose_from(gate(), steps->steps, rounds_of(volts));
  EXPECT_TRUE(proposal.ok()) << proposal.error().text();
  return proposal.take();
}
std::string bits(const Proposal& p) {
  std::string all;
  for (const files::Step& step : p.steps) all += files::letter(step.expect.at(0).second);
  return all;
}

TEST(Proposal, ExpectsWhatWasMeasuredAndLeavesRoomForOthers) {
  const Proposal p = propose_gate({{5.0, 24.0, 24.4, 24.2}, {5.2, 24.1, 24.4, 24.3}});
  EXPECT_EQ(bits(p), "0111");
  EXPECT_TRUE(p.undecided.empty() && p.contradictions.empty());
  ASSERT_EQ(p.lines.size(), 1u);
  const files::LevelWindows& w = p.lines[0].windows;
  // Swing 24.2 - 5.1 = 19.1 V; U 0.1 V: 2.01 V more on either side.
  EXPECT_NEAR(w.low->min.value, 5.0 - 2.01, 0.02);
  EXPECT_NEAR(w.low->max.value, 5.2 + 2.01, 0.02);
  EXPECT_NEAR(w.high->min.value, 24.0 - 2.01, 0.02);
  EXPECT_NEAR(w.high->max.value, 24.4 + 2.01, 0.02);
  EXPECT_THAT(p.lines[0].why, HasSubstr("5.00 to 5.20 V (2 readings, U 0.10)"));
}

TEST(Proposal, NeverReachesPastWhatReceiversNeed) {
  const Proposal p = propose_gate({{8.5, 15.0, 15.2, 15.1}});
  EXPECT_NEAR(p.lines[0].windows.low->max.value, 9.26, 0.02);
  EXPECT_NEAR(p.lines[0].windows.high->min.value, 14.24, 0.02);
  const Proposal near = propose_gate({{9.2, 24.0, 24.0, 24.0}});
  EXPECT_NEAR(near.lines[0].windows.low->max.value, 9.3, 0.011);
  EXPECT_THAT(near.lines[0].why, HasSubstr("not past the 9.3 V that v30 needs"));
  const Proposal beyond = propose_gate({{10.5, 24.0, 24.0, 24.0}});
  EXPECT_THAT(beyond.lines[0].why, HasSubstr("MEASURED BEYOND"));
}

TEST(Proposal, WhatDiffersBetweenPowerUpsIsNotExpected) {
  const Proposal p = propose_gate({{5.0, 24.0, 24.0, 24.0}, {24.0, 24.0, 24.0, 24.0}});
  EXPECT_EQ(bits(p), "x111");
  ASSERT_EQ(p.undecided.size(), 1u);
  EXPECT_THAT(p.undecided[0], HasSubstr("in 1 of 4 steps (first step 0)"));
}

TEST(Proposal, TellsWhereTheBoardContradictsItsCircuit) {
  const Proposal p = propose_gate({{5.0, 24.0, 5.1, 24.0}});
  EXPECT_EQ(bits(p), "0101");
  ASSERT_EQ(p.contradictions.size(), 1u);
  EXPECT_THAT(p.contradictions[0], HasSubstr("step 2: Y showed 0, the circuit says 1"));
}

TEST(Proposal, ALineThatNeverMovesIsToldByItsFamily) {
  const Proposal p = propose_gate({{5.0, 5.1, 5.0, 5.1}});
  EXPECT_EQ(bits(p), "0000");
  EXPECT_EQ(p.contradictions.size(), 3u);
  ASSERT_FALSE(p.undecided.empty());
  EXPECT_THAT(p.undecided[0], HasSubstr("stays at 5.05 V"));
  EXPECT_FALSE(p.lines[0].windows.high.has_value());
}

TEST(Proposal, VoltsBetweenTheLevelsAreNoThirdLevel) {
  const Proposal p = propose_gate({{5.0, 11.0, 17.0, 24.0}});
  ASSERT_FALSE(p.undecided.empty());
  EXPECT_THAT(p.undecided[0], HasSubstr("do not fall into two levels"));
}

}  // namespace
}  // namespace tenterhook::commands
