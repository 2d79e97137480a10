// The firmware's core on the host, in virtual time: what the ATmega2560 would do with the same fixture, without
// its instructions. Many of them may live in one process; nothing is global.
//
// Time is picoseconds since power-on and moves only inside run(). Bytes take their line time at the
// configured rate, conversions 52 us, pulses their exact ticks; instructions take no time. The same calls
// give the same bytes and pins, bit for bit.
//
// While nothing is being sampled the safety channels are converted in bursts of kSafetyBurst each
// two milliseconds instead of one each 52 us (each millisecond while a curve is recorded); a burst goes on
// until a first hit is confirmed or not. A trip then follows its cause by at most 2.8 ms. At rest there is a
// burst each 5 ms.
#pragma once

#include <cstdint>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "firmware/wire/message.h"
#include "fixtures/emulated/fixture/circuit.h"

namespace tenterhook::native {

using emulated::Picoseconds;

constexpr int kSafetyBurst = 12;

struct NativeOptions {
  std::uint32_t baud = 500000;
  std::string serial = "TH0001";  // the fixture's, at most wire::kSerialText characters
  std::uint32_t boot_nonce = 1;   // of the first boot; each reset adds one
};

class NativeController {
 public:
  // `circuit` must outlive it and be used by nobody else between calls of run(), but for the person's
  // side (stop, lid) and the truth.
  NativeController(emulated::FixtureCircuit& circuit, const NativeOptions& options = {});
  ~NativeController();
  NativeController(const NativeController&) = delete;
  NativeController& operator=(const NativeController&) = delete;

  Picoseconds now() const;

  // The host writes: the bytes go onto the line now, one after the other, behind what is still on it.
  void feed(std::span<const std::uint8_t> bytes);
  // Time at which the last byte fed will have arrived at the controller (now() when the line is idle).
  Picoseconds line_free_at() const;

  // Runs until bytes have arrived at the host or the time is `deadline`, whichever comes first; appends
  // the bytes to `out` and returns how many. A frame of the controller arrives whole, with its last byte.
  std::size_t run(Picoseconds deadline, std::vector<std::uint8_t>& out);

  // --- fault injection ---
  // As the pin would do it: pins float, then the firmware boots anew.
  void reset(wire::ResetCause cause);
  // The main loop stands still until that time; interrupts go on. Longer than wire::kWatchdogMs: the
  // watchdog resets it.
  void stall_until(Picoseconds time);
  // No conversion ends any more, until the next reset.
  void stop_conversions();

 private:
  class World;
  std::unique_ptr<World> world_;
};

}  // namespace tenterhook::native
