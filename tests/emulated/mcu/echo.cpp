// Interrupt-driven echo at 500 kbaud: the receiver's and the transmitter's interrupts are level
// flags that must ask again for as long as they stand.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

static volatile uint8_t ring[64];
static volatile uint8_t head, tail;

ISR(USART0_RX_vect) {
  ring[head] = UDR0;
  head = (head + 1) & 63;
  UCSR0B |= _BV(UDRIE0);
}

ISR(USART0_UDRE_vect) {
  if (head == tail) {
    UCSR0B &= ~_BV(UDRIE0);
    return;
  }
  UDR0 = ring[tail];
  tail = (tail + 1) & 63;
}

int main() {
  UCSR0A = _BV(U2X0);
  UBRR0H = 0;
  UBRR0L = 3;
  UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
  sei();
  for (;;) {
  }
}
