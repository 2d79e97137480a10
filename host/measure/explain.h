// What the record keeps of the channels a run measured with, and the uncertainty budget of a recorded
// reading worked out from it again.
#pragma once

#include <optional>
#include <set>
#include <string>
#include <vector>

#include "host/measure/uncertainty.h"

namespace tenterhook::measure {

// The models of the channels in `used` as JSON text: the section "channels" of a run.
std::string models_json(const std::vector<ChannelModel>& sense, const std::set<int>& used);
// One of them; nothing when the text does not have it.
std::optional<ChannelModel> model_from_json(const std::string& json, int sense);

// One component a line, with its standard uncertainty, degrees of freedom and share of the variance;
// then u, k and U. `json` the same for programs.
std::string budget_table(const Estimate& estimate);
std::string budget_json(const Estimate& estimate);

}  // namespace tenterhook::measure
