// tenterhook fixture list: the serial ports of this machine, and what answers on them.
#pragma once

#include <string>
#include <vector>

namespace tenterhook::commands {

struct FixtureListOptions {
  std::vector<std::string> also;  // further addresses to ask: unix:PATH, tcp:HOST:PORT, a pseudo-terminal
  std::string json;               // "" = none, "-" = standard output
};

// Greets each port for a few seconds; opening one may reset what hangs on it. A port that does not
// answer is told with the reason and the remedy. Exit 0 when it could look.
int fixture_list(const FixtureListOptions& options);

}  // namespace tenterhook::commands
