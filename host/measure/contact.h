// The open-lead rule: an unconnected sense lead reads a fixed voltage (the divider's bias) that looks
// like a perfectly good low. A reading that close to it proves a level only if the same lead showed,
// before and after it in the run, that it is connected.
#pragma once

#include <functional>
#include <vector>

#include "host/measure/reading.h"

namespace tenterhook::measure {

// How near the open voltage a reading is suspect.
constexpr Volts kOpenLeadZone{3.0};

// What an unconnected lead reads while the test bus pulls it up through 10 kohm to +5 V: the pull-up
// against the divider (nodal sum of both branches).
Volts pulled_open_reads(Volts open_reads, Ohms divider);

// A lead pulled so proves its connection when it reads elsewhere by more than this and the
// uncertainty: whatever drives it, with up to about 88 kohm, holds it away from the open value.
constexpr Volts kPullProof{0.5};

// What a lead showed as it is and then pulled up. open: it sat at the open voltage and followed the pull
// all the way, as nothing but an unconnected lead does. proven: it is held elsewhere. Neither: a weak
// or high-ohm node that cannot be told from an open lead this way.
enum class Contact { proven, open, unknown };
Contact contact_of(Volts plain, Volts pulled, Volts U, Volts open_reads, Ohms divider);

// `run` holds every reading of one lead in time order. proven_before / proven_after: a pull-up check
// of this lead passed before the first / after the last reading. Turns a `pass` inside the zone to
// `unsure` unless the lead was proven on both sides. Returns how many were turned.
int apply_open_lead_rule(const std::vector<Reading*>& run, Volts open_reads, bool proven_before,
                         bool proven_after);

}  // namespace tenterhook::measure
