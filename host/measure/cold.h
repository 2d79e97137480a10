// Before power: what a pull on one lead after the other shows of the wiring. The board is cold, so every
// line hangs on its own resistors to rails that are at 0 V.
#pragma once

#include <map>
#include <vector>

#include "host/base/units.h"

namespace tenterhook::measure {

struct ColdLook {
  std::map<int, Volts> rest;                 // by sense channel, nothing pulled
  std::map<int, Volts> rail_rest;            // by rail channel
  struct Pull {                              // one lead pulled by 10 kohm to +5 V, all of them read
    std::map<int, Volts> sense, rail;
  };
  std::map<int, Pull> pulls;                 // by the pulled sense channel
};

struct ColdFindings {
  std::vector<int> open;                         // leads that follow the pull as nothing connected does
  std::vector<std::pair<int, int>> tied;         // leads that move as one though only one is pulled
  std::vector<std::pair<int, int>> on_rail;      // sense channel, rail channel: move as one
};

// Two points count as one when they move alike within 60 mV and 3 %: some 300 ohm between
// them at most, for lines of 10 kohm and more.
ColdFindings judge_cold(const ColdLook& look, Volts open_reads, Ohms divider);

}  // namespace tenterhook::measure
