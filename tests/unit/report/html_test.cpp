#include "host/report/html.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <chrono>
#include <cmath>
#include <regex>
#include <set>

#include "host/report/html_style.h"
#include "tests/processor_clock.h"
#include "tests/unit/report/outside.h"

namespace tenterhook::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

using outside::finished;
std::vector<record::RunRecord> runs() {
  std::vector<record::RunRecord> all = outside::every_kind();
  all.emplace_back().board = "x";
  return all;
}

// The page is written so that it is well-formed XML as well: one tool then checks that every
// element is closed and every attribute quoted.
int well_formed(const std::string& page) {
  return outside::run_on(page, "xmllint --noout", ".html");
}

TEST(Page, IsWellFormedForEveryKindOfRun) {
  for (const record::RunRecord& run : runs()) EXPECT_EQ(well_formed(html_page(run)), 0);
  EXPECT_NE(well_formed("<p><b></p>"), 0);  // the check bites
}

TEST(Page, NeedsNoNetworkAndNoScript) {
  for (const record::RunRecord& run : runs()) {
    const std::string page = html_page(run);
    for (const char* word : {"<script", "src=", "href=\"http", "url(", "@import",
                             "javascript:", "<iframe", "<link", "onload", "onclick"}) {
      EXPECT_THAT(page, Not(HasSubstr(word)));
    }
  }
}

// Every text of a run carries markup; none of it may come through.
TEST(Page, EscapesEveryText) {
  scenario::LatchRun options;
  options.q1_stuck_low = true;
  record::RunRecord run = finished(scenario::latch_run(options));
  const std::string evil = "\"><script>alert(1)</script>&amp;'\x01\xff";
  for (std::string* text : {&run.board, &run.board_serial, &run.vectors, &run.fixture,
                            &run.fixture_serial, &run.firmware_build, &run.calibration,
                            &run.operator_name, &run.notes, &run.uid, &run.started, &run.kind}) {
    *text = evil;
  }
  run.faults = {evil};
  run.warnings = {evil};
  run.sections["timing"] = evil;
  run.sections[evil] = "{}";
  for (files::SourceFile& file : run.sources) file.path = evil;
  for (record::StepRecord& step : run.steps) {
    step.source = step.say = evil;
    for (auto& [line, bit] : step.set) line = evil;
    for (auto& [line, count] : step.pulse) line = evil;
    for (measure::Reading& r : step.readings) r.line = r.why = evil;
  }
  for (record::LevelRecord& level : run.levels) {
    level.line = evil;
    for (record::MarginRecord& margin : level.margins) margin.to = evil;
  }
  for (record::RailRecord& rail : run.power.rails) rail.rail = evil;
  for (record::CurveRecord& curve : run.power.curves) curve.rail = curve.quantity = evil;
  for (const bool stopped : {false, true}) {
    if (stopped) run.aborted = record::Aborted{evil, evil, evil, evil};
    const std::string page = html_page(run);
    EXPECT_THAT(page, Not(HasSubstr("<script")));
    EXPECT_THAT(page, Not(HasSubstr("\xff")));
    EXPECT_EQ(well_formed(page), 0);
  }
}

TEST(Page, SaysVerdictNextStepAndCaution) {
  const std::string page = html_page(runs()[1]);
  EXPECT_THAT(page, HasSubstr("FAIL"));
  EXPECT_THAT(page, HasSubstr("What to do next"));
  EXPECT_THAT(page, HasSubstr("<code>tenterhook diagnose 17</code>"));
  EXPECT_THAT(page, HasSubstr("every rail below 0.80 V"));
  EXPECT_THAT(page, HasSubstr("stays at 0 in every step"));
  EXPECT_THAT(html_page(runs()[3]), HasSubstr("neither passed nor failed"));
}

TEST(Page, EveryPictureHasWordsAndEveryIdIsUnique) {
  const std::string page = html_page(runs()[1]);
  std::set<std::string> ids;
  const std::regex id("id=\"([^\"]+)\"");
  for (std::sregex_iterator at(page.begin(), page.end(), id), end; at != end; ++at) {
    EXPECT_TRUE(ids.insert((*at)[1]).second) << (*at)[1];
  }
  const std::regex picture("<svg[^>]*>");
  int pictures = 0;
  for (std::sregex_iterator at(page.begin(), page.end(), picture), end; at != end; ++at) {
    const std::string tag = at->str();
    if (tag.find("aria-hidden") != std::string::npos) continue;
    ++pictures;
    std::smatch names;
    ASSERT_TRUE(std::regex_search(tag, names, std::regex("aria-labelledby=\"(\\S+) (\\S+)\"")))
        << tag;
    EXPECT_EQ(ids.count(names[1]) + ids.count(names[2]), 2u) << tag;
  }
  EXPECT_EQ(pictures, 8 + 2);  // a ladder an output, two curves
  EXPECT_THAT(page, HasSubstr("lows from 4.97 to 5.08 V"));
}

// Where a ladder draws things, read back from its coordinates: failing readings lie in the band of
// the other level, good bars inside their own.
TEST(Page, LadderDrawsCrossesInTheBandOfTheOtherLevel) {
  const std::string page = html_page(runs()[1]);
  const std::size_t at = page.find("Levels of Q1<");
  ASSERT_NE(at, std::string::npos);
  const std::string ladder = page.substr(at, page.find("</svg>", at) - at);
  std::smatch zero, one, cross, bar;
  ASSERT_TRUE(std::regex_search(
      ladder, zero,
      std::regex(
          "band zero\" x=\"[^\"]+\" y=\"([0-9.]+)\" width=\"[^\"]+\" height=\"([0-9.]+)\"")));
  ASSERT_TRUE(std::regex_search(
      ladder, one,
      std::regex("band one\" x=\"[^\"]+\" y=\"([0-9.]+)\" width=\"[^\"]+\" height=\"([0-9.]+)\"")));
  ASSERT_TRUE(std::regex_search(ladder, cross, std::regex("cross\" d=\"M[0-9.]+ ([0-9.]+)l8 8")));
  ASSERT_TRUE(std::regex_search(
      ladder, bar,
      std::regex("bar\" x=\"[^\"]+\" y=\"([0-9.]+)\" width=\"12\" height=\"([0-9.]+)\"")));
  const double zero_top = std::stod(zero[1]), zero_bottom = zero_top + std::stod(zero[2]);
  EXPECT_LT(std::stod(one[1]) + std::stod(one[2]), zero_top);  // a higher voltage lies higher
  const double crossed = std::stod(cross[1]) + 4.0;
  EXPECT_GT(crossed, zero_top);
  EXPECT_LT(crossed, zero_bottom);
  EXPECT_GT(std::stod(bar[1]), zero_top);
  EXPECT_LT(std::stod(bar[1]) + std::stod(bar[2]), zero_bottom);
}

// Relative luminance and contrast by their definition in WCAG 2.1 (formula from memory).
double luminance(const std::string& hex) {
  const auto channel = [&](std::size_t at) {
    const double c = std::stoi(hex.substr(at, 2), nullptr, 16) / 255.0;
    return c <= 0.03928 ? c / 12.92 : std::pow((c + 0.055) / 1.055, 2.4);
  };
  return 0.2126 * channel(0) + 0.7152 * channel(2) + 0.0722 * channel(4);
}
double contrast(const std::string& a, const std::string& b) {
  const double la = luminance(a), lb = luminance(b);
  return (std::max(la, lb) + 0.05) / (std::min(la, lb) + 0.05);
}

TEST(Page, TextStandsOutByFourAndAHalfInEveryScheme) {
  EXPECT_NEAR(contrast("000000", "ffffff"), 21.0, 1e-9);
  const std::string style = kStyle;
  const std::regex scheme(":root\\{([^}]*)\\}");
  int schemes = 0;
  for (std::sregex_iterator at(style.begin(), style.end(), scheme), end; at != end; ++at) {
    std::map<std::string, std::string> colours;
    const std::string body = (*at)[1];
    const std::regex entry("--([a-z]+):#([0-9a-f]+)");
    for (std::sregex_iterator e(body.begin(), body.end(), entry); e != end; ++e) {
      std::string hex = (*e)[2];
      if (hex.size() == 3) hex = {hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]};
      colours[(*e)[1]] = hex;
    }
    ++schemes;
    for (const char* text : {"ink", "soft", "thread", "pass", "fail", "unsure", "stop"}) {
      for (const char* ground : {"cloth", "card"}) {
        EXPECT_GE(contrast(colours[text], colours[ground]), 4.5) << schemes << text << ground;
      }
    }
    EXPECT_GE(contrast(colours["ink"], colours["zero"]), 4.5) << schemes;
    EXPECT_GE(contrast(colours["ink"], colours["one"]), 4.5) << schemes;
  }
  EXPECT_EQ(schemes, 3);  // light, dark, print
}

TEST(Page, SixHundredReadingsTakeUnder600KilobytesAnd300Milliseconds) {
  scenario::LatchRun options;
  options.steps = 75;
  options.q1_stuck_low = true;
  const record::RunRecord run = finished(scenario::latch_run(options));
  ASSERT_EQ(record::counts_of(run).readings, 600);
  const auto begun = ProcessorClock::now();
  const std::string page = html_page(run);
  const std::chrono::duration<double> taken = ProcessorClock::now() - begun;
  EXPECT_LT(page.size(), 600u * 1024u) << page.size();
  EXPECT_LT(taken.count(), 0.3);
}

}  // namespace
}  // namespace tenterhook::report
