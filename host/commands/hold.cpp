#include "host/commands/hold.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <iostream>
#include <map>
#include <optional>
#include <sstream>

#include "host/commands/bench.h"
#include "host/commands/holding.h"
#include "host/commands/keys.h"
#include "host/commands/output.h"
#include "host/commands/recorded.h"
#include "host/report/hold_screen.h"

namespace tenterhook::commands {

namespace {

using files::Bit;

constexpr Seconds kLookEvery{0.2};
constexpr int kMostPulses = 1000000;

std::optional<Bit> bit_of(char c) {
  switch (c) {
    case '0': return Bit::zero;
    case '1': return Bit::one;
    case 'z': return Bit::undriven;
    default: return std::nullopt;
  }
}

// --- the two ways of giving commands ---

// Returns true when the person wants to leave.
Result<bool> press(Holding& holding, const Press& key) {
  report::HeldScreen& s = holding.screen();
  const int last = static_cast<int>(s.lines.size()) - 1;
  if (key.key == Key::end) return true;
  if (key.key == Key::up) s.chosen = std::max(0, s.chosen - 1);
  if (key.key == Key::down) s.chosen = std::min(last, s.chosen + 1);
  if (key.key != Key::character) return false;
  if (key.character == 'q') return true;
  if (key.character == 'n') {
    TH_TRY(holding.do_next());
    return false;
  }
  const report::HeldLine& line = s.lines.at(static_cast<std::size_t>(s.chosen));
  if (key.character == ' ') {
    // The chosen clock, or the only one.
    const report::HeldLine* clock = line.kind == files::LineKind::clock ? &line : nullptr;
    for (const report::HeldLine& other : s.lines) {
      if (!clock && other.kind == files::LineKind::clock) clock = &other;
    }
    if (!clock) {
      s.message = "this board has no clock";
      return false;
    }
    TH_TRY(holding.pulse(clock->name, 1));
  } else if (const auto bit = bit_of(key.character)) {
    if (line.kind == files::LineKind::output) {
      s.message = fmt::format("{} is an output: choose an input", line.name);
      return false;
    }
    TH_TRY(holding.set(line.name, *bit));
  }
  return false;
}

Status hold_on_terminal(Holding& holding, double at_most_s) {
  KeyMode keys;
  FullScreen full;
  using Clock = std::chrono::steady_clock;
  auto last_key = Clock::now();
  auto last_time = Clock::now();
  for (;;) {
    auto looked = holding.look();
    TH_TRY(looked);
    holding.screen().height = full.rows();
    const report::Screen screen = report::screen_of(stdout_descriptor());
    full.draw(report::held_screen(holding.screen(), screen));
    const Press key = next_key(static_cast<int>(kLookEvery.value * 1000.0));
    if (key.key != Key::none) last_key = Clock::now();
    if (holding.over()) {
      if (key.key != Key::none) return {};
      continue;
    }
    auto leave = press(holding, key);
    TH_TRY(leave);
    const std::chrono::duration<double> unattended = Clock::now() - last_key;
    if (*leave || unattended.count() > at_most_s) return {};
    const std::chrono::duration<double> passed = Clock::now() - last_time;
    last_time = Clock::now();
    TH_TRY(holding.idle(Seconds{std::min(passed.count(), 2.0)}));
  }
}

Status obey(Holding& holding, const std::string& line, bool& leave) {
  std::istringstream words(line);
  std::string first, second;
  words >> first >> second;
  const plan::Plan& plan = holding.plan();
  if (first.empty() || first == "show") return {};
  if (first == "quit") {
    leave = true;
    return {};
  }
  if (first == "next") return holding.do_next();
  if (first == "wait") {
    const double seconds = second.empty() ? 1.0 : std::strtod(second.c_str(), nullptr);
    return holding.idle(Seconds{std::clamp(seconds, 0.0, 3600.0)});
  }
  if (first == "pulse") {
    const files::Line* clock = plan.vectors.board.line(second);
    int count = 1;
    if (!(words >> count)) count = 1;
    if (!clock || clock->kind != files::LineKind::clock || count < 1 || count > kMostPulses) {
      holding.screen().message = fmt::format("'{}' is no clock of this board, or the count is out of range", second);
      return {};
    }
    return holding.pulse(second, count);
  }
  std::vector<std::string> lines;
  if (const files::Bus* bus = plan.vectors.board.bus(first)) lines = bus->lines;
  else if (plan.vectors.board.line(first)) lines = {first};
  if (lines.empty() || lines.size() != second.size()) {
    holding.screen().message = fmt::format("not understood: '{}' (LINE BITS, pulse CLOCK [COUNT], next, wait SECONDS, show, quit)", line);
    return {};
  }
  for (std::size_t i = 0; i < lines.size(); ++i) {
    const auto bit = bit_of(second[i]);
    const files::Line* target = plan.vectors.board.line(lines[i]);
    if (!bit || target->kind == files::LineKind::output) {
      holding.screen().message = fmt::format("'{}' cannot be given to {}", second[i], lines[i]);
      return {};
    }
    TH_TRY(holding.set(lines[i], *bit));
  }
  return {};
}

Status hold_on_pipe(Holding& holding) {
  std::string line;
  bool leave = false;
  const report::Screen screen = report::screen_of(stdout_descriptor());
  for (;;) {
    auto looked = holding.look();
    TH_TRY(looked);
    fmt::print("{}\n", report::held_table(holding.screen(), screen));
    std::fflush(stdout);
    if (!*looked || holding.over() || !std::getline(std::cin, line)) return {};
    TH_TRY(obey(holding, line, leave));
    if (leave) return {};
  }
}

}  // namespace

int hold(const HoldOptions& options) {
  auto what = vectors_to_hold(options.what, options.bench.store);
  if (!what) return tell(what.error());
  if (auto approved = check_approved(what->vectors); !approved) return tell(approved.error());
  auto plan = plan_on(options.bench, std::move(what->vectors));
  if (!plan) return tell(plan.error());
  auto bench = open_bench(options.bench, *plan, person_cancels());
  if (!bench) return tell(bench.error());
  auto made = Holding::make(plan.take(), bench.take());
  if (!made) return tell(made.error());
  Holding& holding = **made;
  Status held = [&]() -> Status {
    auto up = holding.power_up();
    TH_TRY(up);
    if (*up) TH_TRY(holding.reach(what->step));
    if (holding.over()) return {};
    return isatty(STDIN_FILENO) && isatty(STDOUT_FILENO) ? hold_on_terminal(holding, options.at_most_s) : hold_on_pipe(holding);
  }();
  if (holding.over()) {
    fmt::print(stderr, "tenterhook: {}\n", holding.screen().message);
    return kExitFixture;
  }
  const int code = holding.down();
  if (!held) return tell(held.error());
  return code;
}

}  // namespace tenterhook::commands
