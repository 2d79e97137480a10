// The device's end of the link: frames in and out, sequence numbers, acknowledgements, resending. What the
// frames mean is the controller's business (its `Controller` parameter gets them); the rules are in
// firmware/wire/frame.h.
//
// Main loop only. Frames are built in slices of kBuildSlice bytes into one buffer while the other one is
// being sent, so that a pass of the main loop stays short.
#pragma once

#include <stdint.h>

#include "firmware/core/buffers.h"
#include "firmware/core/hal.h"
#include "firmware/wire/frame.h"
#include "firmware/wire/message.h"

namespace tenterhook {
namespace core {

constexpr uint8_t kReceiveSlice = 16;       // bytes of one pass
constexpr uint8_t kBuildSlice = 16;
constexpr uint16_t kCreditStep = 128;       // program bytes freed before an Ack tells the host by itself
constexpr uint8_t kMessageBytesMax = 64;    // largest payload that is not a result
static_assert(kMessageBytesMax <= wire::kPayloadBytesMax, "");

template <class Hal, class Controller>
class Endpoint {
 public:
  Endpoint(Hal& hal, Controller& controller, ResultStore& store, const ProgramRing& program)
      : hal_(hal), controller_(controller), store_(store), program_(program) {}

  void open(uint16_t epoch) { epoch_ = epoch == 0 ? 1 : epoch; }
  uint16_t epoch() const { return epoch_; }
  void bump_epoch() { epoch_ = wire::next_epoch(epoch_); }
  // Begin: both streams start at 0.
  void restart_streams() {
    expected_ = 0;
    store_.clear();
    rewind();
    retries_ = 0;
  }

  void ask_status() { due_ |= kDueStatus; }
  void ask_hello(uint32_t nonce) {
    hello_nonce_ = nonce;
    due_ |= kDueHello;
  }
  void ask_counters() { due_ |= kDueCounters; }
  void ask_rails() { due_ |= kDueRails; }
  void ask_ack() { due_ |= kDueAck; }
  void set_stamp(uint16_t stamp) { stamp_ = stamp; }

  wire::Counters& counters() { return counters_; }
  // Every retry of the oldest result was in vain: the host may be heard, but does not hear.
  bool lost() const { return retries_ > wire::kRetriesMax; }
  bool busy() const { return due_ != 0 || building_ || ready_ || reader_mid_frame_; }

  // poll() would do something now, without waiting for the line (native/ asks before time jumps).
  bool wants_poll() const {
    if (ready_) return !hal_.sending();
    return building_ || due_ != 0 || results_to_send();
  }

  void forget_partial_frame() { reader_.restart(); }

  // One pass: a slice of what has come in, a slice of what goes out.
  void poll(uint32_t now_us) {
    receive();
    if (!building_ && !ready_) choose(now_us);
    if (building_) build();
    if (ready_ && !hal_.sending()) {
      hal_.send(buffer_[which_], size_);
      which_ ^= 1;
      ready_ = false;
      ++counters_.frames_sent;
    }
  }

 private:
  enum Due : uint8_t {
    kDueStatus = 1,
    kDueHello = 2,
    kDueAck = 4,
    kDueCounters = 8,
    kDueRails = 16,
  };

  void receive() {
    uint8_t byte = 0;
    for (uint8_t i = 0; i < kReceiveSlice && hal_.take_byte(byte); ++i) {
      reader_mid_frame_ = byte != 0;
      switch (reader_.put(byte)) {
        case wire::FrameReader::Got::frame:
          ++counters_.frames_received;
          take_frame();
          return;  // a frame is enough work for one pass
        case wire::FrameReader::Got::damaged:
          ++counters_.frames_damaged;
          due_ |= kDueAck;  // a sequenced frame may be missing: say at once what is expected
          break;
        case wire::FrameReader::Got::nothing:
        case wire::FrameReader::Got::zeros:
          break;
      }
    }
  }

  void take_frame() {
    const wire::Header h = reader_.header();
    const bool any_epoch = h.type == wire::Type::hello || h.type == wire::Type::query;
    if (h.epoch == epoch_) {
      controller_.heard();
      if (store_.acknowledge(h.ack) != 0) {
        retries_ = 0;
        after_acknowledge();
      }
    } else if (!any_epoch) {
      ++counters_.frames_stale;
      if (!wire::is_sequenced(h.type)) due_ |= kDueStatus;
      return;
    }
    if (!wire::is_sequenced(h.type)) {
      if (h.type == wire::Type::heartbeat) take_heartbeat();
      if (!controller_.take(h, reader_.payload(), reader_.payload_size())) {
        ++counters_.frames_refused;
      }
      return;
    }
    if (h.sequence != expected_) {
      if (wire::before(h.sequence, expected_)) {
        ++counters_.frames_duplicate;
      } else {
        ++counters_.frames_gap;
      }
    } else if (controller_.take(h, reader_.payload(), reader_.payload_size())) {
      ++expected_;
    } else {
      ++counters_.frames_refused;
    }
    due_ |= kDueAck;
  }

  void take_heartbeat() {
    wire::Heartbeat beat;
    if (!wire::decode(reader_.payload(), reader_.payload_size(), beat)) return;
    if ((beat.flags & wire::kHeartbeatGap) != 0) go_back();
  }

  // ---- results ----

  void rewind() {
    send_slot_ = store_.first_slot();
    send_sequence_ = store_.first_sequence();
  }
  void after_acknowledge() {
    progress_us_ = hal_.now_us();
    if (wire::before(send_sequence_, store_.first_sequence())) rewind();
  }
  void go_back() {
    const uint32_t now_us = hal_.now_us();
    if (send_sequence_ == store_.first_sequence()) return;
    if (gone_back_to_ == store_.first_sequence() && now_us - gone_back_us_ < 1000UL * wire::kGapQuietMs) {
      return;
    }
    gone_back_to_ = store_.first_sequence();
    gone_back_us_ = now_us;
    rewind();
    resend_until_ = store_.next_sequence();
    progress_us_ = now_us;
  }
  bool results_to_send() const { return send_sequence_ != store_.next_sequence(); }

  // ---- sending ----

  void choose(uint32_t now_us) {
    // Signed: an acknowledgement of this very pass is later than the time the pass began.
    const int32_t waited_us = static_cast<int32_t>(now_us - progress_us_);
    if (store_.frames() != 0 && !results_to_send() && !lost() &&
        waited_us >= static_cast<int32_t>(1000UL * wire::kDeviceResendMs)) {
      ++retries_;
      if (!lost()) {
        progress_us_ = now_us;
        resend_until_ = store_.next_sequence();
        rewind();
      }
    }
    const uint16_t freed = static_cast<uint16_t>(program_.room() - told_room_);
    if (freed < 0x8000 && freed >= kCreditStep) due_ |= kDueAck;
    wire::Header h;
    h.epoch = epoch_;
    h.ack = expected_;
    payload_size_ = 0;
    from_store_ = false;
    if ((due_ & kDueStatus) != 0) {
      due_ = static_cast<uint8_t>(due_ & ~(kDueStatus | kDueAck));
      h.type = wire::Type::status;
      payload_size_ = wire::encode(controller_.status(), payload_, kMessageBytesMax);
    } else if ((due_ & kDueHello) != 0) {
      due_ = static_cast<uint8_t>(due_ & ~kDueHello);
      h.type = wire::Type::hello_reply;
      payload_size_ = wire::encode(controller_.hello(hello_nonce_), payload_, kMessageBytesMax);
    } else if ((due_ & kDueCounters) != 0) {
      due_ = static_cast<uint8_t>(due_ & ~kDueCounters);
      h.type = wire::Type::counters;
      controller_.update(counters_);
      payload_size_ = wire::encode(counters_, payload_, kMessageBytesMax);
    } else if ((due_ & kDueRails) != 0) {
      due_ = static_cast<uint8_t>(due_ & ~kDueRails);
      h.type = wire::Type::rails;
      payload_size_ = wire::encode(controller_.rails(), payload_, kMessageBytesMax);
    } else if ((due_ & kDueAck) != 0) {
      due_ = static_cast<uint8_t>(due_ & ~kDueAck);
      h.type = wire::Type::ack;
      wire::Ack ack;
      ack.state = controller_.state();
      ack.stamp = stamp_;
      payload_size_ = wire::encode(ack, payload_, kMessageBytesMax);
    } else if (results_to_send()) {
      h.type = static_cast<wire::Type>(store_.type_at(send_slot_));
      h.sequence = send_sequence_;
      payload_size_ = store_.size_at(send_slot_);
      from_ = store_.payload_of(send_slot_);
      from_store_ = true;
      if (wire::before(send_sequence_, resend_until_)) ++counters_.frames_resent;
      send_slot_ = store_.slot_after(send_slot_);
      ++send_sequence_;
      if (!wire::before(send_sequence_, resend_until_)) resend_until_ = send_sequence_;
      progress_us_ = now_us;
    } else {
      return;
    }
    told_room_ = program_.room();
    h.credit = static_cast<uint8_t>(told_room_ / wire::kCreditUnit);
    begin_build(h);
  }

  void begin_build(const wire::Header& h) {
    uint8_t head[wire::kHeaderBytes];
    wire::Writer w(head, sizeof head);
    wire::put_header(w, h);
    encoder_ = wire::CobsEncoder(buffer_[which_]);
    crc_ = wire::kCrcStart;
    for (uint8_t i = 0; i < wire::kHeaderBytes; ++i) add(head[i]);
    built_ = 0;
    building_ = true;
  }
  void add(uint8_t byte) {
    crc_ = wire::crc_update(crc_, byte);
    encoder_.put(byte);
  }
  // Results that are acknowledged while their frame is being built may be overwritten under it: the
  // frame is then a duplicate that the host drops, but its CRC is of what it carries either way.
  void build() {
    for (uint8_t i = 0; i < kBuildSlice && built_ < payload_size_; ++i, ++built_) {
      add(from_store_ ? store_.byte_at(from_) : payload_[built_]);
    }
    if (built_ < payload_size_) return;
    const uint16_t crc = static_cast<uint16_t>(crc_ ^ wire::kCrcFinal);
    encoder_.put(static_cast<uint8_t>(crc));
    encoder_.put(static_cast<uint8_t>(crc >> 8));
    const uint16_t end = encoder_.finish();
    buffer_[which_][end] = 0;
    size_ = static_cast<uint8_t>(end + 1);
    building_ = false;
    ready_ = true;
  }

  Hal& hal_;
  Controller& controller_;
  ResultStore& store_;
  const ProgramRing& program_;
  wire::FrameReader reader_;
  wire::Counters counters_;
  wire::CobsEncoder encoder_{nullptr};
  uint8_t buffer_[2][wire::kLineBytesMax];
  uint8_t payload_[kMessageBytesMax];
  uint32_t hello_nonce_ = 0;
  uint32_t progress_us_ = 0;
  uint32_t gone_back_us_ = 0;
  uint16_t epoch_ = 1;
  uint16_t expected_ = 0;
  uint16_t stamp_ = 0;
  uint16_t send_slot_ = 0;
  uint16_t send_sequence_ = 0;
  uint16_t resend_until_ = 0;
  uint16_t gone_back_to_ = 0xFFFF;
  uint16_t told_room_ = wire::kProgramBytes;
  uint16_t from_ = 0;
  uint16_t crc_ = 0;
  uint16_t payload_size_ = 0;
  uint16_t built_ = 0;
  uint8_t size_ = 0;
  uint8_t which_ = 0;
  uint8_t due_ = 0;
  uint8_t retries_ = 0;
  bool from_store_ = false;
  bool building_ = false;
  bool ready_ = false;
  bool reader_mid_frame_ = false;
};

}  // namespace core
}  // namespace tenterhook
