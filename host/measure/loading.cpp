#include "host/measure/loading.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

namespace tenterhook::measure {

namespace {

constexpr double kCoverage = 1.96;
// A resistance known worse than this is not given; nor a correction that doubles the reading's U and
// exceeds a per cent of it.
constexpr double kOhmsDoubtMost = 0.25;
constexpr double kOhmsFloor = 500.0;  // below it a source counts as stiff and its own value means little

struct Solved { double ohms, volts; };

// q: volts bare, volts heavy, siemens of the heavy load, siemens of the divider.
Solved solve(const std::array<double, 4>& q, double bias) {
  const double bare_g = q[3], heavy_g = q[3] + q[2];
  const double ohms = (q[0] - q[1]) / (q[1] * heavy_g - q[0] * bare_g);
  return {ohms, q[0] + (q[0] * bare_g - bias * q[3]) * ohms};
}

// A reading's doubt in two parts: what differs from reading to reading of one channel, and what is common to all.
struct Doubt { double own, common; };
Doubt doubt_of(const Estimate& e) {
  double own = 0.0;
  for (const Component& c : e.budget) {
    if (c.own) own += c.u.value * c.u.value;
  }
  const double all = e.u.value * e.u.value;
  if (e.budget.empty()) own = all;
  return {std::sqrt(own), std::sqrt(std::max(0.0, all - own))};
}

}  // namespace

Source source_of(const Estimate& bare, const Estimate& heavy, const Estimate& light, const LoadingParts& parts) {
  Source s;
  const double bias = parts.bias.value;
  const std::array<double, 4> q{bare.volts.value, heavy.volts.value, 1.0 / parts.heavy.value, 1.0 / parts.divider.value};
  const double part = parts.tolerance / std::sqrt(3.0);
  const Doubt d0 = doubt_of(bare), d1 = doubt_of(heavy);
  // Steps of the inputs by one standard deviation each: both readings by themselves and together (one channel), the
  // load, the divider.
  const std::array<std::array<double, 4>, 5> steps{{{d0.own, 0, 0, 0}, {0, d1.own, 0, 0}, {d0.common, d1.common, 0, 0},
                                                    {0, 0, q[2] * part, 0}, {0, 0, 0, q[3] * part / 10.0}}};
  const std::array<double, 2> u{bare.u.value, heavy.u.value};
  // The heavy load's current tells the resistance: without any to speak of there is nothing to divide by.
  const double current = q[1] * q[2];
  if (std::fabs(q[1]) < 10.0 * u[1] && std::fabs(q[0] - bias) < 20.0 * u[0]) {
    s.why = fmt::format("at {} the load draws too little to tell", text(bare.volts));
    return s;
  }
  const Solved best = solve(q, bias);
  double ohms_2 = 0.0, volts_2 = 0.0;
  for (const auto& step : steps) {
    std::array<double, 4> moved = q;
    for (std::size_t i = 0; i < q.size(); ++i) moved[i] += step[i];
    const Solved other = solve(moved, bias);
    ohms_2 += std::pow(other.ohms - best.ohms, 2);
    volts_2 += std::pow(other.volts - best.volts, 2);
  }
  const double ohms_u = std::sqrt(ohms_2);
  if (!std::isfinite(best.ohms) || !std::isfinite(ohms_u) || best.ohms < -3.0 * ohms_u ||
      ohms_u > std::max(kOhmsFloor, kOhmsDoubtMost * best.ohms)) {
    s.why = fmt::format("{} unloaded and {} into {} do not fix a resistance (its current is {})", text(bare.volts),
                        text(heavy.volts), text(parts.heavy), text(Amps{current}));
    return s;
  }
  // The third reading must follow from the other two.
  const double r = std::max(best.ohms, 1e-3);
  const double light_g = 1.0 / parts.light.value;
  const double expected = (best.volts / r + bias * q[3]) / (1.0 / r + q[3] + light_g);
  const double doubt = kCoverage * std::hypot(light.u.value, std::hypot(std::sqrt(volts_2), std::fabs(expected) * part)) * 2.0;
  if (std::fabs(light.volts.value - expected) > doubt) {
    s.why = fmt::format("with {} it reads {}, but {} would follow from the others: it moves, or it is no plain source",
                        text(parts.light), text(light.volts), text(Volts{expected}));
    return s;
  }
  s.known = true;
  s.ohms = Ohms{std::max(0.0, best.ohms)};
  s.ohms_U = Ohms{kCoverage * ohms_u};
  s.open_circuit = Volts{best.volts};
  s.U = Volts{std::max(bare.U.value, kCoverage * std::sqrt(volts_2))};
  return s;
}

}  // namespace tenterhook::measure
