// A few figures of speed, as ratios measured in one run, compared with those that landed last.
//
//   speed_ratios LANDED [--write]
//
// LANDED: one "name value" a line. Processor time is divided by that of a fixed piece of work done before and
// after (a bitwise CRC over a few megabytes), so that a slow or a busy machine changes little. A figure is a
// failure when it is more than kBand times worse than what landed; all of them are costs: less is better.
// --write puts this run's figures into LANDED, for whoever means to land them.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <functional>
#include <map>
#include <string>
#include <vector>

#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/emulated_bench.h"
#include "host/record/store.h"
#include "tests/emulated/acceptance/whole_run.h"
#include "tests/processor_clock.h"
#include "tests/unit/link/bench.h"

namespace {

using namespace tenterhook;

constexpr double kBand = 2.5;
constexpr int kTries = 3;  // the best one counts: what disturbs makes it slower only

double processor_seconds(const std::function<void()>& work) {
  double best = 1e9;
  for (int i = 0; i < kTries; ++i) {
    const auto start = ProcessorClock::now();
    work();
    best = std::min(best, (ProcessorClock::now() - start).count());
  }
  return best;
}

// The yardstick: 4 MB through a CRC, bit by bit, on one processor.
double yardstick() {
  volatile std::uint16_t sink = 0;
  return processor_seconds([&] {
    std::uint16_t crc = 0xFFFF;
    for (std::uint32_t i = 0; i < 4'000'000; ++i) {
      crc = static_cast<std::uint16_t>(crc ^ (i & 0xFF));
      for (int bit = 0; bit < 8; ++bit) crc = static_cast<std::uint16_t>((crc & 1) != 0 ? (crc >> 1) ^ 0x8408 : crc >> 1);
    }
    sink = crc;
  });
}

void must(bool ok, const std::string& what) {
  if (ok) return;
  std::fprintf(stderr, "speed_ratios: %s\n", what.c_str());
  std::exit(2);
}

// Processor time for the fixture's time: `what` the emulated fixture does meanwhile.
double fixture_cost(commands::Firmware firmware, double seconds) {
  const auto plan = acceptance::plan_of(std::string(TH_SOURCE_DIR) + "/vectors/or-follower/board.yaml");
  return processor_seconds([&] {
    auto made = commands::make_emulated(plan, 1, {}, firmware);
    must(made.ok(), "no fixture");
    auto& controller = **made;
    controller.run_until(controller.now() + static_cast<emulated::Picoseconds>(seconds * 1e12), false);
  }) / seconds;
}

double run_cost(commands::Firmware firmware, const std::string& vectors) {
  const auto plan = acceptance::plan_of(std::string(TH_SOURCE_DIR) + vectors);
  double steps = 0.0;
  const double seconds = processor_seconds([&] {
    const auto ended = acceptance::run_emulated(plan, 1, {}, firmware);
    must(ended.exit_code == 0, "the run does not pass");
    steps = static_cast<double>(ended.record.steps.size());
  });
  return seconds / steps;
}

// The line and both ends: a program of short steps through a session, without a fixture's circuits.
double link_cost() {
  link::ProgramOptions program{.steps = 400, .channels = 5, .n = 1, .wait_us = 100};
  const double seconds = processor_seconds([&] {
    link::Rig rig;
    must(static_cast<bool>(rig.session), rig.trouble);
    link::Collected got;
    const auto report = rig.session->execute(link::program_of(program), got.sink());
    must(report.ok() && report->finished && got.samples.size() == 400, "the program did not run");
  });
  return seconds / 400.0;
}

// Of the fixture's clock, so the same on every machine: time of a short step beyond its waits and conversions, in
// units of the line time of its bytes.
double line_share() {
  link::ProgramOptions program{.steps = 400, .channels = 5, .n = 1, .wait_us = 100};
  link::Rig rig;
  must(static_cast<bool>(rig.session), rig.trouble);
  link::Collected got;
  const auto report = rig.session->execute(link::program_of(program), got.sink());
  must(report.ok() && report->finished, "the program did not run");
  const auto& counters = rig.session->counters();
  const double bytes = static_cast<double>(wire::sample_result_bytes(5)) + 10.0;  // and its frame
  const double line = bytes * 10.0 / 500'000.0;
  return counters.received > 0 ? report->times.total.value / 400.0 / line : 1e9;
}

double files_cost() {
  const std::string path = std::string(TH_SOURCE_DIR) + "/vectors/shed-latch/acceptance.vectors.yaml";
  return processor_seconds([&] {
    for (int i = 0; i < 10; ++i) must(acceptance::plan_of(path).steps.size() > 10, "no plan");
  }) / 10.0;
}

std::map<std::string, double> read(const std::string& path) {
  std::map<std::string, double> landed;
  std::ifstream in(path);
  std::string name;
  double value = 0.0;
  while (in >> name >> value) landed[name] = value;
  return landed;
}

}  // namespace

int main(int argc, char** argv) {
  must(argc >= 2, "speed_ratios LANDED [--write]");
  const bool write = argc > 2 && std::strcmp(argv[2], "--write") == 0;
  const double before = yardstick();
  std::vector<std::pair<std::string, double>> figures = {
      {"native-firmware-at-rest-a-second", fixture_cost(commands::Firmware::native, 20.0)},
      {"emulated-chip-at-rest-a-second", fixture_cost(commands::Firmware::elf, 1.0)},
      {"whole-run-native-a-step", run_cost(commands::Firmware::native, "/vectors/pick-counter/acceptance.vectors.yaml")},
      {"whole-run-chip-a-step", run_cost(commands::Firmware::elf, "/vectors/or-follower/board.yaml")},
      {"session-a-step", link_cost()},
      {"read-and-plan-a-file", files_cost()},
  };
  const double stick = std::min(before, yardstick());
  for (auto& figure : figures) figure.second /= stick;
  figures.emplace_back("step-in-units-of-its-line-time", line_share());
  const auto landed = read(argv[1]);
  int worse = 0;
  std::printf("%-36s %12s %12s %8s   (yardstick %.1f ms)\n", "", "now", "landed", "ratio", 1e3 * stick);
  for (const auto& [name, value] : figures) {
    const auto found = landed.find(name);
    const double ratio = found != landed.end() ? value / found->second : 1.0;
    const bool bad = found == landed.end() || ratio > kBand;
    std::printf("%-36s %12.6f %12.6f %8.2f%s\n", name.c_str(), value, found != landed.end() ? found->second : 0.0, ratio,
                bad ? (found == landed.end() ? "  not landed" : "  WORSE") : "");
    worse += bad;
  }
  if (write) {
    std::ofstream out(argv[1]);
    for (const auto& [name, value] : figures) out << name << " " << value << "\n";
    return 0;
  }
  return worse == 0 ? 0 : 1;
}
