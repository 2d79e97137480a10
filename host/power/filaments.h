// Filaments in parallel as one lumped tungsten wire, on a supply with resistance and a current limit.
//
// In: rated volts and amperes of one filament, how many, what feeds them. Out: current, volts and
// temperature over time. Heat in is I^2 R of the wire, heat out is radiation from a wire whose working
// temperature is 1,400 K; heat capacity follows from the rated power, so that every filament warms up
// like the fitted one (11 s controlled warm-up of 6.3 V, 300 mA: 11.6 mJ/K).
// Resistivity of tungsten: Forsythe and Worthing 1925, as tabulated in handbooks.
// Integrated by GSL's adaptive Runge-Kutta-Prince-Dormand (8, 9). Errors: Trouble::bug when the solver
// gives up (it has no such inputs here).
#pragma once

#include <optional>
#include <vector>

#include "host/base/result.h"
#include "host/base/units.h"

namespace tenterhook::power {

constexpr double kRoomKelvin = 295.0;
constexpr double kHotKelvin = 1400.0;  // oxide-cathode heaters run at 1,300 to 1,600 K; from memory

// Micro-ohm centimetres, 300 K to 2,500 K, linear between the table's entries; below 300 K the first
// interval is continued down to 250 K; clamped outside.
double tungsten_resistivity(double kelvin);

struct Filaments {
  Volts rated{};
  Amps each{};
  int count = 1;
  Amps hot() const { return each * static_cast<double>(count); }
  // All in parallel, at a temperature.
  Ohms ohms(double kelvin) const;
  Ohms cold() const { return ohms(kRoomKelvin); }
};

// What feeds them: an ideal source behind resistance. Past its limit it holds the limit's current.
struct Feed {
  Volts volts{};
  Ohms series{};
  std::optional<Amps> limit;
};

struct HeatPoint {
  Seconds time{};
  Amps amps{};
  Volts volts{};  // at the filaments
  double kelvin = 0.0;
  bool limited = false;  // the supply holds its limit
};

// From `kelvin` for so long, a point each `every` and one at either end.
Result<std::vector<HeatPoint>> heat(const Filaments& filaments, const Feed& feed, double kelvin, Seconds duration,
                                    Seconds every);
// The current that would flow at a temperature.
HeatPoint at(const Filaments& filaments, const Feed& feed, double kelvin);
// Where heating and radiation balance.
double settled_kelvin(const Filaments& filaments, const Feed& feed);

}  // namespace tenterhook::power
