// The reading commands from their options to what they print and the code they end with.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdio>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>

#include "host/commands/compare.h"
#include "host/commands/history.h"
#include "host/commands/merge.h"
#include "host/commands/parts.h"
#include "host/commands/report.h"
#include "host/commands/show.h"
#include "host/commands/trend.h"
#include "host/files/reader.h"
#include "host/record/store.h"
#include "tests/unit/record/scenario.h"

namespace tenterhook::commands {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;
using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::internal::CaptureStderr;
using ::testing::internal::CaptureStdout;
using ::testing::internal::GetCapturedStderr;
using ::testing::internal::GetCapturedStdout;

struct Answer {
  int code = -1;
  std::string out, err;
};
template <class Command, class Options>
Answer ask(Command command, const Options& options) {
  CaptureStdout();
  CaptureStderr();
  Answer answer;
  answer.code = command(options);
  answer.out = GetCapturedStdout();
  answer.err = GetCapturedStderr();
  return answer;
}

class Review : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (fs::temp_directory_path() / "tenterhook-review-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    folder_ = pattern;
    path_ = (folder_ / "history.db").string();
    scenario::LatchRun dead;
    dead.q1_stuck_low = true;
    add(scenario::latch_run());
    add(scenario::latch_run(dead));
    add(scenario::tripped_run());
  }
  void TearDown() override { fs::remove_all(folder_); }
  void add(record::RunRecord run) {
    Result<record::Store> store = record::Store::open(path_);
    ASSERT_TRUE(store.ok()) << store.error().text();
    ASSERT_TRUE(store->begin(run).ok());
    for (const record::StepRecord& step : run.steps)
      ASSERT_TRUE(store->add_step(run.number, step).ok());
    ASSERT_TRUE(store->finish(run).ok());
  }
  fs::path folder_;
  std::string path_;
};

TEST_F(Review, ShowAnswersWithZeroEvenForAFailedBoard) {
  const Answer answer = ask(show, ShowOptions{"2", path_, "", "", false, "", "", "", ""});
  EXPECT_EQ(answer.code, 0);
  EXPECT_THAT(answer.out, HasSubstr("fails on Q1 and Qn1"));
  EXPECT_EQ(answer.err, "");
}

TEST_F(Review, ShowJsonIsAloneOnStandardOutput) {
  const Answer answer = ask(show, ShowOptions{"last-good", path_, "-", "", false, "", "", "", ""});
  EXPECT_EQ(answer.code, 0);
  EXPECT_EQ(json::parse(answer.out)["run"], 1);
}

TEST_F(Review, ShowJsonIntoAFileKeepsPeoplesText) {
  const std::string file = (folder_ / "run.json").string();
  const Answer answer = ask(show, ShowOptions{"1", path_, file, "", true, "", "", "", ""});
  EXPECT_EQ(answer.out, "PASS  run 1  shed-latch 003  304 readings in 38 steps\n");
  std::ifstream in(file);
  EXPECT_EQ(json::parse(in)["verdict"], "pass");
}

TEST_F(Review, ShowExportsAloneOnStandardOutputOrToFiles) {
  ShowOptions options;
  options.run = "2";
  options.store = path_;
  options.tap = "-";
  options.csv = (folder_ / "run.csv").string();
  const Answer answer = ask(show, options);
  EXPECT_EQ(answer.code, 0);
  EXPECT_EQ(answer.out.substr(0, 4), "TAP ");
  EXPECT_THAT(answer.out, Not(HasSubstr("Levels")));
  EXPECT_EQ(fs::file_size(options.csv) > 10000, true);
  options.csv = (folder_ / "no" / "where.csv").string();
  EXPECT_EQ(ask(show, options).code, 3);
}

TEST_F(Review, ShowWritesTheEdgesOfATimingStudy) {
  ShowOptions options;
  options.run = "1";
  options.store = path_;
  options.vcd = "-";
  EXPECT_EQ(ask(show, options).code, 2);  // it sampled none
  record::RunRecord run = scenario::latch_run();
  run.sections["timing"] = R"({"edges": [{"from": "PICK", "from_edge": "rising", "to": "Q0", "to_edge": "rising",
    "waveform": {"t_s": [-1e-6, 0, 1e-6], "v": [5.25, 5.5, 24.75]}}]})";
  add(run);
  options.run = "last";
  const Answer answer = ask(show, options);
  EXPECT_EQ(answer.code, 0);
  EXPECT_THAT(answer.out, HasSubstr("$enddefinitions"));
  EXPECT_THAT(answer.out, HasSubstr("r24.75 "));
  EXPECT_THAT(answer.out, HasSubstr("PICK"));
  run.sections["timing"] = R"({"edges": [{"from": 4, "waveform": {"t_s": ["x"], "v": [1]}}]})";
  add(run);
  EXPECT_EQ(ask(show, options).code, 2);
}

TEST_F(Review, ShowExplainsOneLine) {
  const Answer text = ask(show, ShowOptions{"1", path_, "", "Q2", false, "", "", "", ""});
  EXPECT_EQ(text.code, 0);
  EXPECT_THAT(text.out, HasSubstr("How Q2 was measured in run 1"));
  const Answer machine = ask(show, ShowOptions{"1", path_, "-", "Q2", false, "", "", "", ""});
  const json j = json::parse(machine.out);
  EXPECT_EQ(j["readings"].size(), 38u);
  EXPECT_EQ(j["readings"][0]["counts"]["n"], 24);
  EXPECT_TRUE(j["budget"].is_null());
  const Answer none = ask(show, ShowOptions{"1", path_, "", "Q9", false, "", "", "", ""});
  EXPECT_EQ(none.code, 2);
  EXPECT_THAT(none.err, HasSubstr("no line 'Q9'"));
}

TEST_F(Review, UnknownRunAndMissingStoreAreBadInput) {
  EXPECT_EQ(ask(show, ShowOptions{"77", path_, "", "", false, "", "", "", ""}).code, 2);
  const Answer missing = ask(show, ShowOptions{"1", path_ + "x", "", "", false, "", "", "", ""});
  EXPECT_EQ(missing.code, 2);
  EXPECT_THAT(missing.err, HasSubstr("nothing has been recorded"));
  EXPECT_FALSE(fs::exists(path_ + "x"));
}

TEST_F(Review, HistoryListsNewestFirstAndPages) {
  HistoryOptions options;
  options.store = path_;
  options.limit = 2;
  const Answer first = ask(history, options);
  EXPECT_EQ(first.code, 0);
  EXPECT_THAT(first.out, HasSubstr("STOP"));
  EXPECT_THAT(first.out, HasSubstr("56 of 304 wrong"));
  EXPECT_THAT(first.out, HasSubstr("runs 1 to 2 of 3; --page 2 shows more"));
  options.page = 2;
  options.json = "-";
  const json j = json::parse(ask(history, options).out);
  EXPECT_EQ(j["total"], 3);
  ASSERT_EQ(j["runs"].size(), 1u);
  EXPECT_EQ(j["runs"][0]["run"], 1);
  EXPECT_EQ(j["runs"][0]["counts"]["pass"], 304);
}

TEST_F(Review, HistoryRefusesWhatIsNoDateOrVerdict) {
  HistoryOptions options;
  options.store = path_;
  options.since = "yesterday";
  EXPECT_EQ(ask(history, options).code, 2);
  options.since = "2026-11";
  options.before = "2026-12-01T08:00";
  EXPECT_EQ(ask(history, options).code, 0);
  options.verdict = "good";
  EXPECT_EQ(ask(history, options).code, 2);
  options.verdict = "fail";
  EXPECT_THAT(ask(history, options).out, HasSubstr("runs 1 to 1 of 1"));
  options.limit = 0;
  EXPECT_EQ(ask(history, options).code, 2);
}

TEST_F(Review, CompareTellsNewFailuresInTextAndJson) {
  const Answer text = ask(compare, CompareOptions{"1", "2", path_, ""});
  EXPECT_EQ(text.code, 0);
  EXPECT_THAT(text.out, HasSubstr("fails now: 28 readings wrong, none before"));
  const json j = json::parse(ask(compare, CompareOptions{"last-good", "2", path_, "-"}).out);
  EXPECT_EQ(j["before"]["run"], 1);
  EXPECT_EQ(j["changes"][0]["kind"], "fails now");
  EXPECT_EQ(j["changes"][0]["where"], "Q1");
}

TEST_F(Review, CompareOfStrangersIsRefused) {
  record::RunRecord other = scenario::tripped_run();
  other.board = "pick-counter";
  other.power.rails.clear();
  other.steps.clear();
  other.time.discharge_s = std::nan("");
  add(other);
  const Answer answer = ask(compare, CompareOptions{"1", "4", path_, ""});
  EXPECT_EQ(answer.code, 2);
  EXPECT_THAT(answer.err, HasSubstr("in common"));
}

ReportOptions report_of(const std::string& run, const std::string& store, const std::string& out) {
  ReportOptions options;
  options.run = run;
  options.store = store;
  options.out = out;
  return options;
}

std::string text_of(const std::string& path) {
  std::ifstream in(path);
  return {std::istreambuf_iterator<char>(in), {}};
}

TEST_F(Review, ReportWritesOnePage) {
  const std::string file = (folder_ / "page.html").string();
  const Answer answer = ask(report, report_of("2", path_, file));
  EXPECT_EQ(answer.code, 0);
  EXPECT_EQ(answer.out, file + "\n");
  EXPECT_THAT(ask(report, report_of("2", path_, "-")).out, HasSubstr("</html>"));
  EXPECT_EQ(ask(report, report_of("2", path_, (folder_ / "no" / "x.html").string())).code, 3);
  EXPECT_EQ(ask(report, report_of("99", path_, file)).code, 2);
}

TEST_F(Review, ReportTakesTheSuspectsOfAFailedRunAlone) {
  ReportOptions options = report_of("2", path_, "-");
  int asked = 0;
  options.suspects = [&asked](const record::RunRecord&) -> Result<std::string> {
    ++asked;
    return std::string(R"({"say": "one part would explain it", "suspects": [{"parts": ["V1c"], "net": "Q1", "fault": "stuck-low",
        "probability": 0.8123, "group": 1, "why": "its grid <floats>"}], "touch": {"at": "d1", "why": "it splits the group"}})");
  };
  const std::string failed = ask(report, options).out;
  EXPECT_THAT(failed, HasSubstr("<td>81 %</td><th scope=\"row\">V1c</th>"));
  EXPECT_THAT(failed, HasSubstr("its grid &lt;floats&gt;"));
  EXPECT_THAT(failed, HasSubstr("touch <strong>d1</strong>"));
  options.run = "1";
  EXPECT_THAT(ask(report, options).out, Not(HasSubstr("Suspects")));
  EXPECT_EQ(asked, 1);
}

TEST_F(Review, ReportNeedsOneOfRunBoardAndFleet) {
  EXPECT_EQ(ask(report, report_of("", path_, "-")).code, 2);
  ReportOptions both = report_of("1", path_, "-");
  both.fleet = true;
  EXPECT_EQ(ask(report, both).code, 2);
  ReportOptions label = report_of("", path_, "-");
  label.board = "shed-latch";
  label.label = "x.svg";
  EXPECT_EQ(ask(report, label).code, 2);
}

TEST_F(Review, LabelIsWrittenAsSvgOrPdf) {
  ReportOptions options = report_of("1", path_, "");
  options.label = (folder_ / "label.svg").string();
  EXPECT_EQ(ask(report, options).code, 0);
  EXPECT_THAT(text_of(options.label), HasSubstr("<svg"));
  options.label = (folder_ / "label.pdf").string();
  EXPECT_EQ(ask(report, options).code, 0);
  EXPECT_EQ(text_of(options.label).substr(0, 8), "%PDF-1.4");
  options.label = (folder_ / "label.png").string();
  EXPECT_EQ(ask(report, options).code, 2);
}

TEST_F(Review, FleetPageListsEveryBoardThoseInTroubleFirst) {
  scenario::LatchRun good;
  good.serial = "009";
  add(scenario::latch_run(good));
  ReportOptions options = report_of("", path_, "-");
  options.fleet = true;
  const std::string page = ask(report, options).out;
  const std::size_t failed = page.find("shed-latch 003"), stopped = page.find("shed-latch 004"), passed = page.find("shed-latch 009");
  ASSERT_NE(failed, std::string::npos);
  ASSERT_NE(stopped, std::string::npos);
  ASSERT_NE(passed, std::string::npos);
  EXPECT_GT(passed, failed);
  EXPECT_GT(passed, stopped);
  EXPECT_THAT(page, HasSubstr("Fixture TH-0007"));
}

TEST_F(Review, MergeJoinsAnotherStore) {
  const std::string target = (folder_ / "joined.db").string();
  const Answer first = ask(merge, MergeOptions{path_, target, ""});
  EXPECT_EQ(first.code, 0);
  EXPECT_EQ(first.out, "3 runs joined, 0 completed, 0 were here already\n");
  EXPECT_EQ(json::parse(ask(merge, MergeOptions{path_, target, "-"}).out)["known"], 3);
  EXPECT_EQ(ask(merge, MergeOptions{path_ + "x", target, ""}).code, 2);
}

// Twelve weekly runs of board 005 whose Q2 high sinks 50 mV a week from 23 V: 22 V is 8 weeks off.
class Drift : public Review {
 protected:
  void SetUp() override {
    Review::SetUp();
    // The board's own files: they say which lines a part drives.
    const auto sources = files::read_vectors(std::string(TH_SOURCE_DIR) + "/vectors/shed-latch/acceptance.vectors.yaml");
    ASSERT_TRUE(sources.ok());
    for (int week = 0; week < 12; ++week) {
      scenario::LatchRun options;
      options.serial = "005";
      options.seed = static_cast<std::uint64_t>(week + 50);
      options.q2_high_v = 23.0 - 0.05 * week;
      record::RunRecord run = scenario::latch_run(options);
      const int day = 1 + 7 * week;
      char date[32];
      std::snprintf(date, sizeof date, "2026-%02d-%02dT08:00:00Z", 1 + day / 28, 1 + day % 28);
      run.started = date;
      if (sources.ok()) run.sources = sources->sources;
      add(run);
    }
  }
  TrendOptions options() const {
    TrendOptions o;
    o.board = "shed-latch";
    o.serial = "005";
    o.store = path_;
    return o;
  }
};

TEST_F(Drift, TrendNamesTheLineAndWhenItReachesItsLimit) {
  const Answer text = ask(trend, options());
  EXPECT_EQ(text.code, 0);
  EXPECT_THAT(text.out, HasSubstr("Q2's high sinks"));
  EXPECT_THAT(text.out, HasSubstr("reaches its limit of 22.00 V in about"));
  TrendOptions machine = options();
  machine.json = "-";
  const json j = json::parse(ask(trend, machine).out);
  const json& first = j["lines"][0];  // the most urgent
  EXPECT_EQ(first["line"], "Q2");
  EXPECT_EQ(first["side"], "high");
  EXPECT_EQ(first["state"], "drifts to its limit");
  EXPECT_NEAR(first["reaches_days"]["at"].get<double>(), 63.0, 8.0);
  EXPECT_LT(first["reaches_days"]["low"], first["reaches_days"]["at"]);
  for (std::size_t i = 1; i < j["lines"].size(); ++i) {
    EXPECT_NE(j["lines"][i]["state"], "drifts to its limit") << j["lines"][i]["line"];
  }
}

TEST_F(Drift, SwappedPartIsRecordedAndRestartsTheTrend) {
  TrendOptions swap = options();
  swap.swapped = "V2b";
  swap.line = "Q2";
  const Answer answer = ask(trend, swap);
  EXPECT_EQ(answer.code, 0);
  EXPECT_THAT(answer.out, HasSubstr("0 runs since V2b was replaced"));
  EXPECT_THAT(answer.out, Not(HasSubstr("reaches")));
}

// Only the lines that a part's gates drive restart; its hours are the board's since then.
TEST_F(Drift, SwapRestartsTheLinesThatThePartDrives) {
  PartsOptions swap;
  swap.board = "shed-latch";
  swap.serial = "005";
  swap.store = path_;
  swap.swapped = "V3";
  swap.type = "ECC82";
  swap.note = "socket kept";
  const Answer told = ask(parts, swap);
  EXPECT_EQ(told.code, 0) << told.err;
  EXPECT_THAT(told.out, HasSubstr("V3"));
  EXPECT_THAT(told.out, HasSubstr("ECC82"));
  TrendOptions machine = options();
  machine.json = "-";
  const json j = json::parse(ask(trend, machine).out);
  int restarted = 0;
  for (const json& line : j["lines"]) {
    const std::string name = line["line"];
    const bool third = name == "Q3" || name == "Qn3";
    EXPECT_EQ(line["restart"] == "V3 was replaced", third) << name << ": " << line["restart"];
    restarted += third;
  }
  EXPECT_GE(restarted, 2);
}

TEST_F(Drift, HoursOfUseCarryTheTrendOnceTheyAreTold) {
  // Twelve weeks of ten hours each in the machine.
  for (int week = 0; week < 12; ++week) {
    Result<record::Store> store = record::Store::open(path_);
    const int day = 2 + 7 * week;
    char date[32];
    std::snprintf(date, sizeof date, "2026-%02d-%02dT08:00:00Z", 1 + day / 28, 1 + day % 28);
    ASSERT_TRUE(store->add_use({date, "shed-latch", "005", 10.0, 1, ""}).ok());
  }
  const Answer text = ask(trend, options());
  EXPECT_THAT(text.out, HasSubstr("mV an hour of use"));
  EXPECT_THAT(text.out, HasSubstr("h of use (95 %: "));
  TrendOptions machine = options();
  machine.json = "-";
  const json first = json::parse(ask(trend, machine).out)["lines"][0];
  // 50 mV in ten hours: the 0.45 V that are left after the last run take 90 h.
  EXPECT_NEAR(first["reaches_hours"]["at"].get<double>(), 90.0, 12.0);
  EXPECT_TRUE(first["reaches_days"].is_null());
  machine.by = "days";
  EXPECT_NEAR(json::parse(ask(trend, machine).out)["lines"][0]["reaches_days"]["at"].get<double>(), 63.0, 8.0);
}

TEST_F(Drift, PartsCountTheHoursOfTheirBoard) {
  PartsOptions ran;
  ran.board = "shed-latch";
  ran.serial = "005";
  ran.store = path_;
  ran.ran = 12.5;
  ran.cycles = 4;
  EXPECT_EQ(ask(parts, ran).code, 0);
  PartsOptions list = ran;
  list.ran.reset();
  list.cycles.reset();
  list.json = "-";
  const json j = json::parse(ask(parts, list).out);
  EXPECT_EQ(j["told_hours"], 12.5);
  EXPECT_EQ(j["power_ups"], 12 + 4);
  ASSERT_FALSE(j["parts"].empty());
  EXPECT_EQ(j["parts"][0]["recorded"], false);
  EXPECT_EQ(j["parts"][0]["hours"], j["hours"]);
}

TEST_F(Drift, PartsRefuseWhatDoesNotFit) {
  PartsOptions o;
  o.board = "shed-latch";
  o.store = path_;
  EXPECT_THAT(ask(parts, o).err, HasSubstr("several serials: 003, 004, 005"));
  o.serial = "005";
  o.type = "ECC82";
  EXPECT_THAT(ask(parts, o).err, HasSubstr("which place"));
  o.type.clear();
  o.ran = -1.0;
  EXPECT_EQ(ask(parts, o).code, 2);
  o.ran.reset();
  o.board = "nobody";
  EXPECT_EQ(ask(parts, o).code, 2);
}

TEST_F(Review, NotesAndPhotosOfARun) {
  const std::string picture = (folder_ / "underside.jpg").string();
  std::ofstream(picture) << "pixels";
  NoteOptions add;
  add.run = "2";
  add.store = path_;
  add.text = "V1 looks dark";
  EXPECT_EQ(ask(note, add).code, 0);
  add.text = "underside";
  add.photos = {picture};
  EXPECT_THAT(ask(note, add).out, HasSubstr("underside.jpg (as it was): underside"));
  std::ofstream(picture) << "other pixels";
  NoteOptions list;
  list.run = "2";
  list.store = path_;
  list.json = "-";
  const json j = json::parse(ask(note, list).out);
  EXPECT_EQ(j["notes"], "V1 looks dark");
  EXPECT_EQ(j["photos"][0]["state"], "changed since");
  add.photos = {picture + "x"};
  EXPECT_EQ(ask(note, add).code, 2);
}

TEST_F(Review, OneRunIsComparedWithTheLastGoodOneOfItsBoard) {
  CompareOptions one;
  one.before = "2";
  one.store = path_;
  one.json = "-";
  const json j = json::parse(ask(compare, one).out);
  EXPECT_EQ(j["before"]["run"], 1);
  EXPECT_EQ(j["after"]["run"], 2);
  one.before = "1";
  EXPECT_THAT(ask(compare, one).err, HasSubstr("no earlier run of this board passed"));
}

TEST_F(Drift, BoardPageGathersAllItsRuns) {
  {
    Result<record::Store> store = record::Store::open(path_);
    ASSERT_TRUE(store->add_note(*store->find("last"), "measured with the lid open").ok());
  }
  ReportOptions options = report_of("", path_, "-");
  options.board = "shed-latch";
  options.serial = "005";
  const Answer answer = ask(report, options);
  EXPECT_EQ(answer.code, 0);
  EXPECT_THAT(answer.out, HasSubstr("12 runs, the last on"));
  EXPECT_THAT(answer.out, HasSubstr("reaches its limit of 22.00 V in about"));
  EXPECT_THAT(answer.out, HasSubstr("measured with the lid open"));
  EXPECT_THAT(answer.out, Not(HasSubstr("shed-latch 003")));
  options.serial.clear();
  EXPECT_THAT(ask(report, options).err, HasSubstr("several serials"));
  options.serial = "777";
  EXPECT_EQ(ask(report, options).code, 2);
}

TEST_F(Drift, LabelsCodeFindsTheRun) {
  Result<record::Store> store = record::Store::open(path_, record::Store::Mode::read);
  const auto run = store->load("last");
  EXPECT_EQ(*store->find("99." + run->uid), run->number);  // in another store the number differs
}

TEST_F(Drift, BoardFileStandsForItsName) {
  TrendOptions by_file = options();
  by_file.board = std::string(TH_SOURCE_DIR) + "/vectors/shed-latch/board.yaml";
  EXPECT_THAT(ask(trend, by_file).out, HasSubstr("Q2's high sinks"));
  HistoryOptions list;
  list.store = path_;
  list.board = by_file.board;
  list.serial = "005";
  EXPECT_THAT(ask(history, list).out, HasSubstr("runs 1 to 12 of 12"));
  list.board = "nowhere/board.yaml";
  EXPECT_EQ(ask(history, list).code, 2);
}

TEST_F(Drift, SeveralSerialsAreSeveralBoards) {
  TrendOptions all = options();
  all.serial.clear();
  const Answer answer = ask(trend, all);
  EXPECT_EQ(answer.code, 2);
  EXPECT_THAT(answer.err, HasSubstr("003, 004, 005"));
  TrendOptions stranger = options();
  stranger.board = "nobody";
  EXPECT_EQ(ask(trend, stranger).code, 2);
  TrendOptions line = options();
  line.line = "Q9";
  EXPECT_EQ(ask(trend, line).code, 2);
}

}  // namespace
}  // namespace tenterhook::commands
