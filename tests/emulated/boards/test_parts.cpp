// The parts files of the demo boards, and what a wrong one says.
#include "tests/emulated/boards/bench.h"

namespace tenterhook::emulated {
namespace {

TEST(PartsFile, ShedLatchHasItsTwentyValvesAndLeads) {
  const BoardDescription d = demo("shed-latch");
  EXPECT_EQ(d.name, "shed-latch");
  ASSERT_EQ(d.terminals.size(), 14u);
  EXPECT_EQ(d.terminals[0].name, "F3");
  EXPECT_EQ(d.terminals[0].drive, 3);
  EXPECT_EQ(d.terminals[5].name, "PICK");
  EXPECT_EQ(d.terminals[5].fast, 0);
  EXPECT_EQ(d.terminals[13].name, "Qn0");
  EXPECT_EQ(d.terminals[13].sense, 4);
  ASSERT_EQ(d.rails.size(), 3u);
  EXPECT_TRUE(d.rails[0].heats);
  EXPECT_DOUBLE_EQ(d.rails[1].nominal_volts, -9.0);
  EXPECT_DOUBLE_EQ(d.rails[2].farads, 1e-6);
  auto layout = lay_out(d, 1);
  ASSERT_TRUE(layout.ok());
  EXPECT_EQ(layout->heaters.size(), 20u);
  EXPECT_EQ(layout->parts.size(), 28u);
}

TEST(PartsFile, ShuttleGuardIsItsInterlock) {
  const BoardDescription d = demo("shuttle-guard");
  BoardTruth t = bench(d, 8);
  t.power_up(1.0);
  for (int p = 0; p < 32; ++p) {
    const bool left = p & 1, right = p & 2, guard = p & 4, warp = p & 8, run = p & 16;
    t.set("BOX_L", left);
    t.set("BOX_R", right);
    t.set("GUARD", guard);
    t.set("WARP", warp);
    t.set("RUN", run);
    t.wait(0.1);
    const bool safe = left != right && guard && warp;
    EXPECT_EQ(t.volts("PICK_OK") > 12.0, safe && run) << p;
    EXPECT_EQ(t.volts("ALARM") > 12.0, !safe && run) << p;
  }
}

struct Wrong {
  const char* text;
  const char* says;
};
class WrongParts : public testing::TestWithParam<Wrong> {};

TEST_P(WrongParts, IsRefusedWithItsPlace) {
  const auto read = parse_parts("x.parts.yaml", GetParam().text);
  ASSERT_FALSE(read.ok());
  EXPECT_NE(read.error().text().find(GetParam().says), std::string::npos) << read.error().text();
  EXPECT_EQ(read.error().text().rfind("x.parts.yaml:", 0), 0u) << read.error().text();
}

INSTANTIATE_TEST_SUITE_P(
    Texts, WrongParts,
    testing::Values(Wrong{"parts: a\nrails: {p: {nominal: 5 V}}\n",
                          "needs parts, rails, terminals and elements"},
                    Wrong{"parts: a\nrails: {p: {nominal: 5}}\nterminals: {A: {lead: "
                          "drive.0}}\nelements: [{gate: not, in: [A], out: Y}]\n",
                          "quantity in V"},
                    Wrong{"parts: a\nrails: {p: {nominal: 5 V}}\nterminals: {F1..F0: {lead: "
                          "drive.0}}\nelements: [{gate: not, in: [F0], out: Y}]\n",
                          "1 leads for 2 terminals"},
                    Wrong{"parts: a\nrails: {p: {nominal: 5 V}}\nterminals: {A: {lead: "
                          "knob.0}}\nelements: [{gate: not, in: [A], out: Y}]\n",
                          "no lead"},
                    Wrong{"parts: a\nrails: {p: {nominal: 5 V}}\nterminals: {A: {lead: "
                          "drive.0}}\nelements: [{gate: not, in: [A], outt: Y}]\n",
                          "outt"},
                    Wrong{"parts: a\nrails: {p: {nominal: 5 V}}\nterminals: {A: {lead: "
                          "drive.0}}\nelements: [{gate: not, in: [A], out: Y, parts: [T1]}, {gate: "
                          "not, in: [Y], out: Z, parts: [T1]}]\n",
                          "named twice"}),
    [](const testing::TestParamInfo<Wrong>& p) { return "n" + std::to_string(p.index); });

TEST(Description, WithAGateThatCannotBeIsRefused) {
  BoardDescription d = one_gate("flip", "transistor", 1);
  EXPECT_FALSE(make_board(d, 1, {}).ok());
  d.elements[0].type = "d-flip-flop";
  const auto made = make_board(d, 1, {});
  ASSERT_FALSE(made.ok());
  EXPECT_NE(made.error().text().find("no clock"), std::string::npos);
}

}  // namespace
}  // namespace tenterhook::emulated
