// Inrush and warm-up curves: the power-up with looks at volts and current of the rail that comes up, back to
// back at first, then ever further apart; and what a curve says.
//
// The looks are ordinary samples between the operations of the power-up, so the trips see nothing new. A look
// takes 0.2 ms; relays that bridge or open a pre-charge path keep the program for 30 ms, which is when the
// first look after them comes.
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

// The power-up of every rail, guarded against slow overheating (I2t) and against a short that shows on the
// pre-charge path; `watched`: with looks.
Result<std::vector<plan::ProgramStep>> staged_steps(const plan::Plan& plan, bool watched);

// Collects the looks of staged_steps(); one curve of volts and one of current a rail, in the plan's order.
class CurveBook {
 public:
  explicit CurveBook(const plan::Plan& plan);
  void take(const link::SampleBlock& block);
  void take(const link::Milestone& milestone);
  std::vector<record::CurveRecord> curves() const;
  // When a soft start had reached its volts, since the first look; empty when it never did or has none.
  std::optional<Seconds> soft_started(const std::string& rail) const;

 private:
  struct Looks {
    std::optional<double> began_s, reached_s;
    int waits = 0;
    record::CurveRecord volts, amps;
  };
  const plan::Plan& plan_;
  std::vector<Looks> looks_;
};

struct CurveFigures {
  double peak = 0.0, peak_s = 0.0;
  double steady = 0.0;  // mean of the last tenth of the looks, at least one
  double half_s = 0.0;  // from the peak until half way down to steady; 0 when it never was above
  double i2t = 0.0;     // A^2 s over the whole curve, trapezoids
};
// Precondition: the curve has a point.
CurveFigures figures_of(const record::CurveRecord& curve);
// When the curve first reaches a value; empty when never.
std::optional<double> time_to(const record::CurveRecord& curve, double value);

// Drawn over logarithmic time, `width` columns, with its scales; lines end in '\n'.
std::string drawing(const record::CurveRecord& curve, int width, bool unicode);
// "rail,quantity,time_s,value" and a row a point.
std::string csv(const std::vector<record::CurveRecord>& curves);

}  // namespace tenterhook::power
