// Arithmetic of wires, resistors and capacitors: what a supply's path drops, wastes and stores.
#pragma once

#include "host/base/units.h"

namespace tenterhook::power {

// Solid round copper at 20 C by the gauge's definition, d = 0.127 mm * 92^((36 - gauge) / 39), and the
// International Annealed Copper Standard, 1.7241e-8 ohm m. 0 <= gauge <= 40.
double ohms_per_metre(int awg);
// At a copper temperature in degrees Celsius: 0.393 % a kelvin (linear, from 20 C).
double copper_rise(double celsius);

// One mated contact. Assumed, common practice, no source: new ones are better, old ones far worse.
constexpr Ohms kContact{0.020};

// The nearest value of the E24 series (IEC 60063) that is not smaller / nearest on either side.
double e24_at_least(double value);
double e24_below(double value);  // the largest that is smaller
// The next usual power rating (common practice, no source): 0.25, 0.5, 1, 2, 3, 5, 10, 15, 25, 50, 100, ... W.
Watts rating_at_least(Watts watts);

double stored_joules(Farads capacitance, Volts volts);
// From `from` to `to` through a resistor; 0 when it is below already.
Seconds bleed_time(Ohms resistor, Farads capacitance, Volts from, Volts to);

}  // namespace tenterhook::power
