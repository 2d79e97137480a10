// Board page, fleet page, label, and the sections that a run's page is given by other parts: escaped, valid, readable.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <regex>

#include "host/report/board_page.h"
#include "host/report/html.h"
#include "host/report/label.h"
#include "tests/unit/report/outside.h"

namespace tenterhook::report {
namespace {

using outside::finished;
using outside::run_on;
using ::testing::HasSubstr;
using ::testing::Not;

const std::string kEvil = "\"><script>alert(1)</script>&amp;'\x01\xff";

record::RunSummary summary_of(const record::RunRecord& run) {
  record::RunSummary s;
  s.number = run.number;
  s.uid = run.uid;
  s.started = run.started;
  s.board = run.board;
  s.board_serial = run.board_serial;
  s.vectors = run.vectors;
  s.complete = run.complete;
  s.verdict = run.verdict;
  s.counts = record::counts_of(run);
  s.aborted = run.aborted;
  return s;
}

BoardPage a_board() {
  BoardPage page;
  scenario::LatchRun dead;
  dead.q1_stuck_low = true;
  page.last = finished(scenario::latch_run(dead));
  page.board = page.last.board;
  page.board_serial = page.last.board_serial;
  page.runs = {summary_of(page.last), summary_of(finished(scenario::latch_run())), summary_of(finished(scenario::tripped_run()))};
  page.total = 3;
  LineTrend trend;
  trend.line = "Q2";
  trend.high = true;
  std::vector<record::TrendPoint> points;
  for (int i = 0; i < 12; ++i) points.push_back({i + 1, 7.0 * i, 23.0 - 0.05 * i + 0.01 * (i % 3)});
  trend.trend = record::assess_trend(points, 22.0, true, {{21.0, "V2 was replaced"}});
  page.trends = {trend};
  record::PartLife life;
  life.fitted.part = "V2";
  life.fitted.happened = "2026-11-01T00:00:00Z";
  page.parts = {life};
  page.swaps = {life.fitted};
  page.remarks = {{17, "2026-11-02T00:00:00Z", "looks dark", "", ""}};
  page.use.hours = 12.5;
  return page;
}

FleetPage a_fleet() {
  FleetPage page;
  page.store = "history.db";
  FleetBoard board;
  board.last = a_board().runs.front();
  board.runs = 3;
  board.passed = 1;
  board.least_margin = least_margin_of(a_board().last);
  page.boards = {board};
  record::SelfTestRecord test;
  test.happened = "2026-11-01T00:00:00Z";
  test.findings = {{"drive.3", "slow", "text"}};
  page.fixtures = {{"TH-0007", {{"drive.0", 12345, "2026-01-01T00:00:00Z", "2026-11-01T00:00:00Z"}}, {test}}};
  return page;
}

// A run with sections as other parts of the program write them, and one as none of them does.
record::RunRecord with_sections(const std::string& name) {
  record::RunRecord run = finished(scenario::latch_run());
  run.sections["timing"] = R"({"edges": [{"from": "PICK", "from_edge": "rising", "to": ")" + name + R"(", "to_edge": "rising",
    "delay_s": {"value": 3.2e-6, "U": 4e-7}, "agree": true, "transition_s": {"value": 9e-7, "U": 1e-7}, "note": "",
    "delay_judged": {"limit_s": 6e-6, "verdict": "pass"}, "waveform": {"t_s": [0, 1e-6], "v": [5, 24]}}],
    "limits": [{"kind": "clock period", "what": "PICK", "state": "found", "value_s": {"value": 2e-5, "U": 1e-7}, "holes": [], "note": "",
      "judged": {"limit_s": 3e-5, "verdict": "pass"}}],
    "plot": {"title": "where it works", "x": {"name": "period", "unit": "s", "values": [1e-5, 2e-5, 3e-5]},
      "y": {"name": "width", "unit": "s", "values": [1e-6, 2e-6]},
      "tallies": [{"passes": 0, "fails": 4, "unsure": 0}, {"passes": 4, "fails": 0, "unsure": 0}, {"passes": 4, "fails": 0, "unsure": 0},
                  {"passes": 0, "fails": 4, "unsure": 0}, {"passes": 2, "fails": 2, "unsure": 0}, {"passes": 4, "fails": 0, "unsure": 0}]},
    "not_measured": ["SKIP: routed nowhere"], "lines": []})";
  run.sections["gauge"] = R"({"repeatability_v": 0.012, "lines": [{"line": ")" + name + R"(", "low_v": 5.01}]})";
  run.sections["odd"] = "no JSON: " + name;
  run.sections["wrong"] = R"({"edges": 3, "plot": {"x": 1}})";
  return run;
}

TEST(Sections, TimingIsLaidOutWithItsPlot) {
  const std::string page = html_page(with_sections("Q0"));
  EXPECT_THAT(page, HasSubstr("<td>3.20 us &#177; 400 ns</td><td>at most 6.00 us: pass</td>"));
  EXPECT_THAT(page, HasSubstr("50 kHz"));
  EXPECT_THAT(page, HasSubstr("3 points pass, 2 fail, 1 are undecided"));
  EXPECT_THAT(page, HasSubstr("SKIP: routed nowhere"));
  EXPECT_THAT(page, HasSubstr("<h2>Gauge study</h2>"));
  EXPECT_THAT(page, HasSubstr("repeatability (V)"));
}

TEST(Sections, FieldsOfAnotherTypeAreShownAsTheyStand) {
  record::RunRecord run = finished(scenario::latch_run());
  for (const char* text : {R"({"edges": [1, "x", {"delay_s": "soon", "agree": "no"}], "plot": {"tallies": [1], "x": {"values": [1]}, "y": {"values": [1]}}})",
                           R"({"limits": [{"state": 4}]})", R"({"plot": []})", "[]", "7", "null", "\"text\"", "{"}) {
    run.sections["timing"] = run.sections["diagnosis"] = run.sections["other"] = text;
    EXPECT_EQ(run_on(html_page(run), "xmllint --noout", ".html"), 0) << text;
  }
}

TEST(Sections, EscapeWhatTheyShow) {
  const std::string page = html_page(with_sections("\\\"><script>alert(1)</script>"));
  EXPECT_THAT(page, Not(HasSubstr("<script")));
  EXPECT_EQ(run_on(page, "xmllint --noout", ".html"), 0);
}

TEST(Pages, AreWellFormedAndNeedNothing) {
  for (const std::string& page : {board_page(a_board()), board_page(BoardPage{}), fleet_page(a_fleet()), fleet_page(FleetPage{})}) {
    EXPECT_EQ(run_on(page, "xmllint --noout", ".html"), 0);
    for (const char* word : {"<script", "src=", "href=\"http", "url(", "@import", "<iframe", "<link"}) EXPECT_THAT(page, Not(HasSubstr(word)));
  }
}

// Debian's tidy judges by the rules of HTML 5: no error, no warning. Attributes of SVG are unknown to it and
// not judged; that it bites is seen at a table that is not one.
TEST(Pages, AnHtmlValidatorFindsNothing) {
  const std::string tidy = "tidy -quiet -errors --doctype html5 --drop-empty-elements no --warn-proprietary-attributes no";
  std::vector<std::string> pages = {board_page(a_board()), fleet_page(a_fleet()), html_page(with_sections("Q0"))};
  for (const record::RunRecord& run : outside::every_kind()) pages.push_back(html_page(run));
  for (const std::string& page : pages) EXPECT_EQ(run_on(page, tidy, ".html"), 0);
  std::string broken = pages[0];
  broken.replace(broken.find("<tr>"), 4, "<p>");
  EXPECT_NE(run_on(broken, tidy, ".html"), 0);
}

TEST(Pages, EscapeEveryText) {
  BoardPage board = a_board();
  for (std::string* text : {&board.board, &board.board_serial, &board.runs[0].vectors, &board.runs[0].started, &board.trends[0].line, &board.parts[0].fitted.part,
                            &board.parts[0].fitted.note, &board.parts[0].fitted.type, &board.swaps[0].note, &board.remarks[0].text, &board.remarks[0].path,
                            &board.last.levels[0].line}) {
    *text = kEvil;
  }
  board.runs[2].aborted->where = kEvil;
  FleetPage fleet = a_fleet();
  fleet.boards[0].last.board = fleet.boards[0].urgent_trend = fleet.store = fleet.fixtures[0].serial = fleet.fixtures[0].wear[0].channel = kEvil;
  fleet.fixtures[0].self_tests[0].findings[0].where = kEvil;
  for (const std::string& page : {board_page(board), fleet_page(fleet)}) {
    EXPECT_THAT(page, Not(HasSubstr("<script")));
    EXPECT_EQ(run_on(page, "xmllint --noout", ".html"), 0);
  }
}

TEST(Pages, EveryPictureHasWordsAndEveryIdIsUnique) {
  const std::string page = board_page(a_board());
  const std::regex picture("<svg[^>]*role=\"img\"[^>]*><title"), any("<svg[^>]*role=\"img\"");
  const auto count = [&page](const std::regex& what) { return std::distance(std::sregex_iterator(page.begin(), page.end(), what), std::sregex_iterator()); };
  EXPECT_EQ(count(picture), count(any));
  EXPECT_GT(count(any), 3);
  EXPECT_THAT(page, HasSubstr("class=\"anew\""));
  EXPECT_THAT(page, HasSubstr("V2 replaced, socket kept"));
}

// ---- label ---------------------------------------------------------------------------------------

// The code as an independent reader sees it: the PDF drawn by poppler's pdftoppm, read by zbarimg (Debian).
TEST(Label, CodeReadsBackFromThePrintedPage) {
  const auto pdf = label_pdf(finished(scenario::latch_run()));
  ASSERT_TRUE(pdf.ok());
  const std::string read = "sh -c 'pdftoppm -r 300 -gray \"$0\" \"$0\" && zbarimg --quiet --raw \"$0\"-1.pgm | grep -qx 17.01KAXY0V6G3W5Z8T2QF4N7M9RC; "
                           "s=$?; rm -f \"$0\"-1.pgm; exit $s'";
  EXPECT_EQ(run_on(*pdf, read, ".pdf"), 0);
}

TEST(Label, SaysWhatItMust) {
  record::RunRecord run = finished(scenario::latch_run());
  for (const auto& label : {label_svg(run), label_pdf(run)}) {
    ASSERT_TRUE(label.ok());
    for (const char* text : {"shed-latch", "serial 003", "PASS", "margin +", "2026-11-25", "run 17"}) EXPECT_THAT(*label, HasSubstr(text));
  }
  EXPECT_EQ(run_on(*label_svg(run), "xmllint --noout", ".svg"), 0);
}

TEST(Label, OddAndLongNamesNeitherBreakNorLeaveIt) {
  record::RunRecord run = finished(scenario::latch_run());
  run.board = "(a\\b)<&\"\xc3\xa9\xe2\x86\x92 " + std::string(400, 'W');
  const auto svg = label_svg(run);
  EXPECT_EQ(run_on(*svg, "xmllint --noout", ".svg"), 0);
  EXPECT_LT(svg->size(), 60000u);
  const auto pdf = label_pdf(run);
  EXPECT_THAT(*pdf, HasSubstr("(\\(a\\\\b\\)<&\"\\351? W"));
  EXPECT_EQ(run_on(*pdf, "pdftotext", ".pdf"), 0);
}

TEST(Label, RunWithoutAnEndHasNoVerdictToPrint) {
  record::RunRecord run = scenario::latch_run();
  EXPECT_EQ(label_svg(run).error().trouble, Trouble::input);
}

}  // namespace
}  // namespace tenterhook::report
