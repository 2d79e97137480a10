// How often each relay of the fixture is operated: counted from the step programs that are sent to it, by the
// same rules by which the firmware moves the chain (firmware/core/engine.h).
#pragma once

#include <bitset>
#include <cstdint>
#include <map>
#include <span>
#include <string>

#include "firmware/core/fixture_map.h"

namespace tenterhook::commands {

class Wear {
 public:
  // A whole program, executed from where the last one left the relays. What a program that is cut short did not
  // get to is counted all the same.
  void take(std::span<const std::uint8_t> program);
  // Everything has opened by itself: an end, a stop, a fault.
  void all_off() { on_.reset(); }

  // Operations (coil off to on) by relay: "drive.3" (its connection), "drive.3 level" (its changeover), "fast.0",
  // "route.3", "test-bus.7", "bus load 22k", "rail.2" (series), "rail.2 pre-charge", "rail.2 bleeder", "master".
  std::map<std::string, long> operations() const;
  // The same by bit of the relay chain.
  long of_bit(int bit) const { return counts_[bit]; }

 private:
  void set(int bit, bool on);
  void set_bits(int first, int count, std::uint64_t bits);
  void rail(int rail, int mode);

  std::bitset<map::kChainBits> on_;
  long counts_[map::kChainBits] = {};
  std::uint8_t bled_ = 0;
};

}  // namespace tenterhook::commands
