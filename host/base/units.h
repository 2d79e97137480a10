// Physical quantities as distinct types: a Volts never silently becomes an Amps or a bare number.
//
// Construct explicitly (Volts{3.3}); leave with .value (SI units, double). Only the operations that
// the tester needs are defined: sums, scaling, ratios, and Ohm's law.
#pragma once

#include <cmath>
#include <compare>
#include <string>

namespace tenterhook {

template <class Unit>
struct Quantity {
  double value = 0.0;

  constexpr Quantity() = default;
  constexpr explicit Quantity(double v) : value(v) {}

  friend constexpr Quantity operator+(Quantity a, Quantity b) { return Quantity{a.value + b.value}; }
  friend constexpr Quantity operator-(Quantity a, Quantity b) { return Quantity{a.value - b.value}; }
  friend constexpr Quantity operator-(Quantity a) { return Quantity{-a.value}; }
  friend constexpr Quantity operator*(Quantity a, double k) { return Quantity{a.value * k}; }
  friend constexpr Quantity operator*(double k, Quantity a) { return Quantity{a.value * k}; }
  friend constexpr Quantity operator/(Quantity a, double k) { return Quantity{a.value / k}; }
  friend constexpr double operator/(Quantity a, Quantity b) { return a.value / b.value; }
  friend constexpr auto operator<=>(Quantity, Quantity) = default;
  constexpr Quantity& operator+=(Quantity b) { value += b.value; return *this; }
  constexpr Quantity& operator-=(Quantity b) { value -= b.value; return *this; }
};

using Volts = Quantity<struct VoltUnit>;
using Amps = Quantity<struct AmpUnit>;
using Ohms = Quantity<struct OhmUnit>;
using Seconds = Quantity<struct SecondUnit>;
using Watts = Quantity<struct WattUnit>;
using Farads = Quantity<struct FaradUnit>;
using Metres = Quantity<struct MetreUnit>;
using Hertz = Quantity<struct HertzUnit>;

constexpr Volts operator*(Amps i, Ohms r) { return Volts{i.value * r.value}; }
constexpr Amps operator/(Volts v, Ohms r) { return Amps{v.value / r.value}; }
constexpr Ohms operator/(Volts v, Amps i) { return Ohms{v.value / i.value}; }
constexpr Watts operator*(Volts v, Amps i) { return Watts{v.value * i.value}; }

template <class Unit>
Quantity<Unit> abs(Quantity<Unit> q) { return Quantity<Unit>{std::fabs(q.value)}; }

// "5.02 V", "450 us", "1.5 kohm": engineering prefix, at most `digits` significant digits.
std::string engineering(double value, const std::string& unit, int digits = 3);
inline std::string text(Volts v) { return engineering(v.value, "V"); }
inline std::string text(Amps i) { return engineering(i.value, "A"); }
inline std::string text(Ohms r) { return engineering(r.value, "ohm"); }
inline std::string text(Seconds t) { return engineering(t.value, "s"); }

}  // namespace tenterhook
