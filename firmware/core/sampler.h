// The converter's sequence: the sample under way and the safety channels, turn and turn about.
//
// Every second conversion is a safety channel (all of them while nothing is sampled): current and volts
// of each rail, the second reference, the board's ground. That is a round of 10 * 104 us, the same whether
// rails are on or off, so that a rail's discharge is seen like its rise, at rest too; only rails that are on
// are judged. A hit is confirmed by converting the same channel again in the next safety slot; when volts left
// their window, the rail's current is converted twice before, so that a short is called over-current whichever of
// the two comes first in the round. A trip follows the true crossing by at most 10 * 104 + 4 * 104 + 52 us = 1.5 ms
// (2.6 ms when another channel's first hit takes that slot).
//
// A shot (one conversion at a moment that a pulse sets) takes the converter away for its lead, its delay and
// one conversion: 62 us + 1 ms + 54 us at most. It is entered only after kBetweenShots safety conversions since
// the one before, with no first hit waiting for its second conversion, and left by the interrupt itself, so
// that the main loop has no part in how long it lasts. Two conversions of one safety channel are then at most
// (10 + 1) * 52 us + 1.2 ms apart and a trip follows its cause by at most that and 4 * 52 us: 2 ms.
//
// Who touches what: conversion_done() runs in the conversion interrupt and is the only writer of the
// accumulators, of last_*, of pending_ and of the pipeline; the main loop reads them under lock or after
// sample_done() has become true, and starts a sample only when none is under way.
#pragma once

#include <stdint.h>

#include "firmware/core/fixture_map.h"
#include "firmware/core/hal.h"
#include "firmware/wire/fault.h"
#include "firmware/wire/message.h"
#include "firmware/wire/program.h"

namespace tenterhook {
namespace core {

// Where a source of wire::Source is: converter channel, multiplexer address, which multiplexer.
struct Tap {
  uint8_t adc;
  uint8_t mux;
};
constexpr Tap tap(uint8_t adc, uint8_t mux) {
  return Tap{adc, static_cast<uint8_t>(mux & 0x0F)};
}

inline Tap tap_of(uint8_t source) {
  if (source < map::kSenses) return tap(static_cast<uint8_t>(map::kAdcSense + source / 16), source % 16);
  const uint8_t aux = static_cast<uint8_t>(source - wire::kSourceAux);
  if (aux < wire::kAuxRail) return tap(map::kAdcDrive, aux);
  if (aux < wire::kAuxRailSecond) {
    const uint8_t rail = static_cast<uint8_t>(aux - wire::kAuxRail);
    if (rail < 3) return tap(static_cast<uint8_t>(map::kAdcRail + rail), 0);
    return tap(map::kAdcRailMux, rail);
  }
  if (aux < wire::kAuxSupply) {
    return tap(map::kAdcRailMux, static_cast<uint8_t>(4 + aux - wire::kAuxRailSecond));
  }
  if (aux < wire::kAuxCurrent) {
    return tap(map::kAdcRailMux, static_cast<uint8_t>(8 + aux - wire::kAuxSupply));
  }
  if (aux < wire::kAuxCoilSupply) {
    return tap(static_cast<uint8_t>(map::kAdcCurrent + aux - wire::kAuxCurrent), 0);
  }
  switch (aux) {
    case wire::kAuxCoilSupply: return tap(map::kAdcRailMux, 12);
    case wire::kAuxFiveVolts: return tap(map::kAdcRailMux, 13);
    case wire::kAuxReference: return tap(map::kAdcReference, 0);
    case wire::kAuxGround: return tap(map::kAdcGround, 0);
    default: return tap(map::kAdcProbe, 0);
  }
}
constexpr bool uses_aux_mux(uint8_t adc) { return adc == map::kAdcDrive || adc == map::kAdcRailMux; }

struct Trip {
  wire::Fault fault = wire::Fault::none;
  uint8_t channel = 0;
  uint16_t value = 0;
  uint32_t time_us = 0;
};

struct Accumulator {
  uint32_t sum;
  uint32_t squares;
  uint16_t min;
  uint16_t max;
  uint8_t source;
  Tap tap;
};

struct RailGuard {
  uint16_t min = 0;
  uint16_t max = 1023;
  uint16_t limit = 0;
  bool watched = false;  // the rail is on: its current counts
  bool armed = false;    // its window counts
};

// Conversions of one rail, added up for its curve.
struct CurveSums {
  uint32_t sum = 0;
  uint32_t squares = 0;
  uint32_t volts = 0;
  uint16_t n = 0;
  uint16_t volts_n = 0;
  uint16_t max = 0;
};
constexpr uint16_t kCurveConversionsMax = 4096;  // then their squares are as much as 32 bits hold
constexpr uint8_t kNobody = 0xFF;
constexpr uint8_t kKeepChannel = 0xFF;  // conversion_done(): nothing to select
constexpr uint8_t kBetweenShots = 12;   // a whole round and two confirmations

constexpr uint16_t kReferenceNominal = 512;   // 2.048 V at AREF 4.096 V
constexpr uint16_t kReferenceSpread = 8;      // 1.6 %: beyond the converter's own errors it is lost;
                                              // finer disagreement is the host's to judge
constexpr uint8_t kReferenceHits = 8;         // in a row: 8 ms

template <class Hal>
class Sampler {
 public:
  explicit Sampler(Hal& hal) : hal_(hal) {
    for (uint8_t slot = 0; slot < kSlots; ++slot) slot_taps_[slot] = tap_of_slot(slot);
  }

  // ---- main loop ----

  // At boot, and again only when the converter had stopped: from then on it converts for ever.
  void start() {
    hal_.stop_converter();
    running_ = kSafety + kSlotReference;
    next_ = kSafety + kSlotGround;
    hal_.start_converter(map::kAdcReference, map::kAdcGround);
  }
  // A session begins: from now on there are trips.
  void judge_all() {
    Locked<Hal> locked(hal_);
    pending_.fault = wire::Fault::none;
    tripped_ = false;
    reference_hits_ = 0;
    judging_ = true;
  }
  // Everything is open. Conversions go on and volts are followed, but nothing is judged: a trip has
  // nothing left to cut, and the rails leave their windows because they must.
  void rest() {
    watch(0);
    Locked<Hal> locked(hal_);
    judging_ = false;
    kept_ = 0;
    hal_.switch_rails(0);  // a trip of this very moment may have meant to keep one
    rounds_to_ask_ = 0;
    done_ = true;
  }

  // Bits of rails whose current and volts are watched.
  void watch(uint8_t rails) {
    Locked<Hal> locked(hal_);
    watched_ = rails;
    for (uint8_t r = 0; r < map::kRails; ++r) {
      guards_[r].watched = (rails >> r & 1) != 0;
      hit_[kSlotCurrent + r] = false;
      hit_[kSlotVolts + r] = false;
    }
    recheck_ = kNothing;
    before_ = kNothing;
    set_armed(static_cast<uint8_t>(armed_ & rails));
  }
  void arm(uint8_t rails) {
    Locked<Hal> locked(hal_);
    set_armed(rails);
  }
  void guard(uint8_t rail, uint16_t min, uint16_t max, uint16_t limit) {
    Locked<Hal> locked(hal_);
    RailGuard& g = guards_[rail];
    g.min = min;
    g.max = max;
    g.limit = limit;
  }
  // Rails that the interrupt may cut by itself at a trip: all but the protecting ones.
  void keep(uint8_t rails) { kept_ = rails; }
  uint8_t armed() const { return armed_; }
  uint8_t watched() const { return watched_; }

  // Chooses the sources whose bits are set in `masks`: 8 bytes of senses, 8 of aux, as the operation
  // carries them (64-bit shifts would cost milliseconds on the AVR). Returns how many; more than
  // kSampleChannelsMax are none. Precondition: sample_done().
  uint8_t choose(const uint8_t* masks) {
    channels_ = 0;
    uint8_t count = 0;
    for (uint8_t byte = 0; byte < 16; ++byte) {
      uint8_t bits = *masks++;
      if (bits == 0) continue;
      for (uint8_t source = static_cast<uint8_t>(byte * 8); bits != 0; ++source, bits >>= 1) {
        if ((bits & 1) == 0) continue;
        if (count >= wire::kSampleChannelsMax) return 0;
        Accumulator& a = of_[count++];
        a.sum = 0;
        a.squares = 0;
        a.min = 0xFFFF;
        a.max = 0;
        a.source = source;
        a.tap = tap_of(source);
      }
    }
    channels_ = count;
    return count;
  }
  // Begins a sample of what was chosen last. Precondition: sample_done(), something chosen, 1 <= n.
  void begin(uint16_t n) {
    Locked<Hal> locked(hal_);
    n_ = n;
    asked_ = 0;
    rounds_to_ask_ = n;
    rounds_to_come_ = n;
    done_ = false;
  }
  bool sample_done() const { return done_; }

  // ---- shots ----
  // Chooses the source of the conversions of the shots to come. Precondition: sample_done(), not shooting().
  void choose_shots(uint8_t source, uint16_t shots) {
    Accumulator& a = of_[0];
    a.sum = 0;
    a.squares = 0;
    a.min = 0xFFFF;
    a.max = 0;
    a.source = source;
    a.tap = tap_of(source);
    channels_ = 1;
    n_ = shots;
  }
  // One shot as soon as safety allows: pulses and trigger are set up in the hardware. `tap`: what the trigger
  // converts; `kept`: its counts go to the source chosen. Precondition: not shooting().
  void shoot(uint8_t source, bool kept) {
    Locked<Hal> locked(hal_);
    shot_tap_ = tap_of(source);
    shot_kept_ = kept;
    shot_ = Shot::asked;
  }
  bool shooting() const { return shot_ != Shot::none; }
  // Whatever is under way of it: the safety conversions go on.
  void cancel_shot() {
    Locked<Hal> locked(hal_);
    const Shot was = shot_;
    shot_ = Shot::none;
    if (was == Shot::last || was == Shot::fired) start();
  }
  // The last conversion of the sample is the next but one, or nearer.
  bool sample_ends_soon() const { return rounds_to_ask_ == 0; }
  uint8_t channels() const { return channels_; }
  uint16_t conversions() const { return n_; }
  const Accumulator& channel(uint8_t i) const { return of_[i]; }

  // Adds up this rail's conversions from now on; kNobody: none's.
  void record(uint8_t rail) {
    Locked<Hal> locked(hal_);
    curve_ = CurveSums();
    curve_current_ = rail == kNobody ? kNobody : static_cast<uint8_t>(kSlotCurrent + rail);
    curve_volts_ = rail == kNobody ? kNobody : static_cast<uint8_t>(kSlotVolts + rail);
  }
  // Since the last time. False: no conversion yet.
  bool take_record(CurveSums& sums) {
    Locked<Hal> locked(hal_);
    if (curve_.n == 0) return false;
    sums = curve_;
    curve_ = CurveSums();
    return true;
  }
  // A first hit waits for its second conversion.
  bool suspicious() const {
    for (bool hit : hit_) {
      if (hit) return true;
    }
    return false;
  }
  bool tripped() const { return tripped_; }
  // The first trip seen by the interrupt; Fault::none when there is none.
  Trip trip() {
    Locked<Hal> locked(hal_);
    return pending_;
  }
  uint16_t volts(uint8_t rail) { return read(last_volts_[rail]); }
  uint16_t current(uint8_t rail) { return read(last_current_[rail]); }
  uint16_t reference() { return read(last_reference_); }
  uint16_t ground() { return read(last_ground_); }
  uint8_t beats() const { return beats_; }  // changes with every conversion

  // ---- conversion interrupt ----
  // Takes the counts of the conversion that has just ended; returns the converter channel of the one
  // after the one now under way. Worst case (rail 3's volts out of window, then a sample's channel on
  // the auxiliary multiplexer): stated and measured in avr/.
  uint8_t conversion_done(uint16_t counts) {
    const uint8_t ended = running_;
    running_ = next_;
    beats_ = static_cast<uint8_t>(beats_ + 1);
    if (ended < kSafety) {
      take_sample(ended, counts);
    } else if (ended != kNothing) {
      take_safety(static_cast<uint8_t>(ended - kSafety), counts);
    }
    if (shot_ != Shot::none && advance_shot(counts)) return kKeepChannel;
    Tap tap;
    // The sample's turn comes after a safety conversion.
    if (rounds_to_ask_ != 0 && running_ >= kSafety) {
      const uint8_t which = asked_;
      if (++asked_ == channels_) {
        asked_ = 0;
        rounds_to_ask_ = static_cast<uint16_t>(rounds_to_ask_ - 1);
      }
      next_ = which;
      tap = of_[which].tap;
    } else {
      const uint8_t slot = next_safety();
      next_ = static_cast<uint8_t>(kSafety + slot);
      tap = slot_taps_[slot];
    }
    return select(tap);
  }

 private:
  enum class Shot : uint8_t { none, asked, last, fired };
  static constexpr uint8_t kSafety = 0x80;
  static constexpr uint8_t kSlotCurrent = 0;  // +r
  static constexpr uint8_t kSlotVolts = 4;    // +r
  static constexpr uint8_t kSlotReference = 8;
  static constexpr uint8_t kSlotGround = 9;
  static constexpr uint8_t kSlots = 10;
  static constexpr uint8_t kNothing = 0xFF;
  static_assert(wire::kSampleChannelsMax <= kSafety, "sample indices lie below the safety codes");

  uint16_t read(const uint16_t& value) {
    Locked<Hal> locked(hal_);
    return value;
  }

  // Sets the external multiplexer for a conversion that begins after the one under way. That one has
  // taken its sample already (see hal.h), so that even a shared multiplexer may move.
  uint8_t select(Tap t) {
    const uint8_t adc = t.adc;
    if (adc < map::kAdcDrive) {
      hal_.sense_mux(t.mux);
    } else if (uses_aux_mux(adc)) {
      hal_.aux_mux(t.mux);
    }
    return adc;
  }

  // In the interrupt, a conversion has ended. True: nothing is to be selected.
  __attribute__((noinline)) bool advance_shot(uint16_t counts) {
    if (shot_ == Shot::fired) {
      if (shot_kept_) add(of_[0], counts);
      shot_ = Shot::none;
      since_shot_ = 0;
      carry_on();
      return true;
    }
    const bool calm = !tripped_ && !suspicious();
    if (shot_ == Shot::asked) {
      if (!calm || since_shot_ < kBetweenShots) return false;
      next_ = kNothing;
      shot_ = Shot::last;
      hal_.stop_after_this();
      return true;
    }
    // The last one has ended, nothing converts. A first hit in it goes before the shot.
    if (!calm) {
      shot_ = Shot::asked;
      carry_on();
      return true;
    }
    running_ = kNothing;
    shot_ = Shot::fired;
    select(shot_tap_);
    hal_.fire(shot_tap_.adc);
    return true;
  }
  // The round goes on where it was; its first conversion is made twice.
  void carry_on() {
    const uint8_t slot = next_safety();
    running_ = static_cast<uint8_t>(kSafety + slot);
    next_ = running_;
    hal_.resume(select(slot_taps_[slot]));
  }

  static void add(Accumulator& a, uint16_t counts) {
    a.sum += counts;
    a.squares += static_cast<uint32_t>(counts) * counts;
    if (counts < a.min) a.min = counts;
    if (counts > a.max) a.max = counts;
  }
  void take_sample(uint8_t index, uint16_t counts) {
    add(of_[index], counts);
    if (index + 1 != channels_) return;
    const uint16_t left = static_cast<uint16_t>(rounds_to_come_ - 1);
    rounds_to_come_ = left;
    if (left == 0) done_ = true;
  }

  void take_safety(uint8_t slot, uint16_t counts) {
    if (since_shot_ < kBetweenShots) ++since_shot_;
    if (slot < kSlotVolts) {
      const RailGuard& g = guards_[slot];
      last_current_[slot] = counts;
      if (slot == curve_current_ && curve_.n < kCurveConversionsMax) {
        curve_.sum += counts;
        curve_.squares += static_cast<uint32_t>(counts) * counts;
        if (counts > curve_.max) curve_.max = counts;
        ++curve_.n;
      }
      judge(slot, g.watched && counts > g.limit, wire::Fault::over_current, slot, counts);
    } else if (slot < kSlotReference) {
      const uint8_t rail = static_cast<uint8_t>(slot - kSlotVolts);
      const RailGuard& g = guards_[rail];
      last_volts_[rail] = counts;
      if (slot == curve_volts_ && curve_.volts_n < kCurveConversionsMax) {
        curve_.volts += counts;
        ++curve_.volts_n;
      }
      judge(slot, g.armed && (counts < g.min || counts > g.max), wire::Fault::rail_window, rail,
            counts);
    } else if (slot == kSlotReference) {
      last_reference_ = counts;
      const bool off = counts < kReferenceNominal - kReferenceSpread ||
                       counts > kReferenceNominal + kReferenceSpread;
      reference_hits_ = off ? static_cast<uint8_t>(reference_hits_ + 1) : 0;
      if (reference_hits_ >= kReferenceHits) {
        reference_hits_ = kReferenceHits;
        trip(wire::Fault::reference, 0, counts);
      }
    } else {
      last_ground_ = counts;
    }
  }

  // Two hits of one channel in a row are a trip; the first one asks for the second at once.
  void judge(uint8_t slot, bool hit, wire::Fault fault, uint8_t channel, uint16_t counts) {
    if (!hit) {
      hit_[slot] = false;
    } else if (!hit_[slot]) {
      hit_[slot] = true;
      if (recheck_ != kNothing) {
        before_ = slot;
        before_left_ = 1;
      } else {
        recheck_ = slot;
        if (slot >= kSlotVolts) {
          before_ = static_cast<uint8_t>(kSlotCurrent + channel);
          before_left_ = 2;
        }
      }
    } else {
      trip(fault, channel, counts);
    }
  }

  void trip(wire::Fault fault, uint8_t channel, uint16_t counts) {
    if (!judging_ || pending_.fault != wire::Fault::none) return;
    pending_.fault = fault;
    pending_.channel = channel;
    pending_.value = counts;
    pending_.time_us = hal_.now_us();
    tripped_ = true;
    hal_.switch_rails(kept_);
  }

  uint8_t next_safety() {
    if (before_ != kNothing) {
      const uint8_t slot = before_;
      before_left_ = static_cast<uint8_t>(before_left_ - 1);
      if (before_left_ == 0) before_ = kNothing;
      return slot;
    }
    if (recheck_ != kNothing) {
      const uint8_t slot = recheck_;
      recheck_ = kNothing;
      return slot;
    }
    const uint8_t slot = at_;
    at_ = slot + 1 < kSlots ? static_cast<uint8_t>(slot + 1) : static_cast<uint8_t>(0);
    return slot;
  }
  void set_armed(uint8_t rails) {
    armed_ = rails;
    for (uint8_t r = 0; r < map::kRails; ++r) guards_[r].armed = (rails >> r & 1) != 0;
  }
  static Tap tap_of_slot(uint8_t slot) {
    if (slot < kSlotVolts) return tap(static_cast<uint8_t>(map::kAdcCurrent + slot), 0);
    if (slot < kSlotVolts + 3) {
      return tap(static_cast<uint8_t>(map::kAdcRail + slot - kSlotVolts), 0);
    }
    if (slot == kSlotVolts + 3) return tap(map::kAdcRailMux, 3);
    return slot == kSlotReference ? tap(map::kAdcReference, 0) : tap(map::kAdcGround, 0);
  }

  Hal& hal_;
  Tap slot_taps_[kSlots];  // looked up by the interrupt
  Accumulator of_[wire::kSampleChannelsMax];
  RailGuard guards_[map::kRails];
  uint16_t last_volts_[map::kRails] = {0, 0, 0, 0};
  uint16_t last_current_[map::kRails] = {0, 0, 0, 0};
  uint16_t last_reference_ = 0;
  uint16_t last_ground_ = 0;
  Trip pending_;
  CurveSums curve_;
  uint8_t curve_current_ = kNobody;
  uint8_t curve_volts_ = kNobody;
  uint16_t n_ = 0;
  volatile uint16_t rounds_to_ask_ = 0;
  volatile uint16_t rounds_to_come_ = 0;
  uint8_t channels_ = 0;
  uint8_t asked_ = 0;
  uint8_t running_ = kNothing;
  uint8_t next_ = kNothing;
  uint8_t at_ = 0;
  uint8_t recheck_ = kNothing;
  uint8_t before_ = kNothing;  // goes before that one...
  uint8_t before_left_ = 0;    // ...so often
  bool hit_[kSlotReference] = {};
  uint8_t reference_hits_ = 0;
  uint8_t watched_ = 0;
  uint8_t armed_ = 0;
  uint8_t kept_ = 0;
  volatile uint8_t beats_ = 0;
  volatile bool done_ = true;
  volatile bool tripped_ = false;
  volatile Shot shot_ = Shot::none;
  uint8_t since_shot_ = 0;  // safety conversions
  bool shot_kept_ = false;
  Tap shot_tap_ = Tap();
  bool judging_ = false;
};

}  // namespace core
}  // namespace tenterhook
