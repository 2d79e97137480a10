// What a study says: table, JSON against its schema, and what a recorded one still says.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#include <nlohmann/json.hpp>

#include "host/report/timing_text.h"
#include "host/timing/study.h"

namespace tenterhook::timing {
namespace {

using testing::HasSubstr;

Study example() {
  Study s;
  s.loop = {true, "PICK", {0.12e-6, 0.04e-6}, {0.13e-6, 0.04e-6}};
  s.converter_transition_s = 1e-6;
  EdgeResult e;
  e.from = "PICK";
  e.to = "Q0";
  e.from_high = true;
  e.clocked = true;
  e.delay = Figure{3.5312e-6, 0.0581e-6};
  e.delay_converter = Figure{3.9e-6, 0.09e-6};
  e.agree = false;
  e.transition_below_s = 0.41e-6;
  e.delay_judged = {6e-6, measure::Verdict::pass};
  e.waveform = {{-1e-6, 0.0, 4e-6}, {24.0, 24.1, 5.0}, 0.02, 1e-8};
  e.low_v = 5.0;
  e.high_v = 24.0;
  s.edges.push_back(e);
  LimitResult l;
  l.kind = "set-up";
  l.what = "F0 rising to PICK";
  l.clock = "PICK";
  l.data = "F0";
  l.value = {2.8e-6, 0.07e-6};
  l.resolution_s = 62.5e-9;
  l.search.at_edge = {58, 1, 0};
  l.search.state = SearchResult::State::unsettled;
  l.search.hysteresis = 32;
  l.search.holes.push_back({640, 720, false});
  l.note = "it still fails now and then";
  l.judged = {2.5e-6, measure::Verdict::fail};
  s.limits.push_back(l);
  s.counts.push_back({"STEP", "N0", 15, 8, 15, "double-stepping", false});
  s.not_measured.push_back("IN: it is not routed to a fast line");
  s.plot = Shmoo{"plot", {"period", "s", {1e-6, 2e-6}, {}}, {"width", "s", {1e-6}, {}}, {{3, 0, 0}, {0, 3, 0}}};
  s.verdict = measure::Verdict::fail;
  return s;
}

TEST(StudyText, SaysWhatWasFoundAndWhatWasNot) {
  const std::string text = table(example());
  for (const char* part : {"PICK up  Q0 down  3.53 +-0.06 us", "below 410 ns", "at most 6 us: pass", "trust neither", "failed once in 59",
                           "NOT MONOTONIC: it fails again from 40 us to 45 us", "HYSTERESIS: once it has failed it needs 2 us more", "at most 2.5 us: FAIL",
                           "double-stepping", "Not measured\n  IN: it is not routed"}) {
    EXPECT_THAT(text, HasSubstr(part));
  }
}

TEST(StudyText, ARecordedSectionStillSaysIt) {
  record::RunRecord run;
  run.sections["timing"] = json(example());
  EXPECT_EQ(report::timing_text(run, {}), "\nTiming\n" + table(example()));
  run.sections["timing"] = "{\"lines\": 3}";
  EXPECT_EQ(report::timing_text(run, {}), "");
}

TEST(StudyText, JsonCarriesWhatTheTableRoundsAway) {
  const auto j = nlohmann::json::parse(json(example()));
  EXPECT_EQ(j["edges"][0]["delay_s"]["value"], 3.5312e-6);
  EXPECT_NEAR(j["limits"][0]["hysteresis_s"].get<double>(), 2e-6, 1e-12);
  EXPECT_NEAR(j["limits"][0]["holes"][0]["to_s"].get<double>(), 45e-6, 1e-12);
  EXPECT_EQ(j["plot"]["tallies"][1][1], 3);
  EXPECT_EQ(j["verdict"], "fail");
}

// An independent validator (python3-jsonschema); 0: valid.
int validate(const std::string& text) {
  char path[] = "/tmp/tenterhook-timing-XXXXXX";
  const int file = mkstemp(path);
  EXPECT_EQ(write(file, text.data(), text.size()), static_cast<ssize_t>(text.size()));
  close(file);
  const std::string code = "import json, sys, jsonschema; s = json.load(open(sys.argv[1])); jsonschema.Draft7Validator.check_schema(s); "
                           "sys.exit(1 if list(jsonschema.Draft7Validator(s).iter_errors(json.load(open(sys.argv[2])))) else 0)";
  const int status = std::system(("python3 -c '" + code + "' " TH_SOURCE_DIR "/docs/schemas/timing.schema.json " + path).c_str());
  unlink(path);
  return WEXITSTATUS(status);
}

TEST(StudyText, JsonIsValidByItsSchema) {
  EXPECT_EQ(validate(json(example())), 0);
  EXPECT_EQ(validate(json(Study{})), 0);
  auto broken = nlohmann::json::parse(json(example()));
  broken["edges"][0].erase("agree");
  EXPECT_EQ(validate(broken.dump()), 1);
}

TEST(StudyText, TheDumpHasVoltsLogicAndTheDrivenEdge) {
  const std::string dump = vcd(example(), "c", "d");
  EXPECT_THAT(dump, HasSubstr("$scope module PICK_up_to_Q0_down $end"));
  EXPECT_THAT(dump, HasSubstr("$var real 64"));
  EXPECT_THAT(dump, HasSubstr("r24.1 "));
}

}  // namespace
}  // namespace tenterhook::timing
