// Codecs of the wire: round trips, bounds, and what damage does to a frame.
#include <gtest/gtest.h>

#include <random>
#include <set>
#include <string>

#include "firmware/wire/fault.h"
#include "firmware/wire/frame.h"
#include "firmware/wire/message.h"
#include "firmware/wire/program.h"

namespace tenterhook::test {
namespace {

using Bytes = std::vector<std::uint8_t>;

Bytes frame_of(const wire::Header& h, const Bytes& payload) {
  Bytes line(wire::kLineBytesMax);
  line.resize(wire::make_frame(h, payload.data(), static_cast<std::uint16_t>(payload.size()), line.data()));
  return line;
}
// Feeds a whole line; returns what its last byte gave.
wire::FrameReader::Got feed(wire::FrameReader& reader, const Bytes& line) {
  auto got = wire::FrameReader::Got::nothing;
  for (std::uint8_t b : line) got = reader.put(b);
  return got;
}

TEST(Frame, ComesBackWhateverIsInIt) {
  std::mt19937 random(1);
  wire::FrameReader reader;
  for (int i = 0; i < 5000; ++i) {
    wire::Header h;
    h.type = static_cast<wire::Type>(random() % 256);
    h.epoch = static_cast<std::uint16_t>(random());
    h.sequence = static_cast<std::uint16_t>(random());
    h.ack = static_cast<std::uint16_t>(random());
    h.credit = static_cast<std::uint8_t>(random());
    Bytes payload(random() % (wire::kPayloadBytesMax + 1));
    for (auto& b : payload) b = static_cast<std::uint8_t>(random() % 3 ? random() : 0);
    const Bytes line = frame_of(h, payload);
    ASSERT_LE(line.size(), wire::kLineBytesMax);
    ASSERT_EQ(std::count(line.begin(), line.end(), 0), 1);
    ASSERT_EQ(feed(reader, line), wire::FrameReader::Got::frame);
    EXPECT_EQ(reader.header().type, h.type);
    EXPECT_EQ(reader.header().epoch, h.epoch);
    EXPECT_EQ(reader.header().sequence, h.sequence);
    EXPECT_EQ(reader.header().ack, h.ack);
    EXPECT_EQ(reader.header().credit, h.credit);
    EXPECT_EQ(Bytes(reader.payload(), reader.payload() + reader.payload_size()), payload);
  }
}

TEST(Frame, OneTooLongIsNotMade) {
  Bytes payload(wire::kPayloadBytesMax + 1, 1);
  Bytes line(300);
  EXPECT_EQ(wire::make_frame({}, payload.data(), static_cast<std::uint16_t>(payload.size()), line.data()), 0);
}

TEST(Frame, AnyThreeFlippedBitsOfALongFrameAreSeen) {
  std::mt19937 random(2);
  for (int i = 0; i < 20000; ++i) {
    Bytes payload(wire::kPayloadBytesMax);
    for (auto& b : payload) b = static_cast<std::uint8_t>(random());
    Bytes line = frame_of({}, payload);
    for (int k = 0; k < 3; ++k) line[random() % (line.size() - 1)] ^= static_cast<std::uint8_t>(1 << random() % 8);
    wire::FrameReader reader;
    const Bytes good = frame_of({}, payload);
    if (line == good) continue;
    bool believed = false;
    for (std::uint8_t b : line) believed = believed || reader.put(b) == wire::FrameReader::Got::frame;
    EXPECT_FALSE(believed);
  }
}

// Distance 6 up to 93 data bits: every pattern of up to three flips in a heartbeat, exhaustively, must not
// only be seen but stay three flips away from any other frame: no pair of them may agree.
TEST(Frame, HeartbeatHasHammingDistanceSix) {
  constexpr int kBits = (wire::kHeaderBytes + 3 + wire::kCrcBytes) * 8;
  const auto syndrome = [](int bit) {
    std::uint8_t word[kBits / 8] = {};
    word[bit / 8] = static_cast<std::uint8_t>(1 << bit % 8);
    std::uint16_t crc = 0;  // linear part: start value 0
    for (std::uint8_t b : word) crc = wire::crc_update(crc, b);
    return crc;
  };
  std::vector<std::uint16_t> one;
  for (int i = 0; i < kBits; ++i) one.push_back(syndrome(i));
  std::vector<int> pairs(65536, 0);
  for (int i = 0; i < kBits; ++i) {
    ASSERT_NE(one[i], 0);
    for (int j = i + 1; j < kBits; ++j) {
      ASSERT_NE(one[i] ^ one[j], 0);              // no two flips
      ++pairs[one[i] ^ one[j]];
      for (int k = j + 1; k < kBits; ++k) ASSERT_NE(one[i] ^ one[j] ^ one[k], 0);  // no three
    }
  }
  for (int count : pairs) ASSERT_LE(count, 1);  // no four: two pairs with the same syndrome
  for (int i = 0; i < kBits; ++i) {
    for (int j = i + 1; j < kBits; ++j) {
      for (int k = j + 1; k < kBits; ++k) ASSERT_EQ(pairs[one[i] ^ one[j] ^ one[k]], 0);  // no five
    }
  }
}

TEST(Frame, TruncatedOrEmptyFramesAreDroppedAndTheNextOneIsRead) {
  const Bytes line = frame_of({}, {1, 2, 3});
  for (std::size_t cut = 1; cut < line.size() - 1; ++cut) {
    wire::FrameReader reader;
    Bytes part(line.begin(), line.begin() + static_cast<long>(cut));
    part.push_back(0);
    EXPECT_EQ(feed(reader, part), wire::FrameReader::Got::damaged) << cut;
    EXPECT_EQ(feed(reader, line), wire::FrameReader::Got::frame);
  }
}

TEST(Frame, EndlessBytesWithoutDelimiterDoNotOverflow) {
  wire::FrameReader reader;
  for (int i = 0; i < 100000; ++i) EXPECT_EQ(reader.put(0xFF), wire::FrameReader::Got::nothing);
  EXPECT_EQ(reader.put(0), wire::FrameReader::Got::damaged);
  EXPECT_EQ(feed(reader, frame_of({}, {9})), wire::FrameReader::Got::frame);
}

TEST(Frame, ZerosInARowAreCounted) {
  wire::FrameReader reader;
  feed(reader, frame_of({}, {}));
  for (int i = 2; i <= wire::kStopZerosSeen; ++i) {
    EXPECT_EQ(reader.put(0), wire::FrameReader::Got::zeros);
    EXPECT_EQ(reader.zeros(), i);
  }
}

TEST(Sequence, OrderSurvivesTheWrap) {
  EXPECT_TRUE(wire::before(0xFFFF, 0));
  EXPECT_TRUE(wire::before(0xFFF0, 0x0010));
  EXPECT_FALSE(wire::before(0, 0xFFFF));
  EXPECT_FALSE(wire::before(5, 5));
  EXPECT_EQ(wire::next_epoch(0xFFFF), 1);
  EXPECT_EQ(wire::next_epoch(1), 2);
}

// Encodes, decodes, encodes again: the bytes agree; one byte less is refused; one more is accepted.
template <class M>
void round_trip(const M& m, std::size_t bytes_expected) {
  std::uint8_t first[wire::kPayloadBytesMax + 1] = {};
  std::uint8_t second[wire::kPayloadBytesMax] = {};
  const auto size = wire::encode(m, first, wire::kPayloadBytesMax);
  ASSERT_EQ(size, bytes_expected);
  M back;
  ASSERT_TRUE(wire::decode(first, size, back));
  EXPECT_EQ(wire::encode(back, second, wire::kPayloadBytesMax), size);
  EXPECT_EQ(Bytes(first, first + size), Bytes(second, second + size));
  EXPECT_FALSE(wire::decode(first, static_cast<std::uint16_t>(size - 1), back));
  EXPECT_TRUE(wire::decode(first, static_cast<std::uint16_t>(size + 1), back));
  EXPECT_EQ(wire::encode(m, first, static_cast<std::uint16_t>(size - 1)), 0);
}

TEST(Message, RoundTrips) {
  round_trip(wire::Hello{1, 2, 0x12345678}, 6);
  round_trip(wire::Begin{0x1234}, 2);
  round_trip(wire::Heartbeat{1, 0x4321}, 3);
  round_trip(wire::Run{1}, 1);
  round_trip(wire::ResetFaults{0x0102}, 2);
  round_trip(wire::Query{wire::Ask::rails}, 1);
  round_trip(wire::Ack{wire::State::running, 77}, 3);
  wire::HelloReply hello;
  hello.nonce = 1, hello.features = 2, hello.boot_nonce = 3, hello.firmware_build = 4;
  hello.receive_bytes = 5, hello.program_bytes = 6, hello.store_bytes = 7, hello.step_bytes = 8;
  hello.state = wire::State::faulted, hello.reset_cause = wire::ResetCause::watchdog;
  hello.fault_count = 9, hello.clock_hz = 16'000'000;
  std::snprintf(hello.serial, sizeof hello.serial, "TH0001234567");
  std::snprintf(hello.fixture, sizeof hello.fixture, "mega2560");
  round_trip(hello, 58);
  wire::Status status;
  status.state = wire::State::faulted, status.session = 1, status.fault_count = 2, status.step = 3;
  status.results_waiting = 4, status.rails_on = 5, status.waiting = true, status.time_us = 6;
  status.first = {wire::Fault::lid, 7, 8, 9, 10, wire::Blame::person, 11};
  round_trip(status, 28);
  round_trip(wire::Event{wire::EventKind::rail_up, 1, 2, 3}, 11);
  round_trip(wire::ChannelCounts{1, 2, 3, 4, 5}, 13);
  wire::Counters counters;
  counters.frames_received = 1, counters.relay_moves = 2, counters.loop_us_max = 3;
  round_trip(counters, 56);
  wire::Rails rails;
  rails.volts[3] = 1, rails.current[0] = 2, rails.inputs = 3;
  round_trip(rails, 23);
}

TEST(Message, SamplesHeadRefusesMoreChannelsThanItCarries) {
  std::uint8_t bytes[wire::kPayloadBytesMax] = {};
  wire::SamplesHead head;
  head.channels = 2;
  wire::encode(head, bytes, sizeof bytes);
  wire::SamplesHead back;
  EXPECT_FALSE(wire::decode(bytes, wire::kSamplesHeadBytes + 2 * wire::kChannelCountsBytes - 1, back));
  EXPECT_TRUE(wire::decode(bytes, wire::kSamplesHeadBytes + 2 * wire::kChannelCountsBytes, back));
  bytes[10] = wire::kChannelsPerFrame + 1;
  EXPECT_FALSE(wire::decode(bytes, wire::kPayloadBytesMax, back));
}

TEST(Message, TextIsCutAndAlwaysEnds) {
  std::uint8_t bytes[4];
  wire::Writer w(bytes, sizeof bytes);
  w.text("longer", 4);
  char back[5];
  wire::Reader r(bytes, sizeof bytes);
  r.text(back, 4);
  EXPECT_STREQ(back, "long");
}

template <class O>
void op_round_trip(const O& op, wire::Op code) {
  std::uint8_t first[wire::kOpBytesMax], second[wire::kOpBytesMax];
  wire::Writer w(first, sizeof first);
  wire::put(w, op);
  ASSERT_TRUE(w.ok());
  EXPECT_EQ(w.size(), wire::op_bytes(code));
  EXPECT_EQ(first[0], static_cast<std::uint8_t>(code));
  wire::Reader r(first + 1, static_cast<std::uint16_t>(w.size() - 1));
  O back;
  wire::get(r, back);
  EXPECT_TRUE(r.ok());
  EXPECT_EQ(r.left(), 0);
  wire::Writer w2(second, sizeof second);
  wire::put(w2, back);
  EXPECT_EQ(Bytes(first, first + w.size()), Bytes(second, second + w2.size()));
}

TEST(Program, EveryOperationRoundTripsInItsSize) {
  op_round_trip(wire::LabelOp{1, 2, 3, 1}, wire::Op::label);
  op_round_trip(wire::DriveOp{0x1234, 0x5678}, wire::Op::drive);
  op_round_trip(wire::FastOp{1, 1, 0}, wire::Op::fast);
  op_round_trip(wire::PulseOp{1, 0, 0x01020304, 0x05060708, 0x090A0B0C}, wire::Op::pulse);
  op_round_trip(wire::WaitOp{0x01020304}, wire::Op::wait);
  op_round_trip(wire::RelayWaitOp{0x01020304}, wire::Op::relay_wait);
  op_round_trip(wire::RouteOp{0x1234}, wire::Op::route);
  op_round_trip(wire::BusOp{3, 0x0102030405060708}, wire::Op::bus);
  op_round_trip(wire::TriggerOp{1}, wire::Op::trigger);
  op_round_trip(wire::SampleOp{0x0102030405060708, 0x1112131415161718, 0x2122}, wire::Op::sample);
  op_round_trip(wire::MarkOp{0x01020304}, wire::Op::mark);
  op_round_trip(wire::GuardOp{1, 2, 3, 4, 5, 6, 7, 8}, wire::Op::guard);
  op_round_trip(wire::RailOp{1, wire::RailMode::on}, wire::Op::rail);
  op_round_trip(wire::ArmOp{5}, wire::Op::arm);
  op_round_trip(wire::RailUntilOp{1, 2, 3, 4, 5, 6, 7}, wire::Op::rail_until);
  op_round_trip(wire::BleedOp{9}, wire::Op::bleed);
  op_round_trip(wire::CurveOp{3}, wire::Op::curve);
  op_round_trip(wire::PulsePairOp{{0, 1}, {1601, 31999}, -15999}, wire::Op::pulse_pair);
  op_round_trip(wire::EdgeCountOp{31, 4095}, wire::Op::edge_count);
  op_round_trip(wire::DelayedSampleOp{31, -800, 4096}, wire::Op::delayed_sample);
  op_round_trip(wire::CrossingOp{31, 3, 16, 4095, 16000000}, wire::Op::crossing);
}

TEST(Program, OnlyKnownOperationsHaveASize) {
  for (int code = 0; code < 256; ++code) {
    const bool known = (code >= 0x01 && code <= 0x02) || (code >= 0x10 && code <= 0x17) ||
                       (code >= 0x20 && code <= 0x21) || (code >= 0x30 && code <= 0x34) ||
                       (code >= 0x40 && code <= 0x44);
    EXPECT_EQ(wire::op_bytes(static_cast<wire::Op>(code)) != 0, known) << code;
    EXPECT_LE(wire::op_bytes(static_cast<wire::Op>(code)), wire::kOpBytesMax);
  }
}

TEST(Program, SampleResultBytesMatchTheFramesThatCarryThem) {
  EXPECT_EQ(wire::sample_result_bytes(1), 2 + 11 + 13);
  EXPECT_EQ(wire::sample_result_bytes(8), 2 + 11 + 8 * 13);
  EXPECT_EQ(wire::sample_result_bytes(9), 2 * (2 + 11) + 9 * 13);
  EXPECT_LE(wire::sample_result_bytes(wire::kSampleChannelsMax), wire::kStepResultBytesMax);
}

TEST(Edges, CrossingsKeepSignAndDirection) {
  for (std::int32_t ticks : {0, 1, -1, -2, 12345, -12345, 16'000'000, -16'000'000, (1 << 30) - 1, -(1 << 30)}) {
    for (bool rising : {false, true}) {
      std::uint8_t bytes[wire::kCrossingBytes];
      wire::Crossing in, out;
      in.ticks = ticks;
      in.rising = rising;
      ASSERT_EQ(wire::encode(in, bytes, sizeof bytes), wire::kCrossingBytes);
      ASSERT_TRUE(wire::decode(bytes, sizeof bytes, out));
      EXPECT_EQ(out.ticks, ticks);
      EXPECT_EQ(out.rising, rising);
    }
  }
}

TEST(Edges, HeadRoundTripsAndMissingCrossingsAreRefused) {
  wire::EdgesHead in, out;
  in.step = 0x1234;
  in.index = 7;
  in.sense = 31;
  in.flags = 31;
  in.count = 2;
  in.rises = 0x01020304;
  in.falls = 0x05060708;
  in.time_us = 0x090A0B0C;
  std::uint8_t bytes[wire::kEdgesHeadBytes + 2 * wire::kCrossingBytes] = {};
  ASSERT_EQ(wire::encode(in, bytes, sizeof bytes), wire::kEdgesHeadBytes);
  ASSERT_TRUE(wire::decode(bytes, sizeof bytes, out));
  EXPECT_EQ(out.step, in.step);
  EXPECT_EQ(out.index, in.index);
  EXPECT_EQ(out.sense, in.sense);
  EXPECT_EQ(out.flags, in.flags);
  EXPECT_EQ(out.count, in.count);
  EXPECT_EQ(out.rises, in.rises);
  EXPECT_EQ(out.falls, in.falls);
  EXPECT_EQ(out.time_us, in.time_us);
  EXPECT_FALSE(wire::decode(bytes, sizeof bytes - 1, out));
  EXPECT_LE(wire::edges_result_bytes(wire::kCrossingsMax), wire::kPayloadBytesMax + wire::kStoreSlotBytes);
}

TEST(FaultTable, EveryFaultHasANameTextRemedyAndBlame) {
  std::set<std::string> names;
  int faults = 0;
#define TH_X(number, id, name, blame, fields, text, remedy)                   \
  EXPECT_EQ(static_cast<int>(wire::Fault::id), number);                       \
  EXPECT_TRUE(names.insert(wire::name_of(wire::Fault::id)).second) << name;   \
  EXPECT_GT(std::string(wire::text_of(wire::Fault::id)).size(), 5U);          \
  EXPECT_GT(std::string(wire::remedy_of(wire::Fault::id)).size(), 5U);        \
  EXPECT_NE(wire::blame_of(wire::Fault::id), wire::Blame::none);              \
  ++faults;
  TENTERHOOK_FAULTS(TH_X)
#undef TH_X
  EXPECT_GE(faults, 20);
  EXPECT_STREQ(wire::name_of(static_cast<wire::Fault>(250)), "unknown");
}

}  // namespace
}  // namespace tenterhook::test
