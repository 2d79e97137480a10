// Where the next voltage comes from while a failure is being narrowed down: typed by a person, or taken from the hand lead.
#pragma once

#include <memory>
#include <optional>

#include "host/commands/options.h"
#include "host/diagnose/diagnose.h"
#include "host/files/vectors.h"

namespace tenterhook::commands {

class Toucher {
 public:
  virtual ~Toucher() = default;
  // The volts at next.at with the board held at next.step; nothing when the person leaves or the time is up.
  virtual Result<std::optional<double>> touch(const diagnose::NextTouch& next) = 0;
  // Ends it: the board is powered down. An exit code.
  virtual int end() { return kExitPass; }
};

// Asks on the terminal: "23.8", "23.8 V", "23.8V"; q leaves.
std::unique_ptr<Toucher> typed_touches();
// The volts that a person typed; nothing when they are none.
std::optional<double> typed_volts(const std::string& text);

struct HandOptions {
  double at_most_s = 300.0;  // for each touch
  bool mute = false;
  bool to_stderr = false;    // what is told; standard output is JSON's
};
// Powers the board (of the recorded run) on its fixture at the first touch, holds it at each step, and takes the reading
// on the hand lead as soon as it is steady. Errors (input): the board's file has no `hookup: {hand: sense.N}`.
Result<std::unique_ptr<Toucher>> hand_touches(const BenchOptions& bench, const files::Vectors& vectors, const HandOptions& options);

}  // namespace tenterhook::commands
