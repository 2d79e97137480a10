// Consistent overhead byte stuffing: any bytes become bytes without a zero, so that a zero ends a
// frame and a receiver finds the next frame after any damage.
// Source: S. Cheshire and M. Baker, IEEE/ACM Transactions on Networking 7(2), April 1999.
#pragma once

#include <stdint.h>

namespace tenterhook {
namespace wire {

// Largest encoded size of `size` bytes, without the delimiter.
constexpr uint16_t cobs_size_max(uint16_t size) {
  return static_cast<uint16_t>(size + size / 254 + 1);
}

// Encodes byte by byte into a buffer of at least cobs_size_max() bytes; the code byte of the block
// under way is patched when the block ends. 254 non-zero bytes at the very end need no further block
// (the paper's form).
class CobsEncoder {
 public:
  explicit CobsEncoder(uint8_t* into) : into_(into) {}
  void put(uint8_t byte) {
    if (run_ == 0xFF) end_block();  // a full block: carries no zero of its own
    if (byte == 0) {
      end_block();
    } else {
      into_[at_++] = byte;
      ++run_;
    }
  }
  // Returns the encoded size.
  uint16_t finish() {
    into_[code_] = run_;
    return at_;
  }

 private:
  void end_block() {
    into_[code_] = run_;
    code_ = at_++;
    run_ = 1;
  }
  uint8_t* into_;
  uint16_t code_ = 0;
  uint16_t at_ = 1;
  uint8_t run_ = 1;
};

inline uint16_t cobs_encode(const uint8_t* from, uint16_t size, uint8_t* into) {
  CobsEncoder encoder(into);
  for (uint16_t i = 0; i < size; ++i) encoder.put(from[i]);
  return encoder.finish();
}

constexpr uint16_t kCobsBad = 0xFFFF;

// Decodes bytes as they arrive (without the delimiter) into a bounded buffer. Accepts the dialect
// that ends a full last block with 01 as well.
class CobsDecoder {
 public:
  CobsDecoder(uint8_t* into, uint16_t capacity) : into_(into), capacity_(capacity) {}
  // `byte` is not zero.
  void put(uint8_t byte) {
    if (left_ == 0) {
      if (zero_due_) store(0);
      left_ = static_cast<uint8_t>(byte - 1);
      zero_due_ = byte != 0xFF;
      begun_ = true;
    } else {
      store(byte);
      --left_;
    }
  }
  // The frame's size, or kCobsBad: nothing came, it ends inside a block, or it did not fit.
  uint16_t finish() const { return (!begun_ || left_ != 0 || overflow_) ? kCobsBad : size_; }
  bool empty() const { return !begun_; }
  void restart() {
    size_ = 0;
    left_ = 0;
    zero_due_ = false;
    begun_ = false;
    overflow_ = false;
  }

 private:
  void store(uint8_t byte) {
    if (size_ >= capacity_) {
      overflow_ = true;
    } else {
      into_[size_++] = byte;
    }
  }
  uint8_t* into_;
  uint16_t capacity_;
  uint16_t size_ = 0;
  uint8_t left_ = 0;
  bool zero_due_ = false;
  bool begun_ = false;
  bool overflow_ = false;
};

inline uint16_t cobs_decode(const uint8_t* from, uint16_t size, uint8_t* into, uint16_t capacity) {
  CobsDecoder decoder(into, capacity);
  for (uint16_t i = 0; i < size; ++i) {
    if (from[i] == 0) return kCobsBad;
    decoder.put(from[i]);
  }
  return decoder.finish();
}

}  // namespace wire
}  // namespace tenterhook
