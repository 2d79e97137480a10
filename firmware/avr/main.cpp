// The firmware on the ATmega2560: start-up, main loop, interrupts.
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/delay_basic.h>

#include "firmware/avr/hal.h"
#include "firmware/core/controller.h"

namespace tenterhook {
namespace avr {

Shared g_shared;
uint8_t g_saved_flags;

namespace {

Hal g_hal;
core::Controller<Hal> g_controller(g_hal);

uint8_t g_reset_flags;  // MCUSR as the reset left it

// The EEPROM: what this fixture is.
constexpr uint16_t kEepromSerial = 0;  // kSerialText bytes, 0xFF or 0 ends
constexpr uint16_t kEepromBoots = 16;  // count of boots, 4 bytes: the boot nonce

core::Identity g_identity;

void identify() {
  uint32_t boots = eeprom_read_dword(reinterpret_cast<const uint32_t*>(kEepromBoots));
  boots = boots == 0xFFFFFFFFUL ? 1 : boots + 1;
  // One write of 4 bytes a boot, before the first byte of the host: never while streaming.
  eeprom_update_dword(reinterpret_cast<uint32_t*>(kEepromBoots), boots);
  g_identity.boot_nonce = boots;
  uint8_t i = 0;
  for (; i < wire::kSerialText; ++i) {
    const uint8_t c = eeprom_read_byte(reinterpret_cast<const uint8_t*>(kEepromSerial + i));
    if (c < 0x20 || c > 0x7E) break;
    g_identity.serial[i] = static_cast<char>(c);
  }
  g_identity.serial[i] = '\0';
  if ((g_reset_flags & _BV(WDRF)) != 0) {
    g_identity.reset_cause = wire::ResetCause::watchdog;
  } else if ((g_reset_flags & _BV(PORF)) != 0) {
    g_identity.reset_cause = wire::ResetCause::power_on;
  } else if ((g_reset_flags & _BV(BORF)) != 0) {
    g_identity.reset_cause = wire::ResetCause::brown_out;
  } else if ((g_reset_flags & _BV(EXTRF)) != 0) {
    g_identity.reset_cause = wire::ResetCause::external;
  } else {
    g_identity.reset_cause = wire::ResetCause::other;
  }
}

}  // namespace

core::Identity Hal::identity() { return g_identity; }

void Hal::setup() {
  // Outputs at their resting levels before their directions. Inputs have no pull-ups: the fixture
  // drives them, and a broken stop wire must read as pressed.
  PORTA = 0;
  DDRA = 0x0F;
  PORTC = 0;
  DDRC = 0xFF;
  PORTB = 0;
  DDRB = _BV(map::kPinChainLatch.bit) | _BV(map::kPinChainClock.bit) | _BV(map::kPinChainData.bit);
  PORTG = _BV(map::kPinDacSelect.bit);
  DDRG = _BV(map::kPinOutputEnable.bit) | _BV(map::kPinTripReset.bit) | _BV(map::kPinDacSelect.bit);
  PORTH = 0;
  DDRH = _BV(map::kPinAlive.bit);
  PORTD = 0;
  DDRD = 0;
  DIDR0 = 0xFF;  // the converter's pins need no digital input
  DIDR2 = 0xFF;

  SPCR = _BV(SPE) | _BV(MSTR);  // mode 0
  SPSR = _BV(SPI2X);            // F_CPU / 2

  TCCR3A = 0;
  TCCR3B = _BV(CS31);  // F_CPU / 8
  TIMSK3 = _BV(TOIE3);

  UCSR0A = _BV(U2X0);
  UBRR0H = static_cast<uint8_t>(kUbrr >> 8);
  UBRR0L = static_cast<uint8_t>(kUbrr);
  UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
  UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

void Hal::shift_chain(const uint8_t* bits, uint8_t* back) {
  bits += map::kChainBytes;
  back += map::kChainBytes;
  uint8_t next = *--bits;
  for (uint8_t left = map::kChainBytes; left > 0; --left) {
    SPDR = next;
    if (left > 1) next = *--bits;
    // A byte takes 16 cycles from here and nothing has to be asked: a dead peripheral shows as bits that
    // do not come back. (Reading SPSR before SPDR clears the flag.)
    __builtin_avr_delay_cycles(14);
    static_cast<void>(SPSR);
    *--back = SPDR;
  }
}

// The DAC takes 16 bits, its code in the upper 12, while it is selected; the relay chain's registers take them
// too, and nothing of it is latched.
void Hal::set_threshold(uint16_t code) {
  const uint16_t word = static_cast<uint16_t>(code << 4);
  PORTG &= static_cast<uint8_t>(~_BV(map::kPinDacSelect.bit));
  for (uint8_t i = 0; i < 2; ++i) {
    SPDR = static_cast<uint8_t>(i == 0 ? word >> 8 : word);
    __builtin_avr_delay_cycles(18);
    static_cast<void>(SPSR);
    static_cast<void>(SPDR);
  }
  PORTG |= _BV(map::kPinDacSelect.bit);
}

void Hal::reset_over_current() {
  PORTG |= _BV(map::kPinTripReset.bit);
  _delay_loop_1(30);  // 5 us
  PORTG &= static_cast<uint8_t>(~_BV(map::kPinTripReset.bit));
}

void Hal::start_converter(uint8_t first, uint8_t second) {
  select(first);
  ADCSRA = kConverting | _BV(ADATE);
  ADCSRA |= _BV(ADSC);
  // The first channel is locked one converter clock (64 cycles) after the start at the latest; the
  // first conversion lasts 25 clocks.
  _delay_loop_1(60);  // 180 cycles
  select(second);
}

uint8_t Hal::inputs() {
  const uint8_t pins = PIND;
  uint8_t in = 0;
  if ((pins & _BV(map::kPinStop.bit)) == 0) in |= wire::kInputStop;
  if ((pins & _BV(map::kPinLid.bit)) == 0) in |= wire::kInputLid;
  if ((pins & _BV(map::kPinHoldToRun.bit)) == 0) in |= wire::kInputHoldToRun;
  if ((pins & _BV(map::kPinCoilSupply.bit)) != 0) in |= wire::kInputCoilSupply;
  return in;
}

}  // namespace avr
}  // namespace tenterhook

using tenterhook::avr::g_shared;

// One byte of the host, every 20 us at 500 kbaud (320 cycles). Counts zeros for the stop.
ISR(USART0_RX_vect) {
  const uint8_t flags = UCSR0A;
  const uint8_t byte = UDR0;
  if ((flags & _BV(DOR0)) != 0) ++g_shared.overruns;
  if ((flags & _BV(FE0)) != 0) ++g_shared.framing;
  if (byte != 0) {
    g_shared.zeros = 0;
  } else {
    const uint8_t zeros = static_cast<uint8_t>(g_shared.zeros + 1);
    g_shared.zeros = zeros;
    if (zeros == tenterhook::wire::kStopZerosSeen) g_shared.stop = true;
    if (zeros >= tenterhook::wire::kStopZerosSeen) {
      g_shared.zeros = tenterhook::wire::kStopZerosSeen;
      return;  // further ones say nothing new and must not fill the ring
    }
  }
  const uint8_t head = g_shared.head;
  const uint8_t next = static_cast<uint8_t>(head + 1);
  if (next == g_shared.tail) {
    ++g_shared.overruns;
    return;
  }
  g_shared.ring[head] = byte;
  g_shared.head = next;
}

ISR(USART0_UDRE_vect) {
  const uint8_t* at = g_shared.at;
  UDR0 = *at++;
  g_shared.at = at;
  const uint8_t left = static_cast<uint8_t>(g_shared.left - 1);
  g_shared.left = left;
  if (left == 0) UCSR0B &= static_cast<uint8_t>(~_BV(UDRIE0));
}

ISR(TIMER3_OVF_vect) { g_shared.base_us = g_shared.base_us + tenterhook::avr::kWrapUs; }

// Every 52 us (832 cycles); measured at most 334 while sampling. Keeps the other interrupts out: when they
// were let in, bytes flowing both ways at 500 kbaud stretched it beyond 832 cycles, it interrupted itself
// or lost a conversion, and channels got each other's counts. The others can wait: the receiver holds two
// bytes and a third on its way (960 cycles), and nothing is sampled while pulses are made.
ISR(ADC_vect) {
  const uint8_t low = ADCL;
  const uint16_t counts = static_cast<uint16_t>(low | ADCH << 8);
  const uint8_t next = tenterhook::avr::g_controller.conversion_done(counts);
  if (next != tenterhook::core::kKeepChannel) tenterhook::avr::Hal::select(next);
}

// An interrupt without a handler is a bug; the watchdog makes it known.
ISR(BADISR_vect) {
  for (;;) {
  }
}

int main() {
  using tenterhook::avr::Hal;
  using tenterhook::avr::g_controller;
  // After a watchdog reset the watchdog still runs with its shortest time, 15 ms; start-up up to here
  // takes 2 ms.
  tenterhook::avr::g_reset_flags = MCUSR;
  MCUSR = 0;
  wdt_enable(WDTO_120MS);
  Hal::setup();
  tenterhook::avr::identify();
  sei();
  g_controller.boot();
  set_sleep_mode(SLEEP_MODE_IDLE);
  for (;;) {
    wdt_reset();
    g_controller.poll();
    if (!g_controller.may_nap()) continue;
    // Sleeps only if nothing has come since: sei takes effect after the instruction that follows it.
    cli();
    if (!Hal::received() && !Hal::sending()) {
      sleep_enable();
      sei();
      sleep_cpu();
      sleep_disable();
    }
    sei();
  }
}
