// Inrush and warm-up curves: the power-up with the fixture's recorder on the rail that comes up (wire::CurveOp),
// and what a curve says. The recorder covers all of the time, finely after each switch of the rail and
// ever more coarsely then; the trips see nothing new.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/link/session.h"
#include "host/plan/plan.h"
#include "host/plan/program.h"
#include "host/record/run.h"

namespace tenterhook::power {

enum class Curves {
  none,
  rising,  // each rail until the next one is switched on: takes no time
  settled  // and so long after that its filaments have come to rest
};

// The power-up of every rail, guarded against slow overheating (I2t) and against a short that shows on the
// pre-charge path. Ends with the recorder stopped.
Result<std::vector<plan::ProgramStep>> staged_steps(const plan::Plan& plan, Curves curves);

struct CurveFigures {
  double peak = 0.0, peak_s = 0.0;
  double steady = 0.0;  // mean over the last tenth of the time, at least one point
  double half_s = 0.0;  // from the peak until half way down to steady; 0 when it never was above
  double i2t = 0.0;     // A^2 s over the whole curve, trapezoids
};
// Precondition: the curve has a point.
CurveFigures figures_of(const record::CurveRecord& curve);
// When the curve first reaches a value, between points in a straight line; empty when never.
std::optional<double> time_to(const record::CurveRecord& curve, double value);

// Collects what the recorder sends; one curve of current and one of volts a rail, in the plan's order.
class CurveBook {
 public:
  explicit CurveBook(const plan::Plan& plan);
  void take(const link::CurveBlock& block);
  void take(const link::Milestone& milestone);
  // Each point at the middle of the time that it covers, since the rail was switched; means.
  std::vector<record::CurveRecord> curves() const;
  // figures_of() the rail's current, but peak and i2t from every single conversion. Empty: no curve of it.
  std::optional<CurveFigures> figures(const std::string& rail) const;
  // When a soft start had reached its volts, since the switch; empty when it never did or has none.
  std::optional<Seconds> soft_started(const std::string& rail) const;

 private:
  struct Recorded {
    std::optional<double> began_s;
    int waits = 0;
    bool soft_started = false;
    double peak = 0.0, peak_s = 0.0;
    double i2t_before = 0.0, i2t = 0.0;  // of the recordings before this one; of all
    record::CurveRecord volts, amps;
  };
  const plan::Plan& plan_;
  std::vector<Recorded> rails_;
};

// Drawn over logarithmic time, `width` columns, with its scales; lines end in '\n'. `foretold`, when given, lies
// behind it.
std::string drawing(const record::CurveRecord& curve, int width, bool unicode, const record::CurveRecord* foretold = nullptr);
// "rail,quantity,time_s,value" and a row a point.
std::string csv(const std::vector<record::CurveRecord>& curves);

}  // namespace tenterhook::power
