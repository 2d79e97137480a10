#include "host/link/port.h"

#include <fmt/format.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>

#include <cerrno>

#include "host/link/port_stream.h"

namespace tenterhook::link {
namespace {

// Device numbers of pseudo-terminal slaves on Linux: Documentation/admin-guide/devices.txt,
// "136-143 char Unix98 PTY slaves".
constexpr unsigned kPtyMajorFirst = 136;
constexpr unsigned kPtyMajorLast = 143;

// From a 16 MHz clock these are exact; 115200 would be 2.1 % off (ATmega2560 data sheet, table of
// UBRR settings for 16 MHz), enough to lose bytes with a bridge that errs the other way.
bool exact_baud(int baud) { return baud == 250000 || baud == 500000 || baud == 1000000; }

}  // namespace

Result<std::unique_ptr<Port>> open_port(const std::string& address, int baud) {
  if (address.rfind("unix:", 0) == 0) return open_unix(address.substr(5));
  if (address.rfind("tcp:", 0) == 0) return open_tcp(address.substr(4));
  if (address.empty() || address[0] != '/') {
    return input_error(address,
                       "this is not the address of a fixture: expected /dev/NAME, unix:PATH or tcp:HOST:PORT",
                       "`tenterhook fixture list` shows the serial ports of this machine");
  }
  struct stat what {};
  if (::stat(address.c_str(), &what) != 0) return refused(address, errno);
  if (S_ISSOCK(what.st_mode)) return open_unix(address);
  if (!S_ISCHR(what.st_mode)) {
    return input_error(address, "expected a serial port, found a file or folder",
                       "`tenterhook fixture list` shows the serial ports of this machine");
  }
  const unsigned major_number = major(what.st_rdev);
  if (major_number >= kPtyMajorFirst && major_number <= kPtyMajorLast) return open_pseudo_terminal(address);
  if (!exact_baud(baud)) {
    return input_error(address, fmt::format("{} baud is not possible: the controller's clock gives exactly "
                                            "250000, 500000 or 1000000", baud));
  }
  return open_serial(address, baud);
}

}  // namespace tenterhook::link
