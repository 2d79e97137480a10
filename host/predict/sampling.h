// Points of a unit cube, and the specimens that they stand for.
#pragma once

#include <cstdint>
#include <vector>

#include "host/base/result.h"
#include "host/predict/settings.h"

namespace tenterhook::predict {

// count x dimensions numbers strictly between 0 and 1. Latin hypercube: each of `count` equal
// slices of each dimension holds exactly one point (McKay, Beckman and Conover 1979). Same seed,
// same points.
std::vector<std::vector<double>> latin_hypercube(int count, int dimensions, std::uint64_t seed);
// Sobol's sequence, shifted by a seeded random vector modulo 1. At most 40 dimensions.
Result<std::vector<std::vector<double>>> sobol(int count, int dimensions, std::uint64_t seed);

// The value of a varied quantity at u in (0, 1): evenly spread, or normal and cut off at `clip`.
double value_at(const Varied& varied, double u);

// Puts values, in the order of `varied`, into changes.
void apply(const std::vector<Varied>& varied, const std::vector<double>& values, Changes& changes);
std::vector<double> nominal_values(const std::vector<Varied>& varied);

}  // namespace tenterhook::predict
