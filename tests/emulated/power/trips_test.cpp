// Every reason to trip, on every rail, at every position of the conversion sequence, against the fixture circuit's
// own truth. Latencies are counted from the cause's beginning, which is before the crossing of any limit.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "tests/emulated/power/tripping.h"
#include "tests/from_environment.h"

namespace tenterhook::test {
namespace {

constexpr double kReactionMs = 3.0;
constexpr double kReleaseMs = 12.0;  // relays that fall, on top of it
constexpr Picoseconds kRound = 1200 * kUs;  // a whole round of the safety conversions, and more

struct Swept {
  double off_ms = 0.0, open_ms = 0.0, held_least_ms = 1e9, held_most_ms = 0.0;
  int trips = 0;
};

void add(Swept& swept, const Trip& trip, const std::string& cause, const std::string& where, bool bias_itself) {
  SCOPED_TRACE(where);
  // A short beyond the sensor's range is the hardware comparator's.
  EXPECT_TRUE(trip.cause == cause || (cause == "over-current" && trip.cause == "over-current-latch")) << trip.cause;
  EXPECT_EQ(trip.blame, "board");
  ASSERT_GE(trip.rails_off_ms, 0.0);
  EXPECT_LE(trip.rails_off_ms, kReactionMs);
  ASSERT_GE(trip.open_ms, 0.0);
  ++swept.trips;
  swept.off_ms = std::max(swept.off_ms, trip.rails_off_ms);
  swept.open_ms = std::max(swept.open_ms, trip.open_ms);
  if (bias_itself) return;
  swept.held_least_ms = std::min(swept.held_least_ms, trip.bias_off_ms - trip.rails_off_ms);
  swept.held_most_ms = std::max(swept.held_most_ms, trip.bias_off_ms - trip.rails_off_ms);
}

template <class Cause>
Swept sweep(int channel, const std::string& cause, Firmware firmware, Picoseconds step, const Cause& begin) {
  Swept swept;
  const char* const names[] = {"at rest", "sampling", "recording"};
  for (const During during : {During::rest, During::sampling, During::recording}) {
    for (Picoseconds offset = 0; offset < kRound; offset += step) {
      Tripping t(kPlain, firmware, 7);
      EXPECT_FALSE(t.power_up().has_value());
      begin(t, offset);
      const Trip trip = t.wait_for_fault(during, 0.1, channel);
      add(swept, trip, cause, fmt::format("{} us {}", offset / kUs, names[static_cast<int>(during)]), channel == kBias);
      EXPECT_EQ(trip.where, t.on(channel).rail.name);
    }
  }
  return swept;
}

class EveryRail : public testing::TestWithParam<std::tuple<int, Firmware>> {
 protected:
  int channel() const { return std::get<0>(GetParam()); }
  Firmware firmware() const { return std::get<1>(GetParam()); }
  Picoseconds step() const { return (firmware() == Firmware::elf ? 240 : 52) * kUs; }
  void check(const char* what, const Swept& s) {
    fmt::print("{} on rail.{}, {}: {} trips, rails off within {:.2f} ms, all open within {:.1f} ms, bias held {:.1f} to {:.1f} ms\n", what,
               channel(), firmware() == Firmware::elf ? "ELF" : "native", s.trips, s.off_ms, s.open_ms, s.held_least_ms, s.held_most_ms);
    if (channel() == kBias) return;
    EXPECT_GE(s.held_least_ms, 30.0);
    EXPECT_LE(s.held_most_ms, 50.0);
    EXPECT_LE(s.open_ms, kReactionMs + 50.0 + kReleaseMs);
  }
};
INSTANTIATE_TEST_SUITE_P(Channels, EveryRail,
                         testing::Combine(testing::Range(0, 4), testing::Values(Firmware::native, Firmware::elf)));

TEST_P(EveryRail, OverCurrentIsOffInThreeMilliseconds) {
  check("over-current", sweep(channel(), "over-current", firmware(), step(),
                              [this](Tripping& t, Picoseconds offset) { t.short_later(channel(), offset); }));
}

TEST_P(EveryRail, LeavingItsWindowIsOffInThreeMilliseconds) {
  check("out of window", sweep(channel(), "rail-out-of-window", firmware(), step(),
                               [this](Tripping& t, Picoseconds offset) { t.upset_later(channel(), 0.0, 0.8, offset); }));
}

// --- the other causes: who is named, and that all is open soon after ---

struct Expected {
  const char *cause, *blame;
};
void expect(const Trip& trip, const Expected& expected, double open_ms) {
  EXPECT_EQ(trip.cause, expected.cause);
  EXPECT_EQ(trip.blame, expected.blame);
  EXPECT_GE(trip.open_ms, 0.0);
  EXPECT_LE(trip.open_ms, open_ms);
  fmt::print("{}: rails off within {:.2f} ms, all open within {:.1f} ms\n", trip.cause, trip.rails_off_ms, trip.open_ms);
}
constexpr double kOpenMs = 3.0 + 50.0 + kReleaseMs;  // with the protecting rail's hold

class Person : public testing::TestWithParam<Firmware> {};
INSTANTIATE_TEST_SUITE_P(Firmwares, Person, testing::Values(Firmware::native, Firmware::elf));

// On the chip, where the inputs race with the rails that fall because of them.
TEST(Trips, StopIsThePersonsWheneverItIsPressed) {
  for (Picoseconds offset = 0; offset < kRound; offset += 150 * kUs) {
    Tripping t(kPlain, Firmware::elf, 3);
    ASSERT_FALSE(t.power_up().has_value());
    t.bench().controller->run_until(t.now() + offset, false);
    t.watch_from(t.now());
    t.bench().circuit().press_stop(t.now(), true);
    expect(t.wait_for_fault(During::rest), {"stop", "person"}, kOpenMs);
  }
}

TEST(Trips, LidIsThePersonsWheneverItIsOpened) {
  for (Picoseconds offset = 0; offset < kRound; offset += 150 * kUs) {
    Tripping t(kPlain, Firmware::elf, 3);
    ASSERT_FALSE(t.power_up().has_value());
    t.bench().controller->run_until(t.now() + offset, false);
    t.watch_from(t.now());
    t.bench().circuit().open_lid(t.now(), true);
    expect(t.wait_for_fault(During::rest), {"lid", "person"}, kOpenMs);
  }
}

TEST_P(Person, WrongOrderIsRefusedBeforeAnythingIsOn) {
  Tripping t(kPlain, GetParam(), 3);
  plan::ProgramStep step;
  step.label = 1;
  for (int r = 0; r < 4; ++r) step.ops.push_back(wire::GuardOp{static_cast<std::uint8_t>(r), 0, static_cast<std::uint8_t>(r == kBias ? 0 : 1 << kBias), 0, 1023, 500, 0, 0});
  step.ops.push_back(wire::RailOp{kPlate, wire::RailMode::on});
  auto bytes = plan::encode(step);
  bool on = false;
  t.bench().controller->watch(20 * kUs, [&](Picoseconds now, FixtureCircuit& c) { on |= c.truth(now).any_rail_on; });
  auto report = t.bench().session->execute(*bytes, {});
  ASSERT_TRUE(report) << report.error().text();
  ASSERT_TRUE(report->fault.has_value());
  EXPECT_EQ(report->fault->cause, "wrong-order");
  EXPECT_FALSE(on);
}

// A supply that is not there: the rail never comes, and whoever needs it is never switched on.
class Missing : public testing::TestWithParam<int> {};
INSTANTIATE_TEST_SUITE_P(Channels, Missing, testing::Range(0, 4));
TEST_P(Missing, RailThatDoesNotComeIsNamed) {
  const char* names[] = {"heater", "bias", "plate", "coil"};
  Tripping t(kPlain, Firmware::native, 3, {std::string(names[GetParam()]) + " open"});
  const auto fault = t.power_up();
  ASSERT_TRUE(fault.has_value());
  EXPECT_EQ(fault->cause, "rail-not-up");
  EXPECT_EQ(power::aborted_by(*fault, t.plan()).where, names[GetParam()]);
  (void)t.bench().session->idle(Seconds{0.2}).ok();
  EXPECT_FALSE(t.bench().circuit().truth(t.now()).any_rail_on);
}

TEST(Trips, LostHostIsTheLinksAndOpensWithin250Milliseconds) {
  Tripping t(kPlain, Firmware::elf, 3);
  ASSERT_FALSE(t.power_up().has_value());
  t.watch_from(t.now());
  t.bench().controller->inject(emulated::Injection::cable_pulled);
  const Picoseconds end = t.now() + 400 * kMs;
  double open_ms = -1.0;
  const Picoseconds begin = t.now();
  t.bench().controller->watch(100 * kUs, [&](Picoseconds now, FixtureCircuit& c) {
    const auto truth = c.truth(now);
    if (truth.any_rail_on || truth.any_contact_closed) open_ms = double(now - begin) * 1e-9;
  });
  t.bench().controller->run_until(end, false);
  EXPECT_GT(open_ms, 100.0);  // it was on
  EXPECT_LT(open_ms, 250.0);
  fmt::print("deadman: all open within {:.1f} ms of the last byte\n", open_ms);
}

TEST(Trips, DriftingReferenceIsTheFixtures) {
  Tripping t(kPlain, Firmware::elf, 3, {"fixture.reference drift 3"});
  const auto fault = t.power_up();
  ASSERT_TRUE(fault.has_value());
  EXPECT_EQ(fault->cause, "reference");
  EXPECT_EQ(fault->blame, "fixture");
}

// A load that keeps drawing through the pre-charge resistor: no more heating than the permitted inrush's, by the
// board file: (9^2 - 3^2) A^2 for 1 s. 0.3 ohm draw 6.4 A, so that it is reached after 72 / 32 = 2.2 s, long
// before the soft start's own 20 s.
TEST(Trips, LongOverloadIsStoppedByItsHeating) {
  const std::string text = R"(board: slow-rack
rails:
  heater: {nominal: 6.3 V, window: [4.5 V, 7.1 V], limit: 3 A, inrush: {peak: 9 A, within: 1 s}, soft-start: {until: 5 V, hold: 1 s, within: 20 s}}
families: {next: {drive: {low: ground, high: heater}, needs: {low: [-1 V, 1 V], high: [4 V, 8 V]}}}
lines: {A: {in: next}, Y: {out: next}}
circuit: [{gate: buf, in: A, out: Y, parts: [D1], build: diode}]
hookup: {heater: rail.0, A: drive.0, Y: sense.0}
)";
  for (const Firmware firmware : {Firmware::native, Firmware::elf}) {
    Tripping t(text, firmware, 3, {"heater leaky 0.3"});
    const Picoseconds began = t.now();
    const auto fault = t.power_up();
    ASSERT_TRUE(fault.has_value());
    EXPECT_EQ(fault->cause, "i2t");
    EXPECT_EQ(fault->blame, "board");
    const double amps = 6.3 / (0.3 + 0.56 + 0.02);
    EXPECT_NEAR(double(t.now() - began) * 1e-12, 72.0 / (amps * amps - 9.0), 0.4);
  }
}

// A dead short on a rail with a pre-charge path never sees the main contact: refused after a tenth of a second.
TEST(Trips, ShortOnThePreChargePathIsRefusedAtOnce) {
  const std::string text = R"(board: slow-rack
rails:
  heater: {nominal: 6.3 V, window: [4.5 V, 7.1 V], limit: 8 A, inrush: {peak: 11 A, within: 1 s}, soft-start: {until: 5 V, hold: 1 s, within: 20 s}}
families: {next: {drive: {low: ground, high: heater}, needs: {low: [-1 V, 1 V], high: [4 V, 8 V]}}}
lines: {A: {in: next}, Y: {out: next}}
circuit: [{gate: buf, in: A, out: Y, parts: [D1], build: diode}]
hookup: {heater: rail.0, A: drive.0, Y: sense.0}
)";
  Tripping t(text, Firmware::native, 3, {"heater leaky 0.02"});
  const Picoseconds began = t.now();
  bool main_on = false;
  t.bench().controller->watch(kMs, [&](Picoseconds now, FixtureCircuit& c) { main_on |= c.rail_amps(now, kHeater) > 10.5; });
  const auto fault = t.power_up();
  ASSERT_TRUE(fault.has_value());
  EXPECT_EQ(fault->cause, "rail-not-up");
  EXPECT_LT(double(t.now() - began) * 1e-12, 0.5);
  EXPECT_FALSE(main_on);
}

// Moments of a power-up at which the host is killed: every contact open in 250 ms, no rail left on.
// TENTERHOOK_MOMENTS takes more of them on the chip.
TEST_P(Person, HostKilledAtAnyMomentOfThePowerUpLeavesNothingOn) {
  double worst = 0.0;
  const auto moments = static_cast<int>(count_from_environment("TENTERHOOK_MOMENTS", GetParam() == Firmware::elf ? 15 : 100));
  for (int i = 0; i < moments; ++i) {
    Tripping t(kPlain, GetParam(), static_cast<std::uint64_t>(i) + 1);
    const Picoseconds began = t.now();
    const Picoseconds kill = began + Picoseconds(((i * 7919) % 100) * 6 + i % 7) * kMs;
    double last_on_ms = -1.0;
    bool killed = false;
    Watched* controller = t.bench().controller;
    controller->watch(500 * kUs, [&](Picoseconds now, FixtureCircuit& c) {
      if (!killed && now >= kill) {
        killed = true;
        controller->inject(emulated::Injection::cable_pulled);
      }
      const auto truth = c.truth(now);
      if (killed && (truth.any_rail_on || truth.any_contact_closed)) last_on_ms = double(now - kill) * 1e-9;
    });
    power::Sequence sequence(*t.bench().session, t.plan(), [](const std::string&, double) {});
    (void)sequence.up().ok();  // the link is lost under it
    controller->run_until(std::max(t.now(), kill) + 400 * kMs, false);
    EXPECT_TRUE(killed);
    EXPECT_LT(last_on_ms, 250.0) << "killed " << double(kill - began) * 1e-9 << " ms after the beginning";
    worst = std::max(worst, last_on_ms);
  }
  fmt::print("host killed during power-up, {} moments: all open within {:.1f} ms\n", moments, worst);
  EXPECT_GT(worst, 50.0);  // some of them were powered
}

// --- shorts, and what the fuse takes of them ---

// Quick-acting miniature fuses carry four times their rating for at least 3 ms (IEC 60127-2, from memory), so at
// least 0.048 s times the square of the rating melts none. Ratings of the channels: fixtures/mega2560/parts.md.
constexpr double kFuseAmps[] = {10.0, 0.5, 1.0, 4.0};
double fuse_a2s(int channel) { return 0.048 * kFuseAmps[channel] * kFuseAmps[channel]; }

// A2s through a rail's fuse, by the truth, from now on.
class Heating {
 public:
  Heating(Tripping& t, int channel) {
    t.bench().controller->watch(2 * kUs, [this, channel](Picoseconds now, FixtureCircuit& c) {
      const double amps = c.rail_amps(now, channel);
      if (last_ > 0) a2s_ += 0.5 * (amps * amps + before_ * before_) * double(now - last_) * 1e-12;
      most_ = std::max(most_, std::fabs(amps));
      before_ = amps;
      last_ = now;
    });
  }
  double a2s() const { return a2s_; }
  double most() const { return most_; }

 private:
  Picoseconds last_ = 0;
  double before_ = 0.0, a2s_ = 0.0, most_ = 0.0;
};

class Shorts : public testing::TestWithParam<int> {};
INSTANTIATE_TEST_SUITE_P(Channels, Shorts, testing::Range(0, 4));

TEST_P(Shorts, ThatComeLaterTripBeforeTheFuse) {
  for (const double ohms : {0.02, 1.0}) {
    Tripping t(kPlain, Firmware::elf, 5);
    ASSERT_FALSE(t.power_up().has_value());
    t.upset_later(GetParam(), 1.0 / ohms, 1.0, 137 * kUs);
    Heating heating(t, GetParam());
    const Trip trip = t.wait_for_fault(During::rest);
    fmt::print("rail.{} through {} ohm: {:.1f} A, {:.3g} A2s of {:.3g}, {}\n", GetParam(), ohms, heating.most(), heating.a2s(),
               fuse_a2s(GetParam()), trip.cause);
    EXPECT_FALSE(trip.cause.empty());
    EXPECT_LT(heating.a2s(), fuse_a2s(GetParam()));
  }
}

TEST_P(Shorts, ThatAreThereAtFirstPowerTripBeforeTheFuse) {
  const char* const names[] = {"heater", "bias", "plate", "coil"};
  Tripping t(kPlain, Firmware::elf, 5, {std::string(names[GetParam()]) + " leaky 0.02"});
  Heating heating(t, GetParam());
  const auto fault = t.power_up();
  ASSERT_TRUE(fault.has_value());
  (void)t.bench().session->idle(Seconds{0.1}).ok();
  fmt::print("rail.{} shorted from the first: {:.1f} A, {:.3g} A2s of {:.3g}, {}\n", GetParam(), heating.most(), heating.a2s(),
             fuse_a2s(GetParam()), fault->cause);
  EXPECT_EQ(power::aborted_by(*fault, t.plan()).where, names[GetParam()]);
  EXPECT_EQ(fault->blame, "board");
  EXPECT_LT(heating.a2s(), fuse_a2s(GetParam()));
  EXPECT_FALSE(t.bench().circuit().truth(t.now()).any_rail_on);
}

TEST(Trips, PlainRackStaysUpWithoutACause) {
  Tripping t(kPlain, Firmware::native, 7);
  ASSERT_FALSE(t.power_up().has_value());
  t.watch_from(t.now());
  const Trip trip = t.wait_for_fault(During::rest, 0.5);
  EXPECT_EQ(trip.cause, "");
  EXPECT_LT(trip.rails_off_ms, 0.0);
}

}  // namespace
}  // namespace tenterhook::test
