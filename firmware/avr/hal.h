// The ATmega2560's side of core/hal.h: registers and interrupts. All members are static: there is one
// processor. Who owns what:
//
//   resource         owner                         used for
//   USART0           RX and UDRE interrupts        the host, kBaud 8N1, U2X
//   timer 1          pulses.h                      fast.0 on OC1A, fast.1 on OC1C
//   timer 3          clock.h                       microseconds, 2 MHz, overflow interrupt
//   timer 4          edges.cpp                     16 MHz, started with timer 1; captures the comparator (ICP4),
//                                                  ends bursts
//   timer 5          edges.cpp                     counts the comparator's rising edges (T5)
//   SPI              main loop                     relay chain, 8 MHz, mode 0
//   ADC              conversion interrupt          250 kHz, AREF; free-running, or triggered by timer 1's match B
//   watchdog         main loop                     120 ms, reset
//   ports            map::kPin...                  see fixture_map.h
//
// Worst-case cycles of the interrupts, entry and exit included, from the disassembly:
// tests print them (docs/wire-protocol.md is about the line; these are about the processor).
#pragma once

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

#include "firmware/avr/edges.h"
#include "firmware/core/fixture_map.h"
#include "firmware/core/hal.h"
#include "firmware/wire/limits.h"
#include "firmware/wire/program.h"

namespace tenterhook {
namespace avr {

#if !defined(TENTERHOOK_BAUD)
#define TENTERHOOK_BAUD 500000UL
#endif
constexpr uint32_t kBaud = TENTERHOOK_BAUD;
constexpr uint16_t kWrapUs = 32768;  // timer 3 at 2 MHz
constexpr uint16_t kUbrr = static_cast<uint16_t>(F_CPU / 8 / kBaud - 1);
static_assert(F_CPU / 8 % kBaud == 0, "only rates that 16 MHz divides exactly");

// Shared with the interrupts; each has one writer.
struct Shared {
  // receive: head and counters by the RX interrupt, tail by the main loop
  uint8_t ring[wire::kReceiveRingBytes];
  volatile uint8_t head;
  volatile uint8_t tail;
  volatile uint8_t zeros;
  volatile bool stop;  // set by the interrupt, cleared by the main loop
  volatile uint16_t overruns;
  volatile uint16_t framing;
  // send: at and left by the UDRE interrupt while it is enabled, else by the main loop
  const uint8_t* volatile at;
  volatile uint8_t left;
  // clock: by the timer 3 interrupt; microseconds at its last overflow
  volatile uint32_t base_us;
};
static_assert(wire::kReceiveRingBytes == 256, "8-bit indices wrap by themselves");
extern Shared g_shared;
// Where lock() keeps SREG: locks do not nest (core::Locked), and no interrupt takes one.
extern uint8_t g_saved_flags;

// Pulses of timer 1 (pulses.cpp).
void set_up_pulses(uint8_t channel, bool active, uint32_t count, uint32_t width, uint32_t gap, bool shot);
void set_up_pair(const wire::PulsePairOp& pair, bool shot);
void set_trigger(int16_t delay_ticks);
void go();
uint16_t pulses_late();
bool pulses_running();
void stop_pulses();
void set_fast_level(uint8_t channel, bool high);

void read_identity(core::Identity& identity);  // once, at boot: counts the boots in EEPROM

class Hal {
 public:
  static constexpr uint16_t kWatchUs = 300;
  static void setup();

  static uint32_t now_us() {
    const uint8_t saved = SREG;
    cli();
    uint32_t base_us = g_shared.base_us;
    const uint16_t ticks = TCNT3;
    // An overflow that the interrupt has not yet counted.
    if ((TIFR3 & _BV(TOV3)) != 0 && ticks < 0x8000) base_us += kWrapUs;
    SREG = saved;
    return base_us + (ticks >> 1);
  }

  static bool take_byte(uint8_t& byte) {
    const uint8_t tail = g_shared.tail;
    if (tail == g_shared.head) return false;
    byte = g_shared.ring[tail];
    g_shared.tail = static_cast<uint8_t>(tail + 1);
    return true;
  }
  static bool received() { return g_shared.tail != g_shared.head || g_shared.stop; }
  static void drop_received() { g_shared.tail = g_shared.head; }
  static bool take_stop() {
    if (!g_shared.stop) return false;
    g_shared.stop = false;
    return true;
  }
  static bool sending() { return (UCSR0B & _BV(UDRIE0)) != 0; }
  static void send(const uint8_t* bytes, uint8_t size) {
    g_shared.at = bytes;
    g_shared.left = size;
    const uint8_t saved = SREG;
    cli();
    UCSR0B |= _BV(UDRIE0);
    SREG = saved;
  }
  static uint16_t overruns() { return read(g_shared.overruns); }
  static uint16_t framing_errors() { return read(g_shared.framing); }

  static void shift_chain(const uint8_t* bits, uint8_t* back);
  static void latch_chain() {
    PORTB |= _BV(map::kPinChainLatch.bit);
    PORTB &= static_cast<uint8_t>(~_BV(map::kPinChainLatch.bit));
  }
  static void enable_outputs(bool on) {
    if (on) {
      PORTG |= _BV(map::kPinOutputEnable.bit);
    } else {
      PORTG &= static_cast<uint8_t>(~_BV(map::kPinOutputEnable.bit));
    }
  }

  static void fast_level(uint8_t channel, bool high) { set_fast_level(channel, high); }
  static void set_up_pulses(uint8_t channel, bool active, uint32_t count, uint32_t width, uint32_t gap, bool shot) {
    avr::set_up_pulses(channel, active, count, width, gap, shot);
  }
  static void set_up_pair(const wire::PulsePairOp& pair, bool shot) { avr::set_up_pair(pair, shot); }
  static void go() { avr::go(); }
  static uint16_t pulses_late() { return avr::pulses_late(); }

  static void set_threshold(uint16_t code);
  static bool comparator_high() { return (PINL & _BV(map::kPinCapture.bit)) != 0; }
  static void count_edges() { avr::count_edges(); }
  static uint32_t rises() { return avr::rises(); }
  static void stop_counting() { avr::stop_counting(); }
  static void open_capture(uint8_t edges, uint8_t most, uint32_t window) { avr::open_capture(edges, most, window); }
  static bool capturing() { return avr::capturing(); }
  static void close_capture() { avr::close_capture(); }
  static const core::Captured& captured() { return avr::captured(); }
  static bool pulsing() { return pulses_running(); }
  static void stop_pulses() { avr::stop_pulses(); }

  static void switch_rails(uint8_t on) { PORTA = on; }  // the port has nothing else
  static uint8_t over_current() { return static_cast<uint8_t>(PIND >> map::kPinOverCurrent.bit); }
  static void reset_over_current();

  static void start_converter(uint8_t first, uint8_t second);
  static void set_trigger(int16_t delay_ticks) { avr::set_trigger(delay_ticks); }
  // ADIF is written as 0 by these: it stays what it is.
  static void stop_after_this() { ADCSRA = kConverting; }
  static void fire(uint8_t channel) {
    TIFR1 = _BV(OCF1B);  // a source chosen while its flag is set would start a conversion
    ADMUX = channel & 7;
    ADCSRB = static_cast<uint8_t>((channel >= 8 ? _BV(MUX5) : 0) | _BV(ADTS2) | _BV(ADTS0));  // timer 1's match B
    ADCSRA = kConverting | _BV(ADATE);
    avr::go();
  }
  static void resume(uint8_t channel) {
    select(channel);
    ADCSRA = kConverting | _BV(ADATE) | _BV(ADSC);
  }
  static void stop_converter() { ADCSRA = _BV(ADIF); }  // written as one, the flag is cleared
  static void select(uint8_t channel) {
    ADCSRB = static_cast<uint8_t>(channel >= 8 ? _BV(MUX5) : 0);  // free-running: trigger source 0
    ADMUX = channel & 7;                                          // reference: the AREF pin
  }
  static void sense_mux(uint8_t address) { PORTC = static_cast<uint8_t>((PORTC & 0xF0) | address); }
  static void aux_mux(uint8_t address) {
    PORTC = static_cast<uint8_t>((PORTC & 0x0F) | static_cast<uint8_t>(address << 4));
  }

  static uint8_t inputs();
  static void alive() { PORTH ^= _BV(map::kPinAlive.bit); }
  static void lock() {
    const uint8_t saved = SREG;
    cli();
    g_saved_flags = saved;
  }
  static void unlock() { SREG = g_saved_flags; }
  static core::Identity identity();

 private:
  static constexpr uint8_t kConverting = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1);  // 250 kHz
  static uint16_t read(const volatile uint16_t& value) {
    const uint8_t saved = SREG;
    cli();
    const uint16_t copy = value;
    SREG = saved;
    return copy;
  }
};

}  // namespace avr
}  // namespace tenterhook
