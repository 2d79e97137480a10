#include "host/plan/plan.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

#include "firmware/wire/program.h"
#include "host/files/reader.h"
#include "host/plan/program.h"

namespace tenterhook::plan {
namespace {

using files::Bit;
using testing::Contains;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

files::Fixture mega() {
  auto fixture = files::read_fixture(TH_SOURCE_DIR "/fixtures/mega2560/fixture.yaml");
  EXPECT_TRUE(fixture) << fixture.error().text();
  return fixture.take();
}

Result<Plan> plan_text(const std::string& text) {
  auto vectors = files::parse_vectors("board.yaml", text);
  if (!vectors) return vectors.error();
  return make_plan(vectors.take(), mega(), {});
}

// A relay board of two inputs, an output and a clock; `more` is appended.
std::string board(const std::string& more) {
  return R"(board: heald-lamp
rails: {coil: {nominal: 24 V, window: 5 %, limit: 200 mA}}
families:
  contact: {drive: {low: ground, high: coil}, gives: {low: [-1 V, 5 V], high: [15 V, 26 V]}, needs: {low: [-3 V, 5 V], high: [15 V, 30 V]}}
lines:
  A: {in: contact}
  B: {in: contact}
  CK: {clock: contact, pulse: 200 us}
  Y: {out: contact, respond: 3 ms}
  W: {out: contact}
circuit:
  - {gate: and, in: [A, B], out: Y, parts: [K1], build: relay}
  - {gate: not, in: A, out: W, parts: [K2], build: relay}
)" + more;
}

TEST(Plan, AssignsChannelsWhereTheBoardHasNoHookup) {
  auto plan = plan_text(board("steps: [{set: {A: 1}, expect: {Y: 0}}]\n"));
  ASSERT_TRUE(plan) << plan.error().text();
  EXPECT_EQ(plan->hookup["A"].text(), "drive.0");
  EXPECT_EQ(plan->hookup["B"].text(), "drive.1");
  EXPECT_EQ(plan->hookup["CK"].text(), "fast.0");
  EXPECT_EQ(plan->hookup["Y"].text(), "sense.0");
  // 200 mA goes to the smallest channel that carries it.
  EXPECT_EQ(plan->hookup["coil"].text(), "rail.1");
  EXPECT_EQ(plan->banks[0].high, (Feed{Feed::Kind::rail, 1}));
  EXPECT_EQ(plan->banks[0].low, (Feed{Feed::Kind::ground, -1}));
  EXPECT_THAT(plan->wiring, Contains(HasSubstr("sense.0")));
}

TEST(Plan, LimitOfFewSensorStepsIsToldButNoMore) {
  std::string text = board("hookup: {coil: rail.0, A: drive.0, B: drive.1, CK: fast.0, Y: sense.0, W: sense.1}\nsteps: [{set: {A: 1}, expect: {Y: 0}}]\n");
  auto coarse = plan_text(text);
  ASSERT_TRUE(coarse) << coarse.error().text();
  EXPECT_THAT(coarse->warnings, Contains(AllOf(HasSubstr("coil, 200 mA, is 16 steps"), HasSubstr("rail.0"))));
  auto fine = plan_text(board("steps: [{set: {A: 1}, expect: {Y: 0}}]\n"));
  ASSERT_TRUE(fine);
  EXPECT_THAT(fine->warnings, Not(Contains(HasSubstr("current sensor"))));
}

TEST(Plan, LinesHoldTheirValueAndOnlyChangesMoveRelays) {
  auto plan = plan_text(board("steps: [{set: {A: 1}, expect: {Y: 0}}, {set: {B: 1}, expect: {Y: 1}}, {expect: {Y: 1}}]\n"));
  ASSERT_TRUE(plan) << plan.error().text();
  EXPECT_EQ(plan->steps[0].contacts.drive_high, 0b01u);
  EXPECT_EQ(plan->steps[1].contacts.drive_high, 0b11u);
  EXPECT_EQ(plan->steps[1].relay_moves, 1);
  EXPECT_EQ(plan->steps[2].relay_moves, 0);
  EXPECT_EQ(plan->relay_operations, 2);
}

TEST(Plan, UndrivenLineOpensAndKeepsItsLevelRelay) {
  auto plan = plan_text(board("steps: [{set: {A: 1}}, {set: {A: z}}, {set: {A: 1}}]\n"));
  ASSERT_TRUE(plan) << plan.error().text();
  EXPECT_EQ(plan->steps[0].contacts.drive_connect, 0b11u);
  EXPECT_EQ(plan->steps[1].contacts.drive_connect, 0b10u);
  EXPECT_EQ(plan->steps[1].contacts.drive_high, 0b01u);
  EXPECT_EQ(plan->steps[2].relay_moves, 1);
}

TEST(Plan, ExpectationsCarryTheWindowOfTheirLevel) {
  auto plan = plan_text(board("steps: [{set: {A: 1, B: 1}, expect: {Y: 1, W: 0}}]\n"));
  ASSERT_TRUE(plan) << plan.error().text();
  const auto& e = plan->steps[0].expectations;
  ASSERT_EQ(e.size(), 2u);
  EXPECT_EQ(e[0].line, "Y");
  EXPECT_EQ(e[0].window->min, Volts{15.0});
  EXPECT_EQ(e[1].window->max, Volts{5.0});
  EXPECT_NEAR(plan->steps[0].respond.value, 3e-3, 1e-12);
  // Two lines share one period of the mains: 20 ms / 104 us / 2.
  EXPECT_EQ(plan->steps[0].conversions, 97);
}

TEST(Plan, CircuitFillsWhatTheVectorsLeaveToIt) {
  auto plan = plan_text(board("steps: [{every: {A: all, B: all}, expect: circuit}]\n"));
  ASSERT_TRUE(plan) << plan.error().text();
  ASSERT_EQ(plan->steps.size(), 4u);
  std::string y, z;
  for (const PlannedStep& step : plan->steps) {
    for (const Expectation& e : step.expectations) (e.line == "Y" ? y : z) += files::letter(e.expected);
  }
  EXPECT_EQ(y, "0001");
  EXPECT_EQ(z, "1100");
}

TEST(Plan, ExpectationAgainstTheCircuitIsWarnedAbout) {
  auto plan = plan_text(board("steps: [{set: {A: 1, B: 1}, expect: {Y: 0}}]\n"));
  ASSERT_TRUE(plan) << plan.error().text();
  EXPECT_THAT(plan->warnings, Contains(HasSubstr("Y is expected to be 0, but the circuit of the board gives 1")));
}

TEST(Plan, ClockThroughAContactIsWarnedAbout) {
  auto plan = plan_text(board("hookup: {A: drive.0, B: drive.1, CK: drive.2, Y: sense.0, W: sense.1, coil: rail.3}\n"
                              "steps: [{pulse: CK}]\n"));
  ASSERT_TRUE(plan) << plan.error().text();
  EXPECT_THAT(plan->warnings, Contains(HasSubstr("contacts bounce")));
}

TEST(Plan, PulsesThroughAContactAreCountedAsItsOperations) {
  const std::string hookup = "hookup: {coil: rail.1, A: drive.0, B: drive.1, CK: drive.2, Y: sense.0, W: sense.1}\n";
  auto without = plan_text(board(hookup + "steps: [{set: {A: 1}, expect: {Y: 0}}]\n"));
  auto with = plan_text(board(hookup + "steps: [{set: {A: 1}, pulse: {CK: 3}, expect: {Y: 0}}]\n"));
  ASSERT_TRUE(without) << without.error().text();
  ASSERT_TRUE(with) << with.error().text();
  EXPECT_EQ(with->relay_operations, without->relay_operations + 6);
  EXPECT_NEAR(with->predicted.relay_s - without->predicted.relay_s, 6 * with->fixture.drive.settle.value, 1e-9);
}

TEST(Plan, RefusesAStepInWhichFixtureAndBoardDriveOneLine) {
  const std::string shared = R"(board: shared
rails: {coil: {nominal: 24 V, window: 5 %, limit: 200 mA}}
families:
  contact: {drive: {low: ground, high: coil}, gives: {low: [-1 V, 5 V], high: [15 V, 26 V]}, needs: {low: [-3 V, 5 V], high: [15 V, 30 V]}}
lines: {A: {in: contact}, EN: {in: contact}, B: {both: contact}}
circuit: [{gate: tri-state, in: A, enable: EN, out: B, build: tri-state}]
)";
  EXPECT_TRUE(plan_text(shared + "steps: [{set: {EN: 0, B: 1}}, {set: {B: z}}, {set: {EN: 1, A: 1}, expect: {B: 1}}]\n"));
  auto refused = plan_text(shared + "steps: [{set: {EN: 0, B: 1}}, {set: {EN: 1}}]\n");
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().trouble, Trouble::input);
  EXPECT_THAT(refused.error().text(), HasSubstr("driven by the fixture and by the board"));
}

TEST(Plan, ManyDisagreementsAreSummedUp) {
  auto plan = plan_text(board("steps: [{set: {A: 1}, repeat: 50, expect: {W: 1}}]\n"));
  ASSERT_TRUE(plan) << plan.error().text();
  EXPECT_LT(plan->warnings.size(), 30u);
  EXPECT_THAT(plan->warnings, Contains(HasSubstr("30 more expectations")));
}

TEST(Plan, WiringListNamesTheResistorsToAdd) {
  std::string text = board("steps: [{set: {A: 1}, expect: {Y: 0}}]\n");
  text.replace(text.find("W: {out: contact}"), 17, "W: {out: contact, pull: 10 kohm to coil}");
  auto plan = plan_text(text);
  ASSERT_TRUE(plan) << plan.error().text();
  EXPECT_THAT(plan->wiring, Contains(HasSubstr("10 kohm to coil")));
}

TEST(Plan, RefusesTheSameChannelTwice) {
  auto plan = plan_text(board("hookup: {A: drive.0, B: drive.0, CK: fast.0, Y: sense.0, W: sense.1, coil: rail.3}\nsteps: [{pulse: CK}]\n"));
  ASSERT_FALSE(plan);
  EXPECT_EQ(plan.error().trouble, Trouble::input);
}

TEST(Plan, RefusesMoreThanSixtyVoltsBetweenRails) {
  auto plan = plan_text(R"(board: too-high
rails: {plus: {nominal: 52 V, window: 1 %, limit: 50 mA}, minus: {nominal: -9 V, window: 1 %, limit: 50 mA}}
families: {f: {drive: {low: ground, high: plus}, gives: {low: [-1 V, 5 V], high: [40 V, 53 V]}}}
lines: {A: {in: f}, Y: {out: f}}
circuit: [{gate: buf, in: A, out: Y, parts: [V1]}]
steps: [{set: {A: 1}, expect: {Y: 1}}]
)");
  ASSERT_FALSE(plan);
  EXPECT_THAT(plan.error().text(), HasSubstr("60 V DC"));
}

TEST(Plan, RailsComeInTheirOrderAndProtectorsAreKnown) {
  auto vectors = files::read_vectors(TH_SOURCE_DIR "/vectors/shed-latch/acceptance.vectors.yaml");
  ASSERT_TRUE(vectors) << vectors.error().text();
  auto plan = make_plan(vectors.take(), mega(), {});
  ASSERT_TRUE(plan) << plan.error().text();
  ASSERT_EQ(plan->rails.size(), 3u);
  EXPECT_EQ(plan->rails[0].rail.name, "heater");
  EXPECT_EQ(plan->rails[1].rail.name, "bias");
  EXPECT_EQ(plan->rails[2].rail.name, "plate");
  EXPECT_FALSE(plan->rails[0].protecting);
  EXPECT_TRUE(plan->rails[1].protecting);
  EXPECT_FALSE(plan->rails[2].protecting);
  EXPECT_TRUE(plan->warnings.empty()) << plan->warnings.front();
}

// --- programs ---

// Walks a program as the fixture does: every label's byte and result counts must be true.
void expect_well_formed(const std::vector<std::uint8_t>& program) {
  std::size_t at = 0;
  while (at < program.size()) {
    ASSERT_EQ(program[at], static_cast<std::uint8_t>(wire::Op::label)) << "at " << at;
    wire::Reader reader(program.data() + at + 1, 7);
    wire::LabelOp label;
    wire::get(reader, label);
    at += wire::op_bytes(wire::Op::label);
    const std::size_t end = at + label.bytes;
    ASSERT_LE(end, program.size());
    while (at < end) {
      const auto size = wire::op_bytes(static_cast<wire::Op>(program[at]));
      ASSERT_GT(size, 0);
      at += size;
    }
    ASSERT_EQ(at, end);
  }
}

TEST(Program, EveryStepOfTheDemoBoardsIsWellFormed) {
  for (const char* file : {"/vectors/shed-latch/acceptance.vectors.yaml", "/vectors/pick-counter/acceptance.vectors.yaml",
                           "/vectors/shuttle-guard/acceptance.vectors.yaml", "/vectors/or-follower/board.yaml"}) {
    auto vectors = files::read_vectors(std::string(TH_SOURCE_DIR) + file);
    ASSERT_TRUE(vectors) << vectors.error().text();
    auto plan = make_plan(vectors.take(), mega(), {});
    ASSERT_TRUE(plan) << plan.error().text();
    auto steps = power_up_steps(*plan);
    ASSERT_TRUE(steps);
    steps->push_back(rest_step(*plan));
    steps->push_back(look_step(*plan, kLabelWarmUp));
    steps->push_back(rails_step(*plan, kLabelRails, 16));
    steps->push_back(contact_step(*plan, 0));
    for (const PlannedStep& step : plan->steps) steps->push_back(vector_step(*plan, step));
    for (const ProgramStep& step : *steps) {
      auto bytes = encode(step);
      ASSERT_TRUE(bytes) << bytes.error().text();
      expect_well_formed(*bytes);
    }
  }
}

TEST(Program, NegativeRailIsBoundedOnBothSides) {
  auto vectors = files::read_vectors(TH_SOURCE_DIR "/vectors/shed-latch/acceptance.vectors.yaml");
  ASSERT_TRUE(vectors);
  auto plan = make_plan(vectors.take(), mega(), {});
  ASSERT_TRUE(plan);
  auto steps = power_up_steps(*plan);
  ASSERT_TRUE(steps);
  const auto& bias = steps->at(2).ops;  // guards, heater, bias, plate
  const auto until = std::find_if(bias.begin(), bias.end(), [](const AnyOp& op) { return std::holds_alternative<wire::RailUntilOp>(op); });
  ASSERT_NE(until, bias.end());
  const auto& op = std::get<wire::RailUntilOp>(*until);
  const auto& channel = plan->fixture.rails.at(op.rail);
  EXPECT_LT(op.max, rail_counts(channel, Volts{-7.0})) << "a rail still at 0 V must not count as up";
  EXPECT_GT(op.min, rail_counts(channel, Volts{-11.0}));
}

TEST(Program, SoftStartAsksForItsCurrentBeforeTheMainContact) {
  auto vectors = files::read_vectors(TH_SOURCE_DIR "/vectors/shed-latch/acceptance.vectors.yaml");
  ASSERT_TRUE(vectors);
  auto plan = make_plan(vectors.take(), mega(), {});
  ASSERT_TRUE(plan);
  auto steps = power_up_steps(*plan);
  ASSERT_TRUE(steps);
  const auto& heater = steps->at(1).ops;
  ASSERT_TRUE(std::holds_alternative<wire::RailOp>(heater[0]));
  EXPECT_EQ(std::get<wire::RailOp>(heater[0]).mode, wire::RailMode::pre_charge);
  const auto& until = std::get<wire::RailUntilOp>(heater[1]);
  EXPECT_EQ(until.current_min, current_counts(plan->fixture.rails.at(0), Amps{4.0}));
  EXPECT_EQ(until.hold_ms, 2000u);
  EXPECT_EQ(std::get<wire::RailOp>(heater[2]).mode, wire::RailMode::on);
}

}  // namespace
}  // namespace tenterhook::plan
