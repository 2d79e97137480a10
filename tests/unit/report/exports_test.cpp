#include "host/report/exports.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdlib>

#include "tests/unit/report/outside.h"

namespace tenterhook::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

using outside::run_on;
std::vector<record::RunRecord> runs() {
  return outside::every_kind();
}

const std::string kXmllint =
    "xmllint --noout --schema '" + std::string(TH_SOURCE_DIR) + "/tests/data/junit/structure.xsd'";

TEST(JUnit, EveryRunIsValid) {
  int index = 0;
  for (const record::RunRecord& run : runs()) {
    EXPECT_EQ(run_on(junit_xml(run), kXmllint, ".xml"), 0) << "run " << index << "\n"
                                                           << junit_xml(run).substr(0, 600);
    ++index;
  }
}

TEST(JUnit, TheSchemaBites) {
  const std::string good = junit_xml(runs()[1]);
  for (const char* attribute : {" hostname=", " package=", " timestamp=", " classname="}) {
    std::string bad = good;
    const std::size_t at = bad.find(attribute);
    ASSERT_NE(at, std::string::npos) << attribute;
    bad.erase(at, bad.find('"', bad.find('"', at) + 1) + 1 - at);
    EXPECT_NE(run_on(bad, kXmllint, ".xml"), 0) << attribute;
  }
}

TEST(JUnit, CountsNeverHideTrouble) {
  EXPECT_THAT(junit_xml(runs()[0]), HasSubstr("tests=\"38\" failures=\"0\" errors=\"0\""));
  EXPECT_THAT(junit_xml(runs()[1]), HasSubstr("tests=\"38\" failures=\"28\" errors=\"0\""));
  EXPECT_THAT(junit_xml(runs()[2]), HasSubstr("failures=\"0\" errors=\"26\""));
  EXPECT_THAT(junit_xml(runs()[3]), HasSubstr("tests=\"1\" failures=\"0\" errors=\"1\""));
  EXPECT_THAT(junit_xml(runs()[3]), HasSubstr("type=\"over-current\""));
}

TEST(Tap, ProveAgreesWithTheVerdict) {
  const std::vector<record::RunRecord> all = runs();
  EXPECT_EQ(run_on(tap(all[0]), "prove --exec cat", ".tap"), 0);
  for (const std::size_t i : {1u, 2u, 3u, 4u}) {
    EXPECT_NE(run_on(tap(all[i]), "prove --exec cat", ".tap"), 0) << i;
  }
}

TEST(Tap, HasVersionPlanAndTestPoints) {
  const std::string text = tap(runs()[1]);
  EXPECT_EQ(text.substr(0, 21), "TAP version 13\n1..38\n");
  EXPECT_THAT(text,
              HasSubstr("\nok 1 - step 0 acceptance.vectors.yaml:4 clear the power-up state\n"));
  EXPECT_THAT(text, HasSubstr("\nnot ok 2 - step 1 acceptance.vectors.yaml:5\n  ---\n  readings:\n"
                              "    - line: \"Q1\"\n      verdict: fail\n"));
  EXPECT_THAT(tap(runs()[3]), HasSubstr("Bail out! stopped: over-current at plate"));
  // '#' would open a directive, and a directive can hide a failure.
  EXPECT_THAT(tap(runs()[4]), HasSubstr("\\#\\\\"));
}

// Fields of one RFC 4180 text, read by its own grammar.
std::vector<std::vector<std::string>> read_csv(const std::string& text) {
  std::vector<std::vector<std::string>> rows(1, std::vector<std::string>(1));
  bool quoted = false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    std::string& cell = rows.back().back();
    if (quoted) {
      if (text[i] != '"')
        cell += text[i];
      else if (i + 1 < text.size() && text[i + 1] == '"')
        cell += text[i++];
      else
        quoted = false;
    } else if (text[i] == '"') {
      quoted = true;
    } else if (text[i] == ',') {
      rows.back().emplace_back();
    } else if (text.compare(i, 2, "\r\n") == 0) {
      rows.emplace_back(1);
      ++i;
    } else {
      cell += text[i];
    }
  }
  rows.pop_back();  // what follows the last line end
  return rows;
}

TEST(Csv, ReadsBackBitForBit) {
  for (const record::RunRecord& run : runs()) {
    const auto rows = read_csv(csv(run));
    std::size_t row = 1;
    for (const record::StepRecord& step : run.steps) {
      for (const measure::Reading& r : step.readings) {
        ASSERT_LT(row, rows.size());
        const std::vector<std::string>& f = rows[row++];
        ASSERT_EQ(f.size(), rows[0].size());
        EXPECT_EQ(std::stoi(f[2]), step.index);
        EXPECT_EQ(f[4], step.say);
        EXPECT_EQ(std::strtod(f[7].c_str(), nullptr), step.time_s);
        EXPECT_EQ(f[8], r.line);
        EXPECT_EQ(std::strtod(f[10].c_str(), nullptr), r.volts.value);
        EXPECT_EQ(std::strtod(f[11].c_str(), nullptr), r.U.value);
        EXPECT_EQ(std::strtod(f[13].c_str(), nullptr), r.p);
        EXPECT_EQ(std::strtod(f[14].c_str(), nullptr), r.window.min.value);
        EXPECT_EQ(f[16], record::verdict_word(r.verdict));
        EXPECT_EQ(std::stoul(f[22]), r.counts.sum_of_squares);
        EXPECT_EQ(f[23], r.why);
      }
    }
    EXPECT_EQ(row, rows.size());
  }
}

TEST(Csv, StepWithoutReadingsKeepsItsRow) {
  record::RunRecord run = runs()[0];
  run.steps.resize(1);
  run.steps[0].readings.clear();
  const auto rows = read_csv(csv(run));
  ASSERT_EQ(rows.size(), 2u);
  EXPECT_EQ(rows[1].size(), rows[0].size());
  EXPECT_EQ(rows[1][5], "F3=0 F2=0 F1=0 F0=0 SKIP=0");
}

// Python's csv module as a reader that knows nothing of ours: same fields, and every number is
// written in the shortest form that reads back (so that its own repr agrees in value).
TEST(Csv, AnIndependentReaderAgrees) {
  const std::string script =
      "python3 -c 'import csv, sys\n"
      "rows = list(csv.reader(open(sys.argv[1], newline=\"\", encoding=\"latin-1\"), "
      "strict=True))\n"
      "assert len(rows) == 305, len(rows)\n"
      "assert all(len(r) == 24 for r in rows)\n"
      "assert sum(r[16] == \"fail\" for r in rows) == 56\n"
      "assert all(float(repr(float(r[10]))) == float(r[10]) for r in rows[1:])'";
  EXPECT_EQ(run_on(csv(runs()[1]), script, ".csv"), 0);
}

}  // namespace
}  // namespace tenterhook::report
