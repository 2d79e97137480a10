// Little-endian fields in and out of byte buffers, never past their end.
//
// A Writer or Reader that would step past its end does nothing more and says so by ok() == false,
// so that a codec checks once, at its end.
#pragma once

#include <stdint.h>

namespace tenterhook {
namespace wire {

class Writer {
 public:
  Writer(uint8_t* into, uint16_t capacity) : at_(into), left_(capacity) {}
  void u8(uint8_t v) {
    if (left_ == 0) {
      ok_ = false;
      return;
    }
    *at_++ = v;
    --left_;
    ++size_;
  }
  void u16(uint16_t v) {
    u8(static_cast<uint8_t>(v));
    u8(static_cast<uint8_t>(v >> 8));
  }
  void u32(uint32_t v) {
    u16(static_cast<uint16_t>(v));
    u16(static_cast<uint16_t>(v >> 16));
  }
  void u64(uint64_t v) {
    u32(static_cast<uint32_t>(v));
    u32(static_cast<uint32_t>(v >> 32));
  }
  // Text in a field of fixed size, padded with zeros, cut when too long.
  void text(const char* s, uint8_t field) {
    bool more = true;
    for (uint8_t i = 0; i < field; ++i) {
      more = more && s[i] != '\0';
      u8(more ? static_cast<uint8_t>(s[i]) : 0);
    }
  }
  uint16_t size() const { return size_; }
  bool ok() const { return ok_; }

 private:
  uint8_t* at_;
  uint16_t left_;
  uint16_t size_ = 0;
  bool ok_ = true;
};

class Reader {
 public:
  Reader(const uint8_t* from, uint16_t size) : at_(from), left_(size) {}
  uint8_t u8() {
    if (left_ == 0) {
      ok_ = false;
      return 0;
    }
    --left_;
    return *at_++;
  }
  uint16_t u16() {
    const uint16_t low = u8();
    return static_cast<uint16_t>(low | static_cast<uint16_t>(u8()) << 8);
  }
  uint32_t u32() {
    const uint32_t low = u16();
    return low | static_cast<uint32_t>(u16()) << 16;
  }
  uint64_t u64() {
    const uint64_t low = u32();
    return low | static_cast<uint64_t>(u32()) << 32;
  }
  // Always ends the text: `into` has field + 1 characters.
  void text(char* into, uint8_t field) {
    for (uint8_t i = 0; i < field; ++i) into[i] = static_cast<char>(u8());
    into[field] = '\0';
  }
  uint16_t left() const { return left_; }
  bool ok() const { return ok_; }
  // A decoder accepts trailing bytes: a later minor version adds fields at the end.

 private:
  const uint8_t* at_;
  uint16_t left_;
  bool ok_ = true;
};

// A Reader of bytes that are known to be there: no checks, so that the device reads an operation in a few
// microseconds.
class PlainReader {
 public:
  explicit PlainReader(const uint8_t* from) : at_(from) {}
  uint8_t u8() { return *at_++; }
  uint16_t u16() {
    const uint16_t v = static_cast<uint16_t>(at_[0] | static_cast<uint16_t>(at_[1]) << 8);
    at_ += 2;
    return v;
  }
  uint32_t u32() {
    const uint32_t v = at_[0] | static_cast<uint32_t>(at_[1]) << 8 |
                       static_cast<uint32_t>(at_[2]) << 16 | static_cast<uint32_t>(at_[3]) << 24;
    at_ += 4;
    return v;
  }

 private:
  const uint8_t* at_;
};

}  // namespace wire
}  // namespace tenterhook
