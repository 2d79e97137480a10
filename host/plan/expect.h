// Completes the expectations that the vectors leave to the circuit, and compares the written ones
// with it before any hardware moves.
#pragma once

#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/vectors.h"

namespace tenterhook::plan {

// Steps the circuit model through the vectors from its unknown power-up state. `expect: circuit`
// becomes a bit for every output; one the model cannot know becomes `x`. `expect: {Q: F}` becomes
// the bits driven on F. A written expectation that the circuit contradicts adds a warning that names
// the line and the step. Error (input): `expect: circuit` on a board without a circuit.
Status fill_expectations(files::Vectors& vectors, std::vector<std::string>& warnings);

}  // namespace tenterhook::plan
