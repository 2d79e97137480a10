// How long the fixture's relays take: each drive's relay and each reed of the test bus is operated and released
// once, and its lead looked at all the while. And the settle time that follows from it, kept per fixture serial.
//
// Operate: from the coil's command to the first touch; release: to the contact's opening; bounce: from the first
// touch until it stays closed.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/fixture.h"
#include "host/link/session.h"

namespace tenterhook::commands {

struct RelayTime {
  std::string relay;  // "drive.3", "test-bus.7"
  Seconds operate{}, release{}, bounce{};
};

// Leads free (a drive takes its lead from the open voltage to its low, a reed onto the pulled bus). Relays that do not
// move, or whose lead is held, are left out. Resolution: 0.15 ms for reeds, 0.5 ms for relays.
Result<std::vector<RelayTime>> time_relays(link::Session& session, const files::Fixture& fixture);

// What the slowest of them needs, with a quarter and 2 ms to spare.
Seconds settle_needed(const std::vector<RelayTime>& times);

// The settle time measured on the fixture with this serial: $XDG_DATA_HOME/tenterhook/relays/SERIAL.yaml. Nothing when
// it was never measured or cannot be read: the description's value stands.
std::optional<Seconds> measured_settle(const std::string& fixture_serial);
Status keep_settle(const std::string& fixture_serial, Seconds settle, const std::string& date);

}  // namespace tenterhook::commands
