// Payloads of the frames: one struct each, with encode() and decode().
//
// encode(x, into, capacity) returns the size, 0 when it does not fit. decode(from, size, x) returns
// false when bytes are missing; trailing bytes are accepted (later minor versions append fields).
//
// A session, from the host's side:
//   1. Hello until HelloReply (opening a port may have reset the device: repeat every kHelloEveryMs).
//      Compare protocol_major, features, sizes; remember boot_nonce: another one later means that the
//      device was reset in between, and with it everything is open.
//   2. HelloReply/Status says faulted: ResetFaults with its fault_count, after a person agreed.
//   3. Begin with a new nonzero session number until Status shows that number, in state loaded. From
//      here on sequence numbers of both directions start at 0 and the program ring is empty.
//   4. Chunks as far as the window allows; Run at any time after (or before) the first of them; then
//      further chunks while it executes. Heartbeats.
//   5. Samples and Events arrive; acknowledge them. Event `ended` is the last one: everything is open,
//      rails are down, the state is idle. Begin starts the next session, after all results arrived.
//   6. Trouble: Status with a fault and a new epoch. The host goes on acknowledging results until
//      Status::results_waiting is 0, then reports.
#pragma once

#include <stdint.h>

#include "firmware/wire/bytes.h"
#include "firmware/wire/fault.h"
#include "firmware/wire/limits.h"

namespace tenterhook {
namespace wire {

enum class State : uint8_t {
  idle = 0,     // no session; everything open
  loaded = 1,   // a session takes chunks; everything open
  running = 2,  // executes, or waits at a label for program or for room in the store
  faulted = 3,  // everything open or falling; only ResetFaults leads out (to idle)
};

// Feature bits of HelloReply. An opcode whose bit is not set is a bad_program.
enum Feature : uint32_t {
  kFeatureTestBus = 1UL << 0,        // Op::bus
  kFeatureRoute = 1UL << 1,          // Op::route
  kFeatureRailUntil = 1UL << 2,      // Op::rail_until
  kFeatureEdgeCount = 1UL << 3,      // Op::edge_count
  kFeatureDelayedSample = 1UL << 4,  // Op::delayed_sample
  kFeatureCurve = 1UL << 5,          // Op::curve
  kFeatureCrossing = 1UL << 6,       // Op::crossing
  kFeaturePulsePair = 1UL << 7,      // Op::pulse_pair
  kFeatureBurst = 1UL << 8,          // Op::pulse with gaps below kGapTicksMin
};

constexpr uint8_t kSerialText = 12;
constexpr uint8_t kFixtureText = 12;

// ---- host to device ----

struct Hello {  // 6 bytes
  uint8_t protocol_major = kProtocolMajor;
  uint8_t protocol_minor = kProtocolMinor;
  uint32_t nonce = 0;  // comes back in HelloReply: tells an answer from a stale one
};

struct Begin {  // 2 bytes
  uint16_t session = 0;  // chosen by the host, not 0; Begin with the current number changes nothing
};

constexpr uint8_t kHeartbeatGap = 1;  // "I saw a gap: go back to my ack"
struct Heartbeat {                    // 3 bytes: 11 with its header, inside distance 6 of the CRC
  uint8_t flags = 0;
  uint16_t stamp = 0;  // comes back in Ack: round-trip time
};

struct Run {  // 1 byte
  uint8_t flags = 0;  // 0; others are reserved
};

struct ResetFaults {  // 2 bytes
  uint16_t fault_count = 0;  // Status::fault_count of what is reset: a stale copy resets nothing new
};

enum class Ask : uint8_t { status = 0, counters = 1, rails = 2 };
struct Query {  // 1 byte
  Ask what = Ask::status;
};

// ---- device to host ----

enum class ResetCause : uint8_t { power_on = 0, external = 1, brown_out = 2, watchdog = 3, other = 4 };

struct HelloReply {
  uint8_t protocol_major = kProtocolMajor;
  uint8_t protocol_minor = kProtocolMinor;
  uint32_t nonce = 0;          // Hello::nonce
  uint32_t features = 0;       // Feature bits
  uint32_t boot_nonce = 0;     // differs from boot to boot
  uint32_t firmware_build = 0; // identity of the sources it was built from
  uint16_t receive_bytes = 0;  // its receive ring
  uint16_t program_bytes = 0;  // its program ring
  uint16_t store_bytes = 0;    // its result store
  uint16_t step_bytes = 0;     // program bytes of one step at most
  State state = State::idle;
  ResetCause reset_cause = ResetCause::power_on;
  uint16_t fault_count = 0;    // as in Status
  uint32_t clock_hz = 0;       // ticks of pulses and gaps
  char serial[kSerialText + 1] = {};    // of the fixture, from its EEPROM
  char fixture[kFixtureText + 1] = {};  // "mega2560"
};

struct FaultRecord {  // 13 bytes
  Fault fault = Fault::none;
  uint8_t channel = 0;  // meaning by fault: see the table in fault.h
  uint16_t value = 0;
  uint32_t time_us = 0;  // of the device's clock (wraps after 71 minutes)
  uint16_t step = 0;     // label under execution, kNoStep before the first
  Blame blame = Blame::none;
  uint16_t others = 0;  // further faults since
};

constexpr uint16_t kNoStep = 0xFFFF;

struct Status {
  State state = State::idle;
  uint16_t session = 0;      // of the last Begin taken; 0 since boot
  uint16_t fault_count = 0;  // of latched faults since boot: what ResetFaults must name
  uint16_t step = kNoStep;   // label under execution
  uint16_t results_waiting = 0;  // sequenced frames of the device not yet acknowledged
  uint8_t rails_on = 0;      // bit r: rail r is commanded to pre-charge or on
  bool waiting = false;      // at a label for program or room
  uint32_t time_us = 0;      // now
  FaultRecord first;         // latched; Fault::none in other states
};

struct Ack {  // 3 bytes: inside distance 6 of the CRC
  State state = State::idle;
  uint16_t stamp = 0;  // of the last Heartbeat
};

// Sources of a sample. 0..63 are sense channels.
enum Source : uint8_t {
  kSourceSense = 0,
  kSourceAux = 64,  // + an Aux
};
enum Aux : uint8_t {
  kAuxDrive = 0,        // +i: lead of drive i
  kAuxRail = 16,        // +r: rail r's first board-side sense wire
  kAuxRailSecond = 20,  // +r: its second
  kAuxSupply = 24,      // +r: its supply side
  kAuxCurrent = 28,     // +r
  kAuxCoilSupply = 32,
  kAuxFiveVolts = 33,
  kAuxReference = 34,  // the second reference
  kAuxGround = 35,     // board 0 V by its own wire
  kAuxProbe = 36,
  kAuxCount = 37,
};
constexpr uint64_t aux_bit(uint8_t aux) { return static_cast<uint64_t>(1) << aux; }

// One channel of one sample: n conversions in ADC counts (0..1023).
struct ChannelCounts {  // 13 bytes
  uint8_t source = 0;   // Source
  uint32_t sum = 0;
  uint16_t min = 0;
  uint16_t max = 0;
  uint32_t sum_of_squares = 0;
};

// One frame of the results of one Op::sample. A sample with more channels than one frame holds comes
// in several parts: parts of one sample follow each other, channels in ascending order of source.
struct SamplesHead {  // 11 bytes, then ChannelCounts up to the payload's end
  uint16_t step = 0;    // label
  uint8_t index = 0;    // of this sample among the samples of its step, from 0
  uint8_t part = 0;     // from 0; | kLastPart on the last
  uint16_t n = 0;       // conversions per channel
  uint32_t time_us = 0; // device clock at its first conversion
  uint8_t channels = 0; // in this part
};
constexpr uint8_t kLastPart = 0x80;
constexpr uint8_t kSamplesHeadBytes = 11;
constexpr uint8_t kChannelCountsBytes = 13;
constexpr uint8_t kChannelsPerFrame = (kPayloadBytesMax - kSamplesHeadBytes) / kChannelCountsBytes;
static_assert(kChannelsPerFrame == 8, "eight channels a frame");

// Bytes that the results of one sample of so many channels take in the store.
constexpr uint16_t sample_result_bytes(uint16_t channels) {
  return static_cast<uint16_t>(
      channels * kChannelCountsBytes +
      ((channels + kChannelsPerFrame - 1) / kChannelsPerFrame) * (kSamplesHeadBytes + kStoreSlotBytes));
}

// The result of one Op::crossing or of one Op::edge_count that ended a count, then `count` crossings. Edges are
// the comparator's: rising when the lead goes above the threshold.
struct EdgesHead {  // 18 bytes
  uint16_t step = 0;     // label
  uint8_t index = 0;     // of this result among the Edges of its step, from 0
  uint8_t sense = 0;
  uint8_t flags = 0;     // kEdges...
  uint8_t count = 0;     // of crossings that follow, in order of time
  uint32_t rises = 0;    // counted by hardware from the start to the end of the watch
  uint32_t falls = 0;    // rises + (high before) - (high after)
  uint32_t time_us = 0;  // device clock at the start of the watch
};
constexpr uint8_t kEdgesCrossing = 1;    // of Op::crossing; else of Op::edge_count
constexpr uint8_t kEdgesMissed = 2;      // edges of the wanted directions passed between the ones listed (too close
                                         // to each other): the times listed are of true edges, but not of all
constexpr uint8_t kEdgesHighBefore = 4;  // the comparator's level at the start
constexpr uint8_t kEdgesHighAfter = 8;   // and at the end
constexpr uint8_t kEdgesMore = 16;       // there were more than Crossing::most
struct Crossing {  // 4 bytes: ticks * 2 + rising
  int32_t ticks = 0;  // from the leading edge of the pulse; negative: before it
  bool rising = false;
};
constexpr uint8_t kEdgesHeadBytes = 18;
constexpr uint8_t kCrossingBytes = 4;
constexpr uint16_t edges_result_bytes(uint16_t crossings) {
  return static_cast<uint16_t>(kEdgesHeadBytes + crossings * kCrossingBytes + kStoreSlotBytes);
}

enum class EventKind : uint8_t {
  mark = 1,     // Op::mark; value = its id
  started = 2,  // Run was taken, the master contactor is closed and stable; the first op follows
  ended = 3,    // Op::end done: everything open; value = starvations
  rail_up = 4,  // Op::rail_until met; value = rail | elapsed ms << 8
};
struct Event {  // 11 bytes
  EventKind kind = EventKind::mark;
  uint16_t step = kNoStep;
  uint32_t value = 0;
  uint32_t time_us = 0;
};
constexpr uint8_t kEventBytes = 11;
constexpr uint16_t kEventResultBytes = kEventBytes + kStoreSlotBytes;

// One frame of the curve that Op::curve records. Frames of one curve follow each other without a gap in
// time: the first point of each begins where the last one of the frame before it ended.
struct CurveHead {  // 11 bytes, then CurvePoint
  uint8_t rail = 0;
  uint8_t flags = 0;
  uint8_t points = 0;
  uint32_t time_us = 0;  // device clock at the beginning of the first point
  uint32_t i2t = 0;      // squares of the current from the curve's beginning to the frame's end, in units of
                         // 65,536 counts^2 us; saturates
};
constexpr uint8_t kCurveFirst = 1;  // time_us is the moment of the switch
constexpr uint8_t kCurveLast = 2;
struct CurvePoint {  // 8 bytes
  uint16_t ticks = 0;    // how long, in units of kCurveTickUs
  uint16_t current = 0;  // mean, in 1/32 counts of kAuxCurrent + rail
  uint16_t peak = 0;     // greatest, counts
  uint16_t volts = 0;    // mean, in 1/32 counts of kAuxRail + rail; 0: not converted in this time
};
constexpr uint8_t kCurveTickUs = 16;
constexpr uint8_t kCurveScale = 32;
constexpr uint8_t kCurveHeadBytes = 11;
constexpr uint8_t kCurvePointBytes = 8;
constexpr uint8_t kCurvePointsPerFrame = (kPayloadBytesMax - kCurveHeadBytes) / kCurvePointBytes;

// Since boot, but the times: since Run. Answer to Query{counters}.
struct Counters {
  uint16_t frames_received = 0;
  uint16_t frames_damaged = 0;    // COBS, size or CRC
  uint16_t frames_stale = 0;      // another epoch
  uint16_t frames_duplicate = 0;
  uint16_t frames_gap = 0;        // a later one than expected
  uint16_t frames_refused = 0;    // no room, wrong state, unknown type
  uint16_t bytes_overrun = 0;     // lost in the receiver or its ring
  uint16_t bytes_framing = 0;     // stop bit missing: wrong baud rate or a broken line
  uint16_t frames_sent = 0;
  uint16_t frames_resent = 0;
  uint16_t starvations = 0;       // waited at a label for program (patient labels do not count)
  uint16_t store_waits = 0;       // waited at a label for room in the store
  uint16_t faults = 0;
  uint32_t relay_moves = 0;       // bits of the relay chain that changed
  uint32_t time_relay_us = 0;     // Op::relay_wait
  uint32_t time_wait_us = 0;      // Op::wait
  uint32_t time_convert_us = 0;   // Op::sample
  uint32_t time_pulse_us = 0;     // Op::pulse
  uint32_t time_starved_us = 0;   // at labels, patient ones included
  uint32_t time_total_us = 0;     // Run to now, or to the end
  uint16_t loop_us_max = 0;       // longest pass of the main loop since boot
};

// The last safety conversions, and what guards are set. Answer to Query{rails}; live volts for a hold.
struct Rails {
  uint16_t volts[4] = {0, 0, 0, 0};    // counts, kAuxRail + r
  uint16_t current[4] = {0, 0, 0, 0};  // counts, kAuxCurrent + r
  uint16_t reference = 0;
  uint16_t ground = 0;
  uint8_t on = 0;     // bit r: commanded to pre-charge or on
  uint8_t armed = 0;  // bit r: its window trips
  uint8_t inputs = 0; // Input bits
};
enum Input : uint8_t {
  kInputStop = 1,        // pressed
  kInputLid = 2,         // open
  kInputHoldToRun = 4,   // held
  kInputCoilSupply = 8,  // present
};

// ---- codecs ----

inline uint16_t done(const Writer& w) { return w.ok() ? w.size() : static_cast<uint16_t>(0); }

inline uint16_t encode(const Hello& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(m.protocol_major);
  w.u8(m.protocol_minor);
  w.u32(m.nonce);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Hello& m) {
  Reader r(from, size);
  m.protocol_major = r.u8();
  m.protocol_minor = r.u8();
  m.nonce = r.u32();
  return r.ok();
}

inline uint16_t encode(const Begin& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u16(m.session);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Begin& m) {
  Reader r(from, size);
  m.session = r.u16();
  return r.ok();
}

inline uint16_t encode(const Heartbeat& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(m.flags);
  w.u16(m.stamp);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Heartbeat& m) {
  Reader r(from, size);
  m.flags = r.u8();
  m.stamp = r.u16();
  return r.ok();
}

inline uint16_t encode(const Run& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(m.flags);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Run& m) {
  Reader r(from, size);
  m.flags = r.u8();
  return r.ok();
}

inline uint16_t encode(const ResetFaults& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u16(m.fault_count);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, ResetFaults& m) {
  Reader r(from, size);
  m.fault_count = r.u16();
  return r.ok();
}

inline uint16_t encode(const Query& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(static_cast<uint8_t>(m.what));
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Query& m) {
  Reader r(from, size);
  m.what = static_cast<Ask>(r.u8());
  return r.ok();
}

inline uint16_t encode(const HelloReply& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(m.protocol_major);
  w.u8(m.protocol_minor);
  w.u32(m.nonce);
  w.u32(m.features);
  w.u32(m.boot_nonce);
  w.u32(m.firmware_build);
  w.u16(m.receive_bytes);
  w.u16(m.program_bytes);
  w.u16(m.store_bytes);
  w.u16(m.step_bytes);
  w.u8(static_cast<uint8_t>(m.state));
  w.u8(static_cast<uint8_t>(m.reset_cause));
  w.u16(m.fault_count);
  w.u32(m.clock_hz);
  w.text(m.serial, kSerialText);
  w.text(m.fixture, kFixtureText);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, HelloReply& m) {
  Reader r(from, size);
  m.protocol_major = r.u8();
  m.protocol_minor = r.u8();
  m.nonce = r.u32();
  m.features = r.u32();
  m.boot_nonce = r.u32();
  m.firmware_build = r.u32();
  m.receive_bytes = r.u16();
  m.program_bytes = r.u16();
  m.store_bytes = r.u16();
  m.step_bytes = r.u16();
  m.state = static_cast<State>(r.u8());
  m.reset_cause = static_cast<ResetCause>(r.u8());
  m.fault_count = r.u16();
  m.clock_hz = r.u32();
  r.text(m.serial, kSerialText);
  r.text(m.fixture, kFixtureText);
  return r.ok();
}

inline uint16_t encode(const Status& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(static_cast<uint8_t>(m.state));
  w.u16(m.session);
  w.u16(m.fault_count);
  w.u16(m.step);
  w.u16(m.results_waiting);
  w.u8(m.rails_on);
  w.u8(m.waiting ? 1 : 0);
  w.u32(m.time_us);
  w.u8(static_cast<uint8_t>(m.first.fault));
  w.u8(m.first.channel);
  w.u16(m.first.value);
  w.u32(m.first.time_us);
  w.u16(m.first.step);
  w.u8(static_cast<uint8_t>(m.first.blame));
  w.u16(m.first.others);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Status& m) {
  Reader r(from, size);
  m.state = static_cast<State>(r.u8());
  m.session = r.u16();
  m.fault_count = r.u16();
  m.step = r.u16();
  m.results_waiting = r.u16();
  m.rails_on = r.u8();
  m.waiting = r.u8() != 0;
  m.time_us = r.u32();
  m.first.fault = static_cast<Fault>(r.u8());
  m.first.channel = r.u8();
  m.first.value = r.u16();
  m.first.time_us = r.u32();
  m.first.step = r.u16();
  m.first.blame = static_cast<Blame>(r.u8());
  m.first.others = r.u16();
  return r.ok();
}

inline uint16_t encode(const Ack& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(static_cast<uint8_t>(m.state));
  w.u16(m.stamp);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Ack& m) {
  Reader r(from, size);
  m.state = static_cast<State>(r.u8());
  m.stamp = r.u16();
  return r.ok();
}

inline uint16_t encode(const SamplesHead& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u16(m.step);
  w.u8(m.index);
  w.u8(m.part);
  w.u16(m.n);
  w.u32(m.time_us);
  w.u8(m.channels);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, SamplesHead& m) {
  Reader r(from, size);
  m.step = r.u16();
  m.index = r.u8();
  m.part = r.u8();
  m.n = r.u16();
  m.time_us = r.u32();
  m.channels = r.u8();
  return r.ok() && m.channels <= kChannelsPerFrame && r.left() >= m.channels * kChannelCountsBytes;
}

inline uint16_t encode(const ChannelCounts& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(m.source);
  w.u32(m.sum);
  w.u16(m.min);
  w.u16(m.max);
  w.u32(m.sum_of_squares);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, ChannelCounts& m) {
  Reader r(from, size);
  m.source = r.u8();
  m.sum = r.u32();
  m.min = r.u16();
  m.max = r.u16();
  m.sum_of_squares = r.u32();
  return r.ok();
}

inline uint16_t encode(const EdgesHead& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u16(m.step);
  w.u8(m.index);
  w.u8(m.sense);
  w.u8(m.flags);
  w.u8(m.count);
  w.u32(m.rises);
  w.u32(m.falls);
  w.u32(m.time_us);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, EdgesHead& m) {
  Reader r(from, size);
  m.step = r.u16();
  m.index = r.u8();
  m.sense = r.u8();
  m.flags = r.u8();
  m.count = r.u8();
  m.rises = r.u32();
  m.falls = r.u32();
  m.time_us = r.u32();
  return r.ok() && r.left() >= m.count * kCrossingBytes;
}
inline uint16_t encode(const Crossing& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u32(static_cast<uint32_t>(m.ticks) << 1 | (m.rising ? 1 : 0));
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Crossing& m) {
  Reader r(from, size);
  const uint32_t both = r.u32();
  m.rising = (both & 1) != 0;
  // Halved towards minus infinity, without shifting a negative number.
  m.ticks = static_cast<int32_t>(both >> 1 | ((both & 0x80000000UL) != 0 ? 0x80000000UL : 0));
  return r.ok();
}

inline uint16_t encode(const Event& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(static_cast<uint8_t>(m.kind));
  w.u16(m.step);
  w.u32(m.value);
  w.u32(m.time_us);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Event& m) {
  Reader r(from, size);
  m.kind = static_cast<EventKind>(r.u8());
  m.step = r.u16();
  m.value = r.u32();
  m.time_us = r.u32();
  return r.ok();
}

inline uint16_t encode(const CurveHead& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u8(m.rail);
  w.u8(m.flags);
  w.u8(m.points);
  w.u32(m.time_us);
  w.u32(m.i2t);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, CurveHead& m) {
  Reader r(from, size);
  m.rail = r.u8();
  m.flags = r.u8();
  m.points = r.u8();
  m.time_us = r.u32();
  m.i2t = r.u32();
  return r.ok() && m.rail < 4 && m.points <= kCurvePointsPerFrame &&
         r.left() >= m.points * kCurvePointBytes;
}
inline uint16_t encode(const CurvePoint& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u16(m.ticks);
  w.u16(m.current);
  w.u16(m.peak);
  w.u16(m.volts);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, CurvePoint& m) {
  Reader r(from, size);
  m.ticks = r.u16();
  m.current = r.u16();
  m.peak = r.u16();
  m.volts = r.u16();
  return r.ok();
}

inline uint16_t encode(const Counters& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  w.u16(m.frames_received);
  w.u16(m.frames_damaged);
  w.u16(m.frames_stale);
  w.u16(m.frames_duplicate);
  w.u16(m.frames_gap);
  w.u16(m.frames_refused);
  w.u16(m.bytes_overrun);
  w.u16(m.bytes_framing);
  w.u16(m.frames_sent);
  w.u16(m.frames_resent);
  w.u16(m.starvations);
  w.u16(m.store_waits);
  w.u16(m.faults);
  w.u32(m.relay_moves);
  w.u32(m.time_relay_us);
  w.u32(m.time_wait_us);
  w.u32(m.time_convert_us);
  w.u32(m.time_pulse_us);
  w.u32(m.time_starved_us);
  w.u32(m.time_total_us);
  w.u16(m.loop_us_max);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Counters& m) {
  Reader r(from, size);
  m.frames_received = r.u16();
  m.frames_damaged = r.u16();
  m.frames_stale = r.u16();
  m.frames_duplicate = r.u16();
  m.frames_gap = r.u16();
  m.frames_refused = r.u16();
  m.bytes_overrun = r.u16();
  m.bytes_framing = r.u16();
  m.frames_sent = r.u16();
  m.frames_resent = r.u16();
  m.starvations = r.u16();
  m.store_waits = r.u16();
  m.faults = r.u16();
  m.relay_moves = r.u32();
  m.time_relay_us = r.u32();
  m.time_wait_us = r.u32();
  m.time_convert_us = r.u32();
  m.time_pulse_us = r.u32();
  m.time_starved_us = r.u32();
  m.time_total_us = r.u32();
  m.loop_us_max = r.u16();
  return r.ok();
}

inline uint16_t encode(const Rails& m, uint8_t* into, uint16_t capacity) {
  Writer w(into, capacity);
  for (uint8_t i = 0; i < 4; ++i) w.u16(m.volts[i]);
  for (uint8_t i = 0; i < 4; ++i) w.u16(m.current[i]);
  w.u16(m.reference);
  w.u16(m.ground);
  w.u8(m.on);
  w.u8(m.armed);
  w.u8(m.inputs);
  return done(w);
}
inline bool decode(const uint8_t* from, uint16_t size, Rails& m) {
  Reader r(from, size);
  for (uint8_t i = 0; i < 4; ++i) m.volts[i] = r.u16();
  for (uint8_t i = 0; i < 4; ++i) m.current[i] = r.u16();
  m.reference = r.u16();
  m.ground = r.u16();
  m.on = r.u8();
  m.armed = r.u8();
  m.inputs = r.u8();
  return r.ok();
}

}  // namespace wire
}  // namespace tenterhook
