// The channel models of a fixture that was never calibrated: nominal values, and the tolerance of its
// parts as uncertainty. A calibration replaces them, channel by channel.
#pragma once

#include "host/files/fixture.h"
#include "host/measure/uncertainty.h"

namespace tenterhook::measure {

ChannelModel nominal_sense(const files::Fixture& fixture);
ChannelModel nominal_rail(const files::Fixture& fixture, int rail);

}  // namespace tenterhook::measure
