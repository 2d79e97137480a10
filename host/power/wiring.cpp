#include "host/power/wiring.h"

#include <cmath>
#include <numbers>

namespace tenterhook::power {

namespace {
// IEC 60063.
constexpr double kE24[] = {1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
                           3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1};
constexpr double kSame = 1e-9;  // relative: rounding of a decade
}  // namespace

double ohms_per_metre(int awg) {
  constexpr double kCopper = 1.7241e-8;
  const double diameter = 0.127e-3 * std::pow(92.0, (36.0 - awg) / 39.0);
  return kCopper / (std::numbers::pi / 4.0 * diameter * diameter);
}

double copper_rise(double celsius) { return 1.0 + 0.00393 * (celsius - 20.0); }

double e24_at_least(double value) {
  double decade = std::pow(10.0, std::floor(std::log10(value)));
  for (int turn = 0; turn < 2; ++turn, decade *= 10.0) {
    for (const double step : kE24) {
      if (step * decade >= value * (1.0 - kSame)) return step * decade;
    }
  }
  return decade;
}

double e24_below(double value) {
  double decade = std::pow(10.0, std::floor(std::log10(value)));
  for (int turn = 0; turn < 2; ++turn, decade /= 10.0) {
    for (int i = static_cast<int>(std::size(kE24)) - 1; i >= 0; --i) {
      if (kE24[i] * decade < value * (1.0 - kSame)) return kE24[i] * decade;
    }
  }
  return decade;
}

Watts rating_at_least(Watts watts) {
  constexpr double kRatings[] = {0.25, 0.5, 1, 2, 3, 5, 10, 15, 25, 50, 100, 200, 300, 500, 1000};
  for (const double rating : kRatings) {
    if (rating >= watts.value) return Watts{rating};
  }
  return Watts{std::ceil(watts.value / 1000.0) * 1000.0};
}

double stored_joules(Farads capacitance, Volts volts) { return 0.5 * capacitance.value * volts.value * volts.value; }

Seconds bleed_time(Ohms resistor, Farads capacitance, Volts from, Volts to) {
  const double ratio = std::fabs(from.value) / std::fabs(to.value);
  return Seconds{ratio > 1.0 ? resistor.value * capacitance.value * std::log(ratio) : 0.0};
}

}  // namespace tenterhook::power
