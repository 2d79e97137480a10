// A byte stream to a fixture: a serial port, a pseudo-terminal, a socket, or the in-process emulator.
#pragma once

#include <cstdint>
#include <memory>
#include <span>
#include <string>

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
Result<std::unique_ptr<Port>> open_port(const std::string& address, int baud);

}  // namespace tenterhook::link
