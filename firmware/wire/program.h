// The step program: what the fixture executes by its own clock. A plain stream of operations, cut into
// Chunks anywhere; longer than the device's memory, executed while it is still arriving.
//
// Shape:   label op op ... label op ... end
//   Every operation but `end` belongs to a step; a label opens the step and declares what it needs: the
//   bytes of its operations and the store bytes of its results. The device enters a step only when
//   all its bytes are loaded and its results have room, so that it never stops inside one. Waiting
//   at a label for program counts as a starvation unless the label is `patient` (or is the first one);
//   more than kStarvedMs of it is the fault `starved`. What was declared wrong is a bad_program.
//   Power-up, warm-up and power-down are steps like any other; step numbers mean nothing to the device.
//   A connection made in one step stays in the next; nothing is implied at a label.
//
// Operations execute in order; each ends before the next one begins. Times:
//   drive, fast, route, bus  command the relays and return at once (after kBreakUs when contacts both
//                     open and close: what opens goes first). Their contacts are stable only after
//                     relay_wait.
//   relay_wait(us)    waits until `us` after the relays were last commanded, if any bit of the relay chain
//                     changed since the last relay_wait; else not at all.
//   wait(us)          waits.
//   pulse             returns when the last pulse and its gap have passed (and the window of a crossing).
//   sample            returns when the last conversion is in.
//   rail              returns when the rail's relays are stable (up to kRailRelayUs) and its switch has
//                     been moved; the volts come later: rail_until, wait.
//
// Safety, kept by the device whatever the program says (else the fault wrong_order):
//   - rail on or pre-charge needs a guard for it, and every rail in guard.needs armed;
//   - drive, fast and route connect nothing until every guarded rail is armed (and so in its window);
//   - a guarded rail's current limit trips from the moment it is switched on; its window from arm on.
//
// Encoding: opcode u8, then the fields in the order of the struct, little-endian, op_bytes() in all.
#pragma once

#include <stdint.h>

#include "firmware/wire/bytes.h"
#include "firmware/wire/limits.h"

namespace tenterhook {
namespace wire {

enum class Op : uint8_t {
  end = 0x01,
  label = 0x02,
  drive = 0x10,
  fast = 0x11,
  pulse = 0x12,
  wait = 0x13,
  relay_wait = 0x14,
  route = 0x15,
  bus = 0x16,
  trigger = 0x17,
  sample = 0x20,
  mark = 0x21,
  guard = 0x30,
  rail = 0x31,
  arm = 0x32,
  rail_until = 0x33,
  bleed = 0x34,
  edge_count = 0x40,
  delayed_sample = 0x41,
  curve = 0x42,
  crossing = 0x43,
  pulse_pair = 0x44,
};

constexpr uint16_t kBreakUs = 4000;        // contacts that open have opened (release time of a reed or relay)
constexpr uint16_t kRailRelayUs = 30000;   // a rail's series relay is closed and has stopped bouncing
constexpr uint8_t kRailChannels = 4;
constexpr uint32_t kPulseTicksMin = 5;             // 312.5 ns
constexpr uint32_t kPulseTicksMax = 960000000UL;   // 60 s
constexpr uint32_t kGapTicksMin = 640;             // 40 us: shorter gaps only in a burst
constexpr uint32_t kWaitUsMax = 600000000UL;       // 10 minutes

// Ends the program: everything opens and falls in the safe order, then Event ended, state idle.
// What follows it in the stream is discarded.
struct EndOp {};

struct LabelOp {
  uint16_t step = 0;     // any but kNoStep
  uint16_t bytes = 0;    // of the operations up to the next label or end; at most kStepBytesMax
  uint16_t results = 0;  // sample_result_bytes(), edges_result_bytes() and kEventResultBytes of what it gives
  uint8_t flags = 0;     // kLabelPatient
};
constexpr uint8_t kLabelPatient = 1;  // the host may take its time here (a person decides): no starvation

// All drive channels at once: bit i of connect closes drive i's connection; bit i of high selects its
// high side (else low). A level change of a connected drive is made by its changeover contact.
struct DriveOp {
  uint16_t connect = 0;
  uint16_t high = 0;
};

struct FastOp {
  uint8_t channel = 0;
  uint8_t connect = 0;  // 1: its series reed closes
  uint8_t level = 0;    // 1: high; set before the reed moves
};

// `count` pulses of width_ticks at the active level, each followed by gap_ticks at the other one; the
// line must rest at the other level before. Exact to the tick of 1 / HelloReply::clock_hz.
//
// A burst (kFeatureBurst) is a pulse operation with count > 1 and a gap of kBurstGapTicksMin..kGapTicksMin - 1:
// the timer makes the periods by itself and firmware takes part only at the start and at the end, so that a
// period may be as short as kPulseTicksMin + kBurstGapTicksMin = 45 ticks (2.8 us, 355 kHz). Count and
// periods are exact. width_ticks is then at most kBurstWidthTicksMax and count * (width + gap) at most
// kBurstTicksMax. The gap after the last pulse is kGapTicksMin.
struct PulseOp {
  uint8_t channel = 0;
  uint8_t active = 1;
  uint32_t count = 1;
  uint32_t width_ticks = 0;  // kPulseTicksMin..kPulseTicksMax
  uint32_t gap_ticks = 0;    // kGapTicksMin..kPulseTicksMax; with count 1 smaller ones are lengthened
};
constexpr uint32_t kBurstGapTicksMin = 40;             // 2.5 us: the last pulse's output is taken off in it
constexpr uint32_t kBurstWidthTicksMax = 32000;        // 2 ms
constexpr uint32_t kBurstTicksMax = 4000000000UL;      // 250 s

// One pulse on each fast line, both from one timer: the leading edge of fast.1 comes offset_ticks after that of
// fast.0 (before it when negative), exact to the tick. So data is moved against a clock: set-up and hold. Both
// lines must rest at their other level; returns kGapTicksMin after the later pulse.
struct PulsePairOp {
  uint8_t active[2] = {1, 1};                // by channel: the level of the pulse
  uint16_t width_ticks[2] = {3200, 3200};    // kPairTicksMin..kPairTicksMax
  int16_t offset_ticks = 0;                  // -kPairOffsetMax..kPairOffsetMax
};
constexpr uint16_t kPairTicksMin = 1600;   // 100 us: two edges may fall together and both take an interrupt
constexpr uint16_t kPairTicksMax = 32000;  // 2 ms
constexpr int16_t kPairOffsetMax = 16000;  // 1 ms

// ---- what is watched while a pulse is made ----
//
// crossing and delayed_sample arm the operation that follows them at once, which must be a pulse or a
// pulse_pair of the same step (else bad_program). Times are in ticks of 1 / HelloReply::clock_hz from the
// leading edge at the controller's pin: of the pulse's own line (its first pulse), of fast.0 for a
// pulse_pair. The delays behind that pin (level shifter, series reed, board, front end, comparator) are in
// what is measured: the part that is the fixture's is found by loop-back, a fast line's lead on a sense lead.
//
// The comparator sees one sense lead through its multiplexer (the one that the sense conversions use: nothing
// else is sensed meanwhile) against the threshold of a 12-bit DAC. The DAC's span is the converter's: a
// threshold is four times the counts that a conversion of that lead would give, so that one calibration
// serves both. Hysteresis kComparatorHysteresis codes, half of it on either side: a rising crossing is seen at
// the threshold plus half, a falling one at the threshold minus half. It is ready kComparatorUs after it was
// set; the operation waits for that by itself.
constexpr uint16_t kThresholdMax = 4095;
constexpr uint8_t kThresholdPerCount = 4;      // DAC codes per count of a conversion
constexpr uint8_t kComparatorHysteresis = 12;  // DAC codes, 12 mV: 0.22 V at the lead
constexpr uint8_t kComparatorUs = 60;          // threshold and switches have settled

// Catches the comparator's edges from the moment the timers start, shortly before the leading edge, to
// window_ticks after it: the first `most` of the wanted directions with their times, and how many there were in
// all (counted by hardware, none is passed over). Result: one Edges frame when both the pulse operation and the
// window have ended.
// A time of n ticks means that the comparator's output changed between n and n + 1 ticks after the leading edge
// at the pin; the nominal latency of the capture input, kCaptureTicks, is taken off (a constant whose true value
// is part of what a loop-back finds). One edge is caught while the one before it is being stored: of edges closer
// than kCrossingDeadTicks some may be missed, which kEdgesMissed tells. While a window of at most
// kBriefWindowTicks with one pulse runs (with one pair: window and negative offset together), the converter rests
// and the dead time is kCrossingDeadTicksBrief.
struct CrossingOp {
  uint8_t sense = 0;
  uint8_t edges = 3;           // kEdgeRising | kEdgeFalling: which are caught; all are counted
  uint8_t most = 1;            // 1..kCrossingsMax
  uint16_t threshold = 0;      // 0..kThresholdMax
  uint32_t window_ticks = 0;   // 1..kWindowTicksMax
};
constexpr uint8_t kEdgeRising = 1;
constexpr uint8_t kEdgeFalling = 2;
constexpr uint8_t kCrossingsMax = 16;
constexpr uint8_t kCaptureTicks = 3;              // from the pin to the captured count: synchroniser, edge detector
constexpr uint32_t kWindowTicksMax = 16000000UL;  // 1 s
constexpr uint32_t kBriefWindowTicks = 16000;     // 1 ms
// Every other interrupt once, at its longest, before the capture's: seldom more than a third of it.
constexpr uint16_t kCrossingDeadTicks = 960;      // 60 us
constexpr uint16_t kCrossingDeadTicksBrief = 560; // 35 us

// Counts the comparator's edges on a sense lead from here to the edge_count with sense kCountStop, over any
// operations between (pulses, bursts, waits; samples only of aux sources; no crossing and no delayed_sample).
// Up to 2^32 - 1 of either direction, up to 1 MHz. Counting begins kComparatorUs after the operation did. The
// stop's result is one Edges frame without crossings.
struct EdgeCountOp {
  uint8_t sense = 0;       // kCountStop: ends the count under way and reports
  uint16_t threshold = 0;  // 0..kThresholdMax
};
constexpr uint8_t kCountStop = 0xFF;

// Makes the pulse (count 1) or pulse_pair that follows `shots` times; each time the converter holds its
// sample of the sense lead delay_ticks after the leading edge (negative: before it). Result: one Samples frame
// with that channel and n = shots, like a sample operation; it takes an index among the samples of the step.
// The timer's third match triggers the converter; its own delay (the input is held 2 converter clocks and 3
// processor cycles, kHoldTicks, after the trigger; the trigger restarts the converter's prescaler, so that
// there is no jitter beyond one tick: ATmega640/1280/1281/2560/2561 datasheet, ADC, "Auto Triggering") is
// taken off by the firmware: delay_ticks is when the input is held. Safety conversions rest for at most 1.2 ms
// a shot, and each shot waits for a whole round of them: a shot takes about 0.9 ms plus its delay.
struct DelayedSampleOp {
  uint8_t sense = 0;
  int16_t delay_ticks = 0;  // kDelayTicksMin..kDelayTicksMax; with a pair whose offset is negative, that much less
  uint16_t shots = 1;       // 1..kConversionsMax
};
constexpr int16_t kDelayTicksMin = -800;    // 50 us before
constexpr int16_t kDelayTicksMax = 16000;   // 1 ms
constexpr uint16_t kHoldTicks = 131;        // 2 * 64 + 3
constexpr uint16_t kShotLeadTicks = 1000;   // from the timers' start to the leading edge, and to both of a pair

struct WaitOp {
  uint32_t us = 0;  // up to kWaitUsMax
};
struct RelayWaitOp {
  uint32_t us = 0;
};

struct RouteOp {
  uint16_t drives = 0;  // bit i: fast.1 to drive i's lead
};

// The test bus: what it is, and which sense leads are on it.
struct BusOp {
  uint8_t mode = 0;
  uint64_t senses = 0;
};
constexpr uint8_t kBusLoad22k = 1;
constexpr uint8_t kBusLoad220k = 2;
constexpr uint8_t kBusPull10k = 4;
constexpr uint8_t kBusPull1M = 8;

struct TriggerOp {
  uint8_t level = 0;
};

// Samples the sense channels and the aux sources of both masks, n conversions each, round robin in
// ascending order of source (senses first), one conversion each kConversionPairUs: 192 of them spread
// over one 50 Hz period. At most kSampleChannelsMax channels, n up to kConversionsMax. The results go
// out as Samples frames.
struct SampleOp {
  uint64_t senses = 0;
  uint64_t aux = 0;  // bits of Aux in message.h
  uint16_t n = 0;
};
constexpr uint8_t kConversionPairUs = 104;  // one of the sample, one of the safety channels

// Sends Event mark with the time.
struct MarkOp {
  uint32_t id = 0;
};

// What guards a rail; may be given again at any time (a higher limit during inrush). Counts are the raw
// 0..1023 of kAuxRail + r and kAuxCurrent + r.
struct GuardOp {
  uint8_t rail = 0;
  uint8_t flags = 0;      // kGuardProtects
  uint8_t needs = 0;      // bit r: rail r must be armed before this one is switched on
  uint16_t min = 0;       // window, once armed: min <= volts <= max
  uint16_t max = 1023;
  uint16_t limit = 0;     // over-current above it, always (two conversions in a row)
  uint16_t base = 0;      // heating: current above base charges by I^2 - base^2, below it discharges...
  uint32_t heating = 0;   // ...and trips beyond this, in counts^2 * ms; 0: not used
};
constexpr uint8_t kGuardProtects = 1;  // falls kProtectMsMin..kProtectMsMax after the others (bias)

enum class RailMode : uint8_t { off = 0, pre_charge = 1, on = 2 };
struct RailOp {
  uint8_t rail = 0;
  RailMode mode = RailMode::off;
};

// From now on exactly these rails trip when they leave their windows. Switching a rail off disarms it.
struct ArmOp {
  uint8_t rails = 0;
};

// Waits until min <= volts <= max (a negative rail comes from above: it needs the max) and
// current_min <= current <= current_max have held for hold_ms without a break, then sends Event
// rail_up; after within_ms the fault rail_late.
struct RailUntilOp {
  uint8_t rail = 0;
  uint16_t min = 0;
  uint16_t max = 1023;
  uint16_t current_min = 0;
  uint16_t current_max = 1023;
  uint32_t hold_ms = 0;
  uint32_t within_ms = 0;
};

// Rails whose bleeder stays connected while they are on. Rails that are off are always bled.
struct BleedOp {
  uint8_t rails = 0;
};

// Records current and volts of one rail while the operations that follow go on, from the moment when the
// rail is next switched to pre-charge or on (at once when it is on already), until it is switched off, the
// program ends, a fault, or the next curve. Each point covers a stretch of time: kCurveFastUs at first,
// twice as long after each kCurvePointsEach points, up to kCurveSlowUs. The points go out in Curve frames as
// the store has room beyond what the step needs (a label declares nothing for them); without room the
// stretch under way grows instead. One rail at a time: a curve waits until the points of the one before it
// are stored.
struct CurveOp {
  uint8_t rail = 0;  // kCurveStop: only ends the one under way
};
constexpr uint8_t kCurveStop = 0xFF;
constexpr uint32_t kCurveFastUs = 500;      // no conversion of the rail is passed over: one each 0.52 ms, or
                                            // 1.04 ms while something is sampled
constexpr uint8_t kCurvePointsEach = 64;
constexpr uint32_t kCurveSlowUs = 512000;   // 32 s after the switch

// Bytes of an operation, opcode included; 0 for one that this version does not know.
constexpr uint8_t op_bytes(Op op) {
  switch (op) {
    case Op::end: return 1;
    case Op::label: return 8;
    case Op::drive: return 5;
    case Op::fast: return 4;
    case Op::pulse: return 15;
    case Op::wait: return 5;
    case Op::relay_wait: return 5;
    case Op::route: return 3;
    case Op::bus: return 10;
    case Op::trigger: return 2;
    case Op::sample: return 19;
    case Op::mark: return 5;
    case Op::guard: return 16;
    case Op::rail: return 3;
    case Op::arm: return 2;
    case Op::rail_until: return 18;
    case Op::bleed: return 2;
    case Op::curve: return 2;
    case Op::pulse_pair: return 9;
    case Op::edge_count: return 4;
    case Op::delayed_sample: return 6;
    case Op::crossing: return 10;
  }
  return 0;
}
constexpr uint8_t kOpBytesMax = 19;

// put(writer, op) appends the operation with its opcode; get(reader, op) reads its fields after the
// opcode has been taken. Both leave errors to Writer::ok() and Reader::ok(); get() takes a PlainReader too.
inline void put_op(Writer& w, Op op) { w.u8(static_cast<uint8_t>(op)); }

inline void put(Writer& w, const EndOp&) { put_op(w, Op::end); }

inline void put(Writer& w, const LabelOp& o) {
  put_op(w, Op::label);
  w.u16(o.step);
  w.u16(o.bytes);
  w.u16(o.results);
  w.u8(o.flags);
}
template <class From>
void get(From& r, LabelOp& o) {
  o.step = r.u16();
  o.bytes = r.u16();
  o.results = r.u16();
  o.flags = r.u8();
}

inline void put(Writer& w, const DriveOp& o) {
  put_op(w, Op::drive);
  w.u16(o.connect);
  w.u16(o.high);
}
template <class From>
void get(From& r, DriveOp& o) {
  o.connect = r.u16();
  o.high = r.u16();
}

inline void put(Writer& w, const FastOp& o) {
  put_op(w, Op::fast);
  w.u8(o.channel);
  w.u8(o.connect);
  w.u8(o.level);
}
template <class From>
void get(From& r, FastOp& o) {
  o.channel = r.u8();
  o.connect = r.u8();
  o.level = r.u8();
}

inline void put(Writer& w, const PulseOp& o) {
  put_op(w, Op::pulse);
  w.u8(o.channel);
  w.u8(o.active);
  w.u32(o.count);
  w.u32(o.width_ticks);
  w.u32(o.gap_ticks);
}
template <class From>
void get(From& r, PulseOp& o) {
  o.channel = r.u8();
  o.active = r.u8();
  o.count = r.u32();
  o.width_ticks = r.u32();
  o.gap_ticks = r.u32();
}

inline void put(Writer& w, const PulsePairOp& o) {
  put_op(w, Op::pulse_pair);
  for (uint8_t i = 0; i < 2; ++i) w.u8(o.active[i]);
  for (uint8_t i = 0; i < 2; ++i) w.u16(o.width_ticks[i]);
  w.u16(static_cast<uint16_t>(o.offset_ticks));
}
template <class From>
void get(From& r, PulsePairOp& o) {
  for (uint8_t i = 0; i < 2; ++i) o.active[i] = r.u8();
  for (uint8_t i = 0; i < 2; ++i) o.width_ticks[i] = r.u16();
  o.offset_ticks = static_cast<int16_t>(r.u16());
}

inline void put(Writer& w, const CrossingOp& o) {
  put_op(w, Op::crossing);
  w.u8(o.sense);
  w.u8(o.edges);
  w.u8(o.most);
  w.u16(o.threshold);
  w.u32(o.window_ticks);
}
template <class From>
void get(From& r, CrossingOp& o) {
  o.sense = r.u8();
  o.edges = r.u8();
  o.most = r.u8();
  o.threshold = r.u16();
  o.window_ticks = r.u32();
}

inline void put(Writer& w, const EdgeCountOp& o) {
  put_op(w, Op::edge_count);
  w.u8(o.sense);
  w.u16(o.threshold);
}
template <class From>
void get(From& r, EdgeCountOp& o) {
  o.sense = r.u8();
  o.threshold = r.u16();
}

inline void put(Writer& w, const DelayedSampleOp& o) {
  put_op(w, Op::delayed_sample);
  w.u8(o.sense);
  w.u16(static_cast<uint16_t>(o.delay_ticks));
  w.u16(o.shots);
}
template <class From>
void get(From& r, DelayedSampleOp& o) {
  o.sense = r.u8();
  o.delay_ticks = static_cast<int16_t>(r.u16());
  o.shots = r.u16();
}

inline void put(Writer& w, const WaitOp& o) {
  put_op(w, Op::wait);
  w.u32(o.us);
}
template <class From>
void get(From& r, WaitOp& o) { o.us = r.u32(); }

inline void put(Writer& w, const RelayWaitOp& o) {
  put_op(w, Op::relay_wait);
  w.u32(o.us);
}
template <class From>
void get(From& r, RelayWaitOp& o) { o.us = r.u32(); }

inline void put(Writer& w, const RouteOp& o) {
  put_op(w, Op::route);
  w.u16(o.drives);
}
template <class From>
void get(From& r, RouteOp& o) { o.drives = r.u16(); }

inline void put(Writer& w, const BusOp& o) {
  put_op(w, Op::bus);
  w.u8(o.mode);
  w.u64(o.senses);
}
template <class From>
void get(From& r, BusOp& o) {
  o.mode = r.u8();
  o.senses = r.u64();
}

inline void put(Writer& w, const TriggerOp& o) {
  put_op(w, Op::trigger);
  w.u8(o.level);
}
template <class From>
void get(From& r, TriggerOp& o) { o.level = r.u8(); }

inline void put(Writer& w, const SampleOp& o) {
  put_op(w, Op::sample);
  w.u64(o.senses);
  w.u64(o.aux);
  w.u16(o.n);
}
template <class From>
void get(From& r, SampleOp& o) {
  o.senses = r.u64();
  o.aux = r.u64();
  o.n = r.u16();
}

inline void put(Writer& w, const MarkOp& o) {
  put_op(w, Op::mark);
  w.u32(o.id);
}
template <class From>
void get(From& r, MarkOp& o) { o.id = r.u32(); }

inline void put(Writer& w, const GuardOp& o) {
  put_op(w, Op::guard);
  w.u8(o.rail);
  w.u8(o.flags);
  w.u8(o.needs);
  w.u16(o.min);
  w.u16(o.max);
  w.u16(o.limit);
  w.u16(o.base);
  w.u32(o.heating);
}
template <class From>
void get(From& r, GuardOp& o) {
  o.rail = r.u8();
  o.flags = r.u8();
  o.needs = r.u8();
  o.min = r.u16();
  o.max = r.u16();
  o.limit = r.u16();
  o.base = r.u16();
  o.heating = r.u32();
}

inline void put(Writer& w, const RailOp& o) {
  put_op(w, Op::rail);
  w.u8(o.rail);
  w.u8(static_cast<uint8_t>(o.mode));
}
template <class From>
void get(From& r, RailOp& o) {
  o.rail = r.u8();
  o.mode = static_cast<RailMode>(r.u8());
}

inline void put(Writer& w, const ArmOp& o) {
  put_op(w, Op::arm);
  w.u8(o.rails);
}
template <class From>
void get(From& r, ArmOp& o) { o.rails = r.u8(); }

inline void put(Writer& w, const RailUntilOp& o) {
  put_op(w, Op::rail_until);
  w.u8(o.rail);
  w.u16(o.min);
  w.u16(o.max);
  w.u16(o.current_min);
  w.u16(o.current_max);
  w.u32(o.hold_ms);
  w.u32(o.within_ms);
}
template <class From>
void get(From& r, RailUntilOp& o) {
  o.rail = r.u8();
  o.min = r.u16();
  o.max = r.u16();
  o.current_min = r.u16();
  o.current_max = r.u16();
  o.hold_ms = r.u32();
  o.within_ms = r.u32();
}

inline void put(Writer& w, const BleedOp& o) {
  put_op(w, Op::bleed);
  w.u8(o.rails);
}
template <class From>
void get(From& r, BleedOp& o) { o.rails = r.u8(); }

inline void put(Writer& w, const CurveOp& o) {
  put_op(w, Op::curve);
  w.u8(o.rail);
}
template <class From>
void get(From& r, CurveOp& o) { o.rail = r.u8(); }

}  // namespace wire
}  // namespace tenterhook
