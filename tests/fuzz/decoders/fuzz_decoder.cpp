// Any bytes into every decoder of the wire, without a session behind it: fast enough for very many. What
// decodes encodes to bytes that decode to the same again.
#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <cstring>

#include "firmware/wire/frame.h"
#include "firmware/wire/message.h"
#include "firmware/wire/program.h"
#include "host/link/program_check.h"
#include "host/link/values.h"

namespace {

using namespace tenterhook;

template <class Message>
void message(const std::uint8_t* bytes, std::uint16_t size) {
  Message m, again;
  if (!wire::decode(bytes, size, m)) return;
  std::uint8_t encoded[wire::kFrameBytesMax], twice[wire::kFrameBytesMax];
  const std::uint16_t first = wire::encode(m, encoded, sizeof encoded);
  if (first == 0 || !wire::decode(encoded, first, again)) std::abort();
  const std::uint16_t second = wire::encode(again, twice, sizeof twice);
  if (second != first || std::memcmp(encoded, twice, first) != 0) std::abort();
}

void messages(const std::uint8_t* bytes, std::uint16_t size) {
  message<wire::Hello>(bytes, size);
  message<wire::Begin>(bytes, size);
  message<wire::Heartbeat>(bytes, size);
  message<wire::Run>(bytes, size);
  message<wire::ResetFaults>(bytes, size);
  message<wire::Query>(bytes, size);
  message<wire::HelloReply>(bytes, size);
  message<wire::Status>(bytes, size);
  message<wire::Ack>(bytes, size);
  message<wire::Event>(bytes, size);
  message<wire::Counters>(bytes, size);
  message<wire::Rails>(bytes, size);
  link::DeviceClock clock;
  (void)link::curve_block({bytes, size}, clock);
  (void)link::edges_block({bytes, size}, clock);
  link::Assembler assembler;
  (void)assembler.take({bytes, size}, clock);
}

// As the firmware reads it: an operation only once all its bytes are there.
template <class Operation>
void operation(const std::uint8_t* fields, std::uint8_t size) {
  std::uint8_t exact[wire::kOpBytesMax] = {}, encoded[wire::kOpBytesMax];
  std::memcpy(exact, fields, size);
  wire::Reader reader(exact, size);
  Operation op;
  wire::get(reader, op);
  if (!reader.ok()) std::abort();
  wire::Writer writer(encoded, sizeof encoded);
  wire::put(writer, op);
  if (!writer.ok() || writer.size() != size + 1) std::abort();
}

void operations(const std::uint8_t* data, std::size_t size) {
  std::size_t at = 0;
  while (at < size) {
    const auto op = static_cast<wire::Op>(data[at++]);
    const std::uint8_t whole = wire::op_bytes(op);
    if (whole == 0) continue;
    const auto needs = static_cast<std::uint8_t>(whole - 1);
    if (size - at < needs) return;
    const std::uint8_t* fields = data + at;
    at += needs;
    switch (op) {
      case wire::Op::label: operation<wire::LabelOp>(fields, needs); break;
      case wire::Op::drive: operation<wire::DriveOp>(fields, needs); break;
      case wire::Op::fast: operation<wire::FastOp>(fields, needs); break;
      case wire::Op::pulse: operation<wire::PulseOp>(fields, needs); break;
      case wire::Op::pulse_pair: operation<wire::PulsePairOp>(fields, needs); break;
      case wire::Op::wait: operation<wire::WaitOp>(fields, needs); break;
      case wire::Op::relay_wait: operation<wire::RelayWaitOp>(fields, needs); break;
      case wire::Op::route: operation<wire::RouteOp>(fields, needs); break;
      case wire::Op::trigger: operation<wire::TriggerOp>(fields, needs); break;
      case wire::Op::bus: operation<wire::BusOp>(fields, needs); break;
      case wire::Op::sample: operation<wire::SampleOp>(fields, needs); break;
      case wire::Op::mark: operation<wire::MarkOp>(fields, needs); break;
      case wire::Op::guard: operation<wire::GuardOp>(fields, needs); break;
      case wire::Op::rail: operation<wire::RailOp>(fields, needs); break;
      case wire::Op::arm: operation<wire::ArmOp>(fields, needs); break;
      case wire::Op::rail_until: operation<wire::RailUntilOp>(fields, needs); break;
      case wire::Op::bleed: operation<wire::BleedOp>(fields, needs); break;
      case wire::Op::curve: operation<wire::CurveOp>(fields, needs); break;
      case wire::Op::crossing: operation<wire::CrossingOp>(fields, needs); break;
      case wire::Op::edge_count: operation<wire::EdgeCountOp>(fields, needs); break;
      case wire::Op::delayed_sample: operation<wire::DelayedSampleOp>(fields, needs); break;
      default: break;
    }
  }
}

}  // namespace

// The first byte chooses, so that a fuzzer finds each decoder quickly.
extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size == 0 || size > 600) return 0;
  const std::uint8_t* bytes = data + 1;
  const auto n = static_cast<std::uint16_t>(size - 1);
  switch (data[0] % 4) {
    case 0: {
      wire::FrameReader reader;
      for (std::uint16_t i = 0; i < n; ++i) {
        if (reader.put(bytes[i]) != wire::FrameReader::Got::frame) continue;
        if (reader.payload_size() > wire::kPayloadBytesMax) std::abort();
        messages(reader.payload(), reader.payload_size());
      }
      break;
    }
    case 1: {  // a frame made of them comes out as it went in
      if (n < wire::kHeaderBytes) return 0;
      wire::Reader r(bytes, wire::kHeaderBytes);
      const wire::Header header = wire::get_header(r);
      const auto payload = static_cast<std::uint16_t>(std::min<int>(n - wire::kHeaderBytes, wire::kPayloadBytesMax));
      std::uint8_t line[wire::kLineBytesMax];
      const std::size_t length = wire::make_frame(header, bytes + wire::kHeaderBytes, payload, line);
      wire::FrameReader reader;
      int frames = 0;
      for (std::size_t i = 0; i < length; ++i) {
        if (reader.put(line[i]) != wire::FrameReader::Got::frame) continue;
        ++frames;
        const bool same = reader.payload_size() == payload && std::memcmp(reader.payload(), bytes + wire::kHeaderBytes, payload) == 0 &&
                          reader.header().sequence == header.sequence && reader.header().epoch == header.epoch;
        if (!same) std::abort();
      }
      if (frames != 1) std::abort();
      break;
    }
    case 2: messages(bytes, std::min<std::uint16_t>(n, wire::kPayloadBytesMax)); break;
    default: {
      operations(bytes, n);
      link::Identity device;
      device.features = 0xFFFFFFFF;
      device.step_bytes = device.program_bytes = 1024;
      device.store_bytes = 512;
      (void)link::check_program({bytes, n}, device);
    }
  }
  return 0;
}
