// What a person does at the bench beyond a plain run: repeat, hold, loop, propose, touch. The program as a process of its
// own; where it powers another process's fixture, that fixture's own truth says whether everything was off afterwards.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <future>
#include <memory>
#include <nlohmann/json.hpp>
#include <valijson/adapters/nlohmann_json_adapter.hpp>
#include <valijson/schema.hpp>
#include <valijson/schema_parser.hpp>
#include <valijson/validator.hpp>

#include "host/commands/serve.h"
#include "tests/emulated/acceptance/process.h"
#include "tests/emulated/acceptance/watched.h"
#include "tests/emulated/acceptance/whole_run.h"

namespace tenterhook::acceptance {
namespace {

using nlohmann::json;
using ::testing::HasSubstr;

const std::string kTree = TH_SOURCE_DIR;
const std::string kGate = kTree + "/vectors/or-follower/board.yaml";
const std::string kCounter = kTree + "/vectors/pick-counter/";

bool valid(const json& document, const std::string& schema_name) {
  const json text = json::parse(content(kTree + "/docs/schemas/" + schema_name));
  valijson::Schema schema;
  valijson::SchemaParser(valijson::SchemaParser::kDraft7).populateSchema(valijson::adapters::NlohmannJsonAdapter(text), schema);
  const valijson::adapters::NlohmannJsonAdapter target(document);
  return valijson::Validator().validate(schema, target, nullptr);
}

class Person : public ::testing::Test {
 protected:
  std::vector<std::string> words(std::vector<std::string> first, const std::vector<std::string>& more = {}) {
    first.insert(first.end(), {"--store", folder.path + "/store.db"});
    first.insert(first.end(), more.begin(), more.end());
    return first;
  }
  // Ends with `code`; what it wrote to standard output.
  std::string ends(int code, const std::vector<std::string>& arguments) {
    const std::string name = "p" + std::to_string(++count_);
    Process p(folder, name, arguments);
    EXPECT_EQ(p.ended(), code) << p.out() << p.err();
    err = p.err();
    return p.out();
  }
  void write(const std::string& name, const std::string& text) { std::ofstream(folder.path + "/" + name) << text; }
  // The counter with a lead for the hand; returns its vectors file.
  std::string counter_with_hand() {
    std::string board = content(kCounter + "board.yaml");
    const auto at = board.find("hookup: {");
    EXPECT_NE(at, std::string::npos);
    board.insert(at + 9, "hand: sense.8, ");
    write("board.yaml", board);
    write("v.vectors.yaml", content(kCounter + "acceptance.vectors.yaml"));
    return folder.path + "/v.vectors.yaml";
  }

  Folder folder;
  std::string err;

 private:
  int count_ = 0;
};

// --- repeating ---

TEST_F(Person, RepeatsAGoodBoardInOneRunAndSaysWhatThatExcludes) {
  const std::string said = ends(0, words({"run", kGate}, {"--fixture", "emulated", "--catch", "5%", "--confidence", "95%", "--json", folder.path + "/r.json"}));
  EXPECT_THAT(said, HasSubstr("No pass of 59 wrong"));
  EXPECT_THAT(said, HasSubstr("in varied order"));
  const json run = json::parse(content(folder.path + "/r.json"));
  EXPECT_TRUE(valid(run, "run.schema.json"));
  EXPECT_EQ(run["repeats"]["passes"], 59);
  EXPECT_LE(run["repeats"]["excluded"], 0.05);
  EXPECT_EQ(run["steps"].size(), 59 * run["repeats"]["steps_each"].get<std::size_t>());
  // Shown again from the record, and every step of it can be found there.
  EXPECT_THAT(ends(0, words({"show", "last"})), HasSubstr("No pass of 59 wrong"));
  const auto last = run["steps"].size() - 1;
  EXPECT_THAT(ends(2, words({"hold", "last:" + std::to_string(last + 1)}, {"--fixture", "emulated"})), ::testing::IsEmpty());
  EXPECT_THAT(err, HasSubstr("has steps 0 to " + std::to_string(last)));
}

TEST_F(Person, AFaultThatComesAndGoesIsCountedAndNamed) {
  const std::string said = ends(1, words({"run", kGate}, {"--fixture", "emulated", "--repeat", "40", "--fault", "A intermittent 0.3", "--json", "-"}));
  const json run = json::parse(said);
  EXPECT_TRUE(valid(run, "run.schema.json"));
  const json& r = run["repeats"];
  EXPECT_GT(r["wrong"], 2);
  EXPECT_LT(r["low"], r["rate"]);
  EXPECT_GT(r["high"], r["rate"]);
  ASSERT_FALSE(r["spots"].empty());
  EXPECT_EQ(r["spots"][0]["line"], "Y");
  EXPECT_EQ(r["spots"][0]["of"], 40);
}

TEST_F(Person, WhatCannotBeRepeatedIsWrongInput) {
  ends(2, words({"run", kGate}, {"--fixture", "emulated", "--repeat", "0"}));
  ends(2, words({"run", kGate}, {"--fixture", "emulated", "--catch", "5"}));
  EXPECT_THAT(err, HasSubstr("--catch"));
  ends(2, words({"run", kGate}, {"--fixture", "emulated", "--catch", "0.0001%"}));
  ends(2, words({"run", kGate}, {"--fixture", "emulated", "--repeat", "9", "--confidence", "95%"}));
  ends(2, words({"run", kGate}, {"--fixture", "emulated", "--condition", "warm"}));
}

// --- proposing ---

TEST_F(Person, AProposalIsRefusedUntilSomebodySignsIt) {
  write("board.yaml", content(kCounter + "board.yaml"));
  const std::string board = folder.path + "/board.yaml", out = folder.path + "/proposed.vectors.yaml";
  const std::string said = ends(0, words({"propose", board}, {"--fixture", "emulated", "--out", out, "--json", folder.path + "/p.json"}));
  EXPECT_THAT(said, HasSubstr("Until then `run` refuses it"));
  const json proposal = json::parse(content(folder.path + "/p.json"));
  EXPECT_TRUE(valid(proposal, "propose.schema.json"));
  EXPECT_EQ(proposal["approved"], false);
  EXPECT_EQ(proposal["lines"].size(), 3u);

  ends(2, words({"run", out}, {"--fixture", "emulated"}));
  EXPECT_THAT(err, HasSubstr("nobody has approved"));
  ends(2, words({"hold", out}, {"--fixture", "emulated"}));

  std::string text = content(out);
  const auto no = text.find("approved: no");
  ASSERT_NE(no, std::string::npos);
  // "yes" is nobody.
  std::string yes = text;
  write("yes.vectors.yaml", yes.replace(no, 12, "approved: yes"));
  ends(2, words({"run", folder.path + "/yes.vectors.yaml"}, {"--fixture", "emulated"}));
  write("proposed.vectors.yaml", text.replace(no, 12, "approved: the weaver 2026-11-25"));
  ends(0, words({"run", out}, {"--fixture", "emulated"}));
  // Another board of the kind passes by the same windows, and a broken one fails.
  ends(0, words({"run", out}, {"--fixture", "emulated", "--seed", "5"}));
  ends(1, words({"run", out}, {"--fixture", "emulated", "--fault", "N1 stuck-low"}));
  // What is approved is not written over.
  ends(2, words({"propose", board}, {"--fixture", "emulated", "--out", out}));
  EXPECT_EQ(content(out), text);
}

TEST_F(Person, AProposalFromABrokenBoardSaysWhereItContradictsTheCircuit) {
  ends(4, words({"propose", kCounter + "board.yaml"}, {"--fixture", "emulated", "--out", folder.path + "/p.vectors.yaml", "--fault", "N1 stuck-low"}));
  EXPECT_THAT(content(folder.path + "/p.vectors.yaml"), HasSubstr("CONTRADICTS THE CIRCUIT"));
}

// --- touching ---

TEST_F(Person, TheHandLeadNarrowsAFailureDown) {
  const std::string vectors = counter_with_hand();
  ends(1, words({"run", vectors}, {"--fixture", "emulated", "--fault", "T0d dead", "--serial", "7"}));
  const json before = json::parse(ends(0, words({"diagnose", "last"}, {"--json", "-"})));
  ASSERT_FALSE(before["touch"].is_null()) << before.dump(1);
  const std::string said = ends(0, words({"diagnose", "last"}, {"--fixture", "emulated", "--fault", "T0d dead", "--json", folder.path + "/d.json"}));
  EXPECT_THAT(said, HasSubstr("touch " + before["touch"]["at"].get<std::string>() + " with the hand lead"));
  EXPECT_THAT(said, HasSubstr(before["touch"]["at"].get<std::string>() + " = "));
  EXPECT_THAT(said, HasSubstr("measured rails below"));
  const json after = json::parse(content(folder.path + "/d.json"));
  EXPECT_LT(after["suspects"].size(), before["suspects"].size());
  EXPECT_FALSE(after["touched"].empty());
  bool named = false;
  for (const json& s : after["suspects"]) {
    for (const json& part : s["parts"]) named = named || part == "T0d";
  }
  EXPECT_TRUE(named) << after.dump(1);
}

TEST_F(Person, WithoutAHandLeadTheFileIsToldWhatIsMissing) {
  ends(1, words({"run", kCounter + "acceptance.vectors.yaml"}, {"--fixture", "emulated", "--fault", "T2x dead"}));
  ends(2, words({"diagnose", "last"}, {"--fixture", "emulated"}));
  EXPECT_THAT(err, HasSubstr("hookup: {hand: sense.8}"));
}

TEST_F(Person, TouchesComeFromAFileToo) {
  ends(1, words({"run", kCounter + "acceptance.vectors.yaml"}, {"--fixture", "emulated", "--fault", "T2x dead"}));
  const json plain = json::parse(ends(0, words({"diagnose", "last"}, {"--json", "-"})));
  const std::string at = plain["touch"]["at"], step = std::to_string(plain["touch"]["step"].get<int>());
  write("touches.txt", "# by hand, in the evening\n" + at + " = 0.1 V @" + step + "   # low\n\n");
  const json touched = json::parse(ends(0, words({"diagnose", "last"}, {"--json", "-", "--touch", folder.path + "/touches.txt"})));
  const json same = json::parse(ends(0, words({"diagnose", "last"}, {"--json", "-", "--touch", at + "=0.1V@" + step})));
  EXPECT_EQ(touched["suspects"], same["suspects"]);
  EXPECT_NE(touched["suspects"], plain["suspects"]);
  write("bad.txt", at + "=0.1V\nrubbish\n");
  ends(2, words({"diagnose", "last"}, {"--touch", folder.path + "/bad.txt"}));
  EXPECT_THAT(err, HasSubstr("bad.txt:2"));
  ends(2, words({"diagnose", "last"}, {"--touch", folder.path + "/none.txt"}));
}

// --- holding and looping, on a fixture in this process ---

class Probed : public Person {
 protected:
  void SetUp() override {
    auto made = commands::make_emulated(plan_of(kCounter + "acceptance.vectors.yaml"), 1, {}, commands::Firmware::native);
    ASSERT_TRUE(made.ok());
    watched_ = std::make_unique<Watched>(made.take());
    std::promise<void> listening;
    auto ready = listening.get_future();
    server_ = std::thread([this, &listening] {
      served_ = commands::serve(*watched_, "unix:" + folder.path + "/line", [&](const std::string&) { listening.set_value(); }, stop_);
    });
    ready.get();
  }
  void TearDown() override {
    stop_.request();
    if (server_.joinable()) server_.join();
    EXPECT_TRUE(served_.ok());
  }
  std::vector<std::string> probe(const std::vector<std::string>& how) {
    std::vector<std::string> all = words({"run", kCounter + "acceptance.vectors.yaml", "--yes", "--fixture", "unix:" + folder.path + "/line"}, how);
    return all;
  }
  // It was powered while it ran, and is not any more.
  void expect_off(bool was_powered) {
    EXPECT_TRUE(was_powered);
    for (int i = 0; i < 1000 && watched_->on; ++i) std::this_thread::sleep_for(std::chrono::milliseconds(2));
    EXPECT_FALSE(watched_->on);
    EXPECT_FALSE(watched_->powered);
    EXPECT_FALSE(watched_->late);
  }
  bool wait_powered(Process& p) {
    for (int i = 0; i < 20000 && p.running(); ++i) {
      if (watched_->powered) return true;
      std::this_thread::sleep_for(std::chrono::milliseconds(1));
    }
    return watched_->powered;
  }

  std::unique_ptr<Watched> watched_;
  link::Cancellation stop_;
  Status served_;
  std::thread server_;
};

TEST_F(Probed, HeldAtAStepUntilTheTimeIsUp) {
  Process p(folder, "held", probe({"--hold", "7", "--at-most", "2", "--json", "-"}));
  const bool powered = wait_powered(p);
  EXPECT_EQ(p.ended(60), 0) << p.out() << p.err();
  const json held = json::parse(p.out());
  EXPECT_TRUE(valid(held, "probe.schema.json"));
  EXPECT_EQ(held["ended"], "time");
  EXPECT_EQ(held["mode"], "hold");
  ASSERT_EQ(held["readings"].size(), 3u);
  for (const json& r : held["readings"]) EXPECT_EQ(r["verdict"], "pass") << r.dump();
  expect_off(powered);
}

TEST_F(Probed, LoopedUpToAStepUntilTheTimeIsUp) {
  Process p(folder, "looped", probe({"--loop", "7", "--at-most", "2", "--json", "-"}));
  const bool powered = wait_powered(p);
  EXPECT_EQ(p.ended(60), 0) << p.out() << p.err();
  const json looped = json::parse(p.out());
  EXPECT_TRUE(valid(looped, "probe.schema.json"));
  EXPECT_EQ(looped["mode"], "loop");
  EXPECT_GT(looped["loops"], 2);
  for (const json& r : looped["readings"]) EXPECT_EQ(r["verdict"], "pass") << r.dump();
  expect_off(powered);
}

TEST_F(Probed, CtrlCWhileHeldLeaves130) {
  Process p(folder, "stopped", probe({"--hold", "7", "--at-most", "60"}));
  const bool powered = wait_powered(p);
  ASSERT_TRUE(p.says("1 s")) << p.out() << p.err();
  p.send(SIGINT);
  EXPECT_EQ(p.ended(20), 130) << p.out() << p.err();
  expect_off(powered);
}

TEST_F(Probed, ThereIsNoSuchStep) {
  Process p(folder, "none", probe({"--loop", "4000"}));
  EXPECT_EQ(p.ended(20), 2);
  EXPECT_THAT(p.err(), HasSubstr("there is no step 4000"));
  EXPECT_FALSE(watched_->powered);
}

TEST_F(Probed, RepeatedPassesLeaveTheBoardOff) {
  Process p(folder, "repeated", probe({"--repeat", "3"}));
  const bool powered = wait_powered(p);
  EXPECT_EQ(p.ended(120), 0) << p.out() << p.err();
  EXPECT_THAT(p.out(), HasSubstr("No pass of 3 wrong"));
  expect_off(powered);
}

}  // namespace
}  // namespace tenterhook::acceptance
