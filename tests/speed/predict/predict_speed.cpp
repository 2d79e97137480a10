// How long predictions take. Goal: 1,000 specimens of a two-input gate in under 5 s.
#include <benchmark/benchmark.h>

#include "host/predict/prediction.h"

namespace {
using namespace tenterhook::predict;

void ThousandSpecimensOfTheOrGate(benchmark::State& state) {
  auto q = read_question(TH_SOURCE_DIR "/fixtures/emulated/spice/or-follower.yaml");
  if (!q) return state.SkipWithError(q.error().text().c_str());
  Simulator simulator;
  for (auto _ : state) {
    auto p = predict(*q, simulator);
    if (!p) return state.SkipWithError(p.error().text().c_str());
    benchmark::DoNotOptimize(p->outputs[0].wrong);
  }
}
BENCHMARK(ThousandSpecimensOfTheOrGate)->Unit(benchmark::kMillisecond)->Iterations(3);

void OneOperatingPoint(benchmark::State& state) {
  auto n = Netlist::read(TH_SOURCE_DIR "/fixtures/emulated/spice/or-follower.cir");
  if (!n) return state.SkipWithError(n.error().text().c_str());
  Simulator simulator;
  auto flat = n->flatten();
  for (auto _ : state) benchmark::DoNotOptimize(simulator.solve(*flat, {"y"}, "op").ok());
}
BENCHMARK(OneOperatingPoint)->Unit(benchmark::kMicrosecond);

void FlattenOnce(benchmark::State& state) {
  auto n = Netlist::read(TH_SOURCE_DIR "/fixtures/emulated/spice/or-follower.cir");
  if (!n) return state.SkipWithError(n.error().text().c_str());
  for (auto _ : state) benchmark::DoNotOptimize(n->flatten().ok());
}
BENCHMARK(FlattenOnce)->Unit(benchmark::kMicrosecond);
}  // namespace
