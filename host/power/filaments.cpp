#include "host/power/filaments.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_odeiv2.h>

#include <algorithm>
#include <cmath>
#include <memory>

namespace tenterhook::power {

namespace {

// T (K) 300..2500 in steps of 100: micro-ohm cm. Forsythe and Worthing 1925, as tabulated in handbooks.
constexpr double kTable[] = {5.65,  8.06,  10.56, 13.23, 16.09, 19.00, 21.94, 24.93, 27.94, 30.98, 34.08, 37.19,
                             40.36, 43.55, 46.78, 50.05, 53.35, 56.67, 60.06, 63.48, 66.91, 70.39, 73.91};
constexpr int kEntries = static_cast<int>(std::size(kTable));
constexpr double kJoulesPerKelvinAndWatt = 11.6e-3 / (6.3 * 0.3);
constexpr double kTolerance = 1e-6;  // K
constexpr int kBisections = 60;
constexpr std::size_t kPointsMost = 1'000'000;

double fourth(double x) { return x * x * x * x; }

struct System {
  const Filaments& filaments;
  const Feed& feed;
  double capacity, radiance;  // J/K, W/K^4; all filaments together

  double slope(double kelvin) const {
    const HeatPoint p = at(filaments, feed, kelvin);
    return (p.amps.value * p.volts.value - radiance * (fourth(kelvin) - fourth(kRoomKelvin))) / capacity;
  }
};

System system_of(const Filaments& filaments, const Feed& feed) {
  const double watts = filaments.rated.value * filaments.hot().value;
  return {filaments, feed, kJoulesPerKelvinAndWatt * watts, watts / (fourth(kHotKelvin) - fourth(kRoomKelvin))};
}

int slope_for_gsl(double, const double y[], double dydt[], void* system) {
  dydt[0] = static_cast<const System*>(system)->slope(y[0]);
  return GSL_SUCCESS;
}

}  // namespace

double tungsten_resistivity(double kelvin) {
  const double x = std::clamp((kelvin - 300.0) / 100.0, -0.5, kEntries - 1.0);
  const int i = std::clamp(static_cast<int>(std::floor(x)), 0, kEntries - 2);
  return kTable[i] + (x - i) * (kTable[i + 1] - kTable[i]);
}

Ohms Filaments::ohms(double kelvin) const {
  return rated / hot() * (tungsten_resistivity(kelvin) / tungsten_resistivity(kHotKelvin));
}

HeatPoint at(const Filaments& filaments, const Feed& feed, double kelvin) {
  HeatPoint p;
  p.kelvin = kelvin;
  const Ohms wire = filaments.ohms(kelvin);
  p.amps = feed.volts / Ohms{wire.value + feed.series.value};
  if (feed.limit && p.amps > *feed.limit) {
    p.amps = *feed.limit;
    p.limited = true;
  }
  p.volts = p.amps * wire;
  return p;
}

Result<std::vector<HeatPoint>> heat(const Filaments& filaments, const Feed& feed, double kelvin, Seconds duration,
                                    Seconds every) {
  System system = system_of(filaments, feed);
  gsl_odeiv2_system ode{slope_for_gsl, nullptr, 1, &system};
  const std::unique_ptr<gsl_odeiv2_driver, decltype(&gsl_odeiv2_driver_free)> driver(
      gsl_odeiv2_driver_alloc_y_new(&ode, gsl_odeiv2_step_rk8pd, 1e-4, kTolerance, 0.0), gsl_odeiv2_driver_free);
  if (!driver || every.value <= 0.0 || duration / every > static_cast<double>(kPointsMost)) {
    return bug_error("the filaments' heating cannot be integrated so");
  }
  std::vector<HeatPoint> points{at(filaments, feed, kelvin)};
  double t = 0.0;
  while (t < duration.value) {
    const double next = std::min(duration.value, static_cast<double>(points.size()) * every.value);
    if (gsl_odeiv2_driver_apply(driver.get(), &t, next, &kelvin) != GSL_SUCCESS) {
      return bug_error("the solver of the filaments' heating gave up");
    }
    points.push_back(at(filaments, feed, kelvin));
    points.back().time = Seconds{t};
  }
  return points;
}

double settled_kelvin(const Filaments& filaments, const Feed& feed) {
  const System system = system_of(filaments, feed);
  double low = kRoomKelvin, high = 2500.0;
  for (int i = 0; i < kBisections; ++i) {
    const double middle = 0.5 * (low + high);
    (system.slope(middle) > 0.0 ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

}  // namespace tenterhook::power
