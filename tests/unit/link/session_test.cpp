// Sessions with the native firmware: results, endings, stops, and everything that can go wrong once.
#include "host/link/session.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "tests/unit/link/bench.h"

namespace tenterhook::link {
namespace {

using ::testing::HasSubstr;

TEST(Session, GreetingTellsWhoTheFixtureIs) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  EXPECT_EQ(rig.session->identity().fixture, "mega2560");
  EXPECT_EQ(rig.session->identity().protocol_major, wire::kProtocolMajor);
  EXPECT_EQ(rig.session->identity().program_bytes, wire::kProgramBytes);
  EXPECT_LT(rig.session->round_trip().value, 0.01);
  EXPECT_TRUE(rig.session->warnings().empty());
}

TEST(Session, EverySampleArrivesOnceInOrderAndEndLeavesAllOpen) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  const ProgramOptions options{.steps = 200, .channels = 9, .relays = true};
  Collected got;
  auto report = rig.session->execute(program_of(options), got.sink());
  ASSERT_TRUE(report.ok()) << report.error().text();
  EXPECT_TRUE(report->finished);
  EXPECT_EQ(got.samples, expected_of(options));
  EXPECT_EQ(report->starvations, 0);
  EXPECT_FALSE(rig.closed());
  auto status = rig.session->status();
  ASSERT_TRUE(status.ok());
  EXPECT_EQ(status->state, DeviceStatus::State::idle);
  const LinkCounters counters = rig.session->counters();
  EXPECT_EQ(counters.resent, 0u);
  EXPECT_EQ(counters.damaged, 0u);
  EXPECT_EQ(counters.device_damaged, 0);
  EXPECT_EQ(counters.device_resent, 0);
}

TEST(Session, MilestonesComeInOrderAndOurOwnStepsStayHidden) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  Bytes program;
  append(program, wire::LabelOp{5, 10, 2 * wire::kEventResultBytes, 0});
  append(program, wire::MarkOp{77});
  append(program, wire::MarkOp{78});
  Collected got;
  ASSERT_TRUE(rig.session->execute(program, got.sink()).ok());
  ASSERT_TRUE(rig.session->finish(got.sink()).ok());
  ASSERT_EQ(got.milestones.size(), 4u);
  EXPECT_EQ(got.milestones[0].kind, Milestone::Kind::started);
  EXPECT_EQ(got.milestones[1].id, 77u);
  EXPECT_EQ(got.milestones[1].step, 5);
  EXPECT_EQ(got.milestones[2].id, 78u);
  EXPECT_EQ(got.milestones[3].kind, Milestone::Kind::ended);
}

TEST(Session, ProgramWithoutEndStaysConnectedUntilFinished) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  for (int i = 0; i < 5; ++i) {
    const ProgramOptions options{.steps = 7, .first = 10 * i, .relays = true, .end = false};
    Collected got;
    auto report = rig.session->execute(program_of(options), got.sink());
    ASSERT_TRUE(report.ok()) << report.error().text();
    EXPECT_TRUE(report->finished);
    EXPECT_EQ(got.samples, expected_of(options));
    EXPECT_EQ(report->starvations, 0);
    EXPECT_TRUE(rig.closed());
    auto idle = rig.session->idle(Seconds{15.0});  // longer than any limit on starving
    ASSERT_TRUE(idle.ok()) << idle.error().text();
    EXPECT_FALSE(idle->has_value());
    EXPECT_TRUE(rig.closed());
  }
  ASSERT_TRUE(rig.session->finish().ok());
  EXPECT_FALSE(rig.closed());
}

TEST(Session, DeviceTimesAreThoseOfTheProgram) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  const ProgramOptions options{.steps = 50, .channels = 2, .n = 8, .wait_us = 3000};
  auto report = rig.session->execute(program_of(options), {});
  ASSERT_TRUE(report.ok());
  EXPECT_NEAR(report->times.wait.value, 50 * 3e-3, 50 * 50e-6);
  EXPECT_NEAR(report->times.convert.value, 50 * 16 * 104e-6, 50 * 210e-6);
  EXPECT_GT(report->times.total.value, report->times.wait.value + report->times.convert.value);
}

TEST(Session, DestructionStopsWhatStillRuns) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  const ProgramOptions options{.steps = 2, .relays = true, .end = false};
  ASSERT_TRUE(rig.session->execute(program_of(options), {}).ok());
  ASSERT_TRUE(rig.closed());
  bool closed_after_stop = true;
  // The port dies with the session: the last look is taken while it stops.
  rig.port->before_read = [&](Seconds) { closed_after_stop = rig.closed(); };
  rig.session.reset();
  EXPECT_FALSE(closed_after_stop);
}

TEST(Session, StopIsIdempotentInEveryState) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  EXPECT_TRUE(rig.session->stop().ok());
  EXPECT_TRUE(rig.session->stop().ok());
  const ProgramOptions options{.steps = 2, .relays = true, .end = false};
  ASSERT_TRUE(rig.session->execute(program_of(options), {}).ok());
  for (int i = 0; i < 3; ++i) {
    ASSERT_TRUE(rig.session->stop().ok()) << i;
    EXPECT_FALSE(rig.closed());
  }
  auto status = rig.session->status();
  ASSERT_TRUE(status.ok());
  ASSERT_TRUE(status->fault.has_value());
  EXPECT_EQ(status->fault->cause, "stopped");
}

TEST(Session, LatchedFaultNeedsTheDeliberateReset) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  const ProgramOptions options{.steps = 2, .end = false};
  ASSERT_TRUE(rig.session->execute(program_of(options), {}).ok());
  ASSERT_TRUE(rig.session->stop().ok());
  auto refused = rig.session->execute(program_of({}), {});
  ASSERT_FALSE(refused.ok());
  EXPECT_EQ(refused.error().trouble, Trouble::fixture);
  EXPECT_THAT(refused.error().what, HasSubstr("latched"));
  auto reset = rig.session->reset_faults();
  ASSERT_TRUE(reset.ok()) << reset.error().text();
  ASSERT_TRUE(reset->has_value());
  EXPECT_EQ((*reset)->cause, "stopped");
  auto again = rig.session->reset_faults();
  ASSERT_TRUE(again.ok());
  EXPECT_FALSE(again->has_value());
  Collected got;
  ASSERT_TRUE(rig.session->execute(program_of({}), got.sink()).ok());
  EXPECT_EQ(got.samples, expected_of({}));
}

TEST(Session, StopButtonIsAReportWithTheSamplesBeforeIt) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  const ProgramOptions options{.steps = 100, .relays = true};
  Collected got;
  Sink sink = got.sink();
  const auto inner = sink.sample;
  sink.sample = [&](const SampleBlock& block) {
    inner(block);
    if (block.step == 40) rig.circuit.press_stop(0, true);
  };
  auto report = rig.session->execute(program_of(options), sink);
  ASSERT_TRUE(report.ok()) << report.error().text();
  EXPECT_FALSE(report->finished);
  ASSERT_TRUE(report->fault.has_value());
  EXPECT_EQ(report->fault->cause, "stop");
  EXPECT_EQ(report->fault->blame, "person");
  EXPECT_GE(report->fault->step, 40);
  EXPECT_FALSE(rig.closed());
  auto whole = expected_of(options);
  ASSERT_GE(got.samples.size(), 41u);
  ASSERT_LT(got.samples.size(), whole.size());
  whole.resize(got.samples.size());
  EXPECT_EQ(got.samples, whole);
  EXPECT_GE(static_cast<int>(got.samples.size()), report->fault->step);  // none that was taken is missing
}

TEST(Session, CancellationStopsSafelyAndSaysWho) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  Sink sink;
  sink.sample = [&](const SampleBlock& block) {
    if (block.step == 10) rig.cancel.request();
  };
  auto report = rig.session->execute(program_of({.steps = 100, .relays = true}), sink);
  ASSERT_FALSE(report.ok());
  EXPECT_EQ(report.error().trouble, Trouble::interrupted);
  EXPECT_FALSE(rig.closed());
  EXPECT_TRUE(rig.session->stop().ok());
}

TEST(Session, ResetInTheMiddleIsNoticedByItsBootNonce) {
  for (int step : {0, 1, 17, 60}) {
    Rig rig;
    ASSERT_TRUE(rig.session) << rig.trouble;
    Sink sink;
    sink.sample = [&](const SampleBlock& block) {
      if (block.step == step) rig.native->firmware.reset(wire::ResetCause::external);
    };
    auto report = rig.session->execute(program_of({.steps = 100, .relays = true}), sink);
    ASSERT_FALSE(report.ok()) << step;
    EXPECT_EQ(report.error().trouble, Trouble::fixture);
    EXPECT_THAT(report.error().what, HasSubstr("reset")) << report.error().text();
    EXPECT_FALSE(rig.closed());
    Collected got;
    auto next = rig.session->execute(program_of({}), got.sink());
    ASSERT_TRUE(next.ok()) << next.error().text();
    EXPECT_EQ(got.samples, expected_of({}));
  }
}

TEST(Session, HungFirmwareIsReportedAsAResetByItsWatchdog) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  Sink sink;
  sink.sample = [&](const SampleBlock& block) {
    if (block.step == 17) rig.native->firmware.stall_until(INT64_MAX);
  };
  auto report = rig.session->execute(program_of({.steps = 100, .relays = true}), sink);
  ASSERT_FALSE(report.ok());
  EXPECT_THAT(report.error().what, HasSubstr("watchdog")) << report.error().text();
  EXPECT_FALSE(rig.closed());
}

TEST(Session, PulledCableIsReportedWithinASecondAndTheFixtureOpensByItself) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  Seconds pulled{};
  Sink sink;
  sink.sample = [&](const SampleBlock& block) {
    if (block.step != 17) return;
    pulled = rig.now();
    rig.native->cable_pulled = true;
  };
  auto report = rig.session->execute(program_of({.steps = 200, .relays = true}), sink);
  ASSERT_FALSE(report.ok());
  EXPECT_EQ(report.error().trouble, Trouble::fixture);
  EXPECT_THAT(report.error().text(), HasSubstr("cable"));
  EXPECT_LT((rig.now() - pulled).value, 1.0);
  EXPECT_FALSE(rig.closed());
}

TEST(Session, DeadPortIsAnErrorAtOnce) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  const Seconds start = rig.now();
  rig.port->pull_at(start + Seconds{0.1});
  auto report = rig.session->execute(program_of({.steps = 200, .relays = true}), {});
  ASSERT_FALSE(report.ok());
  EXPECT_THAT(report.error().what, HasSubstr("cable is gone"));
  EXPECT_LT((rig.now() - start).value, 0.2);
}

TEST(Session, OtherProtocolVersionIsRefusedWithTheRemedy) {
  Rig rig({}, false);
  rig.port->rewrite = [](wire::Header& header, Bytes& payload) {
    if (header.type == wire::Type::hello_reply) payload[0] = wire::kProtocolMajor + 1;
  };
  rig.open();
  EXPECT_FALSE(rig.session);
  EXPECT_THAT(rig.trouble, HasSubstr("version 2"));
  EXPECT_THAT(rig.trouble, HasSubstr("fixture flash"));
}

TEST(Session, ReplyOfAnOlderLayoutIsRefusedToo) {
  Rig rig({}, false);
  rig.port->rewrite = [](wire::Header& header, Bytes& payload) {
    if (header.type != wire::Type::hello_reply) return;
    payload[0] = 0;
    payload.resize(10);
  };
  rig.open();
  EXPECT_THAT(rig.trouble, HasSubstr("version 0"));
}

TEST(Session, LaterMinorVersionWithMoreFieldsIsAccepted) {
  Rig rig({}, false);
  rig.port->rewrite = [](wire::Header& header, Bytes& payload) {
    if (header.type != wire::Type::hello_reply) return;
    payload[1] = 9;
    payload.insert(payload.end(), {1, 2, 3});
  };
  rig.open();
  ASSERT_TRUE(rig.session) << rig.trouble;
  EXPECT_EQ(rig.session->identity().protocol_minor, 9);
}

TEST(Session, FixtureWithoutAWindowIsRefused) {
  Rig rig({}, false);
  rig.port->rewrite = [](wire::Header& header, Bytes& payload) {
    if (header.type == wire::Type::hello_reply) payload[18] = payload[19] = 0;  // receive_bytes
  };
  rig.open();
  EXPECT_THAT(rig.trouble, HasSubstr("too little room"));
}

TEST(Session, SilentPortIsGivenUpWithTheLikelyCauses) {
  Rig rig({}, false);
  rig.native->cable_pulled = true;
  rig.open();
  EXPECT_THAT(rig.trouble, HasSubstr("not one byte"));
  EXPECT_THAT(rig.trouble, HasSubstr("powered"));
}

TEST(Session, WrongBaudRateIsGuessedFromTheGarbage) {
  Rig rig({}, false);
  rig.native->garbled = true;
  rig.open();
  EXPECT_FALSE(rig.session);
  EXPECT_THAT(rig.trouble, HasSubstr("no valid frame"));
  EXPECT_THAT(rig.trouble, HasSubstr("baud"));
}

TEST(Session, ProgramOfAnEarlierHostIsStoppedAtTheGreeting) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  ASSERT_TRUE(rig.session->execute(program_of({.steps = 2, .relays = true, .end = false}), {}).ok());
  // The same port again, as after a killed host: a second session over what the first one left.
  class Borrowed final : public Port {
   public:
    explicit Borrowed(Port& port) : port_(port) {}
    Result<std::size_t> read(std::span<std::uint8_t> into, Seconds patience) override { return port_.read(into, patience); }
    Status write(std::span<const std::uint8_t> bytes) override { return port_.write(bytes); }
    Seconds now() override { return port_.now(); }
    bool lockstep() const override { return true; }
    std::string describe() const override { return "borrowed"; }

   private:
    Port& port_;
  };
  auto second = Session::open(std::make_unique<Borrowed>(*rig.port), {nullptr, 9});
  ASSERT_TRUE(second.ok()) << second.error().text();
  EXPECT_FALSE(rig.closed());
  ASSERT_EQ((*second)->warnings().size(), 1u);
  EXPECT_THAT((*second)->warnings()[0], HasSubstr("earlier session"));
  ASSERT_TRUE((*second)->reset_faults().ok());
  Collected got;
  ASSERT_TRUE((*second)->execute(program_of({}), got.sink()).ok());
  EXPECT_EQ(got.samples, expected_of({}));
}

TEST(Session, LimitOnTheWholeProgramStopsIt) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  auto report = rig.session->execute(program_of({.steps = 100, .wait_us = 100000}), {}, Seconds{1.0});
  ASSERT_FALSE(report.ok());
  EXPECT_THAT(report.error().what, HasSubstr("not done after"));
  EXPECT_FALSE(rig.closed());
}

TEST(Session, LongProgramsRunFarBeyondTheFixturesMemory) {
  Rig rig;
  ASSERT_TRUE(rig.session) << rig.trouble;
  const ProgramOptions options{.steps = 5000, .channels = 1, .n = 1, .wait_us = 10};
  Collected got;
  auto report = rig.session->execute(program_of(options), got.sink());
  ASSERT_TRUE(report.ok()) << report.error().text();
  EXPECT_EQ(got.samples, expected_of(options));
}

TEST(Session, SameSeedSameBytes) {
  const auto run = [] {
    Rig rig;
    EXPECT_TRUE(rig.session->execute(program_of({.steps = 30}), {}).ok());
    const LinkCounters c = rig.session->counters();
    return std::make_tuple(c.sent, c.received, rig.now().value);
  };
  EXPECT_EQ(run(), run());
}

}  // namespace
}  // namespace tenterhook::link
