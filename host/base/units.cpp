#include "host/base/units.h"

#include <fmt/format.h>

#include <array>

namespace tenterhook {

std::string engineering(double value, const std::string& unit, int digits) {
  if (value == 0.0) return "0 " + unit;
  if (!std::isfinite(value)) return fmt::format("{} {}", value, unit);
  struct Prefix { double scale; const char* name; };
  static constexpr std::array<Prefix, 7> kPrefixes{{
      {1e6, "M"}, {1e3, "k"}, {1.0, ""}, {1e-3, "m"}, {1e-6, "u"}, {1e-9, "n"}, {1e-12, "p"}}};
  const double size = std::fabs(value);
  for (const Prefix& p : kPrefixes) {
    // Rounding to `digits` may carry 999.6 to 1000: pick the prefix after rounding.
    if (size >= p.scale * (1.0 - 0.5 * std::pow(10.0, -digits)) || p.scale == 1e-12) {
      return fmt::format("{:.{}g} {}{}", value / p.scale, digits, p.name, unit);
    }
  }
  return fmt::format("{:.{}g} {}", value, digits, unit);
}

}  // namespace tenterhook
