// What the store keeps beside the runs: parts, use, notes, photos, calibrations, self-tests, relay
// wear, times; and who recorded a run.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmath>
#include <fstream>

#include "host/record/process.h"
#include "host/record/store.h"
#include "tests/unit/record/scenario.h"
#include "tests/unit/record/store_fixture.h"

namespace tenterhook::record {
namespace {

using ::testing::HasSubstr;

class LivesTest : public StoreTest {
 protected:
  // A run of half an hour under power.
  long half_hour(Store& store, const std::string& started, const std::string& serial = "003") {
    scenario::LatchRun options;
    options.serial = serial;
    options.steps = 2;
    RunRecord run = scenario::latch_run(options);
    run.started = started;
    run.powered_s = 1800.0;
    return record(store, run);
  }
};

Swap swap_of(const std::string& when, const std::string& part) {
  Swap swap;
  swap.happened = when;
  swap.board = "shed-latch";
  swap.board_serial = "003";
  swap.part = part;
  return swap;
}

TEST_F(LivesTest, PartCountsHoursAndCyclesSinceItWasFitted) {
  Store store = open();
  half_hour(store, "2026-11-01T10:00:00Z");
  half_hour(store, "2026-11-02T10:00:00Z");
  Swap swap = swap_of("2026-11-03T00:00:00Z", "V3");
  swap.type = "ECC82";
  swap.part_serial = "17";
  swap.hours_before = 100.0;
  swap.cycles_before = 40;
  ASSERT_TRUE(store.add_swap(swap).ok());
  half_hour(store, "2026-11-04T10:00:00Z");
  half_hour(store, "2026-11-04T10:00:00Z", "004");  // another board
  ASSERT_TRUE(store.add_use({"2026-11-05T00:00:00Z", "shed-latch", "003", 12.0, 3, "in the machine"}).ok());
  const auto parts = store.parts("shed-latch", "003");
  ASSERT_TRUE(parts.ok());
  ASSERT_EQ(parts->size(), 1u);
  const PartLife& v3 = parts->front();
  EXPECT_EQ(v3.fitted.part, "V3");
  EXPECT_EQ(v3.fitted.part_serial, "17");
  EXPECT_DOUBLE_EQ(v3.hours, 100.0 + 0.5 + 12.0);
  EXPECT_EQ(v3.cycles, 40 + 1 + 3);
  EXPECT_DOUBLE_EQ(v3.socket_hours, 1.5 + 12.0);  // the socket was kept
  EXPECT_EQ(v3.swaps, 1);
  std::string answer;
  ASSERT_EQ(raw("SELECT hours || ' ' || cycles FROM parts", &answer), "");
  EXPECT_EQ(answer, "112.5 44");
  ASSERT_EQ(raw("SELECT socket FROM swaps", &answer), "");
  EXPECT_EQ(answer, "socket kept");
}

TEST_F(LivesTest, NewSocketBeginsItsOwnHours) {
  Store store = open();
  half_hour(store, "2026-11-01T10:00:00Z");
  Swap swap = swap_of("2026-11-03T00:00:00Z", "V3");
  swap.new_socket = true;
  ASSERT_TRUE(store.add_swap(swap).ok());
  half_hour(store, "2026-11-04T10:00:00Z");
  EXPECT_DOUBLE_EQ(store.parts("shed-latch", "003")->front().socket_hours, 0.5);
}

TEST_F(LivesTest, NamingAPartIsNoSwapAndKeepsItsHours) {
  Store store = open();
  half_hour(store, "2026-11-01T10:00:00Z");
  Swap named = swap_of("2026-11-02T00:00:00Z", "V1");
  named.replaces = false;
  named.type = "ECC83";
  named.hours_before = 5.0;
  ASSERT_TRUE(store.add_swap(named).ok());
  named.happened = "2026-11-03T00:00:00Z";  // said again, more exactly
  named.part_serial = "A4";
  named.hours_before = -1.0;
  ASSERT_TRUE(store.add_swap(named).ok());
  half_hour(store, "2026-11-04T10:00:00Z");
  const auto parts = store.parts("shed-latch", "003");
  ASSERT_EQ(parts->size(), 1u);
  EXPECT_DOUBLE_EQ(parts->front().hours, 5.0 + 1.0);
  EXPECT_EQ(parts->front().swaps, 0);
  EXPECT_TRUE(store.swaps("shed-latch", "003")->empty());
  std::string hours;
  raw("SELECT hours FROM parts", &hours);
  EXPECT_EQ(hours, "6.0");
}

TEST_F(LivesTest, PartThatMovesTakesItsHoursAlong) {
  Store store = open();
  Swap first = swap_of("2026-11-01T00:00:00Z", "V3");
  first.part_serial = "17";
  first.hours_before = 10.0;
  first.cycles_before = 2;
  ASSERT_TRUE(store.add_swap(first).ok());
  half_hour(store, "2026-11-02T10:00:00Z");
  Swap out = swap_of("2026-11-03T00:00:00Z", "V3");
  out.part_serial = "18";
  ASSERT_TRUE(store.add_swap(out).ok());
  half_hour(store, "2026-11-04T10:00:00Z");  // not with 17 any more
  Swap again = swap_of("2026-11-05T00:00:00Z", "V1");
  again.board_serial = "004";
  again.part_serial = "17";
  ASSERT_TRUE(store.add_swap(again).ok());
  const auto parts = store.parts("shed-latch", "004");
  ASSERT_EQ(parts->size(), 1u);
  EXPECT_DOUBLE_EQ(parts->front().hours, 10.5);
  EXPECT_EQ(parts->front().cycles, 3);
}

TEST_F(LivesTest, PlaceHistoryCountsOverAllSerials) {
  Store store = open();
  half_hour(store, "2026-11-01T10:00:00Z");
  half_hour(store, "2026-11-01T11:00:00Z", "004");
  ASSERT_TRUE(store.add_swap(swap_of("2026-11-02T00:00:00Z", "V1")).ok());
  ASSERT_TRUE(store.add_swap(swap_of("2026-11-02T00:00:00Z", "V3")).ok());
  Swap other = swap_of("2026-11-03T00:00:00Z", "V3");
  other.board_serial = "004";
  ASSERT_TRUE(store.add_swap(other).ok());
  const auto places = store.place_history("shed-latch");
  ASSERT_TRUE(places.ok());
  ASSERT_EQ(places->size(), 2u);
  EXPECT_EQ((*places)[0].part, "V3");
  EXPECT_EQ((*places)[0].swaps, 2);
  EXPECT_DOUBLE_EQ((*places)[0].hours, 1.0);
}

TEST_F(LivesTest, HoursOfARunAreThoseBeforeIt) {
  Store store = open();
  const long first = half_hour(store, "2026-11-01T10:00:00Z");
  ASSERT_TRUE(store.add_use({"2026-11-02T00:00:00Z", "shed-latch", "003", 20.0, 1, ""}).ok());
  const long second = half_hour(store, "2026-11-03T10:00:00Z");
  const auto hours = store.hours_by_run("shed-latch", "003");
  ASSERT_TRUE(hours.ok());
  EXPECT_DOUBLE_EQ(hours->at(first), 0.0);
  EXPECT_DOUBLE_EQ(hours->at(second), 20.5);
  EXPECT_DOUBLE_EQ(store.use_of("shed-latch", "003")->hours, 21.0);
}

TEST_F(LivesTest, WithoutMeasuredPowerTheTimesOfTheRunCount) {
  Store store = open();
  RunRecord run = scenario::latch_run();
  ASSERT_FALSE(run.powered_s);
  record(store, run);
  EXPECT_NEAR(store.use_of("shed-latch", "003")->hours * 3600.0, run.time.prepare_s + run.time.total_s, 1e-6);
}

TEST_F(LivesTest, NotesAndPhotosBelongToARun) {
  Store store = open();
  const long number = half_hour(store, "2026-11-01T10:00:00Z");
  ASSERT_TRUE(store.add_photo(number, {"", "pictures/underside.jpg", std::string(64, 'a'), "solder at V3"}).ok());
  const auto photos = store.photos(number);
  ASSERT_EQ(photos->size(), 1u);
  EXPECT_EQ(photos->front().path, "pictures/underside.jpg");
  EXPECT_EQ(photos->front().note, "solder at V3");
  EXPECT_EQ(store.add_note(99, "to nothing").error().trouble, Trouble::input);
  EXPECT_EQ(store.add_photo(99, {"", "x", std::string(64, 'a'), ""}).error().trouble, Trouble::input);
  EXPECT_EQ(store.add_photo(number, {"", "x", "", ""}).error().trouble, Trouble::bug);
}

TEST_F(LivesTest, CalibrationTextIsKeptOnceByItsHash) {
  Store store = open();
  const CalibrationRecord kept{"abc", "TH-0007", "2026-11-01", "2027-11-01", "fixture: TH-0007\n"};
  ASSERT_TRUE(store.add_calibration(kept).ok());
  ASSERT_TRUE(store.add_calibration(kept).ok());
  const auto back = store.calibration("abc");
  ASSERT_TRUE(back.ok());
  EXPECT_EQ(back->text, kept.text);
  EXPECT_EQ(back->expires, "2027-11-01");
  EXPECT_EQ(store.calibration("abd").error().trouble, Trouble::input);
}

SelfTestRecord self_test() {
  SelfTestRecord test;
  test.happened = "2026-11-01T09:00:00Z";
  test.fixture = "mega2560";
  test.fixture_serial = "TH-0007";
  test.reference_counts = 511.9;
  test.findings = {{"drive.3", "slow", "its relay needs more than 30 ms"}};
  test.relay_operations = {{"drive.0", 4}, {"test-bus.0", 2}};
  return test;
}

TEST_F(LivesTest, SelfTestsComeBackNewestFirst) {
  Store store = open();
  ASSERT_TRUE(store.add_self_test(self_test()).ok());
  SelfTestRecord later = self_test();
  later.happened = "2026-11-02T09:00:00Z";
  later.good = true;
  later.findings.clear();
  ASSERT_TRUE(store.add_self_test(later).ok());
  const auto tests = store.self_tests("TH-0007");
  ASSERT_EQ(tests->size(), 2u);
  EXPECT_TRUE((*tests)[0].good);
  ASSERT_EQ((*tests)[1].findings.size(), 1u);
  EXPECT_EQ((*tests)[1].findings[0].where, "drive.3");
  EXPECT_EQ((*tests)[1].relay_operations.size(), 2u);
  EXPECT_EQ(store.self_tests("TH-0007", 1)->size(), 1u);
  EXPECT_TRUE(store.self_tests("TH-0008")->empty());
}

TEST_F(LivesTest, RelayWearAddsRunsAndSelfTests) {
  Store store = open();
  const long number = half_hour(store, "2026-11-03T10:00:00Z");
  const long in_run = store.load(number)->relay_wear.at("drive.0");
  ASSERT_GT(in_run, 0);
  half_hour(store, "2026-11-04T10:00:00Z");
  ASSERT_TRUE(store.add_self_test(self_test()).ok());
  const auto wear = store.relay_wear("TH-0007");
  ASSERT_TRUE(wear.ok());
  const auto drive = std::find_if(wear->begin(), wear->end(), [](const RelayWear& w) { return w.channel == "drive.0"; });
  ASSERT_NE(drive, wear->end());
  EXPECT_EQ(drive->operations, 2 * in_run + 4);
  EXPECT_EQ(drive->first, "2026-11-01T09:00:00Z");
  EXPECT_EQ(drive->last, "2026-11-04T10:00:00Z");
  EXPECT_TRUE(store.relay_wear("another").value().empty());
}

TEST_F(LivesTest, TimesComeBack) {
  Store store = open();
  RunRecord run = scenario::latch_run();
  run.timings = {{"delay", "PICK", "Q0", "rising", 3.2e-6, 0.4e-6, 6e-6, 12, measure::Verdict::pass},
                 {"rise", "", "Q0", "rising", 0.9e-6, std::nan(""), std::nullopt, 12, measure::Verdict::none}};
  const auto back = store.load(record(store, run));
  ASSERT_EQ(back->timings.size(), 2u);
  EXPECT_EQ(back->timings[0].from, "PICK");
  EXPECT_EQ(back->timings[0].seconds, 3.2e-6);
  EXPECT_EQ(back->timings[0].limit_s, 6e-6);
  EXPECT_EQ(back->timings[0].verdict, measure::Verdict::pass);
  EXPECT_TRUE(std::isnan(back->timings[1].U_s));
  EXPECT_FALSE(back->timings[1].limit_s);
  std::string answer;
  raw("SELECT source || ' to ' || line || ': ' || verdict FROM timings WHERE kind = 'delay'", &answer);
  EXPECT_EQ(answer, "PICK to Q0: pass");
}

TEST_F(LivesTest, FiguresOfATimingStudyBecomeRows) {
  Store store = open();
  RunRecord run = scenario::latch_run();
  run.sections["timing"] = R"({"edges": [{"from": "PICK", "to": "Q0", "to_edge": "rising", "delay_s": {"value": 3.5e-6, "U": 2e-7},
    "delay_judged": {"limit_s": 6e-6, "verdict": "pass"}, "transition_s": {"value": 9e-7, "U": 1e-7}},
    {"from": "PICK", "to": "Q1", "to_edge": "rising", "delay_s": null, "transition_s": null}],
    "limits": [{"kind": "set-up", "what": "F0 before PICK", "data": "F0", "state": "found", "value_s": {"value": 1e-6, "U": 5e-8},
      "at_edge": {"passes": 59}}, {"kind": "hold", "what": "F0 after PICK", "state": "never-fails", "value_s": {"value": 0, "U": 0}}]})";
  const auto back = store.load(record(store, run));
  ASSERT_EQ(back->timings.size(), 3u);
  EXPECT_EQ(back->timings[0].kind, "delay");
  EXPECT_EQ(back->timings[0].from, "PICK");
  EXPECT_EQ(back->timings[0].seconds, 3.5e-6);
  EXPECT_EQ(back->timings[0].limit_s, 6e-6);
  EXPECT_EQ(back->timings[0].verdict, measure::Verdict::pass);
  EXPECT_EQ(back->timings[1].kind, "transition");
  EXPECT_EQ(back->timings[2].kind, "set-up");
  EXPECT_EQ(back->timings[2].n, 59);
  for (const char* odd : {"no JSON", "[]", "7", R"({"edges": 3, "limits": [4, {"state": "found"}]})", R"({"edges": [{"delay_s": {"value": "soon"}}]})"}) {
    run.sections["timing"] = odd;
    EXPECT_EQ(store.load(record(store, run))->timings.size(), 0u) << odd;
  }
}

TEST_F(LivesTest, BoardsAreListedWithTheirLastRun) {
  Store store = open();
  half_hour(store, "2026-11-01T10:00:00Z", "");
  half_hour(store, "2026-11-01T10:00:00Z", "004");
  half_hour(store, "2026-11-02T10:00:00Z", "004");
  const auto boards = store.boards();
  ASSERT_EQ(boards->size(), 2u);
  EXPECT_EQ((*boards)[0].board_serial, "");
  EXPECT_EQ((*boards)[0].number, 1);
  EXPECT_EQ((*boards)[1].number, 3);
}

TEST_F(LivesTest, MergingTwiceKeepsEverythingOnce) {
  const std::string other_path = (folder_ / "other.db").string();
  {
    Store other = Store::open(other_path).take();
    RunRecord run = scenario::latch_run();
    run.timings = {{"delay", "PICK", "Q0", "rising", 3.2e-6, 0.4e-6, 6e-6, 12, measure::Verdict::pass}};
    const long number = record(other, run);
    ASSERT_TRUE(other.add_note(number, "from the other bench").ok());
    ASSERT_TRUE(other.add_photo(number, {"", "p.jpg", std::string(64, 'b'), ""}).ok());
    ASSERT_TRUE(other.add_swap(swap_of("2026-11-02T00:00:00Z", "V1")).ok());
    ASSERT_TRUE(other.add_use({"", "shed-latch", "003", 2.0, 1, ""}).ok());
    ASSERT_TRUE(other.add_calibration({"abc", "TH-0007", "2026-11-01", "2027-11-01", "text"}).ok());
    ASSERT_TRUE(other.add_self_test(self_test()).ok());
  }
  Store store = open();
  ASSERT_TRUE(store.merge(other_path).ok());
  {
    // A note that the other bench adds to a run that is known here comes over too.
    Store other = Store::open(other_path).take();
    ASSERT_TRUE(other.add_note(1, "and later").ok());
  }
  ASSERT_TRUE(store.merge(other_path).ok());
  EXPECT_EQ(store.load(1)->notes, "from the other bench\nand later");
  EXPECT_EQ(store.load(1)->timings.size(), 1u);
  EXPECT_EQ(store.photos(1)->size(), 1u);
  EXPECT_EQ(store.swaps("shed-latch", "003")->size(), 1u);
  EXPECT_EQ(store.uses("shed-latch", "003")->size(), 1u);
  EXPECT_TRUE(store.calibration("abc").ok());
  ASSERT_EQ(store.self_tests("")->size(), 1u);
  EXPECT_EQ(store.self_tests("")->front().relay_operations.size(), 2u);
  EXPECT_TRUE(store.check().ok());
}

TEST_F(LivesTest, AStoreOfVersionThreeGetsAmendments) {
  fs::copy_file(std::string(TH_SOURCE_DIR) + "/tests/data/stores/v3.db", path_);
  Store store = open();
  EXPECT_EQ(store.load(2)->notes, "V3 reseated\nsocket cleaned");
  RunRecord run = scenario::latch_run();
  ASSERT_FALSE(run.steps.empty());
  measure::Reading settled = run.steps[0].readings.at(0);
  settled.volts = Volts{5.25};
  settled.U = Volts{0.05};
  settled.verdict = measure::Verdict::unsure;
  settled.why = "looked at again";
  run.amendments = {{run.steps[0].index, settled.line, settled.verdict, settled.why, settled}};
  const long number = record(store, run);
  const auto back = store.load(number);
  ASSERT_TRUE(back.ok());
  const measure::Reading& kept = back->steps[0].readings[0];
  EXPECT_DOUBLE_EQ(kept.volts.value, 5.25);
  EXPECT_EQ(kept.verdict, measure::Verdict::unsure);
  EXPECT_EQ(kept.why, "looked at again");
  ASSERT_EQ(back->amendments.size(), 1u);
  EXPECT_TRUE(store.check().ok());
}

TEST_F(LivesTest, NotesAndSwapsOfVersionTwoComeOver) {
  fs::copy_file(std::string(TH_SOURCE_DIR) + "/tests/data/stores/v2.db", path_);
  Store store = open();
  EXPECT_EQ(store.load(2)->notes, "V3 reseated\nsocket cleaned");
  const auto swaps = store.swaps("shed-latch", "003");
  ASSERT_EQ(swaps->size(), 1u);
  EXPECT_EQ(swaps->front().part, "V3");
  EXPECT_EQ(swaps->front().note, "socket kept");
  EXPECT_EQ(store.load(2)->state, RunState::finished);
  EXPECT_TRUE(store.check().ok());
}

// ---- still going, or cut short -----------------------------------------------------------------

TEST_F(LivesTest, RunOfALivingProgramIsGoingOfADeadOneCutShort) {
  int pipes[2];
  ASSERT_EQ(pipe(pipes), 0);
  const std::string path = path_;
  const pid_t child = fork();
  if (child == 0) {
    Result<Store> store = Store::open(path);
    RunRecord run = scenario::latch_run();
    const char began = store.ok() && store->begin(run).ok() ? 'y' : 'n';
    if (write(pipes[1], &began, 1) != 1) _exit(1);
    for (;;) pause();
  }
  char began = 'n';
  ASSERT_EQ(read(pipes[0], &began, 1), 1);
  ASSERT_EQ(began, 'y');
  {
    Store store = open(Store::Mode::read);
    EXPECT_EQ(store.load("last")->state, RunState::going);
    EXPECT_FALSE(store.load("last")->complete);
    EXPECT_EQ(store.history({})->runs.front().state, RunState::going);
  }
  kill(child, SIGKILL);
  {
    // Dead, but its parent has not asked yet: a zombie records nothing any more.
    siginfo_t info{};
    waitid(P_PID, static_cast<id_t>(child), &info, WEXITED | WNOWAIT);
    Store store = open(Store::Mode::read);
    EXPECT_EQ(store.load("last")->state, RunState::cut_short);
  }
  int status = 0;
  waitpid(child, &status, 0);
  close(pipes[0]);
  close(pipes[1]);
  Store store = open(Store::Mode::read);
  EXPECT_EQ(store.load("last")->state, RunState::cut_short);
  EXPECT_EQ(store.history({})->runs.front().state, RunState::cut_short);
}

TEST(Process, OnlyTheSameStartOfTheSamePidIsTheSameProgram) {
  const ProcessId self = this_process();
  ASSERT_EQ(state_without_end(self), RunState::going);
  ProcessId reused = self;
  reused.process.back() = reused.process.back() == '1' ? '2' : '1';
  EXPECT_EQ(state_without_end(reused), RunState::cut_short);
}

TEST(Process, WhatCannotBeKnownIsNotClaimed) {
  const ProcessId self = this_process();
  const std::size_t slash = self.process.find('/');
  const std::string after_boot = self.process.substr(slash);
  const std::string boot = self.process.substr(0, slash);
  // This computer was started again since: the program is gone.
  EXPECT_EQ(state_without_end({self.host, "0000-older" + after_boot}), RunState::cut_short);
  // Another computer's program: not known from here.
  EXPECT_EQ(state_without_end({self.host + "-other", "0000-older" + after_boot}), RunState::unknown);
  // Another container of this computer.
  EXPECT_EQ(state_without_end({self.host, boot + "/pid:[1]/1/1"}), RunState::unknown);
  // Older versions kept no name.
  EXPECT_EQ(state_without_end({"", ""}), RunState::unknown);
  // A pid is digits: nothing else reaches a path below /proc.
  const std::string here = self.process.substr(0, self.process.rfind('/', self.process.rfind('/') - 1));
  EXPECT_EQ(state_without_end({self.host, here + "/self/1"}), RunState::unknown);
}

}  // namespace
}  // namespace tenterhook::record
