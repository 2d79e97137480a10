#include "host/measure/nominal.h"

#include <cmath>

namespace tenterhook::measure {

namespace {

// The tolerance is a bound: within it every error is as likely as any other (JCGM 100, 4.3.7).
Component tolerance(Volts bound) { return {"parts' tolerance, uncalibrated", bound / std::sqrt(3.0), 0.0}; }

}  // namespace

ChannelModel nominal_sense(const files::Fixture& fixture) {
  ChannelModel m;
  m.offset = fixture.sense.offset;
  m.per_count = fixture.sense.per_count;
  m.span_min = fixture.sense.span_min;
  m.span_max = fixture.sense.span_max;
  m.open_reads = fixture.sense.open_reads;
  m.known = {tolerance(fixture.sense.tolerance)};
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
