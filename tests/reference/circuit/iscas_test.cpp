// ISCAS netlists: counts of lines, faults and equivalence classes against the published ones.
//
// Gates, inputs, outputs, lines and the "simplistically reduced equivalent fault set size" stand in
// the headers of the .bench files (Brglez & Fujiwara, ISCAS 1985; Brglez, Bryan & Kozminski, ISCAS
// 1989); all were reproduced by an independent program. Convention: observation counts as a reader,
// so s27 has 26 lines and 32 classes (30 classes where it does not count).
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

#include "host/circuit/bench.h"
#include "host/circuit/faults.h"
#include "host/circuit/patterns.h"
#include "host/circuit/prover.h"
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
      if (line.find("lines from") != std::string::npos && dots != std::string::npos)
        sum += std::stoi(line.substr(dots));
    }
    EXPECT_EQ("c" + std::to_string(sum), name);
  }
}

// Redundant faults: random vectors, then one proof a fault; counts computed by an independent
// program and equal to the published ones (Schulz, SOCRATES, 1988, and later papers; from memory).
std::vector<std::string> redundant(const std::string& name) {
  const files::Board board = read_bench(kFolder + name + ".bench").take();
  const Netlist n = build_netlist(board).take();
  const FaultList list = stuck_at_faults(n);
  Patterns patterns(n.inputs.size());
  patterns.add_random(4096, 1);
  const std::vector<std::int64_t> first = first_detections(n, list.representatives, patterns);
  std::vector<std::string> names;
  for (std::size_t f = 0; f < first.size(); ++f) {
    if (first[f] >= 0) continue;
    const FoundTest found = find_test(n, list.representatives[f]);
    EXPECT_NE(found.proof, Proof::gave_up);
    if (found.proof != Proof::untestable) continue;
    std::string members;
    for (std::size_t u = 0; u < list.uncollapsed.size(); ++u)
      if (list.class_of[u] == f)
        members += n.label(list.uncollapsed[u].at) +
                   (list.uncollapsed[u].kind == FaultKind::stuck_one ? "/1;" : "/0;");
    names.push_back(members);
  }
  return names;
}

TEST(Iscas, RedundantFaultsAreTheKnownOnes) {
  using ::testing::HasSubstr;
  using ::testing::UnorderedElementsAre;
  EXPECT_TRUE(redundant("c17").empty());
  EXPECT_TRUE(redundant("c880").empty());
  EXPECT_TRUE(redundant("s27").empty());
  EXPECT_THAT(redundant("c432"),
              UnorderedElementsAre(HasSubstr("G259gat/1"), HasSubstr("G347gat/1"),
                                   HasSubstr("G379gat/1"), HasSubstr("G393gat at G429gat.")));
  const std::vector<std::string> c499 = redundant("c499");
  EXPECT_EQ(c499.size(), 8u);
  for (const std::string& members : c499)
    EXPECT_THAT(members, ::testing::ContainsRegex("Gs[0-9] at Gt[0-9]\\.in[0-9]/1"));
}

// All 32 patterns: 22 classes of functionally equivalent faults, all testable; exactly 10 complete
// sets of four patterns and none of three (computed exhaustively by other means).
TEST(Iscas, C17HasTenCompleteSetsOfFour) {
  const Netlist n = build_netlist(*read_bench(kFolder + "c17.bench")).take();
  const FaultList list = stuck_at_faults(n);
  Patterns all(5);
  for (unsigned m = 0; m < 32; ++m)
    all.add({(m & 16) != 0, (m & 8) != 0, (m & 4) != 0, (m & 2) != 0, (m & 1) != 0});
  PatternSimulator simulator(n);
  simulator.load(all.block(0));
  std::vector<std::uint32_t> alive(list.representatives.size());
  for (std::uint32_t i = 0; i < alive.size(); ++i) alive[i] = i;
  std::vector<Word> seen;
  simulator.detect(list.representatives, alive, seen);
  std::vector<std::uint32_t> by_pattern(32, 0);
  for (std::size_t f = 0; f < seen.size(); ++f)
    for (std::size_t p = 0; p < 32; ++p)
      if (test(seen[f], p)) by_pattern[p] |= 1u << f;
  const std::uint32_t complete = (1u << seen.size()) - 1;
  std::vector<std::uint32_t> fours;
  for (std::size_t a = 0; a < 32; ++a)
    for (std::size_t b = a + 1; b < 32; ++b)
      for (std::size_t c = b + 1; c < 32; ++c) {
        const std::uint32_t three = by_pattern[a] | by_pattern[b] | by_pattern[c];
        EXPECT_NE(three, complete);
        for (std::size_t d = c + 1; d < 32; ++d)
          if ((three | by_pattern[d]) == complete)
            fours.push_back(
                static_cast<std::uint32_t>((1u << a) | (1u << b) | (1u << c) | (1u << d)));
      }
  EXPECT_EQ(fours.size(), 10u);
  const auto set = [](std::initializer_list<unsigned> members) {
    std::uint32_t bits = 0;
    for (const unsigned m : members) bits |= 1u << m;
    return bits;
  };
  EXPECT_THAT(fours, ::testing::IsSupersetOf({set({0b00101, 0b01010, 0b10010, 0b11111}),
                                              set({0b00101, 0b01010, 0b10000, 0b11111}),
                                              set({0b01010, 0b01111, 0b10000, 0b10101}),
                                              set({0b10010, 0b01111, 0b11010, 0b10101})}));
}

// c17 responses (outputs 22, 23) for inputs 1, 2, 3, 6, 7, computed exhaustively by other means.
TEST(Iscas, C17RespondsAsComputed) {
  Simulator s = Simulator::make(*read_bench(kFolder + "c17.bench")).take();
  const std::pair<const char*, const char*> cases[] = {
      {"00101", "01"}, {"01010", "11"}, {"10010", "00"}, {"11111", "10"},
      {"10000", "00"}, {"01111", "00"}, {"10101", "11"}, {"11010", "11"}};
  const char* inputs[] = {"G1gat", "G2gat", "G3gat", "G6gat", "G7gat"};
  for (const auto& [given, wanted] : cases) {
    std::vector<std::pair<std::string, files::Bit>> set;
    for (int i = 0; i < 5; ++i)
      set.push_back({inputs[i], given[i] == '1' ? files::Bit::one : files::Bit::zero});
    ASSERT_TRUE(s.set(set).ok());
    std::string seen;
    for (const auto& output : s.outputs()) seen += output.second == files::Bit::one ? '1' : '0';
    EXPECT_EQ(seen, wanted) << given;
  }
}

}  // namespace
}  // namespace tenterhook::circuit
