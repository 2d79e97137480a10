#include "host/power/budget.h"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "host/files/reader.h"
#include "host/power/wiring.h"

namespace tenterhook::power {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

files::Board board(const std::string& rails, const std::string& circuit = "") {
  auto read = files::parse_board("board.yaml", "board: filament-rack\nrails:\n" + rails +
                                                   "lines: {A: {in: ttl}}\nfamilies: {ttl: {needs: {low: [0 V, 1 V], high: [2 V, 6 V]}}}\n" + circuit);
  EXPECT_TRUE(read) << read.error().text();
  return read.take();
}

std::string filaments(int count, const std::string& more) {
  return fmt::format("  heater: {{nominal: 6.3 V, window: 6 %, limit: 60 A, draws: [{{what: filaments, kind: filament, count: {}, each: 300 mA}}], {}}}\n",
                     count, more);
}

SupplyBudget only(const files::Board& b) {
  auto budget = budget_of(b);
  EXPECT_TRUE(budget) << budget.error().text();
  return budget->supplies.front();
}

// Six and sixty filaments of 6.3 V, 300 mA on a supply limited to twice their running current.
TEST(Budget, SixFilamentsOnTwiceTheirCurrentNeedAnOhmAndAHalf) {
  const SupplyBudget s = only(board(filaments(6, "supply: 3.6 A")));
  EXPECT_NEAR(s.steady.value, 1.8, 1e-9);
  // Cold inrush is several times the running current (common practice, no source).
  EXPECT_GT(s.cold / s.steady, 5.0);
  EXPECT_LT(s.cold / s.steady, 7.2);
  EXPECT_EQ(s.held, Amps{3.6});
  ASSERT_TRUE(s.held_for.has_value());
  ASSERT_TRUE(s.pre_charge.has_value());
  const PreCharge& p = *s.pre_charge;
  EXPECT_TRUE(p.fits);
  // 6.3 V / 3.24 A less the cold 0.521 ohm: 1.42 ohm, so 1.5.
  EXPECT_DOUBLE_EQ(p.resistor.value, 1.5);
  EXPECT_NEAR(p.first.value, 6.3 / (1.5 + s.filaments->cold().value), 1e-9);
  EXPECT_LE(p.first.value, 3.24);
  EXPECT_LE(p.second.value, 3.24 + 1e-9);
  EXPECT_GT(p.rating, p.lasting);
  fmt::print("{}", text(*budget_of(board(filaments(6, "supply: 3.6 A")))));
  fmt::print("{}", text(*budget_of(board(filaments(60, "supply: 36 A")))));
}

TEST(Budget, SixtyFilamentsScaleByTen) {
  const SupplyBudget six = only(board(filaments(6, "supply: 3.6 A")));
  const SupplyBudget sixty = only(board(filaments(60, "supply: 36 A")));
  EXPECT_NEAR(sixty.cold / six.cold, 10.0, 1e-9);
  EXPECT_DOUBLE_EQ(sixty.pre_charge->resistor.value, 0.15);
  EXPECT_NEAR(sixty.pre_charge->switch_over.value, six.pre_charge->switch_over.value, 0.02);
  EXPECT_GT(sixty.pre_charge->rating.value, six.pre_charge->rating.value);
}

TEST(Budget, NoResistorIsAskedForWhereTheSupplyCarriesTheInrush) {
  const SupplyBudget s = only(board(filaments(6, "supply: 20 A")));
  EXPECT_FALSE(s.pre_charge.has_value());
  EXPECT_FALSE(s.held_for.has_value());
  EXPECT_THAT(s.warnings, IsEmpty());
}

TEST(Budget, SaysWhenNoResistorCanHelp) {
  // 1.2 times the running current: the second peak alone is higher.
  const SupplyBudget s = only(board(filaments(6, "supply: 2.16 A")));
  ASSERT_TRUE(s.pre_charge.has_value());
  EXPECT_FALSE(s.pre_charge->fits);
  EXPECT_THAT(s.warnings, ElementsAre(HasSubstr("no resistor keeps both peaks")));
}

TEST(Budget, SaysWhenTheSupplyCannotCarryTheRunningCurrent) {
  EXPECT_THAT(only(board(filaments(6, "supply: 1.5 A"))).warnings, ElementsAre(HasSubstr("it will never come up")));
}

TEST(Budget, WireDropsBothWaysAndWarnsWithDeferenceToTheCode) {
  const SupplyBudget s = only(board(filaments(60, "supply: 36 A, wire: {gauge: 22 AWG, length: 0.5 m, contacts: 2}")));
  ASSERT_TRUE(s.wire.has_value());
  EXPECT_NEAR(s.wire->ohms.value, 2 * 0.5 * ohms_per_metre(22) + 2 * 0.020, 1e-12);
  EXPECT_NEAR(s.wire->drop.value, 18.0 * s.wire->ohms.value, 1e-12);
  EXPECT_NEAR(s.wire->watts_per_metre, 18.0 * 18.0 * ohms_per_metre(22), 1e-9);
  EXPECT_THAT(s.warnings, ElementsAre(HasSubstr("local code"), HasSubstr("local code"), HasSubstr("drops")));
}

TEST(Budget, StoredEnergyAndBleedTime) {
  const SupplyBudget s = only(board("  plate: {nominal: 60 V, window: [57 V, 60 V], limit: 1 A, capacitance: 4.7 mF}\n"));
  EXPECT_NEAR(s.joules, 8.46, 0.01);
  EXPECT_NEAR(s.bleed.value, 4.7 * std::log(60.0 / 5.0), 1e-6);
}

TEST(Budget, EstimatesFromTheCircuitAndSaysSo) {
  const files::Board latch = *files::read_board(TH_SOURCE_DIR "/vectors/shed-latch/board.yaml");
  auto budget = budget_of(latch);
  ASSERT_TRUE(budget);
  const SupplyBudget& heater = budget->supplies[0];
  EXPECT_EQ(heater.filaments->count, 20);
  EXPECT_NEAR(heater.steady.value, 6.0, 1e-9);
  EXPECT_THAT(text(*budget), HasSubstr("declare `draws`"));
  // Four latches of the simulated gate set draw some 13 mA at +30 V; flip-flops and followers more.
  EXPECT_GT(budget->supplies[2].steady.value, 0.013);
  EXPECT_LT(budget->supplies[2].steady.value, 0.050);
}

TEST(Budget, MachineAddsUpWhatASupplyFeeds) {
  const auto machine = files::read_machine(TH_SOURCE_DIR "/tests/boards/two-cards.machine.yaml");
  ASSERT_TRUE(machine) << machine.error().text();
  auto budget = budget_of(*machine);
  ASSERT_TRUE(budget);
  ASSERT_EQ(budget->supplies.size(), machine->supplies.size());
  for (std::size_t i = 0; i < machine->supplies.size(); ++i) {
    Amps sum{};
    for (const files::Terminal& fed : machine->supplies[i].feeds) {
      const files::Board& b = machine->board(fed.board)->board;
      for (const files::Draw& d : draws_of(b, *b.rail(fed.name)).draws) sum += d.each * static_cast<double>(d.count);
    }
    EXPECT_NEAR(budget->supplies[i].steady.value, sum.value, 1e-12);
  }
}

TEST(Budget, RefusesAKindOfLoadThatIsNone) {
  const auto bad = files::parse_board("board.yaml", "board: b\nrails: {p: {nominal: 5 V, window: 5 %, limit: 1 A, draws: [{each: 1 mA, kind: filamnt}]}}\nlines: {A: {in: ttl}}\n");
  ASSERT_FALSE(bad.ok());
  EXPECT_THAT(bad.error().text(), HasSubstr("filament"));
}

}  // namespace
}  // namespace tenterhook::power
