// Can the supply and the wiring carry it? Computed from ratings before the first switch-on.
//
// In: a board or a machine with `draws`, `supply`, `wire`, `capacitance` (else estimates from `build:`).
// Out: per supply the steady and cold current, the inrush with and without a pre-charge path, the
// resistor and switch-over that keep both peaks under the supply's limit, drops, losses and stored energy.
// It is arithmetic from ratings: it never replaces a fuse, nor the local code on wire and connectors.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/board.h"
#include "host/files/machine.h"
#include "host/power/filaments.h"
#include "host/power/ratings.h"

namespace tenterhook::power {

// Peaks are planned so far under the supply's limit: parts, volts and room temperature differ.
constexpr double kHeadroom = 0.9;
// The rail's bleeder in the fixture.
constexpr Ohms kBleeder{1000.0};
constexpr Volts kBledBelow{5.0};

// A soft start through a resistor: two peaks, one at switch-on and one when the main contact closes.
struct PreCharge {
  Ohms resistor{};       // E24
  Watts peak{}, lasting{}, rating{};  // at switch-on; if the main contact never closed; the part to fit
  Amps first{}, second{};
  Volts until{};         // at the board when the main contact may close
  Seconds switch_over{};
  bool fits = false;     // both peaks stay under kHeadroom of the limit
};
// The smallest E24 resistor whose first peak fits, and the earliest moment at which the second one does;
// the least bad one, fits = false, when none does both. path: wires and contacts of both ways.
Result<PreCharge> pre_charge_for(const Filaments& filaments, Volts volts, Ohms path, Amps limit);

// What ratings foretell of one rail's soft start through a resistor that is there: to be held against the curve.
struct SoftStart {
  Amps peak{};
  Seconds reached{};             // soft-start's `until`
  std::vector<HeatPoint> curve;  // through the resistor, and kSoftStartTail beyond the main contact
};
// Empty: the rail has no soft start or feeds no filaments, or `until` is not reached within kSoftStartMost.
Result<std::optional<SoftStart>> soft_start_of(const files::Board& board, const std::string& rail, Ohms resistor);
constexpr Seconds kSoftStartMost{60.0}, kSoftStartTail{10.0};

struct WireBudget {
  files::Wire wire;
  Ohms ohms{};          // out and back, contacts included
  Volts drop{};         // at the steady current
  double share = 0.0;   // of the nominal volts
  double watts_per_metre = 0.0;
  Watts contact{};      // in each connector
};

struct SupplyBudget {
  std::string name;     // "heater", or the machine's supply
  Volts volts{};
  Amps limit{};
  RailDraws draws;
  Amps steady{}, cold{};            // when warm; at the first moment into a stiff supply
  Amps held{};                      // what the supply lets through at first
  std::optional<Seconds> held_for;  // it limits for so long; empty: not at all
  std::optional<Filaments> filaments;
  std::optional<PreCharge> pre_charge;  // where cold current passes the limit
  std::optional<WireBudget> wire;
  std::optional<Farads> capacitance;
  double joules = 0.0;
  Seconds bleed{};                  // to kBledBelow
  std::vector<std::string> warnings;
};

struct Budget {
  std::string name;
  std::vector<SupplyBudget> supplies;
};

Result<Budget> budget_of(const files::Board& board);
Result<Budget> budget_of(const files::Machine& machine);

// For people; lines end in '\n'. For programs: one JSON object.
std::string text(const Budget& budget);
std::string json(const Budget& budget);

}  // namespace tenterhook::power
