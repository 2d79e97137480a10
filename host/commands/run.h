// tenterhook run: power up, warm up, drive, judge, record, power down.
#pragma once

#include "host/commands/options.h"

namespace tenterhook::commands {

int run(const RunOptions& options);

}  // namespace tenterhook::commands
