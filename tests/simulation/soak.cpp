// One fixture, one session, one board for many hours of the fixture's time: runs with random vectors, at rest in
// between. Memory must stay where it was after the first hour, and both ends must have counted the same.
//
//   soak [--hours H] [--seed N]      exit 0: nothing drifted
#include <malloc.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <string>

#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/bench_run.h"
#include "host/commands/emulated_bench.h"
#include "tests/simulation/world.h"

namespace {

using namespace tenterhook;

constexpr double kHour = 3600.0;
constexpr double kRestMost = 60.0;          // between two runs, seconds
constexpr double kMemoryMost = 64.0 * 1024; // bytes more than after the first hour or tenth

struct Options {
  double hours = 24.0;
  std::uint64_t seed = 1;
};

Options parse(int argc, char** argv) {
  Options o;
  for (int i = 1; i + 1 < argc; i += 2) {
    const std::string word = argv[i];
    if (word == "--hours") o.hours = std::atof(argv[i + 1]);
    if (word == "--seed") o.seed = std::strtoull(argv[i + 1], nullptr, 10);
  }
  return o;
}

std::size_t in_use() { return mallinfo2().uordblks; }

int give_up(const std::string& why) {
  std::printf("BROKEN: %s\n", why.c_str());
  return 1;
}

// Both ends of a quiet line have sent and received the same. The fixture's counters have 16 bits.
std::string inconsistent(const link::LinkCounters& c) {
  const auto low = [](std::uint64_t n) { return static_cast<int>(n & 0xFFFF); };
  if (!c.device_known) return "the fixture's counters are not known";
  const std::pair<const char*, std::uint64_t> troubles[] = {
      {"resent", c.resent}, {"damaged", c.damaged}, {"gaps", c.gaps}, {"timeouts", c.timeouts},
      {"damaged there", c.device_damaged}, {"gaps there", c.device_gaps}, {"overruns", c.device_overrun}, {"framing errors", c.device_framing}, {"refused there", c.device_refused}, {"faults", c.device_faults}};
  for (const auto& [name, count] : troubles) {
    if (count != 0) return "a quiet line counted " + std::to_string(count) + " " + name;
  }
  // The question for the counters itself is counted by one end only, and so is its answer.
  const int up = std::abs(low(c.sent) - (c.device_received & 0xFFFF)), down = std::abs(low(c.received) - (c.device_sent & 0xFFFF));
  if (up > 1 && up < 0xFFFF) return "sent " + std::to_string(low(c.sent)) + " and received " + std::to_string(c.device_received & 0xFFFF);
  if (down > 1 && down < 0xFFFF) return "the fixture sent " + std::to_string(c.device_sent & 0xFFFF) + " and " + std::to_string(low(c.received)) + " came";
  return "";
}

}  // namespace

int main(int argc, char** argv) {
  const Options options = parse(argc, argv);
  std::mt19937_64 random(options.seed);
  auto made = commands::make_emulated(simulation::random_plan(random), options.seed, {}, commands::Firmware::native);
  if (!made) return give_up(made.error().text());
  auto controller = made.take();
  emulated::Controller& fixture = *controller;
  link::SessionOptions session_options;
  session_options.seed = 1;
  auto opened = link::Session::open(std::make_unique<emulated::LockstepPort>(std::move(controller)), session_options);
  if (!opened) return give_up(opened.error().text());
  commands::Bench bench;
  bench.session = opened.take();
  const double until = options.hours * kHour, settled = std::min(kHour, until / 10.0);
  std::size_t baseline = 0, most = 0;
  std::map<measure::Verdict, long> verdicts;
  long runs = 0, steps = 0, readings = 0;
  const auto now = [&] { return static_cast<double>(fixture.now()) * 1e-12; };
  while (now() < until) {  // bounded: every turn takes time of the fixture
    {
      commands::BenchRun run(simulation::random_plan(random), measure::Decision::guarded, {});
      run.identify(bench, {});
      const Status performed = run.perform(*bench.session);
      if (!performed) return give_up(performed.error().text());
      run.finish(bench.session.get(), {});
      const record::RunRecord& record = run.record();
      if (record.aborted) return give_up(record.aborted->message);
      ++runs;
      ++verdicts[record.verdict];
      steps += static_cast<long>(record.steps.size());
      for (const record::StepRecord& step : record.steps) readings += static_cast<long>(step.readings.size());
    }
    const auto idle = bench.session->idle(Seconds{std::uniform_real_distribution<>(0.0, kRestMost)(random)});
    if (!idle.ok()) return give_up(idle.error().text());
    const auto truth = fixture.circuit().truth(fixture.now());
    if (truth.any_contact_closed || truth.any_rail_on) return give_up("something is on between two runs");
    if (now() < settled) continue;
    if (baseline == 0) baseline = in_use();
    most = std::max(most, in_use());
  }
  const auto counters = bench.session->counters();
  std::printf("%.1f h of the fixture's time: %ld runs, %ld steps, %ld readings; pass %ld, unsure %ld, fail %ld; sent %llu frames, "
              "received %llu; memory in use after the first %.2f h %zu bytes, at most %zu later\n",
              now() / kHour, runs, steps, readings, verdicts[measure::Verdict::pass], verdicts[measure::Verdict::unsure],
              verdicts[measure::Verdict::fail], static_cast<unsigned long long>(counters.sent), static_cast<unsigned long long>(counters.received),
              settled / kHour, baseline, most);
  if (const std::string why = inconsistent(counters); !why.empty()) return give_up(why);
  if (verdicts[measure::Verdict::fail] != 0) return give_up("a good board was failed");
  if (static_cast<double>(most) > static_cast<double>(baseline) + kMemoryMost) return give_up("memory grows");
  return 0;
}
