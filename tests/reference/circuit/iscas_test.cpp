// ISCAS netlists: counts of lines, faults and equivalence classes against the published ones.
//
// Gates, inputs, outputs, lines and the "simplistically reduced equivalent fault set size" stand in
// the headers of the .bench files (Brglez & Fujiwara, ISCAS 1985; Brglez, Bryan & Kozminski, ISCAS
// 1989); all were reproduced by an independent program. Convention: observation counts as a reader,
// so s27 has 26 lines and 32 classes (30 classes where it does not count).
#include <gtest/gtest.h>

#include <fstream>

#include "host/circuit/bench.h"
#include "host/circuit/faults.h"
#include "host/circuit/simulator.h"

namespace tenterhook::circuit {
namespace {

const std::string kFolder = TH_SOURCE_DIR "/tests/data/iscas/";

struct Published {
  const char* name;
  std::size_t inputs, outputs, gates, lines, faults, classes;
};
class Iscas : public ::testing::TestWithParam<Published> {};

TEST_P(Iscas, LinesFaultsAndClassesAreThePublishedOnes) {
  const Published& p = GetParam();
  const Result<files::Board> board = read_bench(kFolder + p.name + ".bench");
  ASSERT_TRUE(board.ok()) << board.error().text();
  const Result<Netlist> built = build_netlist(*board);
  ASSERT_TRUE(built.ok()) << built.error().text();
  const Netlist& n = *built;
  EXPECT_EQ(n.inputs.size(), p.inputs);
  EXPECT_EQ(n.outputs.size(), p.outputs);
  std::size_t gates = 0;
  for (const files::Gate& g : n.gates) gates += g.build == kScanView ? 0 : 1;
  EXPECT_EQ(gates, p.gates);
  const FaultList faults = stuck_at_faults(n);
  EXPECT_EQ(faults.lines, p.lines);
  EXPECT_EQ(faults.uncollapsed.size(), p.faults);
  EXPECT_EQ(faults.representatives.size(), p.classes);
}
INSTANTIATE_TEST_SUITE_P(Published, Iscas,
                         ::testing::Values(Published{"c17", 5, 2, 6, 17, 34, 22},
                                           Published{"c432", 36, 7, 160, 432, 864, 524},
                                           Published{"c499", 41, 32, 202, 499, 998, 758},
                                           Published{"c880", 60, 26, 383, 880, 1760, 942},
                                           Published{"s27", 7, 4, 10, 26, 52, 32}),
                         [](const auto& p) { return std::string(p.param.name); });

// The names of the published circuits are their line counts.
TEST(Iscas, HeaderAddsUpToTheName) {
  for (const char* name : {"c432", "c499", "c880"}) {
    std::ifstream in(kFolder + name + ".bench");
    std::string line;
    int sum = 0;
    while (std::getline(in, line)) {
      const std::size_t dots = line.rfind(' ');
      if (line.find("lines from") != std::string::npos && dots != std::string::npos) sum += std::stoi(line.substr(dots));
    }
    EXPECT_EQ("c" + std::to_string(sum), name);
  }
}

// c17 responses (outputs 22, 23) for inputs 1, 2, 3, 6, 7, computed exhaustively by other means.
TEST(Iscas, C17RespondsAsComputed) {
  Simulator s = Simulator::make(*read_bench(kFolder + "c17.bench")).take();
  const std::pair<const char*, const char*> cases[] = {{"00101", "01"}, {"01010", "11"}, {"10010", "00"}, {"11111", "10"},
                                                       {"10000", "00"}, {"01111", "00"}, {"10101", "11"}, {"11010", "11"}};
  const char* inputs[] = {"G1gat", "G2gat", "G3gat", "G6gat", "G7gat"};
  for (const auto& [given, wanted] : cases) {
    std::vector<std::pair<std::string, files::Bit>> set;
    for (int i = 0; i < 5; ++i) set.push_back({inputs[i], given[i] == '1' ? files::Bit::one : files::Bit::zero});
    ASSERT_TRUE(s.set(set).ok());
    std::string seen;
    for (const auto& output : s.outputs()) seen += output.second == files::Bit::one ? '1' : '0';
    EXPECT_EQ(seen, wanted) << given;
  }
}

}  // namespace
}  // namespace tenterhook::circuit
