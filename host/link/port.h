// A byte stream to a fixture: a serial port, a pseudo-terminal, a socket, or the in-process emulator.
#pragma once

#include <cstdint>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/base/units.h"

namespace tenterhook::link {

class Port {
 public:
  virtual ~Port() = default;

  // Reads what is there, waiting at most `patience` for the first byte; 0 bytes = nothing came.
  // Error (Trouble::fixture, cause named): the cable is gone, the other end closed.
  virtual Result<std::size_t> read(std::span<std::uint8_t> into, Seconds patience) = 0;
  // Writes all or fails.
  virtual Status write(std::span<const std::uint8_t> bytes) = 0;
  // Time of the fixture's world: the wall clock for real ports, virtual time in lockstep, where only
  // read() advances it. Seconds since an arbitrary start, never decreasing.
  virtual Seconds now() = 0;
  // True when the other end runs in lockstep with this thread: no heartbeat thread may be used.
  virtual bool lockstep() const { return false; }
  virtual std::string describe() const = 0;
};

// "emulated" is made by the caller; here: /dev/…, unix:PATH, tcp:HOST:PORT, a pseudo-terminal's path.
// baud matters to real serial devices only (250000, 500000 or 1000000). Takes a lock on devices, so
// that two programs never talk to one fixture; discards bytes left over from an earlier user.
// Errors: Trouble::input for an address that has none of these forms or another baud rate,
// Trouble::fixture with the likely cause for everything that the machine refuses. Bounded: a
// connection that is not made within 3 s fails (looking up a host's name is the resolver's time).
Result<std::unique_ptr<Port>> open_port(const std::string& address, int baud);

// A serial port of this machine, for `fixture list`. Fields that the device does not tell are empty.
struct PortInfo {
  std::string path;         // "/dev/ttyUSB0"
  std::string description;  // what the system calls it
  std::string serial;       // serial number of the USB bridge (not of the fixture)
  int usb_vendor = -1;      // -1: not a USB device
  int usb_product = -1;
};
// Every serial port that the system knows, in its order. No port is opened.
Result<std::vector<PortInfo>> list_ports();

}  // namespace tenterhook::link
