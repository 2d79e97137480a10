#include "host/measure/cold.h"

#include <cmath>

#include "host/measure/contact.h"

namespace tenterhook::measure {

namespace {

constexpr Volts kMoved{0.15};      // less than this proves no connection between two points
constexpr Volts kSame{0.06};
constexpr double kSameShare = 0.03;
constexpr Volts kReading{0.15};    // of an uncalibrated channel against itself a moment before, with room

Volts movement(const std::map<int, Volts>& now, const std::map<int, Volts>& rest, int channel) {
  const auto a = now.find(channel), b = rest.find(channel);
  return a == now.end() || b == rest.end() ? Volts{0.0} : a->second - b->second;
}

bool as_one(Volts pulled, Volts other) {
  return abs(other) > kMoved && abs(pulled - other) <= kSame + abs(pulled) * kSameShare;
}

}  // namespace

ColdFindings judge_cold(const ColdLook& look, Volts open_reads, Ohms divider) {
  ColdFindings found;
  for (const auto& [sense, pull] : look.pulls) {
    const auto now = pull.sense.find(sense);
    const auto rest = look.rest.find(sense);
    if (now == pull.sense.end() || rest == look.rest.end()) continue;
    if (contact_of(rest->second, now->second, kReading, open_reads, divider) == Contact::open) {
      found.open.push_back(sense);
      continue;
    }
    const Volts moved = now->second - rest->second;
    for (const auto& [other, volts] : pull.sense) {
      if (other > sense && as_one(moved, movement(pull.sense, look.rest, other))) found.tied.emplace_back(sense, other);
    }
    for (const auto& [rail, volts] : pull.rail) {
      if (as_one(moved, movement(pull.rail, look.rail_rest, rail))) found.on_rail.emplace_back(sense, rail);
    }
  }
  return found;
}

}  // namespace tenterhook::measure
