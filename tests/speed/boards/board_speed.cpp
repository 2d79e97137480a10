// How fast the emulated boards run: one voltage of a quiet board, one step of the shed latch, its
// warm-up, and one step of boards of 300 gates. `real_time_ratio` is board time over wall time.
#include <benchmark/benchmark.h>

#include <algorithm>
#include <chrono>
#include <stdexcept>

#include "fixtures/emulated/boards/parts.h"
#include "fixtures/emulated/boards/truth.h"

namespace tenterhook::emulated {
namespace {

BoardDescription shed_latch() {
  auto read =
      read_parts(std::string(TH_SOURCE_DIR) + "/fixtures/emulated/boards/shed-latch.parts.yaml");
  if (!read.ok()) throw std::runtime_error(read.error().text());
  return read.take();
}

// 300 gates of one build, every fifth a flip-flop, each fed from the forty nets before it.
BoardDescription large(const std::string& build) {
  const bool valve = build.rfind("triode", 0) == 0;
  BoardDescription d;
  d.name = "large";
  d.rails.push_back({"main", valve ? 30.0 : 12.0, 0, 1e-6, false});
  if (valve) d.rails.push_back({"bias", -9.0, 1, 0.0, false});
  Draw draw(1, "netlist");
  std::vector<std::string> nets;
  for (int i = 0; i < 16; ++i) {
    nets.push_back("I" + std::to_string(i));
    d.terminals.emplace_back().name = nets.back();
  }
  d.terminals.emplace_back().name = "CK";
  for (int i = 0; i < 300; ++i) {
    Element e;
    e.type = i % 5 == 0 ? "d-flip-flop" : i % 2 ? "nor" : "nand";
    e.build = build;
    for (int k = 0; k < (i % 5 == 0 ? 1 : 2); ++k) {
      e.inputs.push_back(
          nets[nets.size() - 1 - draw.bits() % std::min<std::size_t>(nets.size(), 40)]);
    }
    if (i % 5 == 0) e.clock = "CK";
    e.outputs = {"n" + std::to_string(i)};
    nets.push_back(e.outputs[0]);
    d.elements.push_back(e);
  }
  return d;
}

void ask_quiet_board(benchmark::State& state) {
  auto board = make_board(shed_latch(), 1, {});
  Picoseconds t = 400'000'000'000'000;
  for (auto _ : state) benchmark::DoNotOptimize((*board)->volts(t += 1000, 7));
}
BENCHMARK(ask_quiet_board);

void warm_up_shed_latch(benchmark::State& state) {
  for (auto _ : state) {
    auto truth = BoardTruth::make(shed_latch(), 1);
    truth->power_up(120.0);
  }
}
BENCHMARK(warm_up_shed_latch)->Unit(benchmark::kMillisecond);

void step(benchmark::State& state, const BoardDescription& description, const std::string& clock) {
  auto truth = BoardTruth::make(description, 1);
  truth->power_up(120.0);
  Draw draw(2, "vectors");
  const Picoseconds start = truth->now();
  const auto wall = std::chrono::steady_clock::now();
  for (auto _ : state) {
    for (const Terminal& t : description.terminals) {
      if (!t.is_output && t.name != clock) truth->set(t.name, draw.bits() & 1);
    }
    truth->wait(0.03);
    truth->pulse(clock, 200e-6);
    truth->wait(0.01);
  }
  const double taken =
      std::chrono::duration<double>(std::chrono::steady_clock::now() - wall).count();
  state.counters["real_time_ratio"] =
      static_cast<double>(truth->now() - start) / kPicosecondsPerSecond / taken;
}
BENCHMARK_CAPTURE(step, shed_latch, shed_latch(), "PICK");
BENCHMARK_CAPTURE(step, large_transistor, large("transistor"), "CK");
BENCHMARK_CAPTURE(step, large_valve, large("triode-nor"), "CK");

}  // namespace
}  // namespace tenterhook::emulated
