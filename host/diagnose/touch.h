// The next point to touch: the net whose level splits the suspects best for the effort.
#pragma once

#include <optional>
#include <vector>

#include "host/circuit/sequence.h"
#include "host/diagnose/diagnose.h"
#include "host/diagnose/observed.h"
#include "host/diagnose/weigh.h"

namespace tenterhook::diagnose {

// Causes that nothing seen tells apart.
struct Group {
  std::vector<std::uint32_t> sets;  // into the sets weighed
  double probability = 0.0;
  std::vector<std::string> parts;
};

// `step`: hold there, or -1 to choose one. Nets already touched are left out, and lines that the
// run measured anyway. Nothing when no touch would tell much (kWorthwhile bits).
inline constexpr double kWorthwhile = 0.05;
std::optional<NextTouch> next_touch(const circuit::Netlist& netlist, const files::Board& board,
                                    const std::vector<circuit::SequenceStep>& steps,
                                    const std::vector<Hypothesis>& causes,
                                    const std::vector<Together>& sets,
                                    const std::vector<double>& probability,
                                    const std::vector<Group>& groups, const Observed& seen,
                                    const std::vector<Touched>& touched, int step);

}  // namespace tenterhook::diagnose
