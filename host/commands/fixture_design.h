// tenterhook fixture design: parts of the sense front end for a span; touches no hardware.
#pragma once

#include <string>

namespace tenterhook::commands {

struct FixtureDesignOptions {
  std::string span = "-15V..60V";
  std::string json;  // "" = none, "-" = standard output
};

// Exit code: 0 answered, 2 the span makes no sense.
int fixture_design(const FixtureDesignOptions& options);

}  // namespace tenterhook::commands
