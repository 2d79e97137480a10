// From the wire's structs to the session's value types. Internal to host/link.
#pragma once

#include <cstdint>
#include <optional>
#include <span>

#include "firmware/wire/message.h"
#include "host/link/session.h"

namespace tenterhook::link {

// The fixture's microsecond clock wraps after 71 minutes; this one does not.
class DeviceClock {
 public:
  // Times up to half a wrap before or after the latest one are placed right.
  Seconds at(std::uint32_t microseconds);

 private:
  std::int64_t latest_ = 0;
  bool begun_ = false;
};

FaultReport fault_report(const wire::FaultRecord& record, DeviceClock& clock);
Identity identity_of(const wire::HelloReply& reply);
LiveRails live_rails(const wire::Rails& rails);
Milestone milestone_of(const wire::Event& event, DeviceClock& clock);
// Empty: the payload contradicts the protocol.
std::optional<CurveBlock> curve_block(std::span<const std::uint8_t> payload, DeviceClock& clock);
std::optional<EdgesBlock> edges_block(std::span<const std::uint8_t> payload, DeviceClock& clock);

// Puts the parts of samples together again.
class Assembler {
 public:
  void restart() { part_ = 0; }
  // A complete block once its last part is in. Error: the payload contradicts the protocol.
  Result<std::optional<SampleBlock>> take(std::span<const std::uint8_t> payload, DeviceClock& clock);

 private:
  SampleBlock block_;
  std::uint8_t part_ = 0;  // expected next
};

}  // namespace tenterhook::link
