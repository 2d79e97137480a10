// Pulses of timer 1, exact to the tick: every edge is made by a compare match, never by an instruction.
//
// Narrow pulses (width below kEdgeTicks): fast PWM with its top in ICR1. The line rises at BOTTOM and
// falls at the match by itself; the match interrupt only decides what the next period is: pulse, pause,
// or the end. The output is connected after the first match, while its latch is at the resting level, and
// disconnected after the last one, so that there is no further edge.
// Wide pulses: normal mode, the output toggles at the match, and the match interrupt sets the next match;
// it has at least kEdgeTicks for that. Intervals beyond 65,535 ticks are counted in parts during which the
// output is disconnected and the port holds the level.
// Bursts: fast PWM that runs by itself from the first period to the last; timer 4 counts the ticks of the whole
// burst and its interrupt takes the output off in the gap after the last pulse. It comes kBurstEndTicks before
// the end and waits with interrupts off, but for conversions that it lets in while there is time for one.
// Shots: one pulse, its leading edge kShotLeadTicks after the start, so that the converter may be triggered
// (match B) before it. Narrow ones are fast PWM over the whole turn of the counter, entered so long before
// BOTTOM.
//
// Invariant between operations: the output latch of the timer equals the port bit equals the pin, so
// that connecting and disconnecting make no edge. set_fast_level keeps it by making a level change
// with a toggling match as well.
//
// The interrupts must be served within kEdgeTicks (40 us) of the match: no other interrupt runs longer with
// interrupts off, and locks are far shorter.
#include <avr/interrupt.h>
#include <avr/io.h>

#include "firmware/avr/edges.h"
#include "firmware/avr/hal.h"
#include "firmware/wire/program.h"

namespace tenterhook {
namespace avr {
namespace {

constexpr uint16_t kEdgeTicks = wire::kGapTicksMin;
constexpr uint16_t kPauseTicks = 32768;  // periods that stretch a long gap between narrow pulses
constexpr uint16_t kLeadTicks = 40;      // from start to the first edge of a wide pulse
constexpr uint8_t kBurstLeadTicks = 20;  // from start to the first edge of a burst: within its shortest gap
constexpr uint16_t kBurstEndTicks = 900; // 56 us: every other interrupt once
constexpr uint16_t kConversionTicks = 360;  // the conversion interrupt and what goes with letting it in
constexpr uint8_t kBurstBriefTicks = 100;   // a burst not longer than both is waited for from its start
constexpr uint8_t kBurstMarginTicks = 4; // after the last edge, so that its clock has passed
constexpr uint8_t kBurstLooksMost = 250; // in the end's wait: 1,000 ticks are less than 100
constexpr uint8_t kRunNormal = _BV(CS10);
constexpr uint8_t kFastPwmA = _BV(WGM11);
constexpr uint8_t kFastPwmB = _BV(WGM13) | _BV(WGM12);
// The counter stands, in CTC with its top in ICR1: there that register can be written, and compare registers are
// loaded at once (in fast PWM only at BOTTOM).
constexpr uint8_t kSetUpB = _BV(WGM13) | _BV(WGM12);

enum class Kind : uint8_t { idle, narrow, wide, pair, burst, shot, trailing };

// Written by the main loop while the interrupt is off, else by the interrupt.
struct Pulses {
  volatile Kind kind;
  Kind next;             // of what is set up
  uint8_t channel;
  bool active;
  bool at_active;        // wide: level now
  bool armed;            // wide: the coming match toggles
  bool shot;             // the converter waits for a match of this counter: it goes on after the last edge
  volatile uint16_t late;  // ticks by which a burst was ended too late
  uint8_t connect;       // TCCR1A and
  uint8_t run;           // TCCR1B that start what is set up
  uint32_t lead;         // ticks from the start to the leading edge
  uint32_t left;         // pulses still to be finished
  uint32_t width;
  uint32_t gap;
  uint32_t rest;         // wide: ticks to the next edge beyond the coming match
  uint32_t end;          // burst: ticks from the start to the last edge
  uint16_t top;          // narrow: ICR1 of a pulse period
  uint32_t pauses;       // narrow: pause periods after each pulse
  uint32_t pause;        // narrow: of them still to come
};
Pulses g_pulses;

// A pair: both outputs toggle in normal mode within one turn of the counter, each by its own match.
struct Pair {
  uint16_t width[map::kFasts];
  bool active[map::kFasts];
  uint8_t edges[map::kFasts];  // still to come
};
Pair g_pair;
bool g_level[map::kFasts];

uint8_t com_bits(uint8_t channel, uint8_t mode) {
  return static_cast<uint8_t>(mode << (channel == 0 ? COM1A0 : COM1C0));
}
constexpr uint8_t kToggle = 1;
constexpr uint8_t kClearAtMatch = 2;  // fast PWM: sets at BOTTOM
constexpr uint8_t kSetAtMatch = 3;

void set_match(uint8_t channel, uint16_t at) {
  if (channel == 0) {
    OCR1A = at;
  } else {
    OCR1C = at;
  }
}
uint16_t match(uint8_t channel) { return channel == 0 ? OCR1A : OCR1C; }
uint8_t interrupt_bit(uint8_t channel) {
  return static_cast<uint8_t>(channel == 0 ? _BV(OCIE1A) : _BV(OCIE1C));
}
void set_port(uint8_t channel, bool high) {
  const uint8_t bit = static_cast<uint8_t>(channel == 0 ? _BV(PB5) : _BV(PB7));
  const uint8_t saved = SREG;
  cli();
  PORTB = static_cast<uint8_t>(high ? PORTB | bit : PORTB & ~bit);
  SREG = saved;
}

// Stopped in a pulse: port and latch go to the resting level, the latch by a forced compare (normal mode).
void let_rest(uint8_t channel) {
  const bool high = g_level[channel];
  set_port(channel, high);
  TCCR1A = com_bits(channel, high ? kSetAtMatch : kClearAtMatch);
  TCCR1C = static_cast<uint8_t>(channel == 0 ? _BV(FOC1A) : _BV(FOC1C));
  TCCR1A = 0;
}

void halt() {
  TIMSK1 = 0;
  TCCR1B = 0;
  TCCR1A = 0;
}

uint32_t g_trailing_until_us;

// In the interrupt: the last edge is made, the line rests; the last gap is still to pass.
void finish() {
  if (g_pulses.shot) {
    TIMSK1 = 0;
    TCCR1A &= _BV(WGM11) | _BV(WGM10);
  } else {
    halt();
  }
  g_trailing_until_us = Hal::now_us() + (g_pulses.gap + map::kTicksPerMicrosecond - 1) / map::kTicksPerMicrosecond;
  g_pulses.kind = Kind::trailing;
}

void on_narrow_match() {
  Pulses& p = g_pulses;
  if (p.pause == 0) {
    // A pulse has ended.
    if (--p.left == 0) {
      finish();
      return;
    }
    ICR1 = p.top;
    p.pause = p.pauses;
    if (p.pause != 0) TCCR1A = kFastPwmA;  // disconnected: no pulse at the coming BOTTOM
    return;
  }
  // A pause period: its length counts from its own start.
  if (p.left != 0 && p.pauses != 0) ICR1 = kPauseTicks - 1;
  if (--p.pause == 0) {
    TCCR1A = static_cast<uint8_t>(kFastPwmA |
                                  com_bits(p.channel, p.active ? kClearAtMatch : kSetAtMatch));
  }
}

// Sets the match after next_ticks, in parts when they are many.
void schedule(uint32_t ticks) {
  Pulses& p = g_pulses;
  uint16_t part = 0;
  if (ticks <= 65535UL) {
    part = static_cast<uint16_t>(ticks);
    p.rest = 0;
    p.armed = true;
    TCCR1A = com_bits(p.channel, kToggle);
  } else {
    part = ticks > 98304UL ? 0 : 32768;  // 0: a whole turn of 65,536
    p.rest = ticks - (part == 0 ? 65536UL : part);
    p.armed = false;
    TCCR1A = 0;
  }
  set_match(p.channel, static_cast<uint16_t>(match(p.channel) + part));
}

void on_wide_match() {
  Pulses& p = g_pulses;
  if (!p.armed) {
    schedule(p.rest);
    return;
  }
  p.at_active = !p.at_active;
  set_port(p.channel, p.at_active == p.active);
  if (p.at_active) {
    schedule(p.width);
  } else if (--p.left == 0) {
    finish();
  } else {
    schedule(p.gap);
  }
}

void on_pair_match(uint8_t channel) {
  uint8_t& edges = g_pair.edges[channel];
  if (--edges != 0) {
    set_port(channel, g_pair.active[channel]);
    set_match(channel, static_cast<uint16_t>(match(channel) + g_pair.width[channel]));
    return;
  }
  set_port(channel, !g_pair.active[channel]);
  TCCR1A &= static_cast<uint8_t>(~com_bits(channel, 3));
  if (g_pair.edges[0] == 0 && g_pair.edges[1] == 0) finish();
}

void on_match(uint8_t channel) {
  switch (g_pulses.kind) {
    case Kind::pair: return on_pair_match(channel);
    case Kind::narrow: return on_narrow_match();
    case Kind::wide: return on_wide_match();
    case Kind::shot: return finish();
    default: return;
  }
}

// Both timers at once: timer 4 counts the ticks since timer 1 began. It starts the two cycles later that a store
// takes, and from 2.
void start_timers(bool both) {
  TCNT4 = 2;
  TIFR4 = 0xFF;
  const uint8_t first = g_pulses.run;
  const uint8_t second = both ? static_cast<uint8_t>(kRunNormal | capture_edge()) : static_cast<uint8_t>(0);
  __asm__ volatile("sts %0, %2\n\tsts %1, %3"
                   :
                   : "n"(_SFR_MEM_ADDR(TCCR1B)), "n"(_SFR_MEM_ADDR(TCCR4B)), "r"(first), "r"(second)
                   : "memory");
}

__attribute__((noinline)) void set_up_burst() {
  Pulses& p = g_pulses;
  const uint16_t period = static_cast<uint16_t>(p.width + p.gap);
  p.next = Kind::burst;
  p.late = 0;
  p.lead = kBurstLeadTicks;
  p.end = kBurstLeadTicks + (p.left - 1) * period + p.width;
  TCCR1B = kSetUpB;
  set_match(p.channel, static_cast<uint16_t>(p.width - 1));
  ICR1 = static_cast<uint16_t>(period - 1);
  TCNT1 = static_cast<uint16_t>(period - kBurstLeadTicks);  // in the gap: behind the match, the latch rests
  p.connect = static_cast<uint8_t>(kFastPwmA | com_bits(p.channel, p.active ? kClearAtMatch : kSetAtMatch));
  p.run = kFastPwmB | kRunNormal;
  p.gap = kEdgeTicks;  // after the last one
}

__attribute__((noinline)) void set_up_shot() {
  Pulses& p = g_pulses;
  p.next = Kind::shot;
  p.lead = wire::kShotLeadTicks;
  TCCR1B = kSetUpB;
  set_match(p.channel, static_cast<uint16_t>(p.width - 1));
  ICR1 = 0xFFFF;
  TCNT1 = static_cast<uint16_t>(0U - wire::kShotLeadTicks);
  p.connect = static_cast<uint8_t>(kFastPwmA | com_bits(p.channel, p.active ? kClearAtMatch : kSetAtMatch));
  p.run = kFastPwmB | kRunNormal;
}

}  // namespace

void set_fast_level(uint8_t channel, bool high) {
  const uint8_t pin = static_cast<uint8_t>(channel == 0 ? _BV(PB5) : _BV(PB7));
  DDRB |= pin;
  if (g_level[channel] == high) return;
  halt();
  TCNT1 = 0;
  set_match(channel, 40);
  const uint8_t flag = static_cast<uint8_t>(channel == 0 ? _BV(OCF1A) : _BV(OCF1C));
  TIFR1 = flag;  // set while the other line pulsed and the counter passed this one's old match
  TCCR1A = com_bits(channel, kToggle);
  TCCR1B = kRunNormal;
  for (uint8_t tries = 0; tries < 100 && (TIFR1 & flag) == 0; ++tries) {
  }
  TCCR1B = 0;
  set_port(channel, high);
  TCCR1A = 0;
  TIFR1 = flag;
  g_level[channel] = high;
}

void set_up_pulses(uint8_t channel, bool active, uint32_t count, uint32_t width, uint32_t gap, bool shot) {
  Pulses& p = g_pulses;
  halt();
  p.channel = channel;
  p.active = active;
  p.at_active = false;
  p.left = count;
  p.width = width;
  p.gap = gap;
  p.shot = shot;
  OCR1B = 0xFFFF;
  if (count > 1 && gap < kEdgeTicks) {
    set_up_burst();
  } else if (shot && width < kEdgeTicks) {
    set_up_shot();
  } else if (width < kEdgeTicks) {
    TCNT1 = 0;
    const uint32_t period = width + gap;
    p.pauses = period <= 65536UL ? 0 : (period - width - kEdgeTicks) / kPauseTicks;
    p.top = static_cast<uint16_t>(period - p.pauses * kPauseTicks - 1);
    p.pause = 1;  // the first period passes without a pulse
    p.next = Kind::narrow;
    p.lead = width + kEdgeTicks + 1;
    TCCR1B = kSetUpB;
    set_match(channel, static_cast<uint16_t>(width - 1));
    ICR1 = static_cast<uint16_t>(width + kEdgeTicks);
    p.connect = kFastPwmA;
    p.run = kFastPwmB | kRunNormal;
  } else {
    TCNT1 = 0;
    p.next = Kind::wide;
    p.armed = true;
    p.rest = 0;
    p.lead = shot ? wire::kShotLeadTicks : kLeadTicks + 1;
    set_match(channel, static_cast<uint16_t>(p.lead - 1));
    p.connect = com_bits(channel, kToggle);
    p.run = kRunNormal;
  }
}

void set_up_pair(const wire::PulsePairOp& pair, bool shot) {
  Pulses& p = g_pulses;
  halt();
  p.next = Kind::pair;
  p.gap = kEdgeTicks;
  p.shot = shot;
  TCNT1 = 0;
  OCR1B = 0xFFFF;
  const uint16_t before = static_cast<uint16_t>(pair.offset_ticks < 0 ? -pair.offset_ticks : 0);
  const uint16_t first = static_cast<uint16_t>((shot ? wire::kShotLeadTicks - 1 : kLeadTicks) + before);
  p.lead = static_cast<uint32_t>(first) + 1;
  for (uint8_t i = 0; i < map::kFasts; ++i) {
    g_pair.width[i] = pair.width_ticks[i];
    g_pair.active[i] = pair.active[i] != 0;
    g_pair.edges[i] = 2;
    set_match(i, static_cast<uint16_t>(i == 0 ? first : first + pair.offset_ticks));
  }
  p.connect = static_cast<uint8_t>(com_bits(0, kToggle) | com_bits(1, kToggle));
  p.run = kRunNormal;
}

// Match B sets its flag one tick after the counter stood at OCR1B, as a match moves a pin.
void set_trigger(int16_t delay_ticks) {
  const uint16_t from_start =
      static_cast<uint16_t>(static_cast<uint16_t>(g_pulses.lead) + delay_ticks - static_cast<int16_t>(wire::kHoldTicks));
  OCR1B = static_cast<uint16_t>(TCNT1 + from_start - 1);
}

uint32_t lead_ticks() { return g_pulses.lead; }

// In timer 4's interrupt (or at once, when the burst is that short): waits for the last edge, then takes the
// output off. Lets one interrupt at a time in while a conversion's fits before the end.
void end_burst() {
  Pulses& p = g_pulses;
  if (p.kind != Kind::burst) return;
  const uint16_t due = static_cast<uint16_t>(static_cast<uint16_t>(p.end) + kBurstMarginTicks);
  int16_t left = 0;
  for (uint8_t looks = 0; looks < kBurstLooksMost; ++looks) {
    left = static_cast<int16_t>(due - TCNT4);
    if (left <= 0) break;
    if (left > static_cast<int16_t>(kConversionTicks) && (ADCSRA & _BV(ADIF)) != 0) {
      __asm__ volatile("sei\n\tnop\n\tcli" ::: "memory");
    }
  }
  TCCR1A = kFastPwmA;
  if (-left > static_cast<int16_t>(wire::kBurstGapTicksMin - 2 * kBurstMarginTicks)) p.late = static_cast<uint16_t>(-left);
  finish();
}

// Interrupts stay off until the flags of before are cleared: while the other line pulsed, the counter passed this
// one's old match.
void go() {
  Pulses& p = g_pulses;
  const uint8_t saved = SREG;
  cli();
  p.kind = p.next;
  const bool timed = capturing() || p.kind == Kind::burst;  // timer 4 takes part
  if (timed) begin_turns(p.lead);
  const bool brief = p.end < kBurstEndTicks + kBurstBriefTicks;
  uint8_t interrupts = 0;
  if (p.kind == Kind::burst) {
    if (!brief) call_end_burst(p.end - kBurstEndTicks);
  } else if (p.kind == Kind::pair) {
    interrupts = static_cast<uint8_t>(interrupt_bit(0) | interrupt_bit(1));
  } else {
    interrupts = interrupt_bit(p.channel);
  }
  TIFR1 = _BV(OCF1A) | _BV(OCF1B) | _BV(OCF1C);
  TIMSK1 = interrupts;
  TCCR1A = p.connect;
  start_timers(timed);
  if (p.kind == Kind::burst && brief) end_burst();
  SREG = saved;
}

bool pulses_running() {
  if (g_pulses.kind == Kind::idle) return false;
  if (g_pulses.kind != Kind::trailing) return true;
  if (!core::reached(Hal::now_us(), g_trailing_until_us)) return true;
  g_pulses.kind = Kind::idle;
  return false;
}

uint16_t pulses_late() { return g_pulses.kind == Kind::idle ? g_pulses.late : uint16_t{0}; }

void stop_pulses() {
  const uint8_t saved = SREG;
  cli();
  const Kind kind = g_pulses.kind;
  halt();
  if (kind != Kind::idle && kind != Kind::trailing) {
    for (uint8_t i = 0; i < map::kFasts; ++i) {
      if (kind == Kind::pair || i == g_pulses.channel) let_rest(i);
    }
  }
  g_pulses.kind = Kind::idle;
  SREG = saved;
}

}  // namespace avr
}  // namespace tenterhook

ISR(TIMER1_COMPA_vect) { tenterhook::avr::on_match(0); }
ISR(TIMER1_COMPC_vect) { tenterhook::avr::on_match(1); }
