#include "firmware/avr/edges.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "firmware/core/fixture_map.h"
#include "firmware/wire/program.h"

namespace tenterhook {
namespace avr {
namespace {

// Written by the main loop before timer 4 is started, else by its interrupts.
struct Capture {
  core::Captured caught;
  volatile bool open;
  uint8_t most;
  uint8_t edges;
  uint16_t bit;      // of the next one in Captured::rising
  uint32_t window;
  uint32_t origin;   // taken off: the lead and the capture's latency
};
Capture g_capture;
uint16_t g_turns;              // of timer 4: its upper half
uint16_t g_turn_of_burst;      // in which the match that ends it lies
uint16_t g_turn_of_window;
bool g_burst_to_come;
bool g_window_to_come;
volatile uint16_t g_rises;     // turns of timer 5

constexpr uint8_t kCountRising = _BV(CS52) | _BV(CS51) | _BV(CS50);  // external, rising edge

bool high() { return (PINL & _BV(map::kPinCapture.bit)) != 0; }

// The match is in the turn that has just begun, and may have passed while this interrupt waited.
bool passed(uint8_t flag, uint8_t enable, uint16_t at) {
  TIFR4 = flag;
  TIMSK4 |= enable;
  if (TCNT4 < at) return false;
  TIMSK4 &= static_cast<uint8_t>(~enable);
  return true;
}

// The window is over: what was counted and caught until now stands.
void freeze() {
  TIMSK4 &= static_cast<uint8_t>(~(_BV(ICIE4) | _BV(OCIE4B)));
  g_capture.caught.high = high();
  stop_counting();
  g_capture.open = false;
}

}  // namespace

void begin_turns(uint32_t lead) {
  TIMSK4 = 0;
  TCCR4B = 0;
  TCCR4A = 0;
  g_turns = 0;
  g_burst_to_come = false;
  g_window_to_come = false;
  uint8_t enable = _BV(TOIE4);
  if (g_capture.open) {
    const uint32_t end = lead + g_capture.window;
    g_capture.origin = lead + wire::kCaptureTicks;
    OCR4B = static_cast<uint16_t>(end);
    g_turn_of_window = static_cast<uint16_t>(end >> 16);
    g_window_to_come = g_turn_of_window != 0;
    enable |= static_cast<uint8_t>(_BV(ICIE4) | (g_window_to_come ? 0 : _BV(OCIE4B)));
  }
  TIMSK4 = enable;
}

void call_end_burst(uint32_t ticks) {
  OCR4A = static_cast<uint16_t>(ticks);
  g_turn_of_burst = static_cast<uint16_t>(ticks >> 16);
  g_burst_to_come = g_turn_of_burst != 0;
  if (!g_burst_to_come) TIMSK4 |= _BV(OCIE4A);
}

uint8_t capture_edge() {
  return static_cast<uint8_t>((g_capture.edges & wire::kEdgeRising) != 0 &&
                                      ((g_capture.edges & wire::kEdgeFalling) == 0 || !high())
                                  ? _BV(ICES4)
                                  : 0);
}

void count_edges() {
  TIMSK5 = 0;
  TCCR5B = 0;
  TCCR5A = 0;
  TCNT5 = 0;
  TIFR5 = _BV(TOV5);
  g_rises = 0;
  TIMSK5 = _BV(TOIE5);
  TCCR5B = kCountRising;
}
void stop_counting() { TCCR5B = 0; }
uint32_t rises() {
  const uint8_t saved = SREG;
  cli();
  uint16_t turns = g_rises;
  const uint16_t count = TCNT5;
  if ((TIFR5 & _BV(TOV5)) != 0 && count < 0x8000) ++turns;
  SREG = saved;
  return static_cast<uint32_t>(turns) << 16 | count;
}

void open_capture(uint8_t edges, uint8_t most, uint32_t window) {
  Capture& c = g_capture;
  c.caught.count = 0;
  c.caught.rising = 0;
  c.caught.missed = false;
  c.caught.more = false;
  c.bit = 1;
  c.edges = edges;
  c.most = most;
  c.window = window;
  c.open = true;
}
void close_capture() {
  TIMSK4 = 0;
  TCCR4B = 0;
  g_capture.open = false;
}
bool capturing() { return g_capture.open; }
const core::Captured& captured() { return g_capture.caught; }

// Turns to the other edge first: until then it would pass uncaught.
inline void on_capture() {
  Capture& c = g_capture;
  const uint16_t at = ICR4;
  const uint8_t control = TCCR4B;
  const uint8_t rising = control & _BV(ICES4);
  if (c.edges == (wire::kEdgeRising | wire::kEdgeFalling)) {
    TCCR4B = static_cast<uint8_t>(control ^ _BV(ICES4));
    TIFR4 = _BV(ICF4);
    if (high() != (rising != 0) && (TIFR4 & _BV(ICF4)) == 0) {
      c.caught.missed = true;  // the other edge came before the turn
      TCCR4B = control;
      TIFR4 = _BV(ICF4);
    }
  }
  uint16_t turns = g_turns;
  if ((TIFR4 & _BV(TOV4)) != 0 && at < 0x8000) ++turns;
  const uint8_t i = c.caught.count;
  if (i == c.most) {
    c.caught.more = true;
    TIMSK4 &= static_cast<uint8_t>(~_BV(ICIE4));
    return;
  }
  c.caught.ticks[i] = static_cast<int32_t>((static_cast<uint32_t>(turns) << 16 | at) - c.origin);
  if (rising != 0) c.caught.rising |= c.bit;
  c.bit = static_cast<uint16_t>(c.bit << 1);
  c.caught.count = static_cast<uint8_t>(i + 1);
}

inline void on_turn() {
  ++g_turns;
  if (g_burst_to_come && g_turns == g_turn_of_burst) {
    g_burst_to_come = false;
    if (passed(_BV(OCF4A), _BV(OCIE4A), OCR4A)) end_burst();
  }
  if (g_window_to_come && g_turns == g_turn_of_window) {
    g_window_to_come = false;
    if (passed(_BV(OCF4B), _BV(OCIE4B), OCR4B)) freeze();
  }
}

inline void on_rises() { g_rises = static_cast<uint16_t>(g_rises + 1); }
inline void on_window_end() { freeze(); }
inline void on_burst_end() {
  TIMSK4 &= static_cast<uint8_t>(~_BV(OCIE4A));
  end_burst();
}

}  // namespace avr
}  // namespace tenterhook

ISR(TIMER4_CAPT_vect) { tenterhook::avr::on_capture(); }
ISR(TIMER4_COMPA_vect) { tenterhook::avr::on_burst_end(); }
ISR(TIMER4_COMPB_vect) { tenterhook::avr::on_window_end(); }
ISR(TIMER4_OVF_vect) { tenterhook::avr::on_turn(); }
ISR(TIMER5_OVF_vect) { tenterhook::avr::on_rises(); }
