// The decision whether a level lies inside its window (JCGM 106:2012; ILAC-G8:09/2019).
#pragma once

#include "host/measure/reading.h"
#include "host/measure/uncertainty.h"

namespace tenterhook::measure {

// guarded: guard band w = U; pass inside, fail outside by U, unsure between (the default).
// simple:  w = 0; the reading alone decides.
enum class Decision { guarded, simple };

// Probability that the true value lies inside the window, for a normal state of knowledge
// (JCGM 106, 7.2 to 7.4), with Student's t where dof is finite. Precondition: u > 0.
double probability_of_conformity(Volts volts, Volts u, double dof, const files::Window& window);

Verdict judge(const Estimate& estimate, const files::Window& window, Decision decision);

// The guard band of a second look, in U of both looks pooled. A wrong pass at the limit has two chances
// then, and the union bound keeps their sum below 3 %: Q(1.96) + Q(1.96 * 1.315) = 2.5 % + 0.5 %, however
// the two are correlated; at U beyond the limit Q(3.92) + Q(1.96 * 2.315) < 5e-5 (docs/measurement.md).
constexpr double kSecondGuard = 1.315;
// Of an unsure reading after its second look; `pooled` is the estimate from all conversions of both.
Verdict judge_again(const Estimate& pooled, const files::Window& window);

// pass if all pass; fail if any failed; else unsure. `none` counts nowhere.
Verdict worst(Verdict a, Verdict b);

}  // namespace tenterhook::measure
