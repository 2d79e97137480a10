// The real firmware in the emulated chip: it drives, samples, pulses, and lets go of everything
// when it must. Judged by the fixture's truth and by stamped pins, never by what the firmware says.
#include <cstdio>
#include <random>

#include "tests/emulated/mcu/firmware_rig.h"

namespace tenterhook::emulated {
namespace {

constexpr Picoseconds kTick = McuEmulator::kCycle;

TEST(Firmware, GreetsWithItsSerial) {
  FirmwareRig rig;
  EXPECT_EQ(rig.session->identity().serial, "TH0042");
  EXPECT_EQ(rig.session->identity().last_reset, "power-on");
  EXPECT_FALSE(rig.anything_closed());
}

TEST(Firmware, NamesTheSourcesItWasBuiltFrom) {
  FirmwareRig chip, native(true);
  EXPECT_EQ(chip.session->identity().firmware_build, native.session->identity().firmware_build);
  EXPECT_EQ(chip.session->identity().firmware_build.size(), 8U);
  EXPECT_NE(chip.session->identity().firmware_build, "00000001");
}

TEST(Firmware, DrivesAndSamplesWhatIsThere) {
  FirmwareRig rig;
  Steps s = FirmwareRig::powered();
  s.sample(3, std::uint64_t{3} << wire::kAuxDrive | std::uint64_t{1} << (wire::kAuxCurrent + 2),
           64);
  s.step();
  const auto report = rig.run(s.open_ended());
  EXPECT_TRUE(report.finished);
  EXPECT_NEAR(rig.board->volts(rig.now(), 0), 29.9, 0.1) << "A is high";
  EXPECT_NEAR(rig.board->volts(rig.now(), 1), 0.0, 0.1) << "D is low";
  ASSERT_EQ(rig.samples.size(), 1U);
  const auto volts = [&rig](std::size_t i) {
    const auto& c = rig.samples[0].channels.at(i).counts;
    EXPECT_EQ(c.n, 64);
    return -14.948 + 0.07324 * double(c.sum) / c.n;
  };
  EXPECT_NEAR(volts(0), rig.circuit().lead_volts(rig.now(), 0), 0.04);
  EXPECT_NEAR(volts(1), rig.circuit().lead_volts(rig.now(), 1), 0.04);
  EXPECT_NEAR(volts(2), rig.board->volts(rig.now(), 0), 0.04);
  EXPECT_NEAR(volts(3), rig.board->volts(rig.now(), 1), 0.04);
  const double amps = 0.5e-3 * double(rig.samples[0].channels.at(4).counts.sum) / 64.0;
  EXPECT_NEAR(amps, rig.circuit().rail_amps(rig.now(), 2), 0.5e-3);
}

TEST(Firmware, EndOpensEverything) {
  FirmwareRig rig;
  rig.run(FirmwareRig::powered().ended());
  EXPECT_LE(rig.open_after(rig.now()), 50 * kMs);
}

TEST(Firmware, FollowsTheDischargeAtRest) {
  FirmwareRig rig;
  const auto plate = [&rig] {
    auto live = rig.session->rails();
    return live.ok() ? -14.948 + 0.07324 * (live.value().volts[2] + 0.5) : -99.0;
  };
  EXPECT_NEAR(plate(), 0.0, 0.1) << "before the first run";
  rig.run(FirmwareRig::powered().open_ended());
  rig.board->loads[0].farads = 100e-6;  // charged, beside the load of 1 kohm and the bleeder of 1 kohm
  ASSERT_TRUE(rig.session->finish().ok());
  double last = 40.0;
  for (int i = 0; i < 25; ++i) {
    const double before = rig.circuit().rail_volts(rig.now(), 2);
    const double read = plate();
    EXPECT_LE(read, before * 1.022 + 0.1) << "at most 1.1 ms old";
    EXPECT_GE(read, rig.circuit().rail_volts(rig.now(), 2) - 0.1);
    EXPECT_LE(read, last + 0.08);
    last = read;
    ASSERT_TRUE(rig.session->idle(Seconds{0.02}).ok());
  }
  EXPECT_LT(last, 0.2);
}

TEST(Firmware, RecordsTheCurveOfARailAsItComesUp) {
  FirmwareRig rig;
  link::Sink sink;
  std::vector<link::CurveBlock> parts;
  sink.curve = [&parts](const link::CurveBlock& b) { parts.push_back(b); };
  sink.sample = [&rig](const link::SampleBlock& b) { rig.samples.push_back(b); };
  Steps s;
  s.add(wire::CurveOp{2}).step();
  const auto up = FirmwareRig::powered().add(wire::WaitOp{400'000}).sample(0xFF, std::uint64_t{1} << (wire::kAuxCurrent + 2), 200).step().ended();
  auto program = s.open_ended();
  program.insert(program.end(), up.begin(), up.end());
  const auto report = rig.session->execute(program, sink);
  ASSERT_TRUE(report.ok());
  ASSERT_FALSE(report.value().fault) << report.value().fault->text;
  ASSERT_GT(parts.size(), 3U);
  EXPECT_TRUE(parts.front().first);
  EXPECT_TRUE(parts.back().last);
  double seconds = 0.0, i2t = 0.0;
  std::size_t points = 0;
  bool plausible = true;
  for (const auto& part : parts) {
    EXPECT_EQ(part.rail, 2);
    for (const auto& p : part.points) {
      ++points;
      seconds += p.duration.value;
      i2t += p.current * p.current * p.duration.value;
      if (seconds < 0.005) continue;
      plausible = plausible && p.current > 55.0 && p.current < 70.0;  // 30 to 33 mA
      plausible = plausible && std::abs(-14.948 + 0.07324 * (p.volts + 0.5) - 29.9) < 0.2;
    }
  }
  EXPECT_TRUE(plausible);
  ASSERT_EQ(rig.samples.size(), 1U);
  const auto& sampled = rig.samples[0].channels.back().counts;
  EXPECT_NEAR(parts.back().points.back().current, double(sampled.sum) / sampled.n, 1.0);
  EXPECT_GT(seconds, 0.55);
  EXPECT_GT(points, 150U);
  EXPECT_NEAR(parts.back().i2t, i2t, 0.02 * i2t);
  EXPECT_NEAR(parts.front().points.front().duration.value, 0.5e-3, 0.3e-3) << "fast first";
}

TEST(Firmware, NextSessionsChannelsAreTheirOwn) {
  FirmwareRig rig;
  for (int i = 0; i < 5; ++i) {
    rig.run(FirmwareRig::powered().sample(3, std::uint64_t{3} << wire::kAuxDrive, 1).step().ended());
    ASSERT_EQ(rig.samples.size(), std::size_t(i + 1));
    for (std::size_t c = 0; c < 4; ++c) {
      EXPECT_EQ(rig.samples.back().channels.at(c).counts.sum,
                rig.samples.front().channels.at(c).counts.sum);
    }
  }
}

TEST(Firmware, NativeAndEmulatedAnswerAlike) {
  const auto counts = [](bool native) {
    FirmwareRig rig(native);
    Steps s = FirmwareRig::powered();
    for (int i = 0; i < 10; ++i) {
      s.add(wire::DriveOp{3, std::uint16_t(i & 3)}).add(wire::RelayWaitOp{30000});
      s.add(wire::PulseOp{0, 1, 3, 160, 1600}).add(wire::WaitOp{500});
      s.sample(3, std::uint64_t{3} << wire::kAuxDrive, 8).step();
    }
    rig.run(s.ended());
    std::vector<std::uint32_t> all;
    for (const auto& block : rig.samples) {
      all.push_back(std::uint32_t(block.step));
      for (const auto& c : block.channels) all.push_back(c.counts.sum);
    }
    return all;
  };
  const auto emulated = counts(false);
  EXPECT_EQ(emulated.size(), 50U);
  EXPECT_EQ(emulated, counts(true));
}

// What remains of a step after its relays, waits, conversions and pulse, by the fixture's clock: at
// most 0.3 ms and 1 %.
TEST(Overhead, OfAStepThatMovesRelays) {
  constexpr int kSteps = 40;
  constexpr double kRelay = 15000.0, kWait = 10.0, kConversions = 8 * 24 * wire::kConversionPairUs;
  constexpr std::uint32_t kWidth = 3200;
  constexpr double kPulse = (kWidth + wire::kGapTicksMin) / 16.0;
  FirmwareRig rig;
  Steps s = FirmwareRig::powered();
  for (int i = 0; i <= kSteps; ++i) {
    s.add(wire::DriveOp{3, std::uint16_t(i & 3)}).add(wire::RelayWaitOp{std::uint32_t(kRelay)});
    s.add(wire::PulseOp{0, 1, 1, kWidth, wire::kGapTicksMin}).add(wire::WaitOp{std::uint32_t(kWait)});
    s.sample(0xFF, 0, 24).step();
  }
  rig.run(s.ended());
  ASSERT_EQ(rig.samples.size(), std::size_t(kSteps + 1));
  const double took = (rig.samples.back().time.value - rig.samples.front().time.value) * 1e6 / kSteps;
  const double over = took - kRelay - kWait - kConversions - kPulse;
  std::printf("overhead: %.0f us a step, %.2f %%\n", over, 100.0 * over / took);
  EXPECT_GT(over, 0.0) << "faster than the physics: something was left out";
  EXPECT_LE(over, 300.0);
  EXPECT_LE(over / took, 0.01);
}

// --- pulses, stamped at the chip's pins
// ------------------------------------------------------------------

struct PulseCheck {
  std::size_t pulses = 0;
  std::size_t wrong = 0;
  std::string first;
};

// `count` pulses of every width: each width exact, each period exact, no further edge.
void check_pulses(FirmwareRig& rig, const std::vector<std::array<std::uint32_t, 3>>& ops,
                  int channel, PulseCheck& check) {
  rig.controller->record_edges(true);
  Steps s;
  for (const auto& [width, gap, count] : ops) {
    s.add(wire::PulseOp{std::uint8_t(channel), 1, count, width, gap}).step();
  }
  rig.run(s.open_ended());
  const std::vector<PinEdge>& edges = rig.controller->edges();
  std::size_t e = 0;
  const auto fault = [&check](const std::string& what) {
    ++check.wrong;
    if (check.first.empty()) check.first = what;
  };
  for (const auto& [width, gap, count] : ops) {
    for (std::uint32_t i = 0; i < count; ++i, e += 2, ++check.pulses) {
      if (e + 1 >= edges.size()) return fault("edges are missing");
      const Picoseconds wide = edges[e + 1].t - edges[e].t;
      if (!edges[e].level || edges[e + 1].level) fault("polarity");
      if (wide != Picoseconds(width) * kTick) {
        fault("width " + std::to_string(width) + " came as " + std::to_string(wide / kTick));
      }
      if (i + 1 < count && e + 2 < edges.size() &&
          edges[e + 2].t - edges[e + 1].t != Picoseconds(gap) * kTick) {
        fault("gap " + std::to_string(gap) + " came as " +
              std::to_string((edges[e + 2].t - edges[e + 1].t) / kTick));
      }
    }
  }
  if (e != edges.size()) fault(std::to_string(edges.size() - e) + " further edges");
}

TEST(Pulses, TenThousandWidePulsesAreExactToTheTick) {
  std::mt19937 random(1);
  PulseCheck check;
  for (int channel = 0; channel < 2; ++channel) {
    FirmwareRig rig;
    rig.run(Steps().add(wire::FastOp{0, 0, 0}).add(wire::FastOp{1, 0, 0}).step().open_ended());
    std::vector<std::array<std::uint32_t, 3>> ops{
        {40, 640, 50}, {16000, 640, 50}, {639, 640, 50}, {640, 641, 50}, {641, 70000, 5}};
    for (int i = 0; i < 96; ++i) {
      ops.push_back(
          {40 + std::uint32_t(random() % 15961), 640 + std::uint32_t(random() % 3000), 50});
    }
    check_pulses(rig, ops, channel, check);
  }
  EXPECT_EQ(check.wrong, 0U) << check.first;
  EXPECT_GE(check.pulses, 10'000U);
  std::printf("wide pulses: %zu, wrong: %zu\n", check.pulses, check.wrong);
}

TEST(Pulses, TenThousandNarrowPulsesAreExactToTheTick) {
  std::mt19937 random(2);
  PulseCheck check;
  for (int channel = 0; channel < 2; ++channel) {
    FirmwareRig rig;
    rig.run(Steps().add(wire::FastOp{0, 0, 0}).add(wire::FastOp{1, 0, 0}).step().open_ended());
    std::vector<std::array<std::uint32_t, 3>> ops;
    for (std::uint32_t width : {5, 6, 7, 8, 15, 16, 17, 100, 1599, 1600})
      ops.push_back({width, 640, 50});
    ops.push_back({5, 100'000, 5});
    for (int i = 0; i < 92; ++i) {
      ops.push_back({5 + std::uint32_t(random() % 1596), 640 + std::uint32_t(random() % 2000), 50});
    }
    check_pulses(rig, ops, channel, check);
  }
  EXPECT_EQ(check.wrong, 0U) << check.first;
  EXPECT_GE(check.pulses, 10'000U);
  std::printf("narrow pulses: %zu, wrong: %zu\n", check.pulses, check.wrong);
}

TEST(Pulses, ActiveLowPulsesRestHigh) {
  FirmwareRig rig;
  rig.run(Steps().add(wire::FastOp{0, 0, 1}).step().open_ended());
  rig.controller->record_edges(true);
  Steps s;
  s.add(wire::PulseOp{0, 0, 20, 100, 700}).add(wire::PulseOp{0, 0, 20, 2000, 700}).step();
  rig.run(s.open_ended());
  const auto& edges = rig.controller->edges();
  ASSERT_EQ(edges.size(), 80U);
  for (std::size_t i = 0; i < 80; i += 2) {
    EXPECT_FALSE(edges[i].level);
    EXPECT_EQ(edges[i + 1].t - edges[i].t, (i < 40 ? 100 : 2000) * kTick);
  }
}

// One line's counter runs past the other one's old match: that must not count as an edge of the next pulse.
TEST(Pulses, LinesTakeTurns) {
  FirmwareRig rig;
  rig.run(Steps().add(wire::FastOp{0, 0, 0}).add(wire::FastOp{1, 0, 0}).step().open_ended());
  rig.controller->record_edges(true);
  Steps s;
  for (std::uint32_t width : {100, 2000, 30000, 1600, 639}) {
    for (int channel : {0, 1, 1, 0}) {
      s.add(wire::PulseOp{std::uint8_t(channel), 1, 2, width, 700}).step();
    }
    s.add(wire::PulsePairOp{{1, 1}, {1600, 2000}, 100}).step();
  }
  rig.run(s.open_ended());
  std::vector<PinEdge> of[2];
  for (const PinEdge& e : rig.controller->edges()) of[e.pin.bit == map::kPinFast0.bit ? 0 : 1].push_back(e);
  for (int channel = 0; channel < 2; ++channel) {
    ASSERT_EQ(of[channel].size(), 2U * 5U * 5U);
    std::size_t at = 0;
    for (Picoseconds width : {100, 2000, 30000, 1600, 639}) {
      for (int i = 0; i < 5; ++i, at += 2) {
        const Picoseconds wanted = i < 4 ? width : channel == 0 ? 1600 : 2000;
        EXPECT_TRUE(of[channel][at].level);
        EXPECT_EQ(of[channel][at + 1].t - of[channel][at].t, wanted * kTick) << channel << " " << at;
      }
    }
  }
}

// Every offset around the two lines' own interrupts, with the converter running: exact to the tick.
TEST(Pulses, PairsKeepTheirOffsetToTheTick) {
  FirmwareRig rig;
  rig.run(Steps().add(wire::FastOp{0, 0, 0}).add(wire::FastOp{1, 0, 1}).step().open_ended());
  rig.controller->record_edges(true);
  std::mt19937 random(3);
  std::vector<wire::PulsePairOp> ops;
  const auto add = [&ops](int offset, int w0, int w1) {
    ops.push_back({{1, 0}, {std::uint16_t(w0), std::uint16_t(w1)}, std::int16_t(offset)});
  };
  for (int offset = -400; offset <= 400; offset += 7) add(offset, 1600, 1600);
  for (int offset : {-16000, -1600, -1, 0, 1, 1600, 16000}) add(offset, 1600, 32000);
  for (int i = 0; i < 200; ++i) {
    add(int(random() % 32001) - 16000, 1600 + int(random() % 30401), 1600 + int(random() % 30401));
  }
  Steps s;
  for (const auto& op : ops) s.add(op).step();
  rig.run(s.open_ended());
  std::vector<PinEdge> clock, data;
  for (const PinEdge& e : rig.controller->edges()) (e.pin.bit == map::kPinFast0.bit ? clock : data).push_back(e);
  ASSERT_EQ(clock.size(), 2 * ops.size());
  ASSERT_EQ(data.size(), 2 * ops.size());
  std::size_t wrong = 0;
  for (std::size_t i = 0; i < ops.size(); ++i) {
    const PinEdge &up = clock[2 * i], &down = clock[2 * i + 1], &fall = data[2 * i], &rise = data[2 * i + 1];
    const bool right = up.level && !down.level && !fall.level && rise.level &&
                       fall.t - up.t == ops[i].offset_ticks * kTick &&
                       down.t - up.t == ops[i].width_ticks[0] * kTick &&
                       rise.t - fall.t == ops[i].width_ticks[1] * kTick;
    wrong += right ? 0 : 1;
  }
  EXPECT_EQ(wrong, 0U);
  std::printf("pairs: %zu, wrong: %zu\n", ops.size(), wrong);
}

// --- every way out ends with everything open, within 250 ms
// -------------------------------------------------

constexpr Picoseconds kLimit = 250 * kMs;

struct WaysOut : ::testing::Test {
  FirmwareRig rig;
  Picoseconds since = 0;
  void SetUp() override {
    rig.run(FirmwareRig::powered().open_ended());
    const auto truth = rig.circuit().truth(rig.now());
    ASSERT_TRUE(truth.any_contact_closed);
    ASSERT_TRUE(truth.any_rail_on);
    since = rig.now();  // the last good frame was not later
  }
  void expect_open(const char* what, Picoseconds limit = kLimit) {
    const Picoseconds after = rig.open_after(since);
    EXPECT_GT(after, 0) << what;
    EXPECT_LE(after, limit) << what;
    std::printf("%s: all open after %.1f ms\n", what, double(after) / double(kMs));
    // And it stays so.
    for (int i = 0; i < 100; ++i) {
      rig.controller->run_until(rig.now() + 10 * kMs, false);
      EXPECT_FALSE(rig.anything_closed()) << what;
    }
  }
};

TEST_F(WaysOut, HostFallsSilent) {
  expect_open("host silent");
}

TEST_F(WaysOut, CablePulled) {
  rig.controller->inject(Injection::cable_pulled);
  expect_open("cable pulled");
}

TEST_F(WaysOut, FirmwareHangs) {
  rig.controller->inject(Injection::hang);
  expect_open("firmware hung");
  EXPECT_EQ(rig.mcu->resets(), 1) << "the watchdog came";
}

TEST_F(WaysOut, MainLoopHangsWhileInterruptsRun) {
  rig.controller->inject(Injection::main_loop_hang);
  expect_open("main loop hung");
  EXPECT_EQ(rig.mcu->resets(), 1);
}

TEST_F(WaysOut, PowerCut) {
  rig.controller->inject(Injection::power_cut);
  expect_open("controller's supply cut", 30 * kMs);
}

TEST_F(WaysOut, ResetPulse) {
  rig.controller->inject(Injection::reset_line);
  expect_open("reset pulse", 30 * kMs);
}

TEST_F(WaysOut, StopPressed) {
  rig.circuit().press_stop(rig.now(), true);
  expect_open("stop pressed", 30 * kMs);
}

// A protecting rail (a bias) outlives everything else by 30 to 50 ms, by the chip's clock.
TEST(Protecting, RailIsHeldAfterTheRestFell) {
  for (int us = 0; us < 1000; us += 130) {
    FirmwareRig rig;
    Steps s;
    wire::GuardOp guard;
    guard.rail = 2;
    guard.flags = wire::kGuardProtects;
    guard.min = FirmwareRig::code(28.0);
    guard.max = FirmwareRig::code(32.0);
    guard.limit = 400;
    s.add(guard).add(wire::RailOp{2, wire::RailMode::on}).add(wire::WaitOp{20'000}).add(wire::ArmOp{1U << 2});
    s.add(wire::DriveOp{3, 1}).add(wire::RelayWaitOp{30000}).step();
    rig.run(s.open_ended());
    rig.controller->run_until(rig.now() + us * kUs, false);
    const Picoseconds since = rig.now();
    // Not the button: that breaks the master contactor by itself, at once.
    rig.controller->feed(std::vector<std::uint8_t>(wire::kStopZeros, 0), since);
    Picoseconds opened = -1, off = -1;
    for (int i = 0; i < 500 && off < 0; ++i) {
      rig.controller->run_until(rig.now() + 200 * kUs, false);
      const auto truth = rig.circuit().truth(rig.now());
      if (opened < 0 && !truth.any_contact_closed) opened = rig.now() - since;
      if (!truth.any_rail_on) off = rig.now() - since;
    }
    EXPECT_GE(opened, 0);
    EXPECT_LE(opened, 10 * kMs);
    EXPECT_GE(off, wire::kProtectMsMin * kMs);
    EXPECT_LE(off, (wire::kProtectMsMax + 5) * kMs);
  }
}

TEST_F(WaysOut, LidOpened) {
  rig.circuit().open_lid(rig.now(), true);
  expect_open("lid opened", 30 * kMs);
}

TEST_F(WaysOut, StopZerosOnTheLine) {
  rig.controller->feed(std::vector<std::uint8_t>(wire::kStopZeros, 0), rig.now());
  expect_open("stop sent", 60 * kMs);
}

TEST_F(WaysOut, ShortedRail) {
  rig.board->loads[0].siemens = 10.0;
  rig.circuit().next_event(rig.now());
  expect_open("plate shorted", 60 * kMs);
}

TEST(Hang, AtAnyMomentOfPowerUpEverythingOpens) {
  int closed = 0, moments = 0;
  for (int ms = 2; ms < 260; ms += 7, ++moments) {
    FirmwareRig rig;
    Steps s = FirmwareRig::powered();
    s.add(wire::WaitOp{400'000}).step();
    rig.hang.at = rig.now() + ms * kMs;
    EXPECT_FALSE(rig.session->execute(s.open_ended(), {}).ok()) << "the session cannot miss it";
    ASSERT_TRUE(rig.hang.hung);
    if (!rig.hang.looked) {  // the session heard of the reset before
      rig.controller->run_until(rig.hang.at + kLimit, false);
      rig.hang.closed_later = rig.anything_closed();
    }
    closed += rig.hang.closed_then ? 1 : 0;
    EXPECT_FALSE(rig.hang.closed_later) << "hung after " << ms << " ms";
  }
  EXPECT_GT(closed, moments / 3) << "there must have been something to open";
}

// Slow relays, long bounces, a real supply: the limit holds for every fixture, not for the ideal
// one.
TEST(WaysOutOfRealFixtures, SilenceAndHangOpenEverythingInTime) {
  for (std::uint64_t seed = 1; seed <= 6; ++seed) {
    for (bool hang : {false, true}) {
      FixtureOptions o = FirmwareRig::options();
      o.ideal = false;
      o.seed = seed;
      FirmwareRig rig(false, o);
      rig.run(FirmwareRig::powered().open_ended());
      ASSERT_TRUE(rig.anything_closed()) << "seed " << seed;
      const Picoseconds since = rig.now();
      if (hang) rig.controller->inject(Injection::hang);
      const Picoseconds after = rig.open_after(since);
      EXPECT_GT(after, 0) << "seed " << seed;
      EXPECT_LE(after, kLimit) << "seed " << seed;
    }
  }
}

TEST(Size, FlashRamStackAndInterruptsWithinTheirBounds) {
  FirmwareRig rig;
  Steps s = FirmwareRig::powered();
  s.add(wire::PulseOp{0, 1, 20, 5, 640}).add(wire::PulseOp{0, 1, 20, 2000, 700});
  s.sample(3, 0x1FFFFFFFFULL, 16).step();
  rig.run(s.ended());
  const ProgramSize size = rig.mcu->size();
  const std::size_t stack = rig.mcu->stack_used();
  std::printf("firmware: flash %zu B, static RAM %zu B, stack %zu B\n", size.flash_bytes,
              size.static_ram_bytes, stack);
  EXPECT_LE(size.flash_bytes, 64U * 1024U);
  EXPECT_LE(size.static_ram_bytes, 6U * 1024U);
  EXPECT_GT(stack, 32U);
  EXPECT_LT(stack, 1024U);
  // A byte takes 320 cycles, a conversion 832; a pulse's next edge may come after 640.
  const struct {
    int vector;
    const char* name;
    std::uint32_t most;
  } interrupts[] = {{25, "receive", 320},
                    {26, "send", 320},
                    {17, "pulse fast.0", 640},
                    {29, "conversion", 832},
                    {35, "clock", 320}};
  for (const auto& i : interrupts) {
    const std::uint32_t cycles = rig.mcu->longest_interrupt(i.vector);
    std::printf("interrupt %-12s at most %u cycles\n", i.name, cycles);
    EXPECT_GT(cycles, 0U) << i.name;
    EXPECT_LT(cycles, i.most) << i.name;
  }
}

}  // namespace
}  // namespace tenterhook::emulated
