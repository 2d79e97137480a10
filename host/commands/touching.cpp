#include "host/commands/touching.h"

#include <fmt/format.h>
#include <unistd.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <iostream>

#include "host/commands/emulated_hand.h"
#include "host/commands/holding.h"
#include "host/commands/keys.h"
#include "host/commands/output.h"
#include "host/commands/probing.h"
#include "host/report/screen.h"

namespace tenterhook::commands {

namespace {

constexpr int kAskedMost = 100;
constexpr Seconds kLookEvery{0.1};

class TypedTouches : public Toucher {
 public:
  Result<std::optional<double>> touch(const diagnose::NextTouch& next) override {
    std::string line;
    for (int i = 0; i < kAskedMost; ++i) {
      fmt::print("volts at {} with step {} held (q: leave) > ", next.at, next.step);
      std::fflush(stdout);
      if (person_cancels().requested() || !std::getline(std::cin, line) || line == "q") return std::optional<double>{};
      if (const auto volts = typed_volts(line)) return volts;
      fmt::print("  '{}' is no voltage; write it like 23.8 or -7.5 V\n", line);
    }
    return std::optional<double>{};
  }
};

class HandTouches : public Toucher {
 public:
  HandTouches(BenchOptions bench, plan::Plan plan, HandOptions options) : bench_(std::move(bench)), plan_(std::move(plan)), options_(options) {}

  Result<std::optional<double>> touch(const diagnose::NextTouch& next) override {
    if (!holding_) {
      auto ready = power_up();
      TH_TRY(ready);
      if (!*ready) return std::optional<double>{};
    }
    TH_TRY(holding_->reach(next.step));
    if (holding_->over()) return fixture_error("", holding_->screen().message);
    tell(fmt::format("{} is held at step {}: touch {} with the hand lead (sense.{})\n", plan_.vectors.board.name, next.step, next.at, plan_.hand));
    auto volts = follow(next.at);
    TH_TRY(volts);
    if (*volts && !options_.mute && terminal_) tell("\a");
    return volts;
  }

  int end() override {
    if (!holding_ || holding_->over()) return holding_ ? kExitFixture : kExitPass;
    return holding_->down(options_.to_stderr);
  }

 private:
  void tell(const std::string& text) const {
    std::FILE* out = options_.to_stderr ? stderr : stdout;
    std::fputs(text.c_str(), out);
    std::fflush(out);
  }

  Result<bool> power_up() {
    auto bench = open_bench(bench_, plan_, person_cancels(), true);
    TH_TRY(bench);
    person_ = bench->hand;
    terminal_ = isatty(STDIN_FILENO) && isatty(STDOUT_FILENO) && !options_.to_stderr;
    keeper_ = HoldToRun(terminal_ && !bench->emulated);
    auto there = wait_for_person(*bench, keeper_);
    TH_TRY(there);
    if (!*there) return false;
    auto made = Holding::make(plan_, bench.take());
    TH_TRY(made);
    holding_ = made.take();
    auto up = holding_->power_up();
    TH_TRY(up);
    if (!*up) return fixture_error("", holding_->screen().message);
    keeper_.begin(wall_clock_s());
    return true;
  }

  // Looks until the lead has been taken off, put on and is steady.
  Result<std::optional<double>> follow(const std::string& net) {
    HandWatch watch;
    std::optional<KeyMode> mode;
    if (terminal_) mode.emplace();
    for (double waited = 0.0; waited < options_.at_most_s; waited += kLookEvery.value) {
      auto reading = holding_->hand();
      TH_TRY(reading);
      if (holding_->over()) return fixture_error("", holding_->screen().message);
      const auto taken = watch.look(*reading);
      if (terminal_) tell(fmt::format("\r\x1b[K  {:+.2f} V: {}", reading->volts.value, taken ? "taken" : watch.say()));
      if (taken) {
        tell(fmt::format("{}  {} = {:.2f} V\n", terminal_ ? "\n" : "", net, taken->value));
        return std::optional<double>(taken->value);
      }
      TH_TRY(obey(watch.wants_touch(), net));
      auto leaves = person_leaves(holding_->bench(), keeper_, wall_clock_s(), terminal_ ? static_cast<int>(kLookEvery.value * 1000) : 0);
      TH_TRY(leaves);
      if (*leaves || keeper_.released(wall_clock_s())) return std::optional<double>{};
      TH_TRY(holding_->idle(kLookEvery));
    }
    tell(fmt::format("{}  nothing steady on the hand lead for {:.0f} s\n", terminal_ ? "\n" : "", options_.at_most_s));
    return std::optional<double>{};
  }

  // The emulated person does what the screen says.
  Status obey(bool touch_now, const std::string& net) {
    if (!person_) return {};
    if (touch_now) return person_->touch(net);
    person_->lift();
    return {};
  }

  BenchOptions bench_;
  plan::Plan plan_;
  HandOptions options_;
  std::unique_ptr<Holding> holding_;
  EmulatedHand* person_ = nullptr;
  HoldToRun keeper_{false};
  bool terminal_ = false;
};

}  // namespace

std::optional<double> typed_volts(const std::string& text) {
  const char* begin = text.c_str();
  char* end = nullptr;
  const double volts = std::strtod(begin, &end);
  if (end == begin || !std::isfinite(volts)) return std::nullopt;
  while (*end == ' ') ++end;
  if (*end == 'V') ++end;
  while (*end == ' ') ++end;
  return *end == '\0' ? std::optional(volts) : std::nullopt;
}

std::unique_ptr<Toucher> typed_touches() { return std::make_unique<TypedTouches>(); }

Result<std::unique_ptr<Toucher>> hand_touches(const BenchOptions& bench, const files::Vectors& vectors, const HandOptions& options) {
  auto plan = plan_on(bench, vectors);
  TH_TRY(plan);
  if (plan->hand < 0) {
    return input_error("--fixture", fmt::format("the file of {} names no lead for the hand", vectors.board.name),
                       "add it to its hookup, on a spare sense channel: hookup: {hand: sense.8}, and run the board again");
  }
  return std::unique_ptr<Toucher>(std::make_unique<HandTouches>(bench, plan.take(), options));
}

}  // namespace tenterhook::commands
