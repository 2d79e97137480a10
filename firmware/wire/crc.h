// The frame check: CRC-16 with polynomial 0xA2EB (0x1A2EB), reflected, start and final exclusive-or
// 0xFFFF; sent low byte first.
//
// Why this polynomial: of all 16-bit ones it keeps Hamming distance 4 up to 32,751 data bits, as the
// common 0x1021 does, and adds distance 6 up to 93 data bits. Heartbeats and acknowledgements are
// 11 bytes (88 bits) of data before their CRC, so that the frames which keep the board powered are
// guarded against any five flipped bits, and the longest frame (126 bytes) against any three.
// Data: P. Koopman, Best CRC polynomials, users.ece.cmu.edu/~koopman/crc/hd4.html (there written
// 0xD175: {32751,32751,93,93,...}). 0x3D65 holds distance 6 to 135 bits but falls to 2 beyond them.
#pragma once

#include <stdint.h>

#if defined(__AVR__)
#include <avr/pgmspace.h>
#endif

namespace tenterhook {
namespace wire {

constexpr uint16_t kCrcPolynomialReflected = 0xD745;  // 0xA2EB with its bits reversed
constexpr uint16_t kCrcStart = 0xFFFF;
constexpr uint16_t kCrcFinal = 0xFFFF;
// What the register holds, before the final exclusive-or, after a frame and its own CRC.
constexpr uint16_t kCrcResidue = 0x3FBB;

struct CrcTable {
  uint16_t of[256];
};

constexpr CrcTable make_crc_table() {
  CrcTable table{};
  for (uint16_t i = 0; i < 256; ++i) {
    uint16_t crc = i;
    for (uint8_t bit = 0; bit < 8; ++bit) {
      crc = static_cast<uint16_t>((crc & 1) != 0 ? (crc >> 1) ^ kCrcPolynomialReflected : crc >> 1);
    }
    table.of[i] = crc;
  }
  return table;
}

#if defined(__AVR__)
static const CrcTable kCrcTable PROGMEM = make_crc_table();
inline uint16_t crc_update(uint16_t crc, uint8_t byte) {
  const uint8_t at = static_cast<uint8_t>(crc ^ byte);
  return static_cast<uint16_t>(crc >> 8) ^ pgm_read_word(&kCrcTable.of[at]);
}
#else
constexpr CrcTable kCrcTable = make_crc_table();
constexpr uint16_t crc_update(uint16_t crc, uint8_t byte) {
  return static_cast<uint16_t>((crc >> 8) ^ kCrcTable.of[(crc ^ byte) & 0xFF]);
}
#endif

// The CRC as it is sent. crc_of("123456789") == 0x4E4C.
inline uint16_t crc_of(const uint8_t* bytes, uint16_t size) {
  uint16_t crc = kCrcStart;
  for (uint16_t i = 0; i < size; ++i) crc = crc_update(crc, bytes[i]);
  return static_cast<uint16_t>(crc ^ kCrcFinal);
}

}  // namespace wire
}  // namespace tenterhook
