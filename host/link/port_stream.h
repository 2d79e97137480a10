// Ports on a file descriptor: pseudo-terminals, Unix and TCP sockets. Internal to host/link.
#pragma once

#include <memory>
#include <string>

#include "host/base/result.h"
#include "host/link/port.h"

namespace tenterhook::link {

// How long any write may wait for the other end to take bytes.
inline constexpr Seconds kWritePatience{1.0};
inline constexpr Seconds kConnectPatience{3.0};

Result<std::unique_ptr<Port>> open_unix(const std::string& path);
// `where` is HOST:PORT; an IPv6 host stands in brackets.
Result<std::unique_ptr<Port>> open_tcp(const std::string& where);
// The slave side of a pseudo-terminal; made raw and flushed.
Result<std::unique_ptr<Port>> open_pseudo_terminal(const std::string& path);
// A real serial device, by libserialport.
Result<std::unique_ptr<Port>> open_serial(const std::string& path, int baud);

// Takes ownership of an open, connected stream descriptor.
std::unique_ptr<Port> stream_port(int descriptor, const std::string& description);

// --- shared by both kinds of port ---

Seconds wall_clock();
// The message for a device that the system refused to open, by errno.
Error refused(const std::string& path, int error_number);
// Takes an advisory lock on an open device; an Error names who has it, where that can be seen.
Status lock_device(int descriptor, const std::string& path);
// Waits until the descriptor is ready for `events`, at most `patience`. True: ready (or hung up).
Result<bool> wait_ready(int descriptor, short events, Seconds patience, const std::string& where);

}  // namespace tenterhook::link
