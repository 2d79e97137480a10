// What is refused before a byte is sent, and results put together from their frames.
#include "host/link/program_check.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <vector>

#include "firmware/wire/message.h"
#include "firmware/wire/program.h"
#include "host/link/values.h"

namespace tenterhook::link {
namespace {

using ::testing::HasSubstr;
using Bytes = std::vector<std::uint8_t>;

template <class... Operations>
Bytes ops(const Operations&... operations) {
  std::array<std::uint8_t, 512> into{};
  wire::Writer writer(into.data(), into.size());
  (wire::put(writer, operations), ...);
  return Bytes(into.begin(), into.begin() + writer.size());
}

Identity device() {
  Identity identity;
  identity.step_bytes = wire::kStepBytesMax;
  identity.store_bytes = wire::kStoreBytes;
  identity.firmware_build = "00000001";
  return identity;
}

wire::LabelOp label(unsigned bytes, unsigned results, std::uint16_t step = 1) {
  return {step, static_cast<std::uint16_t>(bytes), static_cast<std::uint16_t>(results), 0};
}

const wire::SampleOp kTwoSenses{0b11, 0, 8};

std::string trouble(const Bytes& program) {
  auto shape = check_program(program, device());
  return shape.ok() ? "" : shape.error().what;
}

TEST(ProgramCheck, GoodProgramTellsItsShape) {
  const Bytes program = ops(label(19, wire::sample_result_bytes(2)), kTwoSenses, label(5, 0, 2), wire::WaitOp{10}, wire::EndOp{});
  auto shape = check_program(program, device());
  ASSERT_TRUE(shape.ok()) << shape.error().text();
  EXPECT_EQ(shape->steps, 2);
  EXPECT_TRUE(shape->ends);
}

TEST(ProgramCheck, ProgramWithoutEndStaysOpen) {
  auto shape = check_program(ops(label(5, 0), wire::WaitOp{10}), device());
  ASSERT_TRUE(shape.ok());
  EXPECT_FALSE(shape->ends);
}

TEST(ProgramCheck, WrongDeclarationsAreDefectsOfOurs) {
  EXPECT_THAT(trouble(ops(label(6, 0), wire::WaitOp{10})), HasSubstr("bytes than its label declares"));
  EXPECT_THAT(trouble(ops(label(19, wire::sample_result_bytes(2) - 1), kTwoSenses)), HasSubstr("results than its label declares"));
  EXPECT_THAT(trouble(ops(wire::WaitOp{10})), HasSubstr("before the first label"));
  EXPECT_THAT(trouble(ops(label(0, 0), wire::EndOp{}, wire::EndOp{})), HasSubstr("follows the end"));
  EXPECT_THAT(trouble(ops(label(0, 0, wire::kNoStep))), HasSubstr("reserved"));
  EXPECT_THAT(trouble(ops(label(0, wire::kStoreBytes + 1))), HasSubstr("can keep"));
  Bytes cut = ops(label(5, 0), wire::WaitOp{10});
  cut.pop_back();
  EXPECT_THAT(trouble(cut), HasSubstr("cut off"));
  EXPECT_THAT(trouble({0x7E}), HasSubstr("unknown operation"));
}

TEST(ProgramCheck, MissingFeatureIsTheFixturesTroubleAndIsNamed) {
  const Bytes program = ops(label(10, 0), wire::BusOp{wire::kBusLoad22k, 1});
  auto without = check_program(program, device());
  ASSERT_FALSE(without.ok());
  EXPECT_EQ(without.error().trouble, Trouble::fixture);
  EXPECT_THAT(without.error().what, HasSubstr("test-bus"));
  Identity able = device();
  able.features = wire::kFeatureTestBus;
  EXPECT_TRUE(check_program(program, able).ok());
}

TEST(ProgramCheck, ShortGapsAskForBurstsAndEdgesForRoom) {
  Identity able = device();
  const wire::PulseOp slow{0, 1, 100, 160, wire::kGapTicksMin}, one{0, 1, 1, 160, 0}, burst{0, 1, 100, 160, 160};
  for (const wire::PulseOp& pulse : {slow, one}) EXPECT_TRUE(check_program(ops(label(15, 0), pulse), able).ok());
  EXPECT_THAT(trouble(ops(label(15, 0), burst)), HasSubstr("burst"));
  able.features = wire::kFeatureBurst | wire::kFeatureCrossing | wire::kFeatureEdgeCount | wire::kFeatureDelayedSample;
  EXPECT_TRUE(check_program(ops(label(15, 0), burst), able).ok());
  const auto room = [&able](unsigned results, const auto&... operations) {
    const Bytes body = ops(operations...);
    return check_program(ops(label(static_cast<unsigned>(body.size()), results), operations...), able).ok();
  };
  const wire::CrossingOp crossing{0, 3, 5, 1000, 1000};
  EXPECT_TRUE(room(wire::edges_result_bytes(5), crossing, one));
  EXPECT_FALSE(room(wire::edges_result_bytes(5) - 1, crossing, one));
  const wire::DelayedSampleOp delayed{0, 10, 3};
  EXPECT_TRUE(room(wire::sample_result_bytes(1), delayed, one));
  EXPECT_FALSE(room(wire::sample_result_bytes(1) - 1, delayed, one));
  const wire::EdgeCountOp start{0, 1000}, stop{wire::kCountStop, 0};
  EXPECT_TRUE(room(wire::edges_result_bytes(0), start, slow, stop));
  EXPECT_FALSE(room(wire::edges_result_bytes(0) - 1, start, slow, stop));
}

// ---- results ----

TEST(Edges, BlocksCarryWhatTheFrameSays) {
  std::array<std::uint8_t, wire::kPayloadBytesMax> into{};
  wire::EdgesHead head;
  head.step = 9;
  head.index = 2;
  head.sense = 31;
  head.count = 2;
  head.flags = wire::kEdgesCrossing | wire::kEdgesMissed | wire::kEdgesHighAfter;
  head.rises = 5;
  head.falls = 4;
  head.time_us = 2'000'000;
  std::uint16_t at = wire::encode(head, into.data(), into.size());
  for (const wire::Crossing& c : {wire::Crossing{-7, true}, wire::Crossing{90000, false}}) {
    at = static_cast<std::uint16_t>(at + wire::encode(c, into.data() + at, 8));
  }
  DeviceClock clock;
  const auto block = edges_block({into.data(), at}, clock);
  ASSERT_TRUE(block.has_value());
  EXPECT_EQ(block->step, 9);
  EXPECT_EQ(block->index, 2);
  EXPECT_EQ(block->sense, 31);
  EXPECT_TRUE(block->crossing);
  EXPECT_TRUE(block->missed);
  EXPECT_FALSE(block->more);
  EXPECT_FALSE(block->high_before);
  EXPECT_TRUE(block->high_after);
  EXPECT_EQ(block->rises, 5u);
  EXPECT_EQ(block->falls, 4u);
  EXPECT_NEAR(block->time.value, 2.0, 1e-9);
  ASSERT_EQ(block->crossings.size(), 2u);
  EXPECT_EQ(block->crossings[0].ticks, -7);
  EXPECT_TRUE(block->crossings[0].rising);
  EXPECT_EQ(block->crossings[1].ticks, 90000);
  EXPECT_FALSE(block->crossings[1].rising);
  EXPECT_FALSE(edges_block({into.data(), std::size_t{at} - 1}, clock).has_value());
}

Bytes samples_payload(std::uint16_t step, std::uint8_t index, std::uint8_t part, const std::vector<std::uint8_t>& sources) {
  std::array<std::uint8_t, wire::kPayloadBytesMax> into{};
  const wire::SamplesHead head{step, index, part, 4, 1000, static_cast<std::uint8_t>(sources.size())};
  std::uint16_t at = wire::encode(head, into.data(), into.size());
  for (std::uint8_t source : sources) {
    const wire::ChannelCounts counts{source, 400u + source, 90, 110, 40000};
    at = static_cast<std::uint16_t>(at + wire::encode(counts, into.data() + at, static_cast<std::uint16_t>(into.size() - at)));
  }
  return Bytes(into.begin(), into.begin() + at);
}

constexpr std::uint8_t kRail2 = wire::kSourceAux + static_cast<int>(wire::kAuxRail) + 2;

TEST(Assembler, PartsOfOneSampleBecomeOneBlock) {
  Assembler assembler;
  DeviceClock clock;
  auto first = assembler.take(samples_payload(7, 0, 0, {0, 1}), clock);
  ASSERT_TRUE(first.ok());
  EXPECT_FALSE(first->has_value());
  auto second = assembler.take(samples_payload(7, 0, 1 | wire::kLastPart, {kRail2}), clock);
  ASSERT_TRUE(second.ok());
  ASSERT_TRUE(second->has_value());
  const SampleBlock& block = **second;
  EXPECT_EQ(block.step, 7);
  ASSERT_EQ(block.channels.size(), 3u);
  EXPECT_EQ(block.channels[1].kind, ChannelKind::sense);
  EXPECT_EQ(block.channels[1].index, 1);
  EXPECT_EQ(block.channels[1].counts.sum, 401u);
  EXPECT_EQ(block.channels[1].counts.n, 4);
  EXPECT_EQ(block.channels[2].kind, ChannelKind::rail);
  EXPECT_EQ(block.channels[2].index, 2);
  EXPECT_NEAR(block.time.value, 1e-3, 1e-12);
}

TEST(Assembler, ContradictionsAreRefused) {
  DeviceClock clock;
  Assembler skipped;
  EXPECT_FALSE(skipped.take(samples_payload(7, 0, 1, {0}), clock).ok());
  Assembler mixed;
  ASSERT_TRUE(mixed.take(samples_payload(7, 0, 0, {0}), clock).ok());
  EXPECT_FALSE(mixed.take(samples_payload(8, 0, 1, {0}), clock).ok());
  Assembler cut;
  Bytes payload = samples_payload(7, 0, wire::kLastPart, {0, 1});
  payload.pop_back();
  EXPECT_FALSE(cut.take(payload, clock).ok());
}

TEST(DeviceClock, GoesOnAcrossTheWrapAndPlacesOlderTimesRight) {
  DeviceClock clock;
  EXPECT_NEAR(clock.at(4294000000u).value, 4294.0, 1e-9);
  EXPECT_NEAR(clock.at(1000000u).value, 4294.967296 + 1.0, 1e-9);
  EXPECT_NEAR(clock.at(4294900000u).value, 4294.9, 1e-9);
}

TEST(FaultReport, NamesTheRailAndWhoseTroubleItLooksToBe) {
  DeviceClock clock;
  wire::FaultRecord record;
  record.fault = wire::Fault::over_current;
  record.blame = wire::Blame::board;
  record.channel = 2;
  record.value = 900;
  const FaultReport report = fault_report(record, clock);
  EXPECT_EQ(report.cause, "over-current");
  EXPECT_EQ(report.where, "rail.2");
  EXPECT_EQ(report.rail, 2);
  EXPECT_EQ(report.blame, "board");
  EXPECT_EQ(report.value, 900);
  EXPECT_FALSE(report.remedy.empty());
}

}  // namespace
}  // namespace tenterhook::link
