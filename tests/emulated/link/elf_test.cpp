// The same sessions with the firmware that goes into the chip: what native firmware cannot show, the
// time that instructions take.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "tests/emulated/link/elf_rig.h"

namespace tenterhook::link {
namespace {

using ::testing::HasSubstr;

constexpr Seconds kAtMost{20.0};  // of the fixture's time

TEST(ElfSession, EverySampleArrivesOnceWithoutLossOrStarvation) {
  ElfRig rig(TH_ELF);
  ASSERT_TRUE(rig.session) << rig.trouble;
  const ProgramOptions options{.steps = 100, .channels = 9, .relays = true};
  Collected got;
  auto report = rig.session->execute(program_of(options), got.sink(), kAtMost);
  ASSERT_TRUE(report.ok()) << report.error().text();
  ASSERT_TRUE(report->finished) << report->fault->text;
  EXPECT_EQ(got.samples, expected_of(options));
  EXPECT_EQ(report->starvations, 0);
  EXPECT_FALSE(rig.closed());
  const LinkCounters counters = rig.session->counters();
  EXPECT_EQ(counters.resent, 0u);
  EXPECT_EQ(counters.device_overrun, 0);
  EXPECT_EQ(counters.device_damaged, 0);
  EXPECT_EQ(counters.device_refused, 0);
  EXPECT_EQ(counters.device_resent, 0);
}

TEST(ElfSession, PiecesOfAProgramFollowEachOtherWhileItStaysConnected) {
  ElfRig rig(TH_ELF);
  ASSERT_TRUE(rig.session) << rig.trouble;
  for (int i = 0; i < 3; ++i) {
    const ProgramOptions options{.steps = 5, .first = 10 * i, .relays = true, .end = false};
    Collected got;
    auto report = rig.session->execute(program_of(options), got.sink(), kAtMost);
    ASSERT_TRUE(report.ok()) << report.error().text();
    EXPECT_EQ(got.samples, expected_of(options));
    ASSERT_TRUE(rig.session->idle(Seconds{1.0}).ok());
    EXPECT_TRUE(rig.closed());
  }
  ASSERT_TRUE(rig.session->finish().ok());
  EXPECT_FALSE(rig.closed());
}

TEST(ElfSession, HarmedFramesCostNothingButTime) {
  const ProgramOptions options{.steps = 40, .channels = 5, .relays = true};
  const auto all = expected_of(options);
  for (Direction direction : {Direction::to_fixture, Direction::to_host}) {
    for (int first = 0; first < 60; first += 9) {
      for (Harm harm : {Harm::drop, Harm::duplicate, Harm::flip, Harm::truncate, Harm::delay}) {
        SCOPED_TRACE(std::string(name(harm)) + " " + std::to_string(first) + (direction == Direction::to_host ? " to host" : " to fixture"));
        ElfRig rig(TH_ELF, Fault{harm, direction, first, false});
        ASSERT_TRUE(rig.session) << rig.trouble;
        Collected got;
        auto report = rig.session->execute(program_of(options), got.sink(), kAtMost);
        ASSERT_TRUE(report.ok()) << report.error().text();
        ASSERT_TRUE(report->finished) << report->fault->text;
        ASSERT_EQ(got.samples, all);
      }
    }
  }
}

TEST(ElfSession, ResetHangAndPulledCableAreToldApart) {
  struct Case {
    emulated::Injection injection;
    const char* says;
  };
  for (const Case& c : {Case{emulated::Injection::reset_line, "reset"}, Case{emulated::Injection::hang, "watchdog"},
                        Case{emulated::Injection::cable_pulled, "nothing came"}}) {
    SCOPED_TRACE(c.says);
    ElfRig rig(TH_ELF);
    ASSERT_TRUE(rig.session) << rig.trouble;
    Seconds since{};
    Sink sink;
    sink.sample = [&](const SampleBlock& block) {
      if (block.step != 17) return;
      since = rig.now();
      rig.chip->inject(c.injection);
    };
    auto report = rig.session->execute(program_of({.steps = 300, .relays = true}), sink, kAtMost);
    ASSERT_FALSE(report.ok());
    EXPECT_THAT(report.error().what, HasSubstr(c.says)) << report.error().text();
    EXPECT_LT((rig.now() - since).value, 1.0);
    EXPECT_FALSE(rig.closed());
  }
}

TEST(ElfSession, OtherBaudRateIsGuessedFromTheGarbage) {
  ElfRig good(TH_ELF);
  ASSERT_TRUE(good.session) << good.trouble;
  good.chip->set_host_baud(250000);
  auto status = good.session->status();
  ASSERT_FALSE(status.ok());
  EXPECT_EQ(status.error().trouble, Trouble::fixture);
}

}  // namespace
}  // namespace tenterhook::link
