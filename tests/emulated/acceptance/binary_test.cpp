// The program as a person and a script meet it: exit codes, and JSON alone on standard output.
#include <gtest/gtest.h>

#include "tests/emulated/acceptance/process.h"

namespace tenterhook::acceptance {
namespace {

const std::string kTree = TH_SOURCE_DIR;
const std::string kGate = kTree + "/vectors/or-follower/board.yaml";
const std::string kLatch = kTree + "/vectors/shed-latch/acceptance.vectors.yaml";

class Binary : public ::testing::Test {
 protected:
  std::vector<std::string> run(const std::string& vectors, std::vector<std::string> more = {}) {
    std::vector<std::string> words = {"run", vectors, "--store", folder.path + "/store.db"};
    words.insert(words.end(), more.begin(), more.end());
    return words;
  }
  Folder folder;
};

TEST_F(Binary, GoodBoardLeavesZeroAndJsonAloneOnStandardOutput) {
  Process p(folder, "pass", run(kLatch, {"--fixture", "emulated", "--json", "-"}));
  EXPECT_EQ(p.ended(), 0) << p.err();
  const std::string json = folder.path + "/pass.out";
  // Two judges of their own: the JSON must parse whole (nothing before or behind it) and obey the schema.
  const std::string check =
      "python3 -c 'import json,jsonschema,sys; d=json.load(open(sys.argv[1])); "
      "jsonschema.Draft7Validator(json.load(open(sys.argv[2]))).validate(d); "
      "assert d[\"verdict\"]==\"pass\" and d[\"aborted\"] is None and d[\"counts\"][\"fail\"]==0 and d[\"counts\"][\"pass\"]>500' " +
      json + " " + kTree + "/docs/schemas/run.schema.json";
  EXPECT_EQ(std::system(check.c_str()), 0);
}

TEST_F(Binary, BoardThatIsWrongLeavesOneAndNamesTheLine) {
  Process p(folder, "fail", run(kGate, {"--fixture", "emulated", "--fault", "Y stuck-low"}));
  EXPECT_EQ(p.ended(), 1) << p.err();
  EXPECT_NE(p.out().find("Y"), std::string::npos);
}

TEST_F(Binary, WrongInputLeavesTwo) {
  Process missing(folder, "missing", run(folder.path + "/none.yaml", {"--fixture", "emulated"}));
  EXPECT_EQ(missing.ended(), 2);
  EXPECT_NE(missing.err().find("none.yaml"), std::string::npos);
  Process option(folder, "option", {"run", kGate, "--no-such-option"});
  EXPECT_EQ(option.ended(), 2);
  Process fault(folder, "fault", run(kGate, {"--fixture", "emulated", "--fault", "Y stuck-sideways"}));
  EXPECT_EQ(fault.ended(), 2);
}

TEST_F(Binary, NoFixtureALeadOffOrATripLeaveThree) {
  Process none(folder, "none", run(kGate));
  EXPECT_EQ(none.ended(), 3);
  EXPECT_NE(none.err().find("--fixture"), std::string::npos);
  Process gone(folder, "gone", run(kGate, {"--yes", "--fixture", "unix:" + folder.path + "/nobody"}));
  EXPECT_EQ(gone.ended(), 3);
  Process lead(folder, "lead", run(kGate, {"--fixture", "emulated", "--fault", "fixture.sense.0 open"}));
  EXPECT_EQ(lead.ended(), 3) << lead.err();
  EXPECT_NE(lead.out().find("sense.0"), std::string::npos) << lead.out();
  Process shorted(folder, "shorted", run(kGate, {"--fixture", "emulated", "--fault", "plate shorted-to ground"}));
  EXPECT_EQ(shorted.ended(), 3) << shorted.err();
  EXPECT_NE(shorted.out().find("plate"), std::string::npos) << shorted.out();
}

TEST_F(Binary, UndecidedReadingLeavesFour) {
  // A window whose edge the level sits on: nobody can tell which side with this uncertainty.
  Process first(folder, "first", run(kGate, {"--fixture", "emulated", "--json", "-"}));
  ASSERT_EQ(first.ended(), 0);
  const std::string said = first.out();
  const auto at = said.find("\"line\":\"Y\"") != std::string::npos ? said.find("\"line\":\"Y\"") : said.find("\"line\": \"Y\"");
  ASSERT_NE(at, std::string::npos);
  const auto volts_at = said.find("\"volts\"", at);
  ASSERT_NE(volts_at, std::string::npos);
  const double volts = std::stod(said.substr(said.find(':', volts_at) + 1));
  std::string board = content(kGate);
  const std::string window = "gives: {low: [0.7 V, 9.4 V]";
  ASSERT_NE(board.find(window), std::string::npos);
  board.replace(board.find(window), window.size(), "gives: {low: [-1 V, " + std::to_string(volts + 0.005) + " V]");
  std::ofstream(folder.path + "/edge.yaml") << board;
  Process p(folder, "unsure", run(folder.path + "/edge.yaml", {"--fixture", "emulated"}));
  EXPECT_EQ(p.ended(), 4) << p.out() << p.err();
}

TEST_F(Binary, CtrlCInTheMiddleLeaves130AndTheRunIsRecordedAsStopped) {
  Process served(folder, "served", {"emulate", kTree + "/vectors/shed-latch/board.yaml", "--listen", "unix:" + folder.path + "/line"});
  ASSERT_TRUE(served.says("unix:")) << served.err();
  Process p(folder, "stopped", run(kLatch, {"--yes", "--fixture", "unix:" + folder.path + "/line"}));
  ASSERT_TRUE(p.says("shed-latch")) << p.err();
  std::this_thread::sleep_for(std::chrono::milliseconds(1500));  // heaters come up slowly: it is on its way
  ASSERT_TRUE(p.running()) << p.out() << p.err();
  p.send(SIGINT);
  EXPECT_EQ(p.ended(20.0), 130) << p.out() << p.err();
  Process shown(folder, "shown", {"show", "last", "--json", "-", "--store", folder.path + "/store.db"});
  EXPECT_EQ(shown.ended(), 0) << shown.err();
  EXPECT_NE(shown.out().find("\"stopped\""), std::string::npos) << shown.out();
  EXPECT_NE(shown.out().find("\"person\""), std::string::npos);
  served.send(SIGINT);
  EXPECT_EQ(served.ended(20.0), 0) << served.err();
}

}  // namespace
}  // namespace tenterhook::acceptance
