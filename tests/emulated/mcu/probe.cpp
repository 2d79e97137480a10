// A program for the chip under emulation that does what the test tells it over the serial line:
// read and write any register, wait, hang. So each test is written where its expectation is.
//
// 500 kbaud, polled. Commands: w ADDR16 V | r ADDR16 | W ADDR16 V16 (high byte first, as timers
// want) | R ADDR16 (low byte first) | d N (N * 100 us of not listening) | e N (send 0..N-1) | i
// (interrupts on) | h (hang with interrupts off) | s (sleep until an interrupt, then answer 's') |
// D (the watchdog resets within about 15 ms). At reset it sends 0xB0 and MCUSR.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdint.h>
#include <util/delay.h>

// Counts of interrupts, at addresses that the test knows: right above the registers.
volatile uint8_t& count_of(uint8_t i) {
  return *reinterpret_cast<volatile uint8_t*>(0x2000 + i);
}

ISR(ADC_vect) {
  ++count_of(0);
}
ISR(TIMER1_COMPB_vect) {
  ++count_of(1);
}
ISR(SPI_STC_vect) {
  ++count_of(2);
}
ISR(INT0_vect) {
  ++count_of(3);
}
ISR(TIMER3_COMPA_vect) {
  ++count_of(4);
}

static uint8_t get() {
  while (!(UCSR0A & _BV(RXC0))) {
  }
  return UDR0;
}

static void put(uint8_t v) {
  while (!(UCSR0A & _BV(UDRE0))) {
  }
  UDR0 = v;
}

static volatile uint8_t* place() {
  const uint8_t low = get();
  const uint16_t address = uint16_t(get()) << 8 | low;
  return reinterpret_cast<volatile uint8_t*>(address);
}

int main() {
  const uint8_t why = MCUSR;
  MCUSR = 0;
  wdt_disable();
  UCSR0A = _BV(U2X0);
  UBRR0H = 0;
  UBRR0L = 3;  // 500 kbaud
  UCSR0B = _BV(RXEN0) | _BV(TXEN0);
  put(0xB0);
  put(why);
  for (;;) {
    switch (get()) {
      case 'w': {
        volatile uint8_t* p = place();
        *p = get();
        break;
      }
      case 'r':
        put(*place());
        break;
      case 'W': {
        volatile uint8_t* p = place();
        const uint8_t low = get();
        const uint8_t high = get();
        p[1] = high;
        p[0] = low;
        break;
      }
      case 'R': {
        volatile uint8_t* p = place();
        const uint8_t low = p[0];
        const uint8_t high = p[1];
        put(low);
        put(high);
        break;
      }
      case 'd':
        for (uint8_t n = get(); n != 0; --n) _delay_us(100);
        break;
      case 'e': {
        const uint8_t n = get();
        for (uint8_t i = 0; i != n; ++i) put(i);
        break;
      }
      case 'i':
        sei();
        break;
      case 's':
        sleep_enable();
        sleep_cpu();
        put('s');
        break;
      case 'D':
        wdt_enable(WDTO_15MS);
        break;
      case 'h':
        cli();
        for (;;) {
        }
    }
  }
}
