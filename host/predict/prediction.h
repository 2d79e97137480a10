// Levels and edges of one gate, predicted from its netlist with its parts' spread.
//
// Input: a Question (settings.h). Output: for every output and every state of the inputs the levels
// of all specimens; windows of lows and highs; margins against a family; which part matters; edges.
// Errors: Trouble::input when a specimen has no solution (its number and values are named).
// Time: about 0.3 ms a specimen and state.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/predict/settings.h"
#include "host/predict/simulator.h"

namespace tenterhook::predict {

struct Levels {
  std::string state;     // bits of the inputs, as in Settings::inputs; "" over several states
  double nominal = 0.0;  // volts, as everything here
  double min = 0.0, max = 0.0, mean = 0.0, deviation = 0.0;
  double from = 0.0, to = 0.0;              // the central `share` of the specimens
  double worst_from = 0.0, worst_to = 0.0;  // all parts at their limits, searched
  double corner_from = 0.0,
         corner_to = 0.0;  // parameters and temperature at their limits, parts nominal
  bool high = false;
};

// What a gate with good parts shows on the bench: parts drawn, supplies, temperature and inputs at
// the values that the bench gives. Volts.
struct Band {
  double from = 0.0, to = 0.0;  // the central `band` share of the specimens
  double min = 0.0, max = 0.0;  // all of them
  double worst_from = 0.0, worst_to = 0.0;  // parts at their limits, searched
};

// Extremes over specimens of a time in seconds.
struct Times {
  double nominal = 0.0, min = 0.0, max = 0.0;
};

struct Edges {
  std::string output;
  std::string state;  // of the other inputs, the toggled one written as '*'
  bool inverts = false;
  Times rise, fall;              // 10 to 90 % of the output's own swing
  Times delay_rise, delay_fall;  // half swing of the input to half swing of the output
  double toggle_hertz = 0.0;     // 1 / (both edges complete to 90 %), worst specimen
};

struct Sensitivity {
  std::string quantity;
  double low_volts = 0.0;  // how far a low moves when the quantity goes from limit to limit
  double high_volts = 0.0;
};

struct FanOutPoint {
  int receivers = 0;
  double low = 0.0, high = 0.0;                // nominal levels, worst state
  double margin_low = 0.0, margin_high = 0.0;  // against the family, worst specimen
};

struct OutputPrediction {
  std::string name;
  std::vector<Levels> states;
  std::optional<Levels> low, high;                // over all states of that level
  std::optional<Band> bench_low, bench_high;      // the same on the bench
  std::optional<double> margin_low, margin_high;  // `needs` minus the window, volts; below 0: none
  std::vector<Sensitivity> sensitivities;         // strongest first
  std::vector<FanOutPoint> fan_out;
  int wrong = 0;  // specimens whose level fell on the other side of the switching threshold
};

struct Prediction {
  std::string name;
  int samples = 0;
  std::uint64_t seed = 0;
  double share = 0.0;
  double threshold = 0.0;
  std::vector<OutputPrediction> outputs;
  std::vector<Edges> edges;
  files::Family family;  // what the block below says, rounded as written there
  std::string families;  // a `families:` block for board.yaml
};

Result<Prediction> predict(const Question& question, Simulator& simulator);

// A family's predicted part as text for board.yaml: windows to 0.1 V, edges to 0.01 us; no `drive`.
std::string families_block(const files::Family& family);

}  // namespace tenterhook::predict
