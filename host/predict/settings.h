// What to predict: the side file of a netlist, with inputs, outputs and how parts vary.
//
//   predict: or-follower
//   netlist: or-follower.cir
//   inputs:  {A: {source: va, low: 5 V, high: [22 V, 26 V],    # a window varies evenly
//                 bench: {low: 0 V, high: 30 V}}}              # when the gate is tested alone
//   outputs: {Y: y}                                  # name: node
//   vary:                                            # .param, "R*" elements, "x*.emission" of
//   tubes
//     R*: 5 %                                        # evenly within
//     x*.vct: {spread: 175 mV, clip: 2}              # normal; spread is one standard deviation
//   family:  {name: valve30, needs: {low: [-9.6 V, 9.3 V], high: [14 V, 31 V]}}
//   edges:   {input: A, load: 100 pF, ramp: 1 us, for: 40 us}
//
// Errors: Trouble::input with file:line:column; names that the netlist lacks are errors too.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/base/units.h"
#include "host/files/board.h"
#include "host/predict/netlist.h"

namespace tenterhook::predict {

struct Input {
  std::string name;
  std::string source;  // of the netlist
  Volts low{};         // the middle when a window was given
  Volts high{};
  int low_varied = -1;  // index in Settings::varied, -1: fixed
  int high_varied = -1;
  Volts bench_low{};  // what the bench gives it when the gate is tested alone; `low` when not said
  Volts bench_high{};
};

struct Output {
  std::string name;
  std::string node;
};

// One quantity that differs from specimen to specimen.
struct Varied {
  enum class What { parameter, instance, factor, celsius, input } what = What::parameter;
  std::string name;      // as in Changes
  double nominal = 0.0;  // factor: 1
  double reach =
      0.0;  // uniform: half width; normal: one standard deviation, in the quantity's unit
  bool normal = false;
  double clip = 2.0;  // normal: in standard deviations
  double limit() const { return normal ? clip * reach : reach; }
};

struct EdgeSettings {
  std::string input;
  Farads load{};
  Seconds ramp{1e-6};
  Seconds hold{40e-6};
  int samples = 30;
};

struct FanOut {
  Amps low{};   // flows into the output when it is low, per receiver
  Amps high{};  // out of the output when it is high
};

struct Settings {
  std::string name;
  std::vector<Input> inputs;  // in file order; the first is the leftmost bit of a state
  std::vector<Output> outputs;
  std::vector<Varied> varied;
  std::string family;  // empty: "predicted"
  files::LevelWindows needs;
  std::optional<EdgeSettings> edges;
  std::optional<FanOut> fan_out;
  int samples = 1000;
  std::uint64_t seed = 1;
  bool sobol = false;    // else Latin hypercube
  double share = 0.998;  // of the samples that a window holds, centrally
  Volts room{0.5};       // a window's outer end beyond the worst case, for the measurement
  double band = 0.99;    // of the specimens on the bench that the predicted band holds, centrally
};

struct Question {
  Settings settings;
  Netlist netlist;
};

// `path`: a .yaml side file, which names its netlist; or a netlist beside which NAME.yaml stands.
Result<Question> read_question(const std::string& path);

}  // namespace tenterhook::predict
