// Simulated runs until the time or the count is up. Exit 0: nothing was broken; 1: something was.
//
//   simulate [--seconds S] [--runs N] [--first SEED | --fresh] [--memory] [--verbose]     --memory: allocations fail, too
//   simulate --seed SEED [--only HARM,HARM|none]      one run again, told in full
//   simulate --expect-violation ...                   0 only if something is broken (planted bugs)
#include <sys/time.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <optional>
#include <random>
#include <sstream>
#include <string>

#include "tests/simulation/world.h"

namespace {

using namespace tenterhook::simulation;
using Clock = std::chrono::steady_clock;

constexpr time_t kOneRunMostS = 60;  // of processor time: longer is a hang

// The signal's default ends the program; 0: no limit.
void limit_processor_time(time_t seconds) {
  const itimerval limit{{0, 0}, {seconds, 0}};
  ::setitimer(ITIMER_PROF, &limit, nullptr);
}

struct Options {
  double seconds = 40.0;
  std::uint64_t runs = UINT64_MAX, first = 1;
  std::optional<std::uint64_t> seed;
  std::uint32_t only = kEveryHarm, worlds = kAllHarms;
  bool verbose = false, expect_violation = false;
};

[[noreturn]] void usage(const std::string& what) {
  std::fprintf(stderr, "simulate: %s\n", what.c_str());
  std::exit(2);
}

std::uint32_t harms_of(const std::string& list) {
  std::uint32_t harms = 0;
  std::stringstream words(list);
  for (std::string word; std::getline(words, word, ',');) {
    if (word == "none") continue;
    const auto harm = harm_named(word);
    if (!harm) usage("no harm is called " + word);
    harms |= 1U << *harm;
  }
  return harms;
}

Options parse(int argc, char** argv) {
  Options o;
  for (int i = 1; i < argc; ++i) {
    const std::string word = argv[i];
    const auto value = [&]() -> std::string {
      if (i + 1 >= argc) usage(word + " wants a value");
      return argv[++i];
    };
    if (word == "--seconds") o.seconds = std::stod(value());
    else if (word == "--runs") o.runs = std::stoull(value()), o.seconds = 1e9;
    else if (word == "--first") o.first = std::stoull(value());
    else if (word == "--fresh") o.first = (static_cast<std::uint64_t>(std::random_device{}()) << 16) + 1;
    else if (word == "--seed") o.seed = std::stoull(value());
    else if (word == "--only") o.only = harms_of(value());
    else if (word == "--memory") o.worlds = kEveryHarm;
    else if (word == "--verbose") o.verbose = true;
    else if (word == "--expect-violation") o.expect_violation = true;
    else usage("unknown option " + word);
  }
  return o;
}

void tell(const Told& told) {
  for (const std::string& violation : told.violations) std::printf("BROKEN seed %llu: %s\n", static_cast<unsigned long long>(told.seed), violation.c_str());
  std::printf("  %s\n", told.summary.c_str());
}

// A planted bug may also end the program; that is caught too.
extern "C" void on_crash(int) {
  constexpr char kText[] = "BROKEN: the program crashed\n";
  const auto written = ::write(1, kText, sizeof kText - 1);
  ::_exit(written > 0 ? 0 : 1);
}

}  // namespace

int main(int argc, char** argv) {
  const Options options = parse(argc, argv);
  if (options.expect_violation) {
    for (const int signal : {SIGSEGV, SIGABRT, SIGFPE, SIGBUS}) std::signal(signal, on_crash);
  }
  if (options.seed) {
    const Told told = run_world(*options.seed, options.only);
    tell(told);
    return told.violations.empty() ? 0 : 1;
  }
  std::uint64_t runs = 0, frames = 0, harmed = 0, events = 0, complete = 0, wrong = 0, broken = 0;
  double virtual_s = 0.0;
  std::map<int, std::uint64_t> exits;
  const auto start = Clock::now();
  const auto spent = [&] { return std::chrono::duration<double>(Clock::now() - start).count(); };
  for (std::uint64_t seed = options.first; runs < options.runs && spent() < options.seconds && broken < 5; ++seed, ++runs) {
    limit_processor_time(kOneRunMostS);
    const Told told = run_world(seed, options.worlds);
    frames += told.frames;
    harmed += told.harmed;
    events += told.events;
    complete += told.complete;
    wrong += told.board_wrong;
    virtual_s += told.virtual_s;
    ++exits[told.exit_code];
    if (options.verbose) tell(told);
    if (told.violations.empty()) continue;
    ++broken;
    tell(told);
    limit_processor_time(0);
    if (options.expect_violation) break;
    std::printf("  again: simulate %s\n", replay_line(seed, shrink(told)).c_str());
  }
  std::printf("%llu runs (seeds from %llu), %llu complete, %llu of boards that are wrong; %llu frames, %llu harmed, %llu events; "
              "%.0f s of the fixture's time in %.1f s (%.0f x);", static_cast<unsigned long long>(runs), static_cast<unsigned long long>(options.first),
              static_cast<unsigned long long>(complete), static_cast<unsigned long long>(wrong), static_cast<unsigned long long>(frames),
              static_cast<unsigned long long>(harmed), static_cast<unsigned long long>(events), virtual_s, spent(), virtual_s / spent());
  for (const auto& [code, count] : exits) std::printf(" exit %d: %llu", code, static_cast<unsigned long long>(count));
  std::printf("; broken: %llu\n", static_cast<unsigned long long>(broken));
  return (broken != 0) == options.expect_violation ? 0 : 1;
}
