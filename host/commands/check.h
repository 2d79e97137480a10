// tenterhook check: reads files and predicts; touches no hardware.
#pragma once

#include "host/commands/options.h"

namespace tenterhook::commands {

int check(const CheckOptions& options);

}  // namespace tenterhook::commands
