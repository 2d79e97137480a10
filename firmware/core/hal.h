// What the core needs of the hardware. A Hal is a class with these members (static ones on the AVR, so
// that nothing is passed around; ordinary ones natively, so that many controllers live in one process).
// avr/ and native/ each implement it; the core is compiled against either and touches no register.
//
//   // Time. Microseconds since reset, wraps after 71 minutes.
//   uint32_t now_us();
//   static constexpr uint16_t kWatchUs;        // the main loop watches for the end of an operation that
//                                              // is so near, instead of doing other work; 0: never
//
//   // Serial line. Received bytes wait in a ring of wire::kReceiveRingBytes.
//   bool take_byte(uint8_t& byte);             // false: none
//   void drop_received();                      // empties the ring
//   bool take_stop();                          // kStopZerosSeen zeros came since the last call
//   bool sending();                            // the buffer last given to send() is still in use
//   void send(const uint8_t* bytes, uint8_t size);  // precondition: !sending(); bytes stay untouched
//   uint16_t overruns();                       // bytes lost since reset (receiver or ring)
//   uint16_t framing_errors();                 // since reset
//
//   // Relay chain: shifts kChainBytes, byte 15 first and each from its bit 7, so that bits[i] ends in
//   // stage i; `back`[i] is what was in stage i before. latch_chain() copies the registers to the outputs.
//   void shift_chain(const uint8_t* bits, uint8_t* back);
//   void latch_chain();
//   void enable_outputs(bool on);              // still gated by the monostable
//
//   // Fast lines. Levels are of the controller's pin; at reset both float and the reeds are open.
//   void fast_level(uint8_t channel, bool high);
//   // Pulses are set up, then started by go(): by the main loop, or in a shot by the interrupt (fire).
//   // A shot: one pulse (or pair) at least wire::kShotLeadTicks after go().
//   void set_up_pulses(uint8_t channel, bool active, uint32_t count, uint32_t width, uint32_t gap, bool shot);
//   void set_up_pair(const wire::PulsePairOp& pair, bool shot);  // one pulse on each
//   void go();
//   bool pulsing();                            // false once the last gap has passed
//   uint16_t pulses_late();                    // ticks; not 0: a burst was ended too late, it had more pulses
//   void stop_pulses();                        // at once, line to its resting level
//
//   // The comparator. Thresholds are codes of its DAC, which is shifted through the relay chain's registers:
//   // what was in them is lost (Outputs::comparator puts it back).
//   void set_threshold(uint16_t code);
//   bool comparator_high();
//   void count_edges();                        // counts rising edges from 0, from now on
//   uint32_t rises();                          // so far
//   void stop_counting();                      // rises() stays
//   // The next go() catches edges until `window` ticks after the leading edge; then rises() and the level are
//   // frozen.
//   void open_capture(uint8_t edges, uint8_t most, uint32_t window);
//   bool capturing();
//   void close_capture();                      // at once
//   const Captured& captured();                // precondition: !capturing()
//
//   // Rails.
//   void switch_rails(uint8_t on);             // bit r: solid-state switch of rail r; also from the
//                                              // conversion interrupt
//   uint8_t over_current();                    // bit r: hardware comparator has latched
//   void reset_over_current();
//
//   // Converter. Conversions follow each other without a gap (52 us each). At the end of each the
//   // interrupt calls Sampler::conversion_done(counts); by then the next one has begun and has sampled
//   // its input (or does so before the call changes any multiplexer), so that the channel returned is
//   // that of the conversion after it.
//   void start_converter(uint8_t first, uint8_t second);  // precondition: stopped
//   void stop_converter();                     // nothing of it is left pending
//   // For a shot (see Sampler): the trigger comes so long after the leading edge, or before it, that the input
//   // is held at delay_ticks. Precondition: set up as a shot.
//   void set_trigger(int16_t delay_ticks);
//   // From the interrupt only:
//   void stop_after_this();                    // the conversion under way is the last one
//   void fire(uint8_t channel);                // nothing converts: one conversion at the trigger, and go()
//   void resume(uint8_t channel);              // as before; the first two conversions are of this channel
//   void sense_mux(uint8_t address);
//   void aux_mux(uint8_t address);
//
//   // The rest.
//   uint8_t inputs();                          // wire::Input bits
//   void alive();                              // one edge to the monostable
//   void lock();  void unlock();               // keep the conversion interrupt out
//   Identity identity();
#pragma once

#include <stdint.h>

// TENTERHOOK_FIRMWARE_BUILD: identity of the sources, made by the build; part of every record.
#include "firmware_build.h"

#include "firmware/wire/message.h"
#include "firmware/wire/program.h"

namespace tenterhook {
namespace core {

// What an opened capture caught: ticks from the leading edge (see wire::Crossing).
struct Captured {
  uint8_t count;
  bool missed;  // an edge passed while the one before it was stored
  bool more;    // than there was room for
  bool high;    // the comparator's level at the window's end
  int32_t ticks[wire::kCrossingsMax];
  uint16_t rising;  // bit i: of ticks[i]
};

struct Identity {
  uint32_t boot_nonce;
  wire::ResetCause reset_cause;
  char serial[wire::kSerialText + 1];
};


template <class Hal>
class Locked {
 public:
  explicit Locked(Hal& hal) : hal_(hal) { hal_.lock(); }
  ~Locked() { hal_.unlock(); }
  Locked(const Locked&) = delete;
  Locked& operator=(const Locked&) = delete;

 private:
  Hal& hal_;
};

// True when `now` has reached `deadline`; both wrap.
inline bool reached(uint32_t now, uint32_t deadline) {
  return static_cast<uint32_t>(now - deadline) < 0x80000000UL;
}

}  // namespace core
}  // namespace tenterhook
