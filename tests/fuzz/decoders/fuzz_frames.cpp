// Any bytes on the line, to both ends: the host's message decoders, and the whole firmware.
#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <cstdlib>

#include "firmware/native/controller.h"
#include "firmware/wire/frame.h"
#include "firmware/wire/message.h"
#include "host/link/values.h"
#include "tests/unit/link/still_fixture.h"

namespace {

using namespace tenterhook;

// What the host does with a frame of each kind, whatever its payload is.
void as_host(const wire::FrameReader& reader, link::Assembler& assembler, link::DeviceClock& clock) {
  const std::uint8_t* payload = reader.payload();
  const std::uint8_t size = reader.payload_size();
  wire::HelloReply hello;
  if (wire::decode(payload, size, hello)) (void)link::identity_of(hello);
  wire::Rails rails;
  if (wire::decode(payload, size, rails)) (void)link::live_rails(rails);
  wire::Event event;
  if (wire::decode(payload, size, event)) (void)link::milestone_of(event, clock);
  wire::Status status;
  if (wire::decode(payload, size, status)) (void)link::fault_report(status.first, clock);
  (void)assembler.take({payload, size}, clock);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  wire::FrameReader reader;
  link::Assembler assembler;
  link::DeviceClock clock;
  for (std::size_t i = 0; i < size; ++i) {
    if (reader.put(data[i]) != wire::FrameReader::Got::frame) continue;
    if (reader.payload_size() > wire::kPayloadBytesMax) std::abort();
    as_host(reader, assembler, clock);
  }
  // The same bytes as one frame that arrives whole: mutations of a line seldom get past its CRC.
  std::uint8_t whole[wire::kLineBytesMax];
  std::size_t whole_size = 0;
  if (size >= wire::kHeaderBytes) {
    wire::Reader r(data, wire::kHeaderBytes);
    const wire::Header header = wire::get_header(r);
    const auto payload = std::min<std::size_t>(size - wire::kHeaderBytes, wire::kPayloadBytesMax);
    whole_size = wire::make_frame(header, data + wire::kHeaderBytes, static_cast<std::uint16_t>(payload), whole);
    for (std::size_t i = 0; i < whole_size; ++i) {
      if (reader.put(whole[i]) == wire::FrameReader::Got::frame) as_host(reader, assembler, clock);
    }
  }
  // Whatever came: 300 ms after the last byte everything is open again.
  link::StillFixture circuit;
  native::NativeController firmware(circuit);
  firmware.feed({data, size});
  firmware.feed({whole, whole_size});
  std::vector<std::uint8_t> out;
  const auto until = firmware.line_free_at() + 300'000'000'000;
  while (firmware.now() < until) firmware.run(until, out);
  const auto truth = circuit.truth(firmware.now());
  if (truth.any_contact_closed || truth.any_rail_on) std::abort();
  return 0;
}
