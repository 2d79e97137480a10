// tenterhook fixture flash: puts this program's own firmware on an ATmega2560, with avrdude.
#pragma once

#include <string>

namespace tenterhook::commands {

struct FixtureFlashOptions {
  std::string port;                   // "/dev/ttyUSB0"
  std::string programmer = "wiring";  // as avrdude names it; the board's own boot loader
  bool yes = false;                   // do not ask
  int at_most_s = 180;                // avrdude is ended after so long; writing and verifying takes about 15 s
};

// Runs avrdude, which compares the chip's signature with the ATmega2560's (and refuses another),
// writes, and verifies; then greets the fixture, and compares the build that answers with what was written.
// Errors (exit 3): avrdude missing, or, from what it said: no such port, not permitted, another chip, no boot
// loader, verification; another firmware answering.
int fixture_flash(const FixtureFlashOptions& options);

}  // namespace tenterhook::commands
