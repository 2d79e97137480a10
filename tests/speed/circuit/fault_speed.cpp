// Speed of stuck-at simulation: all collapsed faults x 10,000 random patterns on circuits of the
// size of the largest ISCAS-85 ones. Items a second are gate * fault * patterns, dropped work
// included, as if every fault had been simulated under every pattern.
#include <benchmark/benchmark.h>

#include <chrono>

#include "host/circuit/bench.h"
#include "host/circuit/faults.h"
#include "host/circuit/patterns.h"
#include "tests/unit/circuit/random_circuit.h"

namespace {

using namespace tenterhook::circuit;

constexpr std::size_t kPatterns = 10'000;

Netlist circuit(bool deep) {
  using namespace tenterhook::circuit::testing;
  const std::string text = deep ? multiplier_bench(19) : random_bench(1, 200, 3500);
  return build_netlist(parse_bench("speed.bench", text).take()).take();
}

void fault_simulation(benchmark::State& state) {
  const Netlist n = circuit(state.range(0) != 0);
  const FaultList list = stuck_at_faults(n);
  Patterns patterns(n.inputs.size());
  patterns.add_random(kPatterns, 1);
  std::size_t shown = 0;
  for (auto _ : state) {
    shown = 0;
    for (const std::int64_t first : first_detections(n, list.representatives, patterns))
      shown += first >= 0 ? 1 : 0;
  }
  const double gates = static_cast<double>(PatternSimulator(n).gate_count());
  const double faults = static_cast<double>(list.representatives.size());
  state.counters["gates"] = gates;
  state.counters["faults"] = faults;
  state.counters["shown"] = static_cast<double>(shown);
  state.counters["gate*fault*pattern/s"] =
      benchmark::Counter(gates * faults * static_cast<double>(kPatterns),
                         benchmark::Counter::kIsIterationInvariantRate);
}
BENCHMARK(fault_simulation)->Arg(0)->Arg(1)->Unit(benchmark::kMillisecond);

// The yardstick: the whole circuit again for each fault and block, the fault dropped once shown.
void resimulation(benchmark::State& state) {
  const Netlist n = circuit(state.range(0) != 0);
  const FaultList list = stuck_at_faults(n);
  Patterns patterns(n.inputs.size());
  patterns.add_random(kPatterns, 1);
  for (auto _ : state) {
    PatternSimulator simulator(n);
    std::vector<bool> shown(list.representatives.size());
    for (std::size_t b = 0; b < patterns.blocks(); ++b) {
      simulator.load(patterns.block(b));
      for (std::size_t f = 0; f < shown.size(); ++f)
        if (!shown[f])
          shown[f] = any(simulator.resimulate(list.representatives[f]) & patterns.lanes_used(b));
    }
    benchmark::DoNotOptimize(shown);
  }
}
BENCHMARK(resimulation)->Arg(0)->Arg(1)->Unit(benchmark::kMillisecond)->Iterations(1);

void good_machine(benchmark::State& state) {
  const Netlist n = circuit(state.range(0) != 0);
  Patterns patterns(n.inputs.size());
  patterns.add_random(kPatterns, 1);
  PatternSimulator simulator(n);
  for (auto _ : state)
    for (std::size_t b = 0; b < patterns.blocks(); ++b) simulator.load(patterns.block(b));
  state.counters["gate*pattern/s"] =
      benchmark::Counter(static_cast<double>(simulator.gate_count() * kPatterns),
                         benchmark::Counter::kIsIterationInvariantRate);
}
BENCHMARK(good_machine)->Arg(0)->Arg(1)->Unit(benchmark::kMillisecond);

}  // namespace

BENCHMARK_MAIN();
