#include "host/measure/verdict.h"

#include <gsl/gsl_cdf.h>

namespace tenterhook::measure {

std::string name(Verdict verdict) {
  switch (verdict) {
    case Verdict::pass: return "pass";
    case Verdict::fail: return "fail";
    case Verdict::unsure: return "unsure";
    case Verdict::none: return "none";
  }
  return "none";
}

double probability_of_conformity(Volts volts, Volts u, double dof, const files::Window& window) {
  const double low = (window.min - volts) / u;
  const double high = (window.max - volts) / u;
  if (dof > 0.0) return gsl_cdf_tdist_P(high, dof) - gsl_cdf_tdist_P(low, dof);
  // In the upper tail the difference of two values near 1 would lose digits: use the other tail.
  if (low > 0.0) return gsl_cdf_ugaussian_Q(low) - gsl_cdf_ugaussian_Q(high);
  return gsl_cdf_ugaussian_P(high) - gsl_cdf_ugaussian_P(low);
}

Verdict judge(const Estimate& e, const files::Window& window, Decision decision) {
  const Volts guard = decision == Decision::guarded ? e.U : Volts{0.0};
  // At the end of the converter's span the true value may be anywhere beyond: outside the window it
  // is a fail all the same, inside it proves nothing.
  if (e.volts < window.min - guard || e.volts > window.max + guard) return Verdict::fail;
  if (e.saturated) return Verdict::unsure;
  if (e.volts >= window.min + guard && e.volts <= window.max - guard) return Verdict::pass;
  return Verdict::unsure;
}

Verdict judge_again(const Estimate& pooled, const files::Window& window) {
  Estimate wider = pooled;
  wider.U = pooled.U * kSecondGuard;
  return judge(wider, window, Decision::guarded);
}

Verdict worst(Verdict a, Verdict b) {
  auto rank = [](Verdict v) {
    switch (v) {
      case Verdict::none: return 0;
      case Verdict::pass: return 1;
      case Verdict::unsure: return 2;
      case Verdict::fail: return 3;
    }
    return 3;
  };
  return rank(a) >= rank(b) ? a : b;
}

}  // namespace tenterhook::measure
