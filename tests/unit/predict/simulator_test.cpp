// The simulator's process: right numbers, and a clean end for every kind of bad circuit.
#include "host/predict/simulator.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <clocale>
#include <cstdlib>
#include <filesystem>
#include <fstream>

namespace tenterhook::predict {
namespace {

FlatCircuit flat(const std::string& cards) {
  auto n = Netlist::parse("t.cir", "t\n" + cards);
  EXPECT_TRUE(n.ok()) << (n ? "" : n.error().text());
  return n->flatten().take();
}

TEST(Simulator, DividerIsExact) {
  Simulator s;
  auto r = s.solve(flat("V1 in 0 10\nR1 in out 1k\nR2 out 0 3k\n.op\n"), {"out", "i(v1)"});
  ASSERT_TRUE(r.ok()) << r.error().text();
  EXPECT_NEAR(r->vectors[0][0], 7.5, 1e-9);
  EXPECT_NEAR(r->vectors[1][0], -2.5e-3, 1e-12);
}

TEST(Simulator, TransientOfRcFollowsTheExponential) {
  Simulator s;
  auto r =
      s.solve(flat("V1 in 0 PWL(0 0 1n 1 1 1)\nR1 in out 1k\nC1 out 0 1n\n.tran 5n 5u\n"), {"out"});
  ASSERT_TRUE(r.ok()) << r.error().text();
  for (std::size_t i = 0; i < r->scale.size(); ++i) {
    if (r->scale[i] < 5e-9) continue;
    EXPECT_NEAR(r->vectors[0][i], 1.0 - std::exp(-(r->scale[i] - 0.5e-9) / 1e-6), 2e-3);
  }
}

TEST(Simulator, AcGivesMagnitude) {
  Simulator s;
  auto r = s.solve(flat("V1 in 0 0 ac 1\nR1 in out 1k\nC1 out 0 159.155p\n.ac dec 10 1k 1meg\n"),
                   {"out"});
  ASSERT_TRUE(r.ok()) << r.error().text();
  EXPECT_NEAR(r->vectors[0].back(), std::sqrt(0.5), 1e-3);
}

TEST(Simulator, AFailedCircuitDoesNotSpoilTheNext) {
  Simulator s;
  FlatCircuit bad;
  bad.cards = {"* bad", "v1 a 0 dc 1", "r1 a 0 nonsense", "d1 a 0 nomodel", ".end"};
  EXPECT_FALSE(s.solve(bad, {"a"}, "op").ok());
  FlatCircuit loop;  // two ideal sources against each other
  loop.cards = {"* loop", "v1 a 0 dc 1", "v2 a 0 dc 2", "r1 a 0 1000", ".end"};
  EXPECT_FALSE(s.solve(loop, {"a"}, "op").ok());
  auto r = s.solve(flat("V1 a 0 3\nR1 a 0 1k\n.op\n"), {"a"});
  ASSERT_TRUE(r.ok()) << r.error().text();
  EXPECT_NEAR(r->vectors[0][0], 3.0, 1e-12);
}

TEST(Simulator, MissingVectorIsAnError) {
  Simulator s;
  EXPECT_FALSE(s.solve(flat("V1 a 0 3\nR1 a 0 1k\n.op\n"), {"nowhere"}).ok());
}

TEST(Simulator, ACircuitWithoutSolutionEndsWithAMessage) {
  // A negative resistance whose current has no crossing with the source's line.
  Simulator s;
  auto r = s.solve(flat("V1 a 0 1\nR1 a b 1\nB1 b 0 I=exp(40*abs(v(b)))+5\nR2 b 0 1meg\n.op\n"),
                   {"b"}, "", Seconds{5.0});
  ASSERT_FALSE(r.ok());
  EXPECT_EQ(r.error().trouble, Trouble::input);
  EXPECT_THAT(r.error().what, testing::HasSubstr("simulator"));
}

TEST(Simulator, ALongJobIsStoppedAndTheNextStillRuns) {
  Simulator s;
  const auto begin = std::chrono::steady_clock::now();
  auto r = s.solve(flat("V1 a 0 SIN(0 1 1meg)\nR1 a b 1k\nC1 b 0 1p\n.tran 1n 1000 0 1n\n"), {"b"},
                   "", Seconds{0.5});
  ASSERT_FALSE(r.ok());
  EXPECT_THAT(r.error().what, testing::HasSubstr("within 0.5 s"));
  EXPECT_LT(std::chrono::steady_clock::now() - begin, std::chrono::seconds(10));
  EXPECT_TRUE(s.solve(flat("V1 a 0 3\nR1 a 0 1k\n.op\n"), {"a"}).ok());
  EXPECT_EQ(s.processes_started(), 2);
}

TEST(Simulator, StartFilesOfHomeAndFolderAreNotRun) {
  namespace fs = std::filesystem;
  const fs::path folder = fs::path(testing::TempDir()) / "predict-home";
  fs::create_directories(folder);
  std::ofstream(folder / ".spiceinit") << "shell touch " << (folder / "ran").string() << "\n";
  const std::string home = std::getenv("HOME") != nullptr ? std::getenv("HOME") : "";
  const fs::path before = fs::current_path();
  setenv("HOME", folder.c_str(), 1);
  fs::current_path(folder);
  {
    Simulator s;
    EXPECT_TRUE(s.solve(flat("V1 a 0 3\nR1 a 0 1k\n.op\n"), {"a"}).ok());
  }
  fs::current_path(before);
  setenv("HOME", home.c_str(), 1);
  EXPECT_FALSE(fs::exists(folder / "ran"));
  fs::remove_all(folder);
}

}  // namespace
}  // namespace tenterhook::predict
