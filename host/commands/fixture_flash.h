// tenterhook fixture flash: puts this program's own firmware on an ATmega2560, with avrdude.
#pragma once

#include <string>

namespace tenterhook::commands {

struct FixtureFlashOptions {
  std::string port;                   // "/dev/ttyUSB0"
  std::string programmer = "wiring";  // as avrdude names it; the board's own boot loader
  bool yes = false;                   // do not ask
};

// Runs avrdude, which compares the chip's signature with the ATmega2560's (and refuses another),
// writes, and verifies; then greets the fixture and tells the build that answers. Errors: avrdude
// missing, or what it said (exit 3).
int fixture_flash(const FixtureFlashOptions& options);

}  // namespace tenterhook::commands
