// Serves an emulated controller to another process: on a pseudo-terminal, a Unix socket or TCP, its
// virtual time paced by the wall clock.
#pragma once

#include <functional>
#include <string>

#include "fixtures/emulated/fixture/controller.h"
#include "host/base/result.h"
#include "host/link/cancel.h"

namespace tenterhook::commands {

// What was listened on, as the other process names it after --fixture, once it can be opened.
using Listening = std::function<void(const std::string& address)>;

// listen: "pty", "unix:PATH" (a left-over socket nobody serves is replaced) or "tcp:PORT" (this
// machine only; port 0 picks a free one). One client at a time; a second one is turned away, and a
// new one finds the fixture as the last one left it. Bytes that nobody takes are lost, as on a wire.
// Returns when stop is requested. Errors: Trouble::input for another form, Trouble::fixture when
// the machine refuses.
// Virtual time never runs ahead of the wall clock; when it falls more than kLagMost behind (a busy or
// sleeping computer) it goes on from there, and does not catch up.
Status serve(emulated::Controller& controller, const std::string& listen, const Listening& listening,
             const link::Cancellation& stop);

constexpr double kLagMostSeconds = 0.05;

}  // namespace tenterhook::commands
