#include "host/report/terminal.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <sstream>

#include "host/report/big_word.h"
#include "tests/unit/record/scenario.h"

namespace tenterhook::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

Screen plain(int width) {
  return {width, false, false, true};
}
Screen bright(int width) {
  return {width, true, true, true};
}

record::RunRecord finished(record::RunRecord run) {
  run.number = 17;
  run.uid = "01KAXY0V6G3W5Z8T2QF4N7M9RC";
  run.complete = true;
  return run;
}
record::RunRecord good() {
  return finished(scenario::latch_run());
}
record::RunRecord dead_valve() {
  scenario::LatchRun options;
  options.q1_stuck_low = true;
  return finished(scenario::latch_run(options));
}
record::RunRecord undecided() {
  scenario::LatchRun options;
  options.q2_weak = true;
  return finished(scenario::latch_run(options));
}
record::RunRecord cut_short() {
  record::RunRecord run = good();
  run.complete = false;
  run.verdict = measure::Verdict::none;
  run.steps.resize(5);
  run.levels.clear();
  return run;
}

std::string widest(const std::string& text) {
  std::istringstream lines(text);
  std::string line, wide;
  while (std::getline(lines, line)) {
    if (columns(line) > columns(wide)) wide = line;
  }
  return wide;
}

// ---- every screen fits -------------------------------------------------------------------------

TEST(Screens, NothingIsWiderThanTheScreen) {
  for (const record::RunRecord& run :
       {good(), dead_valve(), undecided(), cut_short(), finished(scenario::tripped_run())}) {
    for (const int width : {60, 80, 120}) {
      for (const bool unicode : {true, false}) {
        const Screen screen{width, true, true, unicode};
        const std::string text = whole_run(run, screen);
        EXPECT_LE(columns(widest(text)), width) << widest(text);
      }
    }
  }
}

TEST(Screens, PlainTextHasNoEscapesAndNoBlocks) {
  for (const record::RunRecord& run : {good(), dead_valve(), undecided(), cut_short()}) {
    const std::string text = whole_run(run, plain(80));
    EXPECT_EQ(text.find('\x1b'), std::string::npos);
    EXPECT_EQ(text.find("█"), std::string::npos);
  }
}

TEST(Screens, AsciiScreenGetsAsciiOnly) {
  const std::string text = whole_run(dead_valve(), Screen{80, true, true, false});
  for (const char c : text) EXPECT_LT(static_cast<unsigned char>(c), 128) << text;
}

TEST(Screens, NoColourStillTellsEverything) {
  const Screen screen{80, true, false, true};
  const std::string text = whole_run(dead_valve(), screen);
  EXPECT_EQ(text.find('\x1b'), std::string::npos);
  EXPECT_THAT(text, HasSubstr("FAIL   step 1"));
  EXPECT_THAT(text, HasSubstr("[0]"));
  EXPECT_THAT(text, HasSubstr("█"));
}

// ---- verdict -----------------------------------------------------------------------------------

TEST(Verdict, WordsForEveryOutcome) {
  EXPECT_EQ(verdict_headline(good()), "PASS");
  EXPECT_EQ(verdict_headline(dead_valve()), "FAIL");
  EXPECT_EQ(verdict_headline(undecided()), "UNSURE");
  EXPECT_EQ(verdict_headline(finished(scenario::tripped_run())), "STOP");
  EXPECT_EQ(verdict_headline(cut_short()), "STOP");
}

TEST(Verdict, StoppedRunNeverClaimsPassOrFail) {
  record::RunRecord run = finished(scenario::tripped_run());
  run.verdict = measure::Verdict::pass;  // whatever a caller left there
  EXPECT_EQ(verdict_headline(run), "STOP");
  EXPECT_THAT(verdict_sentence(run), HasSubstr("neither passed nor failed"));
  EXPECT_THAT(verdict_sentence(run), HasSubstr("over-current at plate"));
  EXPECT_THAT(quiet_line(run), HasSubstr("STOP"));
}

TEST(Verdict, BigWordStandsAtTheEndOfATerminalOnly) {
  const std::string text = closing(dead_valve(), bright(80));
  EXPECT_GT(text.find("█"), text.find("Levels in volts"));
  EXPECT_EQ(closing(dead_valve(), plain(80)).find("█"), std::string::npos);
  EXPECT_THAT(closing(dead_valve(), plain(80)), HasSubstr("\nFAIL\n"));
}

TEST(BigWord, LettersAreDrawnWideWhereTheyFit) {
  const std::string wide = big_word("UNSURE", Paint::unsure, Screen{80, true, false, true});
  const std::string narrow = big_word("UNSURE", Paint::unsure, Screen{60, true, false, true});
  EXPECT_GT(columns(widest(wide)), 70);
  EXPECT_LE(columns(widest(narrow)), 60);
  std::istringstream lines(big_word("L", Paint::none, Screen{80, true, false, false}));
  std::string line;
  std::vector<std::string> rows;
  while (std::getline(lines, line)) rows.push_back(line);
  ASSERT_EQ(rows.size(), 8u);
  EXPECT_EQ(rows[1], "   ##");
  EXPECT_EQ(rows[6], "   ##########");
}

TEST(BigWord, EveryHeadlineHasAllItsLetters) {
  for (const char* word : {"PASS", "FAIL", "UNSURE", "STOP", "DONE", "GOING"}) {
    for (const char* letter = word; *letter != '\0'; ++letter) {
      const std::string drawn = big_word(std::string(1, *letter), Paint::none, plain(80));
      EXPECT_THAT(drawn, HasSubstr("██")) << *letter;
    }
  }
}

// ---- failing steps -----------------------------------------------------------------------------

TEST(StepRows, ExpectedStandsBesideMeasured) {
  const record::RunRecord run = dead_valve();
  std::map<std::string, LineWindows> windows;
  for (const record::StepRecord& step : run.steps) learn_windows(windows, step);
  EXPECT_EQ(step_rows(run.steps[1], windows, plain(80)),
            "FAIL   step 1 · acceptance.vectors.yaml:5\n"
            "       set F=1010 SKIP=0, pulse PICK\n"
            "                   Q3     Q2     Q1     Q0     Qn3    Qn2    Qn1    Qn0\n"
            "       expected     1      0      1      0      0      1      0      1\n"
            "       measured     1      0     [0]     0      0      1     [1]     1\n"
            "       volts      24.58  5.03   5.01   5.02   5.01   24.55  24.62  24.65\n");
}

TEST(StepRows, LevelInBetweenIsNoBit) {
  record::RunRecord run = good();
  measure::Reading& r = run.steps[1].readings[0];
  r.volts = Volts{15.0};
  r.verdict = measure::Verdict::fail;
  std::map<std::string, LineWindows> windows;
  for (const record::StepRecord& step : run.steps) learn_windows(windows, step);
  EXPECT_THAT(step_rows(run.steps[1], windows, plain(80)), HasSubstr("[~]"));
}

TEST(StepRows, WideBoardShowsOnlyTheBlocksWithTrouble) {
  record::StepRecord step;
  for (int i = 63; i >= 0; --i) {
    measure::Reading r = scenario::latch_run().steps[1].readings[0];
    r.line = "OUT" + std::to_string(i);
    if (i == 5) r.verdict = measure::Verdict::fail;
    step.readings.push_back(r);
  }
  const std::string text = step_rows(step, {}, plain(80));
  EXPECT_THAT(text, HasSubstr("OUT5"));
  EXPECT_THAT(text, Not(HasSubstr("OUT63")));
  EXPECT_LE(columns(widest(text)), 80);
}

TEST(LiveView, SameLinesAreToldTwiceThenInOneLine) {
  const record::RunRecord run = dead_valve();
  LiveView view(plain(80));
  int full = 0, brief = 0;
  for (const record::StepRecord& step : run.steps) {
    const std::string text = view.step(step);
    if (text.find("expected") != std::string::npos) ++full;
    if (text.find("again Q1 Qn1") != std::string::npos) ++brief;
  }
  EXPECT_EQ(full, 2);
  EXPECT_EQ(brief, 26);
}

TEST(LiveView, LiveLineIsRedrawnInPlaceOnTerminalsOnly) {
  Progress now;
  now.phase = "vectors";
  now.done = 23;
  now.total = 70;
  LiveView live(bright(80)), pipe(plain(80));
  EXPECT_EQ(pipe.progress(now), "");
  const std::string line = live.progress(now);
  EXPECT_EQ(line.substr(0, 5), "\r\x1b[2K");
  EXPECT_EQ(line.find('\n'), std::string::npos);
  EXPECT_EQ(live.clear(), "\r\x1b[2K");
  EXPECT_EQ(live.clear(), "");
  live.progress(now);
  EXPECT_EQ(live.step(dead_valve().steps[1]).substr(0, 5), "\r\x1b[2K");
}

TEST(ProgressLine, SaysStepCountTroubleAndTimeLeft) {
  Progress now;
  now.phase = "vectors";
  now.done = 23;
  now.total = 70;
  now.wrong = 2;
  now.left_s = 2.55;
  now.doing = "F=1010 SKIP=0, PICK";
  const std::string line = progress_line(now, Screen{100, true, false, true});
  EXPECT_EQ(
      line,
      "vectors ╞════════┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈╡ 23 of 70, 2 wrong, 3.0 s left · F=1010 SKIP=0, PICK");
  for (const int width : {40, 60, 80, 120}) {
    EXPECT_LT(columns(progress_line(now, Screen{width, true, false, true})), width);
  }
  now.done = 99;  // more than planned must not overflow the bar
  EXPECT_LT(columns(progress_line(now, Screen{80, true, false, true})), 80);
}

// ---- findings ----------------------------------------------------------------------------------

TEST(Findings, StuckLineIsCalledStuckAndNamesTheNextAction) {
  const std::vector<LineFinding> found = find_lines(dead_valve());
  ASSERT_EQ(found.size(), 2u);
  EXPECT_EQ(found[0].line, "Q1");
  EXPECT_EQ(found[0].wrong, 28);
  EXPECT_EQ(found[0].judged, 38);
  EXPECT_EQ(found[0].step, 1);
  EXPECT_EQ(found[0].pattern, "stays at 0 in every step");
  EXPECT_THAT(found[0].next, HasSubstr("hold 17:1"));
  EXPECT_EQ(found[1].pattern, "stays at 1 in every step");
}

TEST(Findings, WeakHighIsCalledTooLow) {
  record::RunRecord run = good();
  for (record::StepRecord& step : run.steps) {
    measure::Reading& r = step.readings[0];
    if (r.expected != files::Bit::one) continue;
    r.volts = Volts{19.0};
    r.verdict = measure::Verdict::fail;
  }
  run.verdict = measure::Verdict::fail;
  const std::vector<LineFinding> found = find_lines(run);
  ASSERT_EQ(found.size(), 1u);
  EXPECT_EQ(found[0].pattern, "its 1 is too low: 3.00 V below the window at worst");
}

TEST(Findings, ExchangedInverseIsNoticed) {
  record::RunRecord run = good();
  for (record::StepRecord& step : run.steps) {
    std::swap(step.readings[0].volts, step.readings[4].volts);
    step.readings[0].verdict = step.readings[4].verdict = measure::Verdict::fail;
  }
  const std::vector<LineFinding> found = find_lines(run);
  ASSERT_EQ(found.size(), 2u);
  EXPECT_EQ(found[0].pattern, "shows the opposite in every step");
  EXPECT_THAT(found[0].next, HasSubstr("wiring of Q3"));
}

TEST(Findings, UnsureLineSaysWhatWouldSettleIt) {
  const std::vector<std::string> next = next_actions(undecided());
  ASSERT_EQ(next.size(), 1u);
  EXPECT_THAT(next[0], HasSubstr("Q2"));
  EXPECT_THAT(next[0], HasSubstr("averaging"));
}

TEST(Cautions, DischargeIsMeasuredNeverPromised) {
  EXPECT_THAT(cautions(good())[0], HasSubstr("Measured after switch-off: every rail below 0.80 V"));
  record::RunRecord run = good();
  run.power.discharged_below_v.reset();
  EXPECT_THAT(cautions(run)[0], HasSubstr("take the board as charged"));
}

// ---- texts -------------------------------------------------------------------------------------

TEST(SetsText, WholeBusesAreJoined) {
  using files::Bit;
  EXPECT_EQ(sets_text({{"F3", Bit::one},
                       {"F2", Bit::zero},
                       {"F1", Bit::one},
                       {"F0", Bit::undriven},
                       {"SKIP", Bit::zero}}),
            "F=101z SKIP=0");
  EXPECT_EQ(sets_text({{"F3", Bit::one}, {"F2", Bit::zero}}), "F3=1 F2=0");
  EXPECT_EQ(sets_text({{"F0", Bit::one}}), "F0=1");
  EXPECT_EQ(sets_text({{"A", Bit::one}, {"7", Bit::one}}), "A=1 7=1");
}

TEST(VoltsText, KeepsHundredthsAndDropsTheSignOfZero) {
  EXPECT_EQ(volts_text(24.634), "24.63");
  EXPECT_EQ(volts_text(-0.001), "0.00");
  EXPECT_EQ(volts_text(-1.0), "-1.00");
}

TEST(Wrapped, BreaksAtBlanksAndIndents) {
  EXPECT_EQ(wrapped("one two three four", 9, 2), "one two\n  three\n  four");
  EXPECT_EQ(cut("a longer sentence", 10), "a longe...");
}

TEST(QuietLine, SaysItAllInOneLine) {
  EXPECT_EQ(quiet_line(dead_valve()),
            "FAIL  run 17  shed-latch 003  56 of 304 readings wrong: Q1 Qn1\n");
  EXPECT_EQ(quiet_line(good()), "PASS  run 17  shed-latch 003  304 readings in 38 steps\n");
}

TEST(QuietLine, StopWithoutAPlaceNamesNone) {
  record::RunRecord run = finished(scenario::tripped_run());
  EXPECT_THAT(quiet_line(run), HasSubstr("over-current at plate, blame: board"));
  run.aborted->where.clear();
  EXPECT_THAT(quiet_line(run), HasSubstr("over-current, blame: board"));
}

TEST(Explanation, ShowsEveryReadingOfTheLine) {
  const std::string text = explanation(undecided(), "Q2", plain(80));
  EXPECT_THAT(text, HasSubstr("calibration nominal"));
  EXPECT_THAT(text, HasSubstr("averaging 16 periods"));
  EXPECT_LE(columns(widest(text)), 80);
  EXPECT_EQ(explanation(good(), "nothing", plain(80)), "");
}

}  // namespace
}  // namespace tenterhook::report
