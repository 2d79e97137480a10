// Every frame of a program x every harm x both directions, once and for ever: results exactly once and
// in order, or an end that says why; and everything open afterwards.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "tests/unit/link/bench.h"

namespace tenterhook::link {
namespace {

// All but the reset, which ends a run at once, are what a line does to bytes.
constexpr Harm kHarms[] = {Harm::drop, Harm::duplicate, Harm::flip, Harm::truncate, Harm::delay, Harm::overrun, Harm::reset};
constexpr int kFramesAtLeast = 200;  // each way
constexpr double kAskedAgain = 0.05;  // s: less than either end's time-out
constexpr int kWaitMost = 10;         // of the frames each way

// Two pieces, the second one ending: both kinds of completion, and a pause between them. Just long enough for
// so many frames that way.
struct Pieces {
  ProgramOptions first{.steps = 45, .channels = 5, .n = 2, .wait_us = 300, .relays = true, .end = false};
  ProgramOptions second{.steps = 45, .first = 1000, .channels = 9, .n = 2, .wait_us = 300};
  explicit Pieces(Direction direction) {
    if (direction == Direction::to_host) return;
    first.steps = 130;
    second.steps = 120;
  }
};

struct Outcome {
  Result<ExecuteReport> report;
  std::vector<std::string> samples;
  bool all = false;  // both pieces finished
  double seconds = 0.0;
};

std::vector<std::string> whole(Direction direction) {
  const Pieces pieces(direction);
  auto all = expected_of(pieces.first);
  const auto second = expected_of(pieces.second);
  all.insert(all.end(), second.begin(), second.end());
  return all;
}

Outcome perform(Rig& rig, Direction direction) {
  const Pieces pieces(direction);
  Collected got;
  const Seconds start = rig.now();
  auto report = rig.session->execute(program_of(pieces.first), got.sink());
  if (report.ok() && report->finished) {
    const auto idle = rig.session->idle(Seconds{0.05});
    report = idle.ok() ? rig.session->execute(program_of(pieces.second), got.sink()) : Result<ExecuteReport>(idle.error());
  }
  Outcome outcome{report, got.samples, report.ok() && report->finished, 0.0};
  outcome.seconds = (rig.now() - start).value;
  return outcome;
}

double seconds_of_a_clean_run(Direction direction) {
  Rig rig(std::nullopt);
  return perform(rig, direction).seconds;
}

int frames_of_a_clean_run(Direction direction) {
  Rig rig(std::nullopt);
  EXPECT_TRUE(rig.session) << rig.trouble;
  rig.port->arm(std::nullopt);
  EXPECT_TRUE(perform(rig, direction).all);
  return rig.port->frames(direction);
}

std::string describe(const Fault& fault) {
  return std::string(name(fault.harm)) + " frame " + std::to_string(fault.first) +
         (fault.direction == Direction::to_fixture ? " to the fixture" : " to the host") + (fault.for_ever ? " and all after it" : "");
}

bool is_prefix(const std::vector<std::string>& part, const std::vector<std::string>& all) {
  return part.size() <= all.size() && std::equal(part.begin(), part.end(), all.begin());
}

// Ended before its end: what had come is right, and the end names the fixture or its link.
void expect_cut_short(const Outcome& outcome, const std::vector<std::string>& all) {
  EXPECT_TRUE(is_prefix(outcome.samples, all));
  if (outcome.report.ok()) {
    EXPECT_EQ(outcome.report->fault->blame, "link") << outcome.report->fault->cause;
    return;
  }
  EXPECT_EQ(outcome.report.error().trouble, Trouble::fixture) << outcome.report.error().text();
  EXPECT_FALSE(outcome.report.error().remedy.empty());
}

TEST(LineFaults, OneHarmedFrameCostsNothingButTime) {
  int runs = 0;
  double slowest = 0.0;
  for (Direction direction : {Direction::to_fixture, Direction::to_host}) {
    const auto all = whole(direction);
    const int frames = frames_of_a_clean_run(direction);
    ASSERT_GE(frames, kFramesAtLeast);
    const double clean = seconds_of_a_clean_run(direction);
    int waited = 0;
    for (int first = 0; first < frames; ++first) {
      for (Harm harm : kHarms) {
        const Fault fault{harm, direction, first, false};
        SCOPED_TRACE(describe(fault));
        Rig rig(fault);
        ASSERT_TRUE(rig.session) << rig.trouble;
        const Outcome outcome = perform(rig, direction);
        slowest = std::max(slowest, outcome.seconds);
        if (harm == Harm::drop && outcome.seconds > clean + kAskedAgain) ++waited;
        ++runs;
        ASSERT_FALSE(rig.closed());
        if (harm == Harm::reset && !outcome.all) {
          expect_cut_short(outcome, all);
          if (::testing::Test::HasFailure()) return;
          continue;
        }
        ASSERT_TRUE(outcome.report.ok()) << outcome.report.error().text();
        ASSERT_TRUE(outcome.all) << outcome.report->fault->text;
        ASSERT_EQ(outcome.samples, all);
      }
    }
    // A gap is seen and asked for at once; only the few questions that begin and end a run wait for a time-out.
    EXPECT_LE(waited, kWaitMost);
  }
  RecordProperty("runs", runs);
  std::printf("%d runs, the slowest took %.3f s of the fixture's time\n", runs, slowest);
}

TEST(LineFaults, LineThatStaysBadEndsWithTheLinkNamedAndAllOpen) {
  int runs = 0;
  for (Direction direction : {Direction::to_fixture, Direction::to_host}) {
    const auto all = whole(direction);
    const int frames = frames_of_a_clean_run(direction);
    for (int first = 0; first < frames; ++first) {
      for (Harm harm : kHarms) {
        const Fault fault{harm, direction, first, true};
        SCOPED_TRACE(describe(fault));
        Rig rig(fault);
        ASSERT_TRUE(rig.session) << rig.trouble;
        const Outcome outcome = perform(rig, direction);
        ASSERT_TRUE(is_prefix(outcome.samples, all));
        ASSERT_LT(outcome.seconds, 10.0);  // every retry, stop and question together are bounded
        const bool survivable = harm == Harm::duplicate || harm == Harm::delay;
        if (survivable) {
          ASSERT_TRUE(outcome.all) << (outcome.report.ok() ? outcome.report->fault->text : outcome.report.error().text());
          ASSERT_EQ(outcome.samples, all);
        } else if (!outcome.all) {
          expect_cut_short(outcome, all);
        } else {
          ASSERT_EQ(outcome.samples, all);  // harmed too late to matter
        }
        ++runs;
        // The host may be deaf, the fixture is not: its deadman has opened everything by now.
        rig.let_pass(Seconds{0.3});
        ASSERT_FALSE(rig.closed());
        rig.port->arm(std::nullopt);
        if (::testing::Test::HasFailure()) return;
      }
    }
  }
  RecordProperty("runs", runs);
  std::printf("%d runs\n", runs);
}

}  // namespace
}  // namespace tenterhook::link
