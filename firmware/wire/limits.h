// Every bound of the wire protocol and of what runs behind it, as named constants.
//
// The device advertises in its hello what it really has (HelloReply); these are what this firmware
// is built with and the largest values that a host may assume of any device of this major version.
// Freestanding C++14: compiled by avr-g++ 5.4 and by the host.
#pragma once

#include <stdint.h>

namespace tenterhook {
namespace wire {

constexpr uint8_t kProtocolMajor = 1;  // breaks; a host refuses another major
constexpr uint8_t kProtocolMinor = 0;  // adds

// --- sizes, in bytes ---
constexpr uint16_t kHeaderBytes = 8;
constexpr uint16_t kCrcBytes = 2;
constexpr uint16_t kFrameBytesMax = 128;  // header + payload + CRC, before COBS; both directions
constexpr uint16_t kPayloadBytesMax = kFrameBytesMax - kHeaderBytes - kCrcBytes;
// On the line: COBS adds one byte (frames are shorter than 254), the delimiter one more.
constexpr uint16_t kLineBytesMax = kFrameBytesMax + 2;
constexpr uint16_t kChunkBytesMax = 96;       // program bytes in one chunk
constexpr uint16_t kReceiveRingBytes = 256;   // the device's receive ring
constexpr uint16_t kReceiveReserve = 32;      // of it, kept free for heartbeats and single requests
constexpr uint16_t kProgramBytes = 1024;      // the device's program ring
constexpr uint16_t kCreditUnit = 16;          // Header::credit counts these
constexpr uint16_t kStepBytesMax = 512;       // program bytes of one step, without its label
constexpr uint16_t kStoreBytes = 1536;        // results kept until acknowledged
constexpr uint16_t kStoreSlotBytes = 2;       // the store's own bytes in front of each kept payload
constexpr uint16_t kStepResultBytesMax = kStoreBytes - 64;  // results of one step, slots included

// --- counts ---
constexpr uint16_t kConversionsMax = 4096;  // per channel: 4096 * 1023^2 still fits 32 bits
constexpr uint8_t kSampleChannelsMax = 64;  // channels in one sample
constexpr uint8_t kStopZeros = 8;           // zero bytes of a stop as the host sends it
constexpr uint8_t kStopZerosSeen = 4;       // zero bytes in a row at which the device stops
constexpr uint8_t kRetriesMax = 8;          // then the link is lost (both ends)

// --- times ---
constexpr uint16_t kHeartbeatMs = 40;      // host: a valid frame at least so often while a session runs
constexpr uint16_t kDeadmanMs = 200;       // device: opens everything so long after the last good frame
constexpr uint16_t kWatchdogMs = 120;      // device: a hung main loop is reset
constexpr uint16_t kHostResendMs = 60;     // host: oldest unacknowledged frame, first time-out...
constexpr uint16_t kHostResendMsMax = 480; // ...doubling up to this
constexpr uint16_t kDeviceResendMs = 100;  // device: oldest unacknowledged result, resent so often
constexpr uint16_t kAckWithinMs = 10;      // host: acknowledges results within this time...
constexpr uint16_t kAckBytes = 256;        // ...or at once when so many payload bytes are waiting
constexpr uint16_t kHelloEveryMs = 100;    // host: repeats hello while the device boots...
constexpr uint16_t kHelloForMs = 4000;     // ...for so long
constexpr uint16_t kStarvedMs = 10000;     // device: gives up waiting at a label that is not patient
constexpr uint16_t kProtectMsMin = 30;     // protecting rails are held after the others fall...
constexpr uint16_t kProtectMsMax = 50;     // ...and not longer

static_assert(kChunkBytesMax <= kPayloadBytesMax, "a chunk fits a frame");
static_assert(kStepBytesMax * 2 <= kProgramBytes, "one step executes while the next one loads");
static_assert(kProgramBytes / kCreditUnit <= 255, "credit fits its byte");
static_assert(2 * (kChunkBytesMax + kHeaderBytes + kCrcBytes + 2) <=
                  kReceiveRingBytes - kReceiveReserve,
              "two whole chunks may be under way");

}  // namespace wire
}  // namespace tenterhook
