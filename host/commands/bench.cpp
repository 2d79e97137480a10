#include "host/commands/bench.h"

#include <fmt/format.h>
#include <unistd.h>

#include <atomic>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <iostream>
#include <random>

#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/emulated_bench.h"
#include "host/commands/emulated_hand.h"
#include "host/files/reader.h"
#include "host/resources/resources.h"

namespace tenterhook::commands {

namespace {

constexpr int kBaud = 500000;
constexpr const char* kEmulated = "emulated";
constexpr const char* kBuiltIn = "fixture.yaml (built in)";

bool is_file(const std::string& address) {
  return address.size() > 5 && address.ends_with(".yaml");
}

link::Cancellation cancellation;

extern "C" void on_signal(int signal) {
  if (cancellation.requested()) {
    // The second time the person means it: leave at once; the fixture's deadman opens everything.
    std::signal(signal, SIG_DFL);
    std::raise(signal);
    return;
  }
  cancellation.request();
}

// What a person's configuration says about the fixture with this serial; empty when nothing.
std::string configured_description(const std::string& serial) {
  const char* home = std::getenv("HOME");
  const char* xdg = std::getenv("XDG_CONFIG_HOME");
  if (!xdg && !home) return "";
  const auto folder = xdg && *xdg ? std::filesystem::path(xdg) : std::filesystem::path(home) / ".config";
  const auto file = folder / "tenterhook" / (serial + ".yaml");
  std::error_code ignored;
  return std::filesystem::exists(file, ignored) ? file.string() : "";
}

}  // namespace

Result<files::Fixture> describe_fixture(const BenchOptions& options) {
  if (options.fixture.empty()) {
    return fixture_error("", "no fixture was named, and none is looked for by guessing",
                         "plug it in and say --fixture /dev/ttyUSB0 (`tenterhook fixture list` shows what is there), "
                         "or --fixture emulated to try without hardware");
  }
  if (!options.faults.empty() && options.fixture != kEmulated) {
    return input_error("--fault", "faults can only be given to the emulated fixture", "add --fixture emulated");
  }
  if (is_file(options.fixture)) return files::read_fixture(options.fixture);
  return files::parse_fixture(kBuiltIn, std::string(resources::find("fixture.yaml")));
}

const link::Cancellation& person_cancels() {
  static const bool installed = [] {
    struct sigaction action {};
    action.sa_handler = on_signal;
    sigemptyset(&action.sa_mask);
    sigaction(SIGINT, &action, nullptr);
    sigaction(SIGTERM, &action, nullptr);
    return true;
  }();
  (void)installed;
  return cancellation;
}

Result<Bench> open_bench(const BenchOptions& options, const plan::Plan& plan, const link::Cancellation& cancel, bool with_hand) {
  Bench bench;
  link::SessionOptions session_options;
  session_options.cancel = &cancel;
  std::unique_ptr<link::Port> port;
  if (options.fixture == kEmulated || is_file(options.fixture)) {
    bench.seed = options.seed.value_or(1);
    session_options.seed = static_cast<std::uint32_t>(bench.seed % 0xFFFFFFFFu) + 1;
    Adjust adjust;
    Reach reach;
    if (with_hand && plan.hand >= 0) {
      adjust.parts = [&](emulated::FixtureOptions&, emulated::BoardDescription& board) { reach = reach_every_net(board, plan.hand); };
      adjust.board = [&](std::unique_ptr<emulated::Board> board) {
        auto hand = std::make_unique<EmulatedHand>(std::move(board), reach.nets, reach.hand);
        bench.hand = hand.get();
        return hand;
      };
    }
    auto controller = make_emulated(plan, bench.seed, options.faults, Firmware::elf, adjust);
    TH_TRY(controller);
    bench.emulated = controller->get();
    port = std::make_unique<emulated::LockstepPort>(controller.take());
  } else {
    auto opened = link::open_port(options.fixture, kBaud);
    TH_TRY(opened);
    port = opened.take();
  }
  auto session = link::Session::open(std::move(port), session_options);
  TH_TRY(session);
  bench.session = session.take();
  // What an earlier run left latched (its host was killed, its cable pulled) is of the past: a person means this one.
  TH_TRY(bench.session->reset_faults());
  if (!bench.emulated) {
    const std::string own = configured_description(bench.session->identity().serial);
    if (!own.empty() && own != plan.fixture.path) {
      return fixture_error(options.fixture, fmt::format("this fixture has a description of its own: {}", own),
                           fmt::format("use --fixture {} with its `port:`", own));
    }
  }
  return bench;
}

Result<plan::Plan> plan_on(const BenchOptions& options, files::Vectors vectors) {
  auto fixture = describe_fixture(options);
  TH_TRY(fixture);
  auto plan = plan::make_plan(std::move(vectors), fixture.take(), {});
  TH_TRY(plan);
  TH_TRY(agree_to_power(options, *plan));
  return plan;
}

Calibrated calibrate(plan::Plan& plan, const std::string& fixture_serial) {
  Calibrated made;
  const std::string date = measure::today();
  auto found = measure::find_calibration(fixture_serial);
  const std::string widened = ": uncertainties are those of the parts' tolerances; `tenterhook fixture calibrate` narrows them";
  if (!found) {
    made.said = "its calibration cannot be read (" + found.error().text() + ")" + widened;
  } else if (!*found) {
    made.said = "not calibrated" + widened;
  } else if (!(*found)->valid_on(date)) {
    made.said = fmt::format("its calibration expired on {}{}", (*found)->expires, widened);
  } else {
    made.calibration = std::move(**found);
  }
  measure::Models models = measure::models_of(plan.fixture, made.calibration ? &*made.calibration : nullptr, date);
  plan.sense_models = std::move(models.sense);
  plan.rail_models = std::move(models.rail);
  return made;
}

Status agree_to_power(const BenchOptions& options, const plan::Plan& plan) {
  if (options.fixture == kEmulated || options.yes || plan.rails.empty()) return {};
  if (!isatty(STDIN_FILENO)) {
    return input_error("--yes", "real power would be switched on, and nobody is at a terminal to agree",
                       "add --yes when the bench is ready");
  }
  std::string rails;
  for (const plan::RailPlan& rail : plan.rails) {
    rails += fmt::format("{}{} {}", rails.empty() ? "" : ", ", rail.rail.name, text(rail.rail.nominal));
  }
  fmt::print(stderr,
             "About to power {}: {}.\n"
             "Hot glass, stored charge, heater current; no rings; never swap a valve live.\n"
             "The fixture is not a safety device. Type yes to go on: ",
             plan.vectors.board.name, rails);
  std::string answer;
  std::getline(std::cin, answer);
  if (answer == "yes") return {};
  return Error{Trouble::interrupted, "not powered: the person did not agree", "", ""};
}

}  // namespace tenterhook::commands
