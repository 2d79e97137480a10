// make_store FILE RUNS STEPS: records RUNS runs of STEPS steps (8 readings each) through the same
// calls that a real run uses, a few days apart, with Q2's high sinking slowly.
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <ctime>

#include "host/record/store.h"
#include "tests/unit/record/scenario.h"

namespace {

using namespace tenterhook;

std::string date_of(long run) {
  const std::time_t moment = 1500000000 + run * 21600;  // four runs a day
  char text[32];
  std::tm parts{};
  gmtime_r(&moment, &parts);
  std::strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%SZ", &parts);
  return text;
}

bool record_run(record::Store& store, record::RunRecord run) {
  if (!store.begin(run).ok()) return false;
  for (const record::StepRecord& step : run.steps) {
    if (!store.add_step(run.number, step).ok()) return false;
  }
  return store.finish(run).ok();
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 4) {
    std::fprintf(stderr, "make_store FILE RUNS STEPS\n");
    return 2;
  }
  Result<record::Store> store = record::Store::open(argv[1]);
  if (!store.ok()) {
    std::fprintf(stderr, "%s\n", store.error().text().c_str());
    return 3;
  }
  const long runs = std::atol(argv[2]);
  const auto begun = std::chrono::steady_clock::now();
  for (long i = 0; i < runs; ++i) {
    scenario::LatchRun options;
    options.seed = static_cast<std::uint64_t>(i + 1);
    options.steps = std::atoi(argv[3]);
    options.serial = i % 10 == 0 ? "004" : "003";
    options.q1_stuck_low = i % 50 == 49;
    options.q2_high_v = 24.6 - 1e-4 * static_cast<double>(i);
    record::RunRecord run = scenario::latch_run(options);
    run.started = date_of(i);
    if (!record_run(*store, run)) return 3;
  }
  const std::chrono::duration<double> taken = std::chrono::steady_clock::now() - begun;
  std::printf("%ld runs in %.1f s\n", runs, taken.count());
  return 0;
}
