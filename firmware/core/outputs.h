// Everything that can connect or power the board: relay chain, rail switches, fast lines, and the
// order in which all of it falls. Main loop only (but for the rail switches, see Sampler::trip).
#pragma once

#include <stdint.h>

#include "firmware/core/fixture_map.h"
#include "firmware/core/hal.h"
#include "firmware/wire/program.h"

namespace tenterhook {
namespace core {

constexpr uint16_t kProtectHoldMs = 40;  // between wire::kProtectMsMin and Max
constexpr uint8_t kAliveMs = 4;          // the monostable lasts 20 ms
static_assert(kProtectHoldMs > wire::kProtectMsMin && kProtectHoldMs < wire::kProtectMsMax, "");

// The wanted state of all coils.
struct Chain {
  uint8_t bytes[map::kChainBytes];

  void clear() {
    for (uint8_t i = 0; i < map::kChainBytes; ++i) bytes[i] = 0;
  }
  void set(uint8_t bit, bool on) {
    const uint8_t mask = static_cast<uint8_t>(1 << (bit & 7));
    uint8_t& byte = bytes[bit >> 3];
    byte = static_cast<uint8_t>(on ? byte | mask : byte & ~mask);
  }
  bool get(uint8_t bit) const { return (bytes[bit >> 3] >> (bit & 7) & 1) != 0; }
  void set16(uint8_t first_bit, uint16_t bits) {  // first_bit: a multiple of 8
    bytes[first_bit >> 3] = static_cast<uint8_t>(bits);
    bytes[(first_bit >> 3) + 1] = static_cast<uint8_t>(bits >> 8);
  }
};

// Bits whose coil closes a contact to the board or the test bus: what opens goes before what closes.
// 16..81 connect, route, test bus, fast; 82..85 what the bus is; and not the changeover contacts
// (0..15), which break before they make by themselves.
constexpr uint8_t kContactFirstByte = map::kBitDriveConnect / 8;
constexpr uint8_t kContactLastByte = map::kBitBusPull1M / 8;
constexpr uint8_t kContactLastMask = 0x3F;
static_assert(map::kBitBusPull1M % 8 == 5, "bits 80..85 are contacts, 86 and up are rails");

template <class Hal>
class Outputs {
 public:
  explicit Outputs(Hal& hal) : hal_(hal) {
    now_.clear();
    wanted_.clear();
    next_.clear();
  }

  // ---- relay chain ----

  Chain& wanted() { return wanted_; }
  // Commands what wanted() says. True: done. False: contacts are opening first; call finish() after
  // kBreakUs.
  bool apply() {
    if (staged_ && same(next_, wanted_)) {
      commit(next_, staged_moves_);
      return true;
    }
    bool opens = false;
    bool others = false;
    for (uint8_t i = 0; i < map::kChainBytes; ++i) {
      const uint8_t differing = static_cast<uint8_t>(now_.bytes[i] ^ wanted_.bytes[i]);
      if (differing == 0) continue;
      const uint8_t opening = opening_at(i);
      if (opening != 0) opens = true;
      if (differing != opening) others = true;
    }
    if (!opens && !others) return true;
    if (opens && others) {
      Chain first = now_;
      for (uint8_t i = 0; i < map::kChainBytes; ++i) {
        first.bytes[i] = static_cast<uint8_t>(first.bytes[i] & ~opening_at(i));
      }
      write(first);
      return false;
    }
    write(wanted_);
    return true;
  }
  void finish() { write(wanted_); }

  // Shifts what these drives will be into the registers, without latching it: when it is commanded, one
  // edge does. Nothing is lost when something else comes first.
  void stage(uint16_t connect, uint16_t high) {
    staged_ = false;
    next_ = wanted_;
    next_.set16(map::kBitDriveConnect, connect);
    next_.set16(map::kBitDriveHigh, high);
    bool opens = false;
    uint8_t moves = 0;
    for (uint8_t i = 0; i < map::kChainBytes; ++i) {
      const uint8_t from = now_.bytes[i];
      const uint8_t to = next_.bytes[i];
      if ((from & ~to & contact_mask(i)) != 0) opens = true;
      for (uint8_t d = static_cast<uint8_t>(from ^ to); d != 0; d &= static_cast<uint8_t>(d - 1)) ++moves;
    }
    if (opens || moves == 0) return;  // contacts that open go first: not in one edge
    shift(next_);
    staged_ = true;
    staged_moves_ = moves;
  }

  // Chooses what the comparator sees: a sense multiplexer and a threshold. No relay moves by it. The DAC hangs on
  // the chain's clock and data: what was in the registers is shifted on and written anew.
  void comparator(uint8_t mux, uint16_t code) {
    for (uint8_t i = 0; i < 2; ++i) {
      now_.set(static_cast<uint8_t>(map::kBitComparator + i), (mux >> i & 1) != 0);
      wanted_.set(static_cast<uint8_t>(map::kBitComparator + i), (mux >> i & 1) != 0);
    }
    staged_ = false;
    hal_.set_threshold(code);
    shift(now_);
    hal_.latch_chain();
  }

  // Re-reads what is in the chain. A difference is remembered like any other.
  void verify() { pass(staged_ ? next_ : now_); }
  // True: the chain did not read back; byte and differing bits are in the arguments.
  bool mismatch(uint8_t& byte, uint8_t& bits) const {
    byte = bad_byte_;
    bits = bad_bits_;
    return bad_bits_ != 0;
  }

  // Op::relay_wait: since when the relays have been moving, if they have since the last time.
  bool take_moved(uint32_t& since_us) {
    since_us = commanded_us_;
    const bool moved = moved_;
    moved_ = false;
    return moved;
  }
  uint32_t moves() const { return moves_; }
  bool connects_anything() const {
    for (uint8_t i = kContactFirstByte; i <= kContactLastByte; ++i) {
      if ((now_.bytes[i] & contact_mask(i)) != 0) return true;
    }
    return false;
  }

  // ---- whole ----

  // From rest to ready: coils may be energised; the master contactor closes.
  void ready(uint32_t now_us) {
    wanted_.clear();
    now_.clear();
    staged_ = false;
    bad_bits_ = 0;
    moved_ = false;
    write(now_);
    hal_.alive();
    alive_us_ = now_us;
    hal_.enable_outputs(true);
    hal_.reset_over_current();
    wanted_.set(map::kBitMaster, true);
    write(wanted_);
    awake_ = true;
    falling_ = false;
  }

  // Everything opens and falls at once, but protecting rails (bits), which follow after
  // kProtectHoldMs. Idempotent: a fall under way goes on.
  void fall(uint32_t now_us, uint8_t protecting) {
    if (falling_ || !awake_) return;
    hal_.stop_pulses();
    const uint8_t held = static_cast<uint8_t>(protecting & on_);
    hal_.switch_rails(held);
    on_ = held;
    wanted_.clear();
    if (held != 0) {
      for (uint8_t r = 0; r < map::kRails; ++r) {
        if ((held >> r & 1) == 0) continue;
        wanted_.set(static_cast<uint8_t>(map::kBitRailSeries + r), true);
        wanted_.set(static_cast<uint8_t>(map::kBitRailHold + r), true);
        if (now_.get(static_cast<uint8_t>(map::kBitRailPreCharge + r))) {
          wanted_.set(static_cast<uint8_t>(map::kBitRailPreCharge + r), true);
        }
      }
      wanted_.set(map::kBitMaster, true);
    }
    write(wanted_);
    falling_ = true;
    fell_us_ = now_us;
    if (held == 0) rest();
  }
  // Called on every pass: ends a fall, keeps the monostable fired while outputs are in use.
  void poll(uint32_t now_us) {
    if (!awake_) return;
    // The pass may have begun before the fall did.
    if (falling_ && reached(now_us, fell_us_ + 1000UL * kProtectHoldMs)) {
      rest();
      return;
    }
    if (reached(now_us, alive_us_ + 1000UL * kAliveMs)) {
      hal_.alive();
      alive_us_ = now_us;
    }
  }
  bool falling() const { return falling_ && awake_; }
  bool awake() const { return awake_; }

  // ---- rails ----

  uint8_t rails_on() const { return on_; }  // by their switches
  uint8_t rails_powered() const {           // by switch or pre-charge path
    uint8_t powered = on_;
    for (uint8_t r = 0; r < map::kRails; ++r) {
      if (now_.get(static_cast<uint8_t>(map::kBitRailPreCharge + r))) {
        powered = static_cast<uint8_t>(powered | 1 << r);
      }
    }
    return powered;
  }
  void switch_rail(uint8_t rail, bool on) {
    const uint8_t bit = static_cast<uint8_t>(1 << rail);
    on_ = static_cast<uint8_t>(on ? on_ | bit : on_ & ~bit);
    hal_.switch_rails(on_);
  }

 private:
  static uint8_t contact_mask(uint8_t byte) {
    if (byte < kContactFirstByte || byte > kContactLastByte) return 0;
    return byte == kContactLastByte ? kContactLastMask : 0xFF;
  }

  uint8_t opening_at(uint8_t i) const {
    return static_cast<uint8_t>(now_.bytes[i] & ~wanted_.bytes[i] & contact_mask(i));
  }

  // Shifts twice before latching: the second pass returns the first, so that a broken chain is known
  // before any coil hears of it.
  void shift(const Chain& chain) {
    uint8_t back[map::kChainBytes];
    hal_.shift_chain(chain.bytes, back);
    pass(chain);
  }
  // What comes out while this goes in must be the same.
  void pass(const Chain& chain) {
    uint8_t back[map::kChainBytes];
    hal_.shift_chain(chain.bytes, back);
    for (uint8_t i = 0; i < map::kChainBytes; ++i) {
      if (back[i] != chain.bytes[i]) broken(i, static_cast<uint8_t>(back[i] ^ chain.bytes[i]));
    }
  }
  void write(const Chain& chain) {
    shift(chain);
    uint8_t moves = 0;
    for (uint8_t i = 0; i < map::kChainBytes; ++i) {
      for (uint8_t d = static_cast<uint8_t>(now_.bytes[i] ^ chain.bytes[i]); d != 0;
           d &= static_cast<uint8_t>(d - 1)) {
        ++moves;
      }
    }
    commit(chain, moves);
  }
  // What is in the registers goes to the coils.
  void commit(const Chain& chain, uint8_t moves) {
    hal_.latch_chain();
    now_ = chain;
    staged_ = false;
    if (moves == 0) return;
    moves_ += moves;
    moved_ = true;
    commanded_us_ = hal_.now_us();  // the coils hear of it now, not when shifting began
  }
  static bool same(const Chain& a, const Chain& b) {
    const uint8_t* pa = a.bytes;
    const uint8_t* pb = b.bytes;
    for (uint8_t i = map::kChainBytes; i != 0; --i) {
      if (*pa++ != *pb++) return false;
    }
    return true;
  }
  void broken(uint8_t byte, uint8_t bits) {
    if (bad_bits_ != 0) return;
    bad_byte_ = byte;
    bad_bits_ = bits;
  }
  void rest() {
    hal_.switch_rails(0);
    on_ = 0;
    wanted_.clear();
    write(wanted_);
    hal_.enable_outputs(false);
    for (uint8_t f = 0; f < map::kFasts; ++f) hal_.fast_level(f, false);
    awake_ = false;
    falling_ = false;
  }

  Hal& hal_;
  Chain now_;
  Chain wanted_;
  Chain next_;  // what is in the registers while staged_
  uint32_t commanded_us_ = 0;
  uint32_t alive_us_ = 0;
  uint32_t fell_us_ = 0;
  uint32_t moves_ = 0;
  uint8_t bad_byte_ = 0;
  uint8_t bad_bits_ = 0;
  uint8_t on_ = 0;
  uint8_t staged_moves_ = 0;
  bool staged_ = false;
  bool moved_ = false;
  bool awake_ = false;
  bool falling_ = false;
};

}  // namespace core
}  // namespace tenterhook
