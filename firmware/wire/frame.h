// A frame on the line, and the rules by which the two ends talk.
//
//   COBS( header | payload | CRC low | CRC high ) 00
//
//   header: type u8 | epoch u16 | sequence u16 | ack u16 | credit u8        (little-endian, 8 bytes)
//
// The CRC (crc.h) is over header and payload. Frames that are too short, too long, or fail COBS or
// CRC are counted and dropped; nothing in them is believed.
//
// Two kinds of frames
//   Sequenced: Chunk and Run from the host; Samples and Event from the device. Delivered exactly once
//     and in order, each direction with its own numbers. `sequence` is the frame's number; the first
//     after Begin is 0; it wraps at 65,536.
//   Unsequenced: all others. Idempotent, may be lost; the sender repeats until it sees the answer.
//     `sequence` is 0 and ignored.
// Acknowledgement: `ack` in every frame, either kind, is the number of the next sequenced frame that
//   the sender of this frame expects: it acknowledges all before it.
// Window, host to device: `credit` in every frame from the device counts units of kCreditUnit program
//   bytes that the device can take in addition to all that this frame's `ack` acknowledges. The host
//   keeps the payloads of unacknowledged Chunks within it, and the line bytes of all unacknowledged
//   sequenced frames within HelloReply::receive_bytes - kReceiveReserve (what is reserved is for
//   heartbeats and single requests, at most one of them unanswered at a time). A Chunk for which there is
//   no room is dropped and counted, not acknowledged.
// Window, device to host: the device keeps results in its store until they are acknowledged and
//   begins no step whose results have no room; the host must always be able to take a frame, and
//   acknowledges within kAckWithinMs or kAckBytes (any frame does; a Heartbeat when nothing else is
//   due). `credit` in frames from the host is 0 and ignored.
// Loss: a receiver takes only the sequenced frame it expects. An earlier one is a duplicate: dropped,
//   acknowledged again. A later one means a gap: dropped, and `ack` repeated at once, by the device in
//   an Ack, by the host in a Heartbeat with kHeartbeatGap; the sender then goes back to `ack` and sends
//   from there. Without a gap seen, the sender goes back when its oldest unacknowledged frame is
//   kHostResendMs (doubling up to kHostResendMsMax) or kDeviceResendMs old. After kRetriesMax times
//   without progress the link is lost: the host stops and reports; the device latches link_lost. A
//   sender that has just gone back ignores further gap signals for the same `ack` for kGapQuietMs, so
//   that one loss causes one resend.
//
// Epochs
//   The device owns the epoch; 0 is never used. It bumps it (65,535 is followed by 1) when it takes a
//   Begin and when it latches a fault. It starts from a number drawn at boot. A frame from the host with
//   another epoch is stale and dropped (and counted), except Hello and Query; if it is not a sequenced
//   one it is answered by a Status so that the host learns the new one. The host adopts the epoch of a
//   HelloReply or Status; it drops other frames from another epoch. After a fault the host's
//   sequenced stream is dead until the next Begin: Chunk and Run die by their epoch or are refused; the
//   device's own sequenced stream lives on across the fault under the new epoch, with numbers unbroken,
//   so that results taken before the fault still arrive; the next Begin drops what is left of it.
//
// Stop
//   Zero bytes: kStopZeros in a row, outside any framing. The device's receive interrupt counts zeros;
//   at kStopZerosSeen it stops whatever else is queued, before and without parsing it; so any one damaged
//   byte does no harm. Idempotent; obeyed in every state: while a session runs it latches host_stop, else it
//   only discards a partial frame. A broken line reads as zeros and stops as well. The host therefore never
//   sends two delimiters in a row otherwise. The answer is a Status that shows a latched fault (or idle);
//   the host repeats the zeros every kHeartbeatMs until it sees it, for kRetriesMax times.
//
// Deadman
//   From Run until `end`, a fault, or the session's end, the device opens everything kDeadmanMs after the
//   last good frame of the current epoch. The host sends a Heartbeat whenever it has sent nothing for
//   kHeartbeatMs, also while it waits for a person or a disk.
#pragma once

#include <stdint.h>

#include "firmware/wire/bytes.h"
#include "firmware/wire/cobs.h"
#include "firmware/wire/crc.h"
#include "firmware/wire/limits.h"

namespace tenterhook {
namespace wire {

constexpr uint16_t kGapQuietMs = 20;

enum class Type : uint8_t {
  // host to device
  hello = 0x01,         // any epoch, any state -> hello_reply
  begin = 0x02,         // idle or loaded: opens a session -> status
  heartbeat = 0x03,     // -> ack, or status
  chunk = 0x04,         // sequenced: program bytes
  run = 0x05,           // sequenced: arm and execute
  reset_faults = 0x06,  // faulted: the deliberate reset -> status
  query = 0x07,         // any epoch -> status, counters or rails
  // device to host
  hello_reply = 0x81,
  status = 0x82,
  ack = 0x83,
  samples = 0x84,  // sequenced
  event = 0x85,    // sequenced
  curve = 0x88,    // sequenced
  edges = 0x89,    // sequenced
  counters = 0x86,
  rails = 0x87,
};

constexpr bool is_sequenced(Type type) {
  return type == Type::chunk || type == Type::run || type == Type::samples || type == Type::event ||
         type == Type::curve || type == Type::edges;
}

struct Header {
  Type type = Type::heartbeat;
  uint16_t epoch = 0;
  uint16_t sequence = 0;
  uint16_t ack = 0;
  uint8_t credit = 0;
};

// a is before b in a wrapping sequence (windows are far below half of it).
constexpr bool before(uint16_t a, uint16_t b) {
  return static_cast<uint16_t>(a - b) >= 0x8000;
}
constexpr uint16_t next_epoch(uint16_t epoch) {
  return static_cast<uint16_t>(epoch == 0xFFFF ? 1 : epoch + 1);
}

inline void put_header(Writer& w, const Header& h) {
  w.u8(static_cast<uint8_t>(h.type));
  w.u16(h.epoch);
  w.u16(h.sequence);
  w.u16(h.ack);
  w.u8(h.credit);
}
inline Header get_header(Reader& r) {
  Header h;
  h.type = static_cast<Type>(r.u8());
  h.epoch = r.u16();
  h.sequence = r.u16();
  h.ack = r.u16();
  h.credit = r.u8();
  return h;
}

// Writes a whole frame, delimiter included, into `line` (at least kLineBytesMax bytes); returns its
// size, or 0 when the payload is larger than kPayloadBytesMax. Whole at once: for the host and tests;
// the firmware builds its frames in slices.
inline uint16_t make_frame(const Header& header, const uint8_t* payload, uint16_t size, uint8_t* line) {
  if (size > kPayloadBytesMax) return 0;
  uint8_t head[kHeaderBytes];
  Writer w(head, sizeof head);
  put_header(w, header);
  CobsEncoder encoder(line);
  uint16_t crc = kCrcStart;
  for (uint16_t i = 0; i < kHeaderBytes; ++i) {
    crc = crc_update(crc, head[i]);
    encoder.put(head[i]);
  }
  for (uint16_t i = 0; i < size; ++i) {
    crc = crc_update(crc, payload[i]);
    encoder.put(payload[i]);
  }
  crc = static_cast<uint16_t>(crc ^ kCrcFinal);
  encoder.put(static_cast<uint8_t>(crc));
  encoder.put(static_cast<uint8_t>(crc >> 8));
  const uint16_t end = encoder.finish();
  line[end] = 0;
  return static_cast<uint16_t>(end + 1);
}

// Takes bytes of the line one by one and yields the good frames among them; both ends use it.
class FrameReader {
 public:
  enum class Got : uint8_t {
    nothing,  // more bytes are needed
    frame,    // header(), payload(), payload_size() hold until the next put()
    damaged,  // COBS, size or CRC: dropped
    zeros,    // a further delimiter after a delimiter; kStopZerosSeen of them are a stop
  };
  FrameReader() : decoder_(frame_, kFrameBytesMax) {}
  Got put(uint8_t byte) {
    if (byte != 0) {
      zeros_ = 0;
      decoder_.put(byte);
      return Got::nothing;
    }
    if (zeros_ < 255) ++zeros_;
    if (decoder_.empty()) return Got::zeros;
    const uint16_t size = decoder_.finish();
    decoder_.restart();
    if (size == kCobsBad || size < kHeaderBytes + kCrcBytes) return Got::damaged;
    uint16_t crc = kCrcStart;
    for (uint16_t i = 0; i < size; ++i) crc = crc_update(crc, frame_[i]);
    if (crc != kCrcResidue) return Got::damaged;
    size_ = static_cast<uint8_t>(size - kHeaderBytes - kCrcBytes);
    return Got::frame;
  }
  Header header() const {
    Reader r(frame_, kHeaderBytes);
    return get_header(r);
  }
  const uint8_t* payload() const { return frame_ + kHeaderBytes; }
  uint8_t payload_size() const { return size_; }
  uint8_t zeros() const { return zeros_; }
  // Forgets a partial frame (after a stop, a receive overrun, or on opening the port).
  void restart() {
    decoder_.restart();
    zeros_ = 0;
  }

 private:
  uint8_t frame_[kFrameBytesMax];
  CobsDecoder decoder_;
  uint8_t size_ = 0;
  uint8_t zeros_ = 0;
};

}  // namespace wire
}  // namespace tenterhook
