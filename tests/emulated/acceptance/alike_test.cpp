// The same random step programs on the ATmega2560's own program in the emulated chip and on the core
// compiled for this machine: the same results, the same contacts, and the same times within what
// instructions take.
#include <gtest/gtest.h>

#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "tests/emulated/mcu/firmware_rig.h"

namespace tenterhook::acceptance {
namespace {

using emulated::FirmwareRig;
using emulated::Steps;

constexpr int kPrograms = 24;
constexpr int kStepsMost = 10;
constexpr double kTimeTolerance = 1e-3;   // s a step: instructions, and the safety conversion under way
constexpr double kCountTolerance = 1.0;   // per conversion: an edge of the hum-free, ideal fixture

Steps random_program(std::mt19937_64& random) {
  const auto pick = [&](std::uint32_t n) { return static_cast<std::uint32_t>(random() % n); };
  Steps s = FirmwareRig::powered();
  const std::uint32_t steps = 2 + pick(kStepsMost - 1);
  for (std::uint32_t i = 0; i < steps; ++i) {
    s.add(wire::DriveOp{static_cast<std::uint16_t>(pick(4)), static_cast<std::uint16_t>(pick(4))});
    s.add(wire::RelayWaitOp{20000 + pick(15000)});
    if (pick(2) != 0) s.add(wire::PulseOp{0, 1, 1 + pick(5), 40 + pick(16000), 640 + pick(16000)});
    if (pick(2) != 0) s.add(wire::WaitOp{pick(20000)});
    if (pick(3) == 0) s.add(wire::BusOp{static_cast<std::uint8_t>(pick(2) != 0 ? wire::kBusPull10k : wire::kBusLoad22k), pick(4)});
    s.add(wire::RelayWaitOp{10000});
    s.sample(1 + pick(3), std::uint64_t{pick(4)} << wire::kAuxDrive, static_cast<std::uint16_t>(1 + pick(48)));
    s.step();
  }
  return s;
}

struct Answer {
  std::vector<link::SampleBlock> samples;
  std::vector<bool> contacts;
  std::uint32_t moves = 0;
  double total = 0.0;
};

Answer answer(const Steps& program, bool native) {
  FirmwareRig rig(native);
  Steps copy = program;
  const link::ExecuteReport report = rig.run(copy.open_ended());
  Answer a;
  EXPECT_TRUE(report.finished);
  for (int bit = 0; bit < map::kChainBytes * 8; ++bit) a.contacts.push_back(rig.circuit().contact_closed(rig.now(), bit));
  a.samples = rig.samples;
  a.moves = report.relay_moves;
  a.total = report.times.total.value;
  EXPECT_TRUE(rig.session->stop().ok());
  EXPECT_GE(rig.open_after(rig.now()), 0);  // contacts take their release time
  return a;
}

void compare(const Answer& chip, const Answer& native) {
  EXPECT_EQ(chip.contacts, native.contacts);
  EXPECT_EQ(chip.moves, native.moves);
  ASSERT_EQ(chip.samples.size(), native.samples.size());
  for (std::size_t i = 0; i < chip.samples.size(); ++i) {
    const link::SampleBlock& a = chip.samples[i];
    const link::SampleBlock& b = native.samples[i];
    EXPECT_EQ(a.step, b.step);
    EXPECT_EQ(a.index, b.index);
    const double since_a = (a.time - chip.samples[0].time).value, since_b = (b.time - native.samples[0].time).value;
    EXPECT_NEAR(since_a, since_b, kTimeTolerance * static_cast<double>(i + 1)) << "sample " << i;
    ASSERT_EQ(a.channels.size(), b.channels.size());
    for (std::size_t c = 0; c < a.channels.size(); ++c) {
      EXPECT_EQ(a.channels[c].kind, b.channels[c].kind);
      EXPECT_EQ(a.channels[c].index, b.channels[c].index);
      ASSERT_EQ(a.channels[c].counts.n, b.channels[c].counts.n);
      EXPECT_NEAR(a.channels[c].counts.sum, b.channels[c].counts.sum, kCountTolerance * a.channels[c].counts.n)
          << "sample " << i << " channel " << c;
    }
  }
}

TEST(Alike, RandomProgramsOnTheChipAndNatively) {
  double slower = 0.0;
  for (int i = 0; i < kPrograms; ++i) {
    SCOPED_TRACE("program " + std::to_string(i));
    std::mt19937_64 random(static_cast<std::uint64_t>(i) + 1);
    const Steps program = random_program(random);
    const Answer chip = answer(program, false);
    const Answer native = answer(program, true);
    compare(chip, native);
    slower = std::max(slower, std::abs(chip.total - native.total) / static_cast<double>(chip.samples.size() + 2));
  }
  std::printf("%d programs; the chip's clock and the native one part by up to %.3f ms a step\n", kPrograms, slower * 1e3);
}

}  // namespace
}  // namespace tenterhook::acceptance
