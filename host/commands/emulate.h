// The emulated fixture with a board in it, as a server for another process.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tenterhook::commands {

struct EmulateOptions {
  std::string board;             // board or vectors file
  std::string listen = "pty";    // "pty", "unix:PATH", "tcp:PORT" (0: any free one)
  std::vector<std::string> faults;
  std::optional<std::uint64_t> seed;
  bool quiet = false;            // print the address alone
};

// Serves until Ctrl-C; prints the address to give to --fixture as its first line, at once. Returns the
// exit code: 0 when the person ended it.
int emulate(const EmulateOptions& options);

}  // namespace tenterhook::commands
