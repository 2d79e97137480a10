// What coverage and generate both tell about a coverage, in JSON and in words.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

#include "host/circuit/coverage.h"

namespace tenterhook::commands {

// The fields of the command contract: faults, collapsed, detected, untestable, coverage, missed.
// Each missed class is told by the member nearest to the inputs: net, fault, and where they say
// more, at (the pin) and parts; "unproved" where the proof of untestability ran out of effort.
void add_coverage(nlohmann::ordered_json& json, const circuit::Netlist& netlist,
                  const files::Board& board, const circuit::Coverage& coverage);

// "58 of 58 testable faults (100 %); 2 cannot be caught by any vectors".
std::string coverage_sentence(const circuit::Coverage& coverage);

// One line a missed class; at most `lines_max`, then how many more.
std::string missed_text(const circuit::Netlist& netlist, const files::Board& board,
                        const circuit::Coverage& coverage, std::size_t lines_max);

}  // namespace tenterhook::commands
