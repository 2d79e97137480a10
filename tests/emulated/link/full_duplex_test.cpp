// Both directions of the line busy at once, at every rate that the chip can make: nothing is lost, doubled or
// reordered for the host, whatever the receiver had to drop.
#include <gtest/gtest.h>

#include <cstdio>

#include "tests/emulated/link/elf_rig.h"

namespace tenterhook::link {
namespace {

constexpr int kSteps = 60, kWaits = 90, kChannels = 64;
// Frames of eight channels: 125 bytes before COBS, 127 on the line.
constexpr double kResultBytes = kChannels / 8 * 127.0;

// 64 channels, one conversion each, give more than the line takes at any rate; the waits are program to carry.
Bytes busy_both_ways() {
  Bytes program;
  for (int i = 0; i < kSteps; ++i) {
    Bytes body;
    for (int w = 0; w < kWaits; ++w) append(body, wire::WaitOp{0});
    append(body, wire::SampleOp{0xFFFFFFFF, 0xFFFFFFFF, 1});
    append(program, wire::LabelOp{static_cast<std::uint16_t>(i), static_cast<std::uint16_t>(body.size()),
                                  wire::sample_result_bytes(kChannels), 0});
    program.insert(program.end(), body.begin(), body.end());
  }
  append(program, wire::EndOp{});
  return program;
}

class FullDuplex : public ::testing::TestWithParam<int> {};
INSTANTIATE_TEST_SUITE_P(Baud, FullDuplex, ::testing::Values(250000, 500000, 1000000));

TEST_P(FullDuplex, EveryResultArrivesOnceAndInOrder) {
  const int baud = GetParam();
  ElfRig rig(std::string(TH_ELF_FOLDER) + "/duplex-" + std::to_string(baud) + ".elf", std::nullopt, baud);
  ASSERT_TRUE(rig.session) << rig.trouble;
  std::vector<int> steps;
  double first = 0.0, last = 0.0;
  Sink sink;
  sink.sample = [&](const SampleBlock& b) {
    if (steps.empty()) first = b.time.value;
    last = b.time.value;
    steps.push_back(b.step);
    EXPECT_EQ(b.channels.size(), std::size_t{kChannels});
  };
  const Bytes program = busy_both_ways();
  auto report = rig.session->execute(program, sink, Seconds{60.0});
  ASSERT_TRUE(report.ok()) << report.error().text();
  ASSERT_TRUE(report->finished) << report->fault->text;
  ASSERT_EQ(steps.size(), std::size_t{kSteps});
  for (int i = 0; i < kSteps; ++i) EXPECT_EQ(steps[static_cast<std::size_t>(i)], i);
  const LinkCounters c = rig.session->counters();
  const double share = 10.0 / baud / (last - first);  // of the line, a byte
  const double in = share * static_cast<double>(program.size()), out = share * kResultBytes * (kSteps - 1);
  std::printf("%7d baud: %2.0f %% of the line with program, %2.0f %% with results at once; overrun %d, resent %llu and %d\n",
              baud, 100 * in, 100 * out, c.device_overrun, static_cast<unsigned long long>(c.resent), c.device_resent);
  EXPECT_GT(in + out, baud == 250'000 ? 0.9 : baud == 500'000 ? 0.5 : 0.2);
  if (baud == 1'000'000) return;  // there the interrupts need more time than a byte takes: frames are repeated
  EXPECT_EQ(c.device_overrun, 0);
  EXPECT_EQ(c.resent, 0u);
}

}  // namespace
}  // namespace tenterhook::link
