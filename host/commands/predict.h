// tenterhook predict: windows, margins and edges from a netlist; touches no hardware.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

namespace tenterhook::commands {

struct PredictOptions {
  std::string netlist;  // the .cir, beside which its .yaml stands, or the .yaml
  std::string json;     // "" = none, "-" = standard output
  std::string out;      // where the `families:` block goes; "" = only shown
  std::optional<int> samples;
  std::optional<std::uint64_t> seed;
  bool models = false;  // list the built-in models instead
  bool quiet = false;
};

// Exit code: 0 answered, 2 bad netlist or side file, 3 the simulator cannot be started.
int predict(const PredictOptions& options);

}  // namespace tenterhook::commands
