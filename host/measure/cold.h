// Before power: what a pull on one lead after the other shows of the wiring. The board is cold, so every
// line hangs on its own resistors to rails that are at 0 V.
//
// Pure: volts in, findings out, by channel. What of it is a fault on a given board, its circuit decides
// (host/commands/cold_check.h).
#pragma once

#include <map>
#include <optional>
#include <utility>
#include <vector>

#include "host/base/units.h"

namespace tenterhook::measure {

struct ColdLook {
  std::map<int, Volts> rest;                 // by sense channel, nothing pulled
  std::map<int, Volts> drive_rest;           // by drive channel: its lead, sensed
  std::map<int, Volts> rail_rest;            // by rail channel
  std::map<int, Volts> bus_alone;            // by sense channel: the bus pulled by 10 kohm to +5 V, no lead on it
  struct Pull {                              // one lead pulled so, all of them read
    std::map<int, Volts> sense, drive, rail;
  };
  std::map<int, Pull> pulls;                 // by the pulled sense channel
  std::map<int, Volts> high;                 // by sense channel: pulled by 1 Mohm to +24 V; those that were asked for
  struct Beside {                            // a second lead on the pulled bus with one that did not move
    int other = -1;
    Volts other_reads{};
  };
  std::map<int, Beside> beside;              // by the lead that did not move
};

// What the fixture should look at more closely, from the first round of pulls.
struct ColdQuestions {
  std::vector<int> high;                     // leads that follow the low pull all the way: pull them high
  std::vector<int> beside;                   // leads that no pull moves: does their reed close at all?
  std::optional<int> other;                  // a lead that follows well, for those
};
ColdQuestions cold_questions(const ColdLook& look, Volts open_reads, Ohms divider);

struct ColdFindings {
  std::vector<int> reed_closed;                  // leads on the bus though no reed was asked for
  std::vector<int> reed_open;                    // leads that the bus does not reach
  std::vector<int> open;                         // leads that follow both pulls as nothing connected does
  std::vector<std::pair<int, int>> tied;         // leads that move as one though only one is pulled
  std::vector<std::pair<int, int>> on_drive;     // sense channel, drive channel: move as one
  std::vector<std::pair<int, int>> on_rail;      // sense channel, rail channel: move as one
  // Leads whose reed works and that hang on less than 160 ohm; with the rail that moves along, -1 for ground.
  std::vector<std::pair<int, int>> held;
};

// Two points count as one when they move alike within 60 mV and 3 %: some 300 ohm between
// them at most, for lines of 10 kohm and more.
ColdFindings judge_cold(const ColdLook& look, Volts open_reads, Ohms divider);

// A lead that the pull moves by less than the first hangs on less than 160 ohm; less than the second may be its reed.
constexpr Volts kHeld{0.08}, kHeldStill{0.05};

// Drive leads (of `asked`) that nothing on the board loads: they sit where the unconnected ones (`spare`) of
// the same fixture do, or, without such, at the open voltage within the tolerance of an uncalibrated channel.
std::vector<int> idle_drives(const std::map<int, Volts>& rest, const std::vector<int>& asked, const std::vector<int>& spare,
                             Volts open_reads, Volts tolerance);

}  // namespace tenterhook::measure
