// Side files: what is taken, and what is refused with its place.
#include "host/predict/settings.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

namespace tenterhook::predict {
namespace {

using testing::HasSubstr;

class SideFile : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::path(testing::TempDir()) / "predict-settings";
    std::filesystem::create_directories(folder_);
    std::ofstream(folder_ / "g.cir")
        << "gate\n.param vp=30\nVp p 0 {vp}\nVa a 0 0\nR1 a y 10k\nR2 y 0 10k\n"
           "X1 p y k ecc88\nRk k 0 10k\n.end\n";
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  Result<Question> read(const std::string& rest) {
    std::ofstream(folder_ / "g.yaml")
        << "predict: g\nnetlist: g.cir\ninputs: {A: {source: va, low: 0 V, high: 5 V}}\n"
           "outputs: {Y: y}\n"
        << rest;
    return read_question((folder_ / "g.cir").string());
  }
  std::string error(const std::string& rest) {
    auto q = read(rest);
    return q ? "no error" : q.error().text();
  }
  std::filesystem::path folder_;
};

TEST_F(SideFile, PatternsReachElementsParametersAndTubes) {
  auto q = read(
      "vary: {r*: 5 %, vp: 2 %, x*.vct: {spread: 175 mV, clip: 3}, celsius: {from: 10, to: 40}}\n");
  ASSERT_TRUE(q.ok()) << q.error().text();
  const auto& v = q->settings.varied;
  ASSERT_EQ(v.size(), 6u);  // R1 R2 Rk, not the resistors inside the tube; vp; x1.vct; celsius
  for (const Varied& x : v) {
    if (x.name == "vp") {
      EXPECT_NEAR(x.reach, 0.6, 1e-12);
    }
    if (x.name == "x1.vct") {
      EXPECT_TRUE(x.normal);
      EXPECT_NEAR(x.limit(), 0.525, 1e-12);
    }
    if (x.what == Varied::What::factor) {
      EXPECT_NEAR(x.reach, 0.05, 1e-12);
    }
  }
}

TEST_F(SideFile, MistakesAreNamedWithTheirPlace) {
  EXPECT_THAT(error("vary: {rx: 5 %}\n"), HasSubstr("g.yaml:5:8"));
  EXPECT_THAT(error("vary: {vq: 5 %}\n"), HasSubstr("did you mean 'vp'"));
  EXPECT_THAT(error("vary: {r1: 5}\n"), HasSubstr("unit"));
  EXPECT_THAT(error("vary: {r1: 0.1 V}\n"), HasSubstr("percentage"));
  EXPECT_THAT(error("vary: {r1: 100 %}\n"), HasSubstr("nothing"));
  EXPECT_THAT(error("vary: {r1: 5 %, r*: 2 %}\n"), HasSubstr("varies already"));
  EXPECT_THAT(error("vary: {x1.emission: {spread: 5 %, within: 5 %}}\n"), HasSubstr("one of"));
  EXPECT_THAT(error("samples: 0\n"), HasSubstr("g.yaml:5"));
  EXPECT_THAT(error("method: dice\n"), HasSubstr("latin-hypercube or sobol"));
  EXPECT_THAT(error("window: 20 %\n"), HasSubstr("50 %"));
  EXPECT_THAT(error("edges: {input: B}\n"), HasSubstr("'B' is not one of the inputs"));
  EXPECT_THAT(error("sampels: 10\n"), HasSubstr("samples"));
}

TEST_F(SideFile, InputsAndOutputsMustBeOfTheNetlist) {
  std::ofstream(folder_ / "h.yaml") << "predict: g\nnetlist: g.cir\ninputs: {A: {source: vaa, low: "
                                       "0 V, high: 5 V}}\noutputs: {Y: z}\n";
  auto q = read_question((folder_ / "h.yaml").string());
  ASSERT_FALSE(q.ok());
  EXPECT_THAT(q.error().text(), HasSubstr("h.yaml:3:22"));
  EXPECT_THAT(q.error().text(), HasSubstr("did you mean 'va'"));
}

TEST_F(SideFile, ANetlistWithoutSideFileSaysWhatIsMissing) {
  std::ofstream(folder_ / "alone.cir") << "t\nV1 a 0 1\nR1 a 0 1k\n";
  auto q = read_question((folder_ / "alone.cir").string());
  ASSERT_FALSE(q.ok());
  EXPECT_THAT(q.error().text(), HasSubstr("alone.yaml"));
}

}  // namespace
}  // namespace tenterhook::predict
