// The comparator's edges (edges.cpp): timer 4 counts ticks since timer 1 was started with it, captures edges at
// ICP4 and calls at set times; timer 5 counts rising edges at T5.
#pragma once

#include <stdint.h>

#include "firmware/core/hal.h"

namespace tenterhook {
namespace avr {

// Before timer 4 is started: no turns yet, and what was opened begins to be captured; `lead`: ticks from the
// start to the leading edge.
void begin_turns(uint32_t lead);
// end_burst() is called at this tick from the start, as soon as other interrupts allow.
void call_end_burst(uint32_t ticks);
void end_burst();        // pulses.cpp
uint8_t capture_edge();  // TCCR4B's bit for the edge that is waited for first

void count_edges();
void stop_counting();
uint32_t rises();
void open_capture(uint8_t edges, uint8_t most, uint32_t window);
void close_capture();
bool capturing();
const core::Captured& captured();

}  // namespace avr
}  // namespace tenterhook
