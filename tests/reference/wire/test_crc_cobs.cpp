// CRC and COBS against published values.
#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "firmware/wire/cobs.h"
#include "firmware/wire/crc.h"

namespace tenterhook::test {
namespace {

using Bytes = std::vector<std::uint8_t>;

// A plain bit-by-bit CRC by the parameters of the RevEng catalogue of parametrised CRC algorithms.
std::uint16_t catalogue_crc(const std::string& text, std::uint16_t poly, std::uint16_t init,
                            bool reflected, std::uint16_t xorout) {
  const auto reverse = [](std::uint32_t v, int bits) {
    std::uint32_t r = 0;
    for (int i = 0; i < bits; ++i) r |= (v >> i & 1) << (bits - 1 - i);
    return r;
  };
  std::uint32_t crc = init;
  for (char c : text) {
    const auto byte = static_cast<std::uint8_t>(c);
    crc ^= (reflected ? reverse(byte, 8) : byte) << 8;
    for (int i = 0; i < 8; ++i) crc = ((crc & 0x8000) != 0 ? crc << 1 ^ poly : crc << 1) & 0xFFFF;
  }
  return static_cast<std::uint16_t>((reflected ? reverse(crc, 16) : crc) ^ xorout);
}

// Source: RevEng catalogue of parametrised CRC algorithms (check values of "123456789").
TEST(Crc, BitByBitReferenceGivesTheCataloguesCheckValues) {
  EXPECT_EQ(catalogue_crc("123456789", 0x1021, 0x0000, false, 0x0000), 0x31C3);  // CRC-16/XMODEM
  EXPECT_EQ(catalogue_crc("123456789", 0x1021, 0xFFFF, true, 0xFFFF), 0x906E);   // CRC-16/IBM-SDLC
  EXPECT_EQ(catalogue_crc("123456789", 0x8005, 0xFFFF, true, 0x0000), 0x4B37);   // CRC-16/MODBUS
  EXPECT_EQ(catalogue_crc("123456789", 0x3D65, 0x0000, true, 0xFFFF), 0xEA82);   // CRC-16/DNP
}

// Ours is polynomial 0xA2EB with the other parameters of CRC-16/IBM-SDLC; the reference above, proven on
// the catalogue's values, must give the same for it.
TEST(Crc, TableAgreesWithTheReference) {
  EXPECT_EQ(catalogue_crc("123456789", 0xA2EB, 0xFFFF, true, 0xFFFF), 0x4E4C);
  std::string text;
  for (int i = 0; i < 200; ++i) {
    const auto* bytes = reinterpret_cast<const std::uint8_t*>(text.data());
    EXPECT_EQ(wire::crc_of(bytes, static_cast<std::uint16_t>(text.size())),
              catalogue_crc(text, 0xA2EB, 0xFFFF, true, 0xFFFF));
    text.push_back(static_cast<char>(i * 37 + 11));
  }
}

TEST(Crc, FrameWithItsOwnCrcLeavesTheResidue) {
  const std::string text = "123456789";
  std::uint16_t crc = wire::kCrcStart;
  for (char c : text) crc = wire::crc_update(crc, static_cast<std::uint8_t>(c));
  const auto sent = static_cast<std::uint16_t>(crc ^ wire::kCrcFinal);
  crc = wire::crc_update(crc, static_cast<std::uint8_t>(sent));
  crc = wire::crc_update(crc, static_cast<std::uint8_t>(sent >> 8));
  EXPECT_EQ(crc, wire::kCrcResidue);
}

// Source: P. Koopman, Best CRC polynomials, users.ece.cmu.edu/~koopman/crc/hd4.html: 0xD175 keeps
// distance 5 and 6 to 93 data bits and not beyond. Distance 5 breaks when four flips go unseen.
TEST(Crc, DistanceFiveHoldsTo93DataBitsAndNotTo94) {
  const auto four_unseen = [](int data_bits) {
    const int bits = data_bits + 16;
    std::vector<std::uint16_t> one;
    std::uint32_t s = 1;
    for (int i = 0; i < bits; ++i) {
      one.push_back(static_cast<std::uint16_t>(s));
      s = s << 1 ^ ((s & 0x8000) != 0 ? 0x1A2EBU : 0U);
    }
    std::vector<bool> pair(65536);
    for (int i = 0; i < bits; ++i) {
      for (int j = i + 1; j < bits; ++j) {
        const std::uint16_t x = one[i] ^ one[j];
        if (pair[x]) return true;
        pair[x] = true;
      }
    }
    return false;
  };
  EXPECT_FALSE(four_unseen(93));
  EXPECT_TRUE(four_unseen(94));
}

Bytes encoded(const Bytes& in) {
  Bytes out(wire::cobs_size_max(static_cast<std::uint16_t>(in.size())));
  out.resize(wire::cobs_encode(in.data(), static_cast<std::uint16_t>(in.size()), out.data()));
  return out;
}
Bytes decoded(const Bytes& in) {
  Bytes out(2000);
  const auto size = wire::cobs_decode(in.data(), static_cast<std::uint16_t>(in.size()), out.data(), 2000);
  EXPECT_NE(size, wire::kCobsBad);
  out.resize(size == wire::kCobsBad ? 0 : size);
  return out;
}
Bytes counting(int from, int to) {
  Bytes b;
  for (int i = from; i <= to; ++i) b.push_back(static_cast<std::uint8_t>(i));
  return b;
}

// Source: S. Cheshire, M. Baker, IEEE/ACM Transactions on Networking 7(2), April 1999, figure 3.
TEST(Cobs, ThePapersExample) {
  const Bytes plain{0x45, 0x00, 0x00, 0x2C, 0x4C, 0x79, 0x00, 0x00, 0x40, 0x06, 0x4F, 0x37};
  const Bytes stuffed{0x02, 0x45, 0x01, 0x04, 0x2C, 0x4C, 0x79, 0x01, 0x05, 0x40, 0x06, 0x4F, 0x37};
  EXPECT_EQ(encoded(plain), stuffed);
  EXPECT_EQ(decoded(stuffed), plain);
}

// Source: the table of encoding examples of the encyclopaedia article on consistent overhead byte stuffing.
TEST(Cobs, TableOfExamples) {
  Bytes full{0xFF};
  for (std::uint8_t b : counting(1, 254)) full.push_back(b);
  Bytes beyond = full;
  beyond.push_back(0x02);
  beyond.push_back(0xFF);
  const std::pair<Bytes, Bytes> table[] = {
      {{}, {0x01}},
      {{0x00}, {0x01, 0x01}},
      {{0x00, 0x00}, {0x01, 0x01, 0x01}},
      {{0x11, 0x22, 0x00, 0x33}, {0x03, 0x11, 0x22, 0x02, 0x33}},
      {{0x11, 0x22, 0x33, 0x44}, {0x05, 0x11, 0x22, 0x33, 0x44}},
      {{0x11, 0x00, 0x00, 0x00}, {0x02, 0x11, 0x01, 0x01, 0x01}},
      {counting(1, 254), full},
      {counting(1, 255), beyond},
  };
  for (const auto& [plain, stuffed] : table) {
    EXPECT_EQ(encoded(plain), stuffed);
    EXPECT_EQ(decoded(stuffed), plain);
  }
}

// Some encoders end a full last block with a further 01: accepted as well.
TEST(Cobs, BothDialectsOfAFullLastBlockAreRead) {
  Bytes dialect{0xFF};
  for (std::uint8_t b : counting(1, 254)) dialect.push_back(b);
  dialect.push_back(0x01);
  EXPECT_EQ(decoded(dialect), counting(1, 254));
}

// At most one byte in 254 is added (the paper's abstract).
TEST(Cobs, OverheadIsAtMostOneByteIn254) {
  for (int size : {1, 253, 254, 255, 508, 509, 1500}) {
    const Bytes plain(static_cast<std::size_t>(size), 0xAA);
    EXPECT_LE(encoded(plain).size(), plain.size() + (plain.size() + 253) / 254) << size;
    EXPECT_EQ(decoded(encoded(plain)), plain);
  }
}

TEST(Cobs, BlockThatEndsEarlyOrHoldsAZeroIsRefused) {
  std::uint8_t out[16];
  const std::uint8_t early[] = {0x05, 0x11};
  const std::uint8_t zero[] = {0x03, 0x11, 0x00};
  EXPECT_EQ(wire::cobs_decode(early, 2, out, 16), wire::kCobsBad);
  EXPECT_EQ(wire::cobs_decode(zero, 3, out, 16), wire::kCobsBad);
  const std::uint8_t fits[] = {0x04, 1, 2, 3};
  EXPECT_EQ(wire::cobs_decode(fits, 4, out, 2), wire::kCobsBad);
}

}  // namespace
}  // namespace tenterhook::test
