#include "host/files/predicted.h"

#include <fmt/format.h>

#include <algorithm>

namespace tenterhook::files {

namespace {

Agreement weigh(double band_min, double band_max, double from, double to, double uncertainty) {
  const double beyond = std::max(band_min - from, to - band_max);
  return beyond > uncertainty ? Agreement::outside : beyond > 0.0 ? Agreement::undecided : Agreement::inside;
}

constexpr const char* kMeaning = "a part drifts, or is not what the drawing says";

}  // namespace

Agreement agreement(const std::optional<Window>& band, Volts from, Volts to, Volts uncertainty) {
  if (!band) return Agreement::unpredicted;
  return weigh(band->min.value, band->max.value, from.value, to.value, uncertainty.value);
}

Agreement agreement(const std::optional<Span>& band, Seconds from, Seconds to, Seconds uncertainty) {
  if (!band) return Agreement::unpredicted;
  return weigh(band->min.value, band->max.value, from.value, to.value, uncertainty.value);
}

std::string word(Agreement agreement) {
  switch (agreement) {
    case Agreement::unpredicted:
      return "";
    case Agreement::inside:
      return "inside";
    case Agreement::undecided:
      return "undecided";
    case Agreement::outside:
      return "outside";
  }
  return "";
}

std::string called_out(const std::string& line, const std::string& level, const std::optional<Window>& band, Volts from, Volts to,
                       Volts uncertainty) {
  if (agreement(band, from, to, uncertainty) != Agreement::outside) return "";
  return fmt::format("{} {}: {:.2f} to {:.2f} V measured, {:.2f} to {:.2f} V predicted: {}", line, level, from.value, to.value,
                     band->min.value, band->max.value, kMeaning);
}

std::string called_out(const std::string& line, const std::string& edge, const std::optional<Span>& band, Seconds from, Seconds to,
                       Seconds uncertainty) {
  if (agreement(band, from, to, uncertainty) != Agreement::outside) return "";
  return fmt::format("{} {}: {:.2f} to {:.2f} us measured, {:.2f} to {:.2f} us predicted: {}", line, edge, from.value * 1e6,
                     to.value * 1e6, band->min.value * 1e6, band->max.value * 1e6, kMeaning);
}

}  // namespace tenterhook::files
