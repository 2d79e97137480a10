// The circuit section: each, hierarchy, wired nets, not-built.
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "host/files/reader.h"

namespace tenterhook::files {
namespace {

const std::string kHead = "board: card\nrails: {vcc: {nominal: 5 V, window: 5 %, limit: 1 A}}\n";

Board good(const std::string& text) {
  const auto read = parse_board("f", text);
  EXPECT_TRUE(read.ok()) << (read.ok() ? "" : read.error().text());
  return read.ok() ? *read : Board{};
}

TEST(CircuitText, PinsControlsAndParts) {
  const Board board =
      good(kHead +
           "lines: {A: {in: ttl}, B: {in: ttl}, CK: {clock: ttl}, CLRn: {in: ttl}, Y: {out: ttl}}\n"
           "circuit:\n"
           "  - {gate: nand, in: [A, not B], out: n1, parts: [U1, U2], pins: {in1: U1, out: U2}}\n"
           "  - {gate: d-flip-flop, in: n1, clock: not CK, edge: falling, clear: not CLRn, set: A, "
           "out: Y, build: ttl}\n");
  const Gate& nand = board.circuit[0];
  EXPECT_EQ(nand.inputs, (std::vector<std::string>{"A", "B"}));
  EXPECT_EQ(nand.input_inverted, (std::vector<bool>{false, true}));
  EXPECT_EQ(nand.pin_parts.at("out"), "U2");
  EXPECT_EQ(nand.mark.text(), "f:5:5");
  const Gate& flip = board.circuit[1];
  EXPECT_TRUE(flip.falling_edge);
  EXPECT_TRUE(flip.clock.inverted);
  EXPECT_TRUE(flip.clear.inverted);
  EXPECT_EQ(flip.clear.net, "CLRn");
  EXPECT_EQ(flip.set.net, "A");
  EXPECT_FALSE(flip.set.inverted);
  EXPECT_EQ(flip.build, "ttl");
}

TEST(CircuitText, EachReachesItsNeighbours) {
  const Board board = good(kHead +
                           "lines: {IN: {in: ttl}, S3..S0: {out: ttl}}\n"
                           "circuit:\n"
                           "  - {gate: buf, in: IN, out: S0}\n"
                           "  - {each: [1, 2..3], gate: buf, in: S%-1, out: S%, parts: [U%]}\n");
  ASSERT_EQ(board.circuit.size(), 4u);
  EXPECT_EQ(board.circuit[3].inputs[0], "S2");
  EXPECT_EQ(board.circuit[3].parts[0], "U3");
}

TEST(CircuitText, LibraryGatesKeepTheirInsidesApart) {
  const auto read = read_board(TH_SOURCE_DIR "/tests/boards/dent-adder.yaml");
  ASSERT_TRUE(read.ok()) << read.error().text();
  ASSERT_EQ(read->circuit.size(), 5u);  // two half adders of two gates, and an or
  const Gate& first = read->circuit[0];
  EXPECT_EQ(first.type, "xor");
  EXPECT_EQ(first.path, "FA.H1");
  EXPECT_EQ(first.inputs, (std::vector<std::string>{"A", "B"}));
  EXPECT_EQ(first.outputs[0], "FA.part");
  EXPECT_EQ(first.parts[0], "FA.H1.T1");
  EXPECT_EQ(read->circuit[2].outputs[0], "SUM");
  EXPECT_EQ(read->circuit[4].parts[0], "FA.T4");
  ASSERT_EQ(read->sources.size(), 2u);  // the library too
  EXPECT_NE(read->sources[1].path.find("loom-gates.yaml"), std::string::npos);
}

TEST(CircuitText, GatesMayBeDefinedInTheBoardItself) {
  const Board board = good(kHead +
                           "lines: {A: {in: ttl}, Y: {out: ttl}}\n"
                           "gates: {twice: {in: A, out: Y, circuit: [{gate: not, in: A, out: m}, "
                           "{gate: not, in: m, out: Y}]}}\n"
                           "circuit: [{each: 0..1, gate: twice, name: T%, in: A, out: n%}, {gate: "
                           "and, in: [n0, n1], out: Y}]\n");
  EXPECT_EQ(board.circuit[2].outputs[0], "T1.m");
}

TEST(CircuitText, TroubleInsideALibraryIsToldThere) {
  const auto folder = std::filesystem::temp_directory_path();
  std::ofstream(folder / "th-bad-gates.yaml")
      << "gates: bad\ndefine:\n  g: {in: [A], out: [Y], circuit: [{gate: nott, in: A, out: Y}]}\n";
  const auto board =
      parse_board((folder / "b.yaml").string(),
                  kHead +
                      "lines: {A: {in: ttl}, Y: {out: ttl}}\ngates: th-bad-gates.yaml\ncircuit: "
                      "[{gate: g, name: U1, in: A, out: Y}]\n");
  ASSERT_FALSE(board.ok());
  EXPECT_EQ(board.error().text(), (folder / "th-bad-gates.yaml").string() +
                                      ":3:43: 'nott' is no gate; did you mean 'not'?");
  const Status alone = check_gates((folder / "th-bad-gates.yaml").string());
  ASSERT_FALSE(alone.ok());
  EXPECT_EQ(alone.error().text(), board.error().text());
  EXPECT_TRUE(check_gates(TH_SOURCE_DIR "/tests/boards/loom-gates.yaml").ok());
  std::filesystem::remove(folder / "th-bad-gates.yaml");
}

TEST(CircuitText, SeveralTriStatesShareANetByNature) {
  const auto read = read_board(TH_SOURCE_DIR "/tests/boards/yarn-bus.yaml");
  ASSERT_TRUE(read.ok());
  ASSERT_EQ(read->wired.size(), 2u);
  EXPECT_EQ(read->wired[0].kind, WiredNet::Kind::tri_state);
}

TEST(CircuitText, WiredNetsAreDeclared) {
  const auto read = read_board(TH_SOURCE_DIR "/tests/boards/stop-wire.yaml");
  ASSERT_TRUE(read.ok());
  ASSERT_EQ(read->wired.size(), 1u);
  EXPECT_EQ(read->wired[0].net, "STOPn");
  EXPECT_EQ(read->wired[0].kind, WiredNet::Kind::wired_and);
}

TEST(CircuitText, NotBuiltExcusesItsDriver) {
  const Board board = good(kHead +
                           "lines: {A: {in: ttl}, Y1..Y0: {out: ttl}}\ncircuit: [{gate: buf, in: "
                           "A, out: Y0}]\nnot-built: [Y1]\n");
  EXPECT_EQ(board.not_built, (std::vector<std::string>{"Y1"}));
}

TEST(CircuitText, TableRows) {
  const auto read = read_board(TH_SOURCE_DIR "/tests/boards/shed-decoder.yaml");
  ASSERT_TRUE(read.ok());
  EXPECT_EQ(read->circuit[0].table.at(2), "10 0100");
  EXPECT_EQ(read->circuit[0].outputs.size(), 4u);
}

}  // namespace
}  // namespace tenterhook::files
