// coverage and generate as commands: the demo boards and ISCAS netlists, files in, files and JSON
// out.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "host/circuit/generate.h"
#include "host/commands/coverage.h"
#include "host/commands/generate.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

using nlohmann::json;
const std::string kTree = TH_SOURCE_DIR;

std::string text_of(const std::string& path) {
  std::ifstream in(path);
  std::ostringstream text;
  text << in.rdbuf();
  return text.str();
}

class CircuitCommands : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::temp_directory_path() /
              ("tenterhook-circuit-" + std::to_string(::getpid()));
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  std::string path(const std::string& name) const { return (folder_ / name).string(); }

  json coverage_of(const std::string& vectors, bool others = false) {
    CoverageOptions options;
    options.vectors = vectors;
    options.json = path("coverage.json");
    options.other_faults = others;
    options.quiet = true;
    EXPECT_EQ(coverage(options), 0);
    return json::parse(text_of(options.json));
  }
  json generated(const std::string& board, const std::string& out) {
    GenerateOptions options;
    options.board = board;
    options.out = path(out);
    options.json = path("generate.json");
    options.quiet = true;
    EXPECT_EQ(generate(options), 0);
    return json::parse(text_of(options.json));
  }
  // Changes of input lines over a file's steps.
  static std::size_t relays_of(const std::string& vectors) {
    const auto read = files::read_vectors(vectors);
    const circuit::Netlist netlist = circuit::build_netlist(read->board).take();
    return circuit::relay_operations(netlist,
                                     circuit::compile_sequence(netlist, read->steps)->steps);
  }
  std::filesystem::path folder_;
};

TEST_F(CircuitCommands, C17FromNetlistToCoverage) {
  const json g = generated(kTree + "/tests/data/iscas/c17.bench", "c17.vectors.yaml");
  EXPECT_THAT(g["steps"].get<int>(), ::testing::AnyOf(4, 5));
  const json c = coverage_of(path("c17.vectors.yaml"));
  EXPECT_EQ(c["faults"], 34);
  EXPECT_EQ(c["collapsed"], 22);
  EXPECT_EQ(c["detected"], 22);
  EXPECT_EQ(c["untestable"], 0);
  EXPECT_EQ(c["coverage"], 1.0);
  EXPECT_TRUE(c["missed"].empty());
}

TEST_F(CircuitCommands, ScannedNetlist) {
  generated(kTree + "/tests/data/iscas/s27.bench", "s27.vectors.yaml");
  const json c = coverage_of(path("s27.vectors.yaml"));
  EXPECT_EQ(c["faults"], 52);
  EXPECT_EQ(c["collapsed"], 32);
  EXPECT_EQ(c["detected"], 32);
}

TEST_F(CircuitCommands, LessThanEverythingIsListed) {
  std::filesystem::copy_file(kTree + "/tests/data/iscas/c17.bench", path("c17.bench"));
  std::ofstream(path("few.vectors.yaml")) << "vectors: few\nboard: c17.bench\nsteps:\n"
                                             "  - {set: {G1gat: 1, G2gat: 1, G3gat: 1, G6gat: 1, "
                                             "G7gat: 1}, expect: {G22gat: 1, G23gat: 0}}\n";
  const json c = coverage_of(path("few.vectors.yaml"));
  EXPECT_LT(c["coverage"], 1.0);
  EXPECT_EQ(c["missed"].size(), 22u - c["detected"].get<std::size_t>());
  EXPECT_TRUE(c["missed"][0].contains("net"));
  EXPECT_THAT(c["missed"][0]["fault"].get<std::string>(), ::testing::StartsWith("stuck-"));
}

// The demo boards: what their acceptance vectors miss is pinned, and generated ones must do as well
// in fewer steps and fewer relay operations.
TEST_F(CircuitCommands, GeneratedVectorsBeatTheAcceptanceOfEveryDemoBoard) {
  for (const std::string board : {"shed-latch", "pick-counter", "shuttle-guard"}) {
    const std::string folder = kTree + "/vectors/" + board + "/";
    const json acceptance = coverage_of(folder + "acceptance.vectors.yaml");
    const json g = generated(folder + "board.yaml", board + ".vectors.yaml");
    const json again = coverage_of(path(board + ".vectors.yaml"));
    EXPECT_EQ(acceptance["coverage"], 1.0) << board << acceptance["missed"].dump(1);
    EXPECT_EQ(again["coverage"], 1.0) << board << again["missed"].dump(1);
    EXPECT_EQ(again["detected"], g["detected"]) << board;
    EXPECT_LT(g["steps"].get<int>(), acceptance["steps"].get<int>()) << board;
    EXPECT_LE(relays_of(path(board + ".vectors.yaml")),
              relays_of(folder + "acceptance.vectors.yaml"))
        << board;
    EXPECT_TRUE(g["time"]["total_s"].is_number()) << board;
    EXPECT_GT(g["relay_operations"].get<int>(), 0) << board;
    RecordProperty(board, g["steps"].get<int>());
  }
}

TEST_F(CircuitCommands, OneFileBoardAndOtherKindsOfFault) {
  const json c = coverage_of(kTree + "/vectors/or-follower/board.yaml", true);
  EXPECT_EQ(c["coverage"], 1.0);
  EXPECT_EQ(c["other"]["inverted"]["detected"], c["other"]["inverted"]["faults"]);
  EXPECT_EQ(c["other"]["missing-input"]["detected"], 2);
  EXPECT_EQ(c["other"]["swapped"]["detected"], 0) << "an OR gate does not care";
}

TEST_F(CircuitCommands, BadInputIsToldAsSuch) {
  CoverageOptions c;
  c.vectors = path("none.yaml");
  EXPECT_EQ(coverage(c), 2);
  GenerateOptions g;
  g.board = kTree + "/tests/data/iscas/c17.bench";
  g.json = "-";
  EXPECT_EQ(generate(g), 2) << "vectors and JSON would share standard output";
  g.json.clear();
  g.out = path("no/such/folder/x.yaml");
  EXPECT_EQ(generate(g), 3);
}

}  // namespace
}  // namespace tenterhook::commands
