#include "tests/emulated/acceptance/whole_run.h"

#include <algorithm>
#include <cstdio>
#include <cstdlib>

#include "fixtures/emulated/boards/fault.h"
#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/bench.h"
#include "host/files/reader.h"

namespace tenterhook::acceptance {

namespace {

// Longer than any edge or relay of the demo boards takes.
constexpr double kQuietSeconds = 0.05;
constexpr double kHotSeconds = 120.0;
// What feeds the board here instead of a bench supply and a fixture: filaments see 6.1 V of their 6.3.
constexpr double kSupplyOhms = 0.03;

[[noreturn]] void give_up(const Error& error) {
  std::fprintf(stderr, "%s\n", error.text().c_str());
  std::abort();
}

template <class T>
T must(Result<T> result) {
  if (!result) give_up(result.error());
  return result.take();
}

// The bare board under the fixture's hands: the same contacts, without the fixture.
class Hands {
 public:
  Hands(const plan::Plan& plan, emulated::BoardTruth& truth, const emulated::BoardDescription& board)
      : plan_(plan), truth_(truth), board_(board) {}

  void hold(const plan::Contacts& contacts) {
    for (const emulated::Terminal& t : board_.terminals) {
      if (t.drive >= 0) {
        place(t.name, bit(contacts.drive_connect, t.drive), bit(contacts.drive_high, t.drive),
              plan_.banks.at(static_cast<std::size_t>(t.drive / plan::kDrivesPerBank)));
      } else if (t.fast >= 0) {
        place(t.name, bit(contacts.fast_connect, t.fast), bit(contacts.fast_high, t.fast),
              plan_.fasts.at(static_cast<std::size_t>(t.fast)));
      }
    }
  }
  void pulse(const plan::PulseTrain& train, const plan::Contacts& contacts) {
    plan::Contacts active = contacts;
    std::uint32_t& high = train.fast >= 0 ? active.fast_high : active.drive_high;
    const std::uint32_t mask = 1U << (train.fast >= 0 ? train.fast : train.drive);
    high = train.active_high ? high | mask : high & ~mask;
    for (std::uint32_t i = 0; i < train.count; ++i) {
      hold(active);
      truth_.wait(train.width.value);
      hold(contacts);
      truth_.wait(std::max(train.gap.value, train.width.value));
    }
  }

 private:
  static bool bit(std::uint32_t mask, int index) { return (mask >> index & 1U) != 0; }
  double volts_of(const plan::Feed& feed) const {
    if (feed.kind != plan::Feed::Kind::rail) return 0.0;
    for (const plan::RailPlan& rail : plan_.rails) {
      if (rail.channel == feed.rail) return rail.rail.nominal.value;
    }
    return 0.0;
  }
  void place(const std::string& line, bool connect, bool high, const plan::Supplied& from) {
    const plan::Feed& feed = high ? from.high : from.low;
    if (!connect || feed.kind == plan::Feed::Kind::none) {
      truth_.release(line);
    } else {
      truth_.set_volts(line, volts_of(feed), plan_.fixture.drive.series.value);
    }
  }

  const plan::Plan& plan_;
  emulated::BoardTruth& truth_;
  const emulated::BoardDescription& board_;
};

}  // namespace

plan::Plan plan_of(const std::string& path) {
  commands::BenchOptions builtin;
  builtin.fixture = "emulated";
  return must(plan::make_plan(must(files::read_vectors(path)), must(commands::describe_fixture(builtin)), {}));
}

Ended run_over(std::unique_ptr<link::Port> port, const plan::Plan& plan, std::uint64_t seed,
               const link::Cancellation* cancel) {
  Ended ended;
  link::SessionOptions options;
  options.cancel = cancel;
  options.seed = static_cast<std::uint32_t>(seed % 0xFFFFFFFFU) + 1;
  auto opened = link::Session::open(std::move(port), options);
  if (!opened) {
    ended.trouble = opened.error();
    ended.exit_code = exit_code(ended.trouble->trouble);
    return ended;
  }
  commands::Bench bench;
  bench.session = opened.take();
  commands::BenchRun run(plan, measure::Decision::guarded, {});
  run.identify(bench, {});
  const Status performed = run.perform(*bench.session);
  if (!performed) ended.trouble = performed.error();
  run.finish(bench.session.get(), ended.trouble);
  ended.record = run.record();
  ended.exit_code = ended.trouble ? exit_code(ended.trouble->trouble) : commands::exit_code_of(ended.record);
  return ended;
}

Ended run_emulated(const plan::Plan& plan, std::uint64_t seed, const std::vector<std::string>& faults,
                   commands::Firmware firmware) {
  auto controller = must(commands::make_emulated(plan, seed, faults, firmware));
  return run_over(std::make_unique<emulated::LockstepPort>(std::move(controller)), plan, seed);
}

std::vector<TrueLevel> true_levels(const plan::Plan& plan, std::uint64_t seed, const std::vector<std::string>& faults) {
  const emulated::BoardDescription board = must(commands::describe_emulated(plan));
  std::vector<emulated::FaultSpec> specs;
  for (const std::string& text : faults) specs.push_back(must(emulated::parse_fault(text)));
  auto truth = must(emulated::BoardTruth::make(board, seed, specs));
  Hands hands(plan, truth, board);
  truth.power_up(kHotSeconds, kSupplyOhms);
  hands.hold(plan.rest);
  truth.wait(kQuietSeconds);
  std::vector<TrueLevel> levels;
  for (const plan::PlannedStep& step : plan.steps) {
    hands.hold(step.contacts);
    truth.wait(kQuietSeconds);
    for (const plan::PulseTrain& train : step.pulses) hands.pulse(train, step.contacts);
    truth.wait(kQuietSeconds);
    for (const plan::Expectation& e : step.expectations) {
      if (e.expected == files::Bit::any || !e.window) continue;
      const double volts = truth.settled(e.line);
      levels.push_back({step.index, e.line, volts, std::min(volts - e.window->min.value, e.window->max.value - volts)});
    }
  }
  return levels;
}

double worst_inside(const std::vector<TrueLevel>& levels) {
  double worst = 1e9;
  for (const TrueLevel& level : levels) worst = std::min(worst, level.inside);
  return worst;
}

}  // namespace tenterhook::acceptance
