// The circuit simulator, kept in a process of its own.
//
// Input: a flat circuit (netlist.h), an analysis and the vectors wanted. Output: numbers. The child
// alone loads the simulator's library: its return codes are useless, it runs commands found in
// netlists and start-up files, keeps poisoned state, is not thread-safe and may call exit(). So the
// child runs in an empty folder with an empty HOME and LC_NUMERIC = C, gets validated cards only,
// is killed on a time-out, and is replaced after kJobsMax jobs or whenever it misbehaved. Every
// vector asked for must be present, finite and as long as the others, and the simulator's own text
// must hold no error: else the job failed.
//
// One Simulator serves one thread. Start it before the program starts threads of its own (fork).
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/base/units.h"
#include "host/predict/netlist.h"

namespace tenterhook::predict {

struct Solution {
  std::vector<double> scale;                 // time (s) or frequency (Hz); one 0 for .op
  std::vector<std::vector<double>> vectors;  // in the order asked; AC gives magnitudes
};

class Simulator {
 public:
  static constexpr int kJobsMax = 10'000;  // the library leaks a little a job

  Simulator();
  ~Simulator();
  Simulator(const Simulator&) = delete;
  Simulator& operator=(const Simulator&) = delete;

  // `vectors`: node names, or "i(source)" for the current into a voltage source's first node.
  // `analysis` overrides the circuit's own card when not empty. Errors: Trouble::input with the
  // simulator's words when the circuit has no solution or takes longer than `limit`;
  // Trouble::fixture when the simulator's library cannot be started.
  Result<Solution> solve(const FlatCircuit& circuit, const std::vector<std::string>& vectors,
                         const std::string& analysis = {}, Seconds limit = Seconds{10.0});

  // Processes started so far: one, unless jobs were killed or the bound was reached.
  int processes_started() const;

 private:
  struct Child;
  Status start();
  void stop();

  std::unique_ptr<Child> child_;
  int started_ = 0;
};

}  // namespace tenterhook::predict
