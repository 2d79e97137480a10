// A user's board: the wiring comes along, the judgement stays behind.
#include "fixtures/emulated/boards/from_board.h"
#include "tests/emulated/boards/bench.h"

namespace tenterhook::emulated {
namespace {

files::Board board() {
  files::Board b;
  b.name = "mine";
  files::Rail rail;
  rail.name = "logic";
  rail.nominal = Volts{12.0};
  rail.window = {Volts{11.4}, Volts{12.6}};
  b.rails.push_back(rail);
  files::Family family;
  family.name = "bus";
  family.one_is_low = true;
  b.families["bus"] = family;
  for (const char* name : {"A", "B", "Y"}) {
    files::Line line;
    line.name = name;
    line.family = "bus";
    line.kind = name[0] == 'Y' ? files::LineKind::output : files::LineKind::input;
    if (name[0] == 'Y') line.pull = files::Load{Ohms{10e3}, "logic"};
    b.lines.push_back(line);
  }
  files::Gate gate;
  gate.type = "nand";
  gate.inputs = {"A", "B"};
  gate.input_inverted = {false, true};
  gate.outputs = {"Y"};
  gate.clear = {"A", true};
  gate.parts = {"T1", "T2"};
  b.circuit.push_back(gate);
  b.hookup = {{"A", {"drive", 4}}, {"B", {"fast", 1}}, {"Y", {"sense", 7}}, {"logic", {"rail", 2}}};
  return b;
}

TEST(FromBoard, CopiesTheWiring) {
  const BoardDescription d = describe_board(board());
  ASSERT_EQ(d.terminals.size(), 3u);
  EXPECT_EQ(d.terminals[0].drive, 4);
  EXPECT_EQ(d.terminals[0].sense, -1);
  EXPECT_EQ(d.terminals[1].fast, 1);
  EXPECT_EQ(d.terminals[2].sense, 7);
  EXPECT_TRUE(d.terminals[2].is_output);
  EXPECT_TRUE(d.terminals[2].one_is_low);
  EXPECT_DOUBLE_EQ(d.terminals[2].pull_ohms, 10e3);
  ASSERT_EQ(d.rails.size(), 1u);
  EXPECT_EQ(d.rails[0].channel, 2);
  EXPECT_FALSE(d.rails[0].heats);
  ASSERT_EQ(d.elements.size(), 1u);
  EXPECT_TRUE(d.elements[0].clear_low);
  EXPECT_TRUE(d.elements[0].input_inverted[1]);
  EXPECT_EQ(d.elements[0].parts.size(), 2u);
}

TEST(FromBoard, ALineThatGoesBothWaysHasTwoLeads) {
  files::Board b = board();
  b.lines[0].kind = files::LineKind::both;
  b.hookup_sense["A"] = {"sense", 3};
  const BoardDescription d = describe_board(b);
  EXPECT_EQ(d.terminals[0].drive, 4);
  EXPECT_EQ(d.terminals[0].sense, 3);
  EXPECT_TRUE(d.terminals[0].is_output);
}

TEST(FromBoard, WindowsAndFamiliesChangeNothing) {
  files::Board other = board();
  other.rails[0].window = {Volts{0.0}, Volts{1.0}};
  other.families["bus"].needs = {files::Window{Volts{3}, Volts{4}},
                                 files::Window{Volts{5}, Volts{6}}};
  other.families["bus"].gives = other.families["bus"].needs;
  BoardTruth a = bench(describe_board(board())), b = bench(describe_board(other));
  for (BoardTruth* t : {&a, &b}) {
    t->set("A", true);
    t->set("B", false);
    t->power_up(1.0);
  }
  EXPECT_EQ(a.volts("Y"), b.volts("Y"));
}

TEST(FromBoard, RecognisesTheHeaterRailAndLeavesOutWhatIsNotBuilt) {
  files::Board b = board();
  files::Rail heater;
  heater.name = "heater";
  heater.nominal = Volts{6.3};
  b.rails.push_back(heater);
  b.not_built = {"Y"};
  const BoardDescription d = describe_board(b);
  EXPECT_TRUE(d.rails[1].heats);
  EXPECT_TRUE(d.elements.empty());
}

}  // namespace
}  // namespace tenterhook::emulated
