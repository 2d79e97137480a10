#include "host/report/json.h"

#include <gtest/gtest.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "tests/unit/record/scenario.h"

namespace tenterhook::report {
namespace {

using nlohmann::json;

TEST(RunJson, CarriesTheContractsFields) {
  scenario::LatchRun options;
  options.q1_stuck_low = true;
  record::RunRecord run = scenario::latch_run(options);
  run.number = 17;
  run.uid = "01KAXY0V6G3W5Z8T2QF4N7M9RC";
  const json j = json::parse(run_json(run));
  EXPECT_EQ(j["run"], 17);
  EXPECT_EQ(j["run_uid"], run.uid);
  EXPECT_EQ(j["board"], "shed-latch");
  EXPECT_EQ(j["board_serial"], "003");
  EXPECT_EQ(j["verdict"], "fail");
  EXPECT_TRUE(j["aborted"].is_null());
  EXPECT_EQ(j["counts"],
            json({{"steps", 38}, {"readings", 304}, {"pass", 248}, {"fail", 56}, {"unsure", 0}}));
  EXPECT_EQ(j["time"]["prepare_s"], 40.1);
  const json& step = j["steps"][1];
  EXPECT_EQ(step["index"], 1);
  EXPECT_EQ(step["source"], "acceptance.vectors.yaml:5");
  EXPECT_EQ(step["set"], json({{"F3", 1}, {"F2", 0}, {"F1", 1}, {"F0", 0}, {"SKIP", 0}}));
  EXPECT_EQ(step["pulse"], json({{"PICK", 1}}));
  const json& reading = step["readings"][2];
  EXPECT_EQ(reading["line"], "Q1");
  EXPECT_EQ(reading["expected"], "1");
  EXPECT_EQ(reading["verdict"], "fail");
  EXPECT_EQ(reading["window"], json({22.0, 31.0}));
  EXPECT_EQ(reading["volts"].get<double>(), run.steps[1].readings[2].volts.value);
  EXPECT_EQ(reading["U"].get<double>(), run.steps[1].readings[2].U.value);
  const json& level = j["levels"][0];
  EXPECT_EQ(level["line"], "Q3");
  EXPECT_EQ(level["low"]["n"], run.levels[0].low->n);
  EXPECT_EQ(level["margins"][0]["to"], "valve30");
  EXPECT_EQ(level["margin_high"].get<double>(), *run.levels[0].margin_high_v);
  EXPECT_TRUE(j["power"].is_object());
  EXPECT_TRUE(j["timing"].is_object());
  EXPECT_TRUE(j["warnings"].is_array());
}

TEST(RunJson, AbortNamesCauseWhereAndBlame) {
  const json j = json::parse(run_json(scenario::tripped_run()));
  EXPECT_EQ(j["aborted"]["cause"], "over-current");
  EXPECT_EQ(j["aborted"]["where"], "plate");
  EXPECT_EQ(j["aborted"]["blame"], "board");
}

TEST(RunJson, ValuesThatAreNoNumbersAreNull) {
  record::RunRecord run = scenario::latch_run();
  run.steps[0].readings[0].volts = Volts{std::nan("")};
  run.steps[0].readings[0].window.max = Volts{INFINITY};
  const json j = json::parse(run_json(run));
  EXPECT_TRUE(j["steps"][0]["readings"][0]["volts"].is_null());
  EXPECT_TRUE(j["steps"][0]["readings"][0]["window"][1].is_null());
}

TEST(RunJson, SectionsJoinButNeverReplace) {
  record::RunRecord run = scenario::latch_run();
  run.sections["timing"] = R"({"top_rate_hz": 1000})";
  run.sections["budget"] = R"([1, 2])";
  run.sections["verdict"] = R"("pass")";
  run.sections["broken"] = "{";
  run.verdict = measure::Verdict::fail;
  const json j = json::parse(run_json(run));
  EXPECT_EQ(j["timing"]["top_rate_hz"], 1000);
  EXPECT_EQ(j["budget"], json({1, 2}));
  EXPECT_EQ(j["verdict"], "fail");
  EXPECT_FALSE(j.contains("broken"));
}

TEST(RunJson, TextIsEscapedAndBadBytesReplaced) {
  record::RunRecord run = scenario::latch_run();
  run.notes = "say \"so\"\n\xff";
  EXPECT_EQ(json::parse(run_json(run))["notes"], "say \"so\"\n\xef\xbf\xbd");
}

}  // namespace
}  // namespace tenterhook::report
