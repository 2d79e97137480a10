#include "host/measure/nominal.h"

#include <cmath>

namespace tenterhook::measure {

namespace {

// The tolerance is a bound: within it every error is as likely as any other (JCGM 100, 4.3.7).
// The converter's non-linearity is part of it, one step as a bound (ATmega2560 data sheet, from memory): that part
// differs from level to level.
std::vector<Component> tolerance(Volts bound, Volts step) {
  const double all = bound.value / std::sqrt(3.0);
  const double curve = std::min(all, std::fabs(step.value) / std::sqrt(3.0));
  return {{"parts' tolerance, uncalibrated", Volts{std::sqrt(all * all - curve * curve)}, 0.0, false},
          {"non-linearity, uncalibrated", Volts{curve}, 0.0, true}};
}

}  // namespace

ChannelModel nominal_sense(const files::Fixture& fixture) {
  ChannelModel m;
  m.offset = fixture.sense.offset;
  m.per_count = fixture.sense.per_count;
  m.span_min = fixture.sense.span_min;
  m.span_max = fixture.sense.span_max;
  m.open_reads = fixture.sense.open_reads;
  m.known = tolerance(fixture.sense.tolerance, fixture.sense.per_count);
  return m;
}

ChannelModel nominal_rail(const files::Fixture& fixture, int rail) {
  const auto& channel = fixture.rails.at(static_cast<std::size_t>(rail));
  ChannelModel m = nominal_sense(fixture);
  m.offset = channel.volts_offset;
  m.per_count = channel.volts_per_count;
  return m;
}

}  // namespace tenterhook::measure
