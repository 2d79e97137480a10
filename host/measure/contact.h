// The open-lead rule: an unconnected sense lead reads a fixed voltage (the divider's bias) that looks
// like a perfectly good low. A reading that close to it proves a level only if the same lead showed,
// before and after it in the run, that it is connected.
#pragma once

#include <functional>
#include <optional>
#include <vector>

#include "host/measure/reading.h"

namespace tenterhook::measure {

// How near the open voltage a reading is suspect.
constexpr Volts kOpenLeadZone{3.0};

// The test bus's two pulls. The first separates a lead that is off from whatever holds a line with up to
// some 88 kohm; the second, which hardly loads it, from sources up to 10 Mohm, and from a low that happens to
// lie near 5 V.
enum class Pull { low, high };  // 10 kohm to +5 V; 1 Mohm to +24 V

// What an unconnected lead reads while it is pulled: the pull against the divider (nodal sum of both
// branches): 4.96 V and 12.76 V with nominal parts.
Volts pulled_open_reads(Volts open_reads, Ohms divider, Pull pull = Pull::low);

// A lead pulled so proves its connection when it reads elsewhere by more than this and the uncertainty:
// whatever drives it holds it away from the open value. The high pull has a plain supply behind it (5 %).
constexpr Volts kPullProof{0.5};
constexpr Volts kHighPullProof{1.5};

// What a lead showed as it is, then pulled low, then (where that did not decide) pulled high. open: it sat
// at the open voltage and followed both pulls all the way, as nothing but an unconnected lead does; without a
// high pull the low one alone says so. proven: it is held elsewhere. unknown: it follows the low pull from
// elsewhere, and no high pull was made, or from neither can it be told.
enum class Contact { proven, open, unknown };
Contact contact_of(Volts plain, Volts pulled, Volts U, Volts open_reads, Ohms divider, std::optional<Volts> high = std::nullopt);

// `run` holds every reading of one lead in time order. proven_before / proven_after: a pull-up check
// of this lead passed before the first / after the last reading. Turns a `pass` inside the zone to
// `unsure` unless the lead was proven on both sides. Returns how many were turned.
int apply_open_lead_rule(const std::vector<Reading*>& run, Volts open_reads, bool proven_before,
                         bool proven_after);

}  // namespace tenterhook::measure
