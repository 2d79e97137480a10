// The two queues of the core: program bytes on their way to the step engine, results on their way to
// the host. Main loop only; no interrupt touches them.
#pragma once

#include <stdint.h>

#include "firmware/wire/limits.h"

namespace tenterhook {
namespace core {

// Program bytes in the order of the stream.
class ProgramRing {
 public:
  void clear() {
    head_ = 0;
    tail_ = 0;
  }
  uint16_t loaded() const { return static_cast<uint16_t>(head_ - tail_); }
  uint16_t room() const { return static_cast<uint16_t>(wire::kProgramBytes - loaded()); }
  // Precondition: size <= room().
  void push(const uint8_t* bytes, uint8_t size) {
    uint16_t head = head_;
    for (uint8_t i = 0; i < size; ++i) bytes_[head++ & kMask] = bytes[i];
    head_ = head;
  }
  // Precondition: at < loaded().
  uint8_t peek(uint16_t at) const { return bytes_[(tail_ + at) & kMask]; }
  // `size` bytes from `at` on in one piece: in place, or copied to `scratch` where the ring wraps. Valid
  // until the next push().
  const uint8_t* view(uint16_t at, uint8_t size, uint8_t* scratch) const {
    const uint16_t from = static_cast<uint16_t>(tail_ + at) & kMask;
    if (from <= wire::kProgramBytes - size) return bytes_ + from;
    for (uint8_t i = 0; i < size; ++i) scratch[i] = peek(static_cast<uint16_t>(at + i));
    return scratch;
  }
  void drop(uint16_t size) { tail_ = static_cast<uint16_t>(tail_ + size); }
  uint16_t place() const { return tail_; }  // low bytes of the position in the stream

 private:
  static constexpr uint16_t kMask = wire::kProgramBytes - 1;
  static_assert((wire::kProgramBytes & (wire::kProgramBytes - 1)) == 0, "a power of two");
  uint8_t bytes_[wire::kProgramBytes];
  uint16_t head_ = 0;
  uint16_t tail_ = 0;
};

// Sequenced frames of the device, kept until the host has acknowledged them. A slot is the payload's
// size, the frame's type, the payload.
class ResultStore {
 public:
  void clear() {
    used_ = 0;
    head_ = 0;
    tail_ = 0;
    frames_ = 0;
    first_ = 0;
  }
  uint16_t room() const { return static_cast<uint16_t>(wire::kStoreBytes - used_); }
  uint16_t frames() const { return frames_; }
  uint16_t first_sequence() const { return first_; }
  uint16_t next_sequence() const { return static_cast<uint16_t>(first_ + frames_); }

  // open(), then exactly `size` bytes by put(), makes one frame. False: no room.
  bool open(uint8_t type, uint8_t size) {
    const uint16_t need = static_cast<uint16_t>(size + wire::kStoreSlotBytes);
    if (need > room()) return false;
    put(size);
    put(type);
    used_ = static_cast<uint16_t>(used_ + need);
    ++frames_;
    return true;
  }
  void put(uint8_t byte) {
    bytes_[head_] = byte;
    if (++head_ == wire::kStoreBytes) head_ = 0;
  }
  void put(const uint8_t* bytes, uint8_t size) {
    uint16_t head = head_;
    for (uint8_t i = 0; i < size; ++i) {
      bytes_[head] = bytes[i];
      if (++head == wire::kStoreBytes) head = 0;
    }
    head_ = head;
  }

  // Everything before sequence `ack` has arrived. Returns the frames freed; an `ack` that lies outside of
  // what is kept frees nothing.
  uint16_t acknowledge(uint16_t ack) {
    const uint16_t count = static_cast<uint16_t>(ack - first_);
    if (count == 0 || count > frames_) return 0;
    for (uint16_t i = 0; i < count; ++i) {
      const uint16_t size = static_cast<uint16_t>(bytes_[tail_] + wire::kStoreSlotBytes);
      tail_ = step(tail_, size);
      used_ = static_cast<uint16_t>(used_ - size);
    }
    frames_ = static_cast<uint16_t>(frames_ - count);
    first_ = ack;
    return count;
  }

  // A reader's place among the kept frames.
  uint16_t first_slot() const { return tail_; }
  uint8_t size_at(uint16_t slot) const { return bytes_[slot]; }
  uint8_t type_at(uint16_t slot) const { return bytes_[step(slot, 1)]; }
  uint16_t payload_of(uint16_t slot) const { return step(slot, wire::kStoreSlotBytes); }
  uint16_t slot_after(uint16_t slot) const {
    return step(slot, static_cast<uint16_t>(bytes_[slot] + wire::kStoreSlotBytes));
  }
  uint8_t byte_at(uint16_t& place) const {
    const uint8_t byte = bytes_[place];
    if (++place == wire::kStoreBytes) place = 0;
    return byte;
  }

 private:
  static uint16_t step(uint16_t place, uint16_t by) {
    const uint16_t to = static_cast<uint16_t>(place + by);
    return to >= wire::kStoreBytes ? static_cast<uint16_t>(to - wire::kStoreBytes) : to;
  }
  uint8_t bytes_[wire::kStoreBytes];
  uint16_t used_ = 0;
  uint16_t head_ = 0;
  uint16_t tail_ = 0;
  uint16_t frames_ = 0;
  uint16_t first_ = 0;
};

}  // namespace core
}  // namespace tenterhook
