// Which line and rail is on which channel of the fixture.
#pragma once

#include <string>
#include <vector>

#include "host/plan/plan.h"

namespace tenterhook::plan {

// Takes the board's own hookup, or assigns channels in file order where it has none: inputs to drives
// (grouped by what feeds them, a bank each), clocks to fast lines while they last, outputs to senses,
// rails to rail channels that can carry them. Fills plan.hookup, banks, fasts, rails, wiring.
Status make_hookup(Plan& plan);

}  // namespace tenterhook::plan
