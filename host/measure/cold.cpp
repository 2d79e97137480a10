#include "host/measure/cold.h"

#include <algorithm>
#include <cmath>

#include "host/measure/contact.h"

namespace tenterhook::measure {

namespace {

constexpr Volts kMoved{0.15};      // less than this proves no connection between two points
constexpr Volts kSame{0.06};
constexpr double kSameShare = 0.03;
// A line and the rail it is tied to: whatever else hangs on the rail, both go the same small way.
constexpr Volts kRailMoved{0.015}, kRailSame{0.03};
constexpr Volts kReading{0.15};    // of an uncalibrated channel against itself a moment before, with room
constexpr Volts kFollowsWell{1.0};
constexpr double kPulledDown = 0.3;  // of its own height: what a lead keeps beside one that is held at 0 V
// Channels of one fixture read the same within this near 0 V: 0.1 % parts, the converter in common.
constexpr Volts kAlike{0.15};

Volts movement(const std::map<int, Volts>& now, const std::map<int, Volts>& rest, int channel) {
  const auto a = now.find(channel), b = rest.find(channel);
  return a == now.end() || b == rest.end() ? Volts{0.0} : a->second - b->second;
}

bool as_one(Volts pulled, Volts other) {
  return abs(other) > kMoved && abs(pulled - other) <= kSame + abs(pulled) * kSameShare;
}

bool on_rail(Volts pulled, Volts rail) {
  return abs(rail) > kRailMoved && abs(pulled - rail) <= kRailSame + abs(pulled) * kSameShare;
}

bool holds(const std::vector<int>& channels, int channel) { return std::count(channels.begin(), channels.end(), channel) > 0; }

std::vector<int> closed_reeds(const ColdLook& look) {
  std::vector<int> closed;
  for (const auto& [sense, volts] : look.bus_alone) {
    if (movement(look.bus_alone, look.rest, sense) > kMoved * 2.0) closed.push_back(sense);
  }
  return closed;
}

std::optional<Volts> own_movement(const ColdLook& look, int sense, const ColdLook::Pull& pull) {
  if (!look.rest.count(sense) || !pull.sense.count(sense)) return std::nullopt;
  return movement(pull.sense, look.rest, sense);
}

// The rail that moves with a lead most alike; -1 when none does.
int rail_along(const ColdLook& look, const ColdLook::Pull& pull, Volts moved) {
  int best = -1;
  Volts least{1.0};
  for (const auto& [rail, volts] : pull.rail) {
    const Volts along = movement(pull.rail, look.rail_rest, rail);
    if (!on_rail(moved, along) || abs(moved - along) >= least) continue;
    least = abs(moved - along);
    best = rail;
  }
  return best;
}

}  // namespace

ColdQuestions cold_questions(const ColdLook& look, Volts open_reads, Ohms divider) {
  ColdQuestions ask;
  const std::vector<int> closed = closed_reeds(look);
  Volts most = kFollowsWell;
  for (const auto& [sense, pull] : look.pulls) {
    const auto moved = own_movement(look, sense, pull);
    if (!moved || holds(closed, sense)) continue;
    if (contact_of(look.rest.at(sense), pull.sense.at(sense), kReading, open_reads, divider) == Contact::open) ask.high.push_back(sense);
    if (abs(*moved) < kHeldStill) ask.beside.push_back(sense);
    if (*moved > most) {
      most = *moved;
      ask.other = sense;
    }
  }
  if (!ask.other) ask.beside.clear();
  return ask;
}

ColdFindings judge_cold(const ColdLook& look, Volts open_reads, Ohms divider) {
  ColdFindings found;
  found.reed_closed = closed_reeds(look);
  for (const auto& [sense, pull] : look.pulls) {
    const auto moved = own_movement(look, sense, pull);
    if (!moved || holds(found.reed_closed, sense)) continue;
    const auto high = look.high.find(sense);
    const std::optional<Volts> high_reads = high == look.high.end() ? std::nullopt : std::optional<Volts>(high->second);
    if (contact_of(look.rest.at(sense), pull.sense.at(sense), kReading, open_reads, divider, high_reads) == Contact::open) {
      found.open.push_back(sense);
      continue;
    }
    const auto beside = look.beside.find(sense);
    if (beside != look.beside.end()) {
      const Volts alone = look.pulls.at(beside->second.other).sense.at(beside->second.other);
      if (beside->second.other_reads > alone * kPulledDown) {
        found.reed_open.push_back(sense);
        continue;
      }
    }
    if (beside != look.beside.end() || (abs(*moved) < kHeld && abs(*moved) >= kHeldStill)) {
      found.held.emplace_back(sense, rail_along(look, pull, *moved));
      continue;
    }
    for (const auto& [other, volts] : pull.sense) {
      if (other <= sense || holds(found.reed_closed, other)) continue;
      if (as_one(*moved, movement(pull.sense, look.rest, other))) found.tied.emplace_back(sense, other);
    }
    for (const auto& [drive, volts] : pull.drive) {
      if (as_one(*moved, movement(pull.drive, look.drive_rest, drive))) found.on_drive.emplace_back(sense, drive);
    }
    for (const auto& [rail, volts] : pull.rail) {
      if (on_rail(*moved, movement(pull.rail, look.rail_rest, rail))) found.on_rail.emplace_back(sense, rail);
    }
  }
  return found;
}

std::vector<int> idle_drives(const std::map<int, Volts>& rest, const std::vector<int>& asked, const std::vector<int>& spare,
                             Volts open_reads, Volts tolerance) {
  std::vector<double> open;
  for (const int channel : spare) {
    if (const auto found = rest.find(channel); found != rest.end()) open.push_back(found->second.value);
  }
  Volts level = open_reads, within = tolerance;
  if (!open.empty()) {
    std::nth_element(open.begin(), open.begin() + static_cast<long>(open.size() / 2), open.end());
    const Volts median{open[open.size() / 2]};
    // Spare channels that are not where open ones are have something on them: they tell nothing.
    if (abs(median - open_reads) <= tolerance) {
      level = median;
      within = kAlike;
    }
  }
  std::vector<int> idle;
  for (const int channel : asked) {
    const auto found = rest.find(channel);
    if (found != rest.end() && abs(found->second - level) <= within) idle.push_back(channel);
  }
  return idle;
}

}  // namespace tenterhook::measure
