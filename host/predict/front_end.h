// The fixture's sense front end, computed: parts for a span, what they read, and what they claim.
//
//   lead --+--[ r_top ]--+-- node --[ r_series ]-- buffer -- 16:1 multiplexer -- ADC
//          +--| c_top |--+-- [ r_ref ] -- AREF
//                        +-- [ r_ground ] -- 0 V
//                        +--| c_ground |-- 0 V
//
// Input: the span wanted at the lead. Output: E96 values, the straight line from counts to volts,
// the reading of an open lead, and an error budget. Errors: Trouble::input for a span that cannot
// be measured (beyond 60 V, turned round, or narrower than the reference). Pure arithmetic; the
// netlists in fixtures/mega2560/spice hold it against the circuit simulator.
#pragma once

#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/base/units.h"

namespace tenterhook::predict {

constexpr int kAdcCounts = 1024;
constexpr double kSpanLimitVolts = 60.0;

// Parts and tolerances common to every channel. Defaults: the mega2560 fixture.
struct FrontEndParts {
  Volts aref{4.096};
  double aref_tolerance = 0.0005;
  Ohms r_top{1e6};
  double resistor_tolerance = 0.001;
  double resistor_drift = 0.0005;  // 25 ppm/K over 20 K
  Farads c_top{10e-12};
  Farads c_input{5e-12};  // of the buffer and its wiring
  Ohms r_series{2200.0};  // limits the clamp current of a step
  Volts buffer_offset{0.002};
  Amps buffer_bias{1e-9};
  Volts buffer_rail{0.015};  // how near the buffer's output comes to 0 V
  Hertz buffer_bandwidth{10e6};
  double buffer_slew = 8e6;       // V/s
  double adc_absolute_lsb = 2.0;  // ADC absolute error (maker's sheet of a sister chip)
  Volts clamp_drop{0.6};
  Volts fault{60.0};  // volts that a lead may see with the fixture's power off
};

struct FrontEnd {
  FrontEndParts parts;
  Ohms r_ref{};        // 0: not fitted
  Ohms r_ground{};     // 0: not fitted
  Farads c_ground{};   // to be fitted, beside c_input
  double ratio = 0.0;  // volts at the node per volt at the lead
  Ohms thevenin{};     // of r_ref and r_ground
  Ohms input{};        // what the lead sees, to `open_reads`
  Volts offset{};      // volts = offset + per_count * count
  Volts per_count{};
  Volts span_min{};
  Volts span_max{};
  Volts linear_from{};  // below this the buffer is too near its rail
  Volts open_reads{};   // what an unconnected lead reads
  Seconds rise{};       // the front end's own 10-90 % rise, corrected divider
  Volts noise{};        // thermal, rms, referred to the lead: sqrt(k T / C) at the node
  Amps clamp_steady{};  // into the buffer's clamp at `fault`, power off
  Amps clamp_peak{};    // of a step to `fault`

  // Volts at the node for volts at the lead, and volts at the lead for a count.
  Volts node(Volts lead) const;
  Volts volts(double count) const;
};

struct FrontEndRequest {
  Volts low{-15.0};
  Volts high{60.0};
  FrontEndParts parts;
};
Result<FrontEnd> design_front_end(const FrontEndRequest& request);
// The same for given resistors.
FrontEnd evaluate_front_end(const FrontEndParts& parts, Ohms r_ref, Ohms r_ground);

// One line of the error budget: the most that one cause moves a reading at `lead`.
struct ErrorSource {
  std::string cause;
  Volts most{};
};
struct ErrorBudget {
  Volts lead{};
  std::vector<ErrorSource> sources;
  Volts worst{};     // all at their limits together
  Volts expanded{};  // 95 %: twice the root sum of squares of rectangular distributions
};
// Uncalibrated: part tolerances count. Calibrated: only what a two-point calibration leaves.
ErrorBudget error_budget(const FrontEnd& front_end, Volts lead, bool calibrated);

// What the test bus puts on a sense lead: a resistance to a voltage; 0 ohm: nothing.
struct BusLoad {
  std::string name;
  Volts to{};
  Ohms ohms{};
};
std::vector<BusLoad> bus_loads();
// Volts at a lead whose board side is `source` behind `ohms` (infinite: open).
Volts lead_volts(const FrontEnd& front_end, Volts source, Ohms ohms, const BusLoad& load);
// Source resistance and open-circuit volts from the readings under two loads, divider included.
struct SourceEstimate {
  Volts open{};
  Ohms ohms{};
};
SourceEstimate two_loads(const FrontEnd& front_end, const BusLoad& a, Volts read_a,
                         const BusLoad& b, Volts read_b);

// The E96 value nearest to `ohms`: round(10^(i/96)) to three digits (IEC 60063).
Ohms nearest_e96(Ohms ohms);
// The value `steps` places up the series from an E96 value.
Ohms step_e96(Ohms value, int steps);

}  // namespace tenterhook::predict
