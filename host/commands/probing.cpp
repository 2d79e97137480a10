#include "host/commands/probing.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <nlohmann/json.hpp>
#include <optional>

#include "host/commands/keys.h"
#include "host/commands/output.h"
#include "host/commands/recorded.h"
#include "host/report/screen.h"
#include "host/repeat/order.h"

namespace tenterhook::commands {

namespace {

constexpr Seconds kLookEvery{0.2};
constexpr double kWaitForPerson = 600.0;  // s
constexpr double kTellEvery = 1.0;        // s of the board's time, without a terminal
constexpr int kPromptLookMs = 300;

enum class Ended { time, released, left, trip };
const char* word(Ended ended) {
  switch (ended) {
    case Ended::time: return "time";
    case Ended::released: return "released";
    case Ended::left: return "left";
    case Ended::trip: return "trip";
  }
  return "";
}

// One probing of one step, from power-up to power-down.
class Probing {
 public:
  Probing(const RunOptions& options, Holding& holding, int first, int step)
      : options_(options), holding_(holding), first_(first), step_(step) {}

  Result<Ended> hold(HoldToRun& keeper, bool terminal);
  long loops() const { return loops_; }
  double held_s() const { return held_s_; }

 private:
  bool loop() const { return options_.loop_step.has_value(); }
  Result<bool> look();
  void tell_line();

  const RunOptions& options_;
  Holding& holding_;
  int first_, step_;
  long loops_ = 0;
  double held_s_ = 0.0, told_s_ = -kTellEvery;
};

Result<bool> Probing::look() {
  if (!loop()) return holding_.look();
  ++loops_;
  holding_.screen().at = fmt::format("looping steps {} to {}, {} times", first_, step_, loops_);
  return holding_.loop(first_, step_);
}

// "12 s  Q0 24.31 V  Q1 4.92 V": one line a second, for a pipe.
void Probing::tell_line() {
  if (options_.bench.quiet || options_.bench.json == "-" || held_s_ < told_s_ + kTellEvery) return;
  told_s_ = held_s_;
  std::string text = fmt::format("{:.0f} s", held_s_);
  for (const report::HeldLine& line : holding_.screen().lines) {
    if (line.reading) text += fmt::format("  {} {:.2f} V", line.name, line.reading->volts.value);
  }
  fmt::print("{}\n", text);
  std::fflush(stdout);
}

Result<Ended> Probing::hold(HoldToRun& keeper, bool terminal) {
  std::optional<KeyMode> mode;
  std::optional<FullScreen> full;
  if (terminal) {
    mode.emplace();
    full.emplace();
  }
  report::HeldScreen& screen = holding_.screen();
  screen.keys = keeper.needed() ? "keep holding: any key, a foot switch, or the fixture's switch   q power down" : "q power down";
  screen.chosen = -1;  // nothing here is chosen
  screen.message = loop() ? "the trigger output is high from before the last step's pulse until it has been sampled" : "";
  const double began = wall_clock_s();
  double last = began;
  keeper.begin(began);
  for (;;) {
    auto looked = look();
    TH_TRY(looked);
    if (!*looked || holding_.over()) return Ended::trip;
    const double now = wall_clock_s();
    if (full) {
      screen.height = full->rows();
      full->draw(report::held_screen(screen, report::screen_of(stdout_descriptor())));
      held_s_ = now - began;
    } else {
      tell_line();
    }
    auto leaves = person_leaves(holding_.bench(), keeper, now, terminal ? (loop() ? 1 : static_cast<int>(kLookEvery.value * 1000)) : 0);
    TH_TRY(leaves);
    if (*leaves) return Ended::left;
    if (keeper.released(wall_clock_s())) return Ended::released;
    if (held_s_ > options_.at_most_s) return Ended::time;
    // In the emulated fixture time passes only when it is let pass.
    const Seconds passed{terminal ? std::clamp(now - last, 0.0, 2.0) : kLookEvery.value};
    last = now;
    if (!loop()) TH_TRY(holding_.idle(passed));
    if (!terminal) held_s_ = loop() ? screen.on_s : held_s_ + passed.value;
  }
}

Status write_json(const RunOptions& options, Holding& holding, const Probing& probing, int first, int step, Ended ended) {
  nlohmann::ordered_json json{{"board", holding.plan().vectors.board.name},
                              {"mode", options.loop_step ? "loop" : "hold"},
                              {"step", step},
                              {"first", first},
                              {"loops", probing.loops()},
                              {"held_s", probing.held_s()},
                              {"ended", word(ended)},
                              {"message", ended == Ended::trip ? holding.screen().message : ""}};
  json["readings"] = nlohmann::ordered_json::array();
  for (const report::HeldLine& line : holding.screen().lines) {
    if (!line.reading) continue;
    const measure::Reading& r = *line.reading;
    json["readings"].push_back({{"line", line.name},
                                {"expected", std::string(1, files::letter(line.expected.value_or(files::Bit::any)))},
                                {"volts", r.volts.value},
                                {"U", r.U.value},
                                {"verdict", measure::name(r.verdict)}});
  }
  json["rails"] = nlohmann::ordered_json::array();
  for (const report::HeldRail& rail : holding.screen().rails) json["rails"].push_back({{"rail", rail.name}, {"volts", rail.volts}, {"amps", rail.amps}});
  return write_text(options.bench.json, json.dump(2) + "\n");
}

// From where the loop must begin so that the last step is what it is in the file's order.
Result<int> first_of_loop(const files::Vectors& vectors, int step) {
  auto order = repeat::order_of(vectors, 1, 1);
  TH_TRY(order);
  int first = 0;
  for (const int start : order->starts) {
    if (start <= step) first = start;
  }
  return first;
}

std::string sentence(Ended ended, double held_s) {
  switch (ended) {
    case Ended::time: return fmt::format("the time was up after {:.0f} s", held_s);
    case Ended::released: return "let go of";
    case Ended::left: return "left";
    case Ended::trip: return "tripped";
  }
  return "";
}

}  // namespace

double wall_clock_s() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

Result<bool> wait_for_person(Bench& bench, const HoldToRun& keeper) {
  const double began = wall_clock_s();
  bool told_lid = false, told_hold = false;
  KeyMode mode;
  while (wall_clock_s() - began < kWaitForPerson) {
    if (person_cancels().requested()) return false;
    auto live = bench.session->rails();
    TH_TRY(live);
    if (!live->coil_supply && !told_lid) {
      fmt::print(stderr, "With the lid open nothing is powered but while the fixture's hold-to-run switch is held: hold it, or shut the lid.\n");
      told_lid = true;
    }
    if (live->coil_supply && (!keeper.needed() || live->hold_to_run)) return true;
    if (live->coil_supply && !told_hold) {
      fmt::print("Hold any key (or a foot switch that types one) to power the board; let go of it and everything is off within {:g} s.\n"
                 "One hand, no rings, insulated tips. q leaves.\n", HoldToRun::kReleasedAfter);
      std::fflush(stdout);
      told_hold = true;
    }
    const Press press = next_key(kPromptLookMs);
    if (press.key == Key::end || (press.key == Key::character && press.character == 'q')) return false;
    if (press.key != Key::none && live->coil_supply) return true;
    if (!bench.emulated) continue;
    auto idled = bench.session->idle(Seconds{0.05});
    TH_TRY(idled);
  }
  return false;
}

Result<bool> person_leaves(Bench& bench, HoldToRun& keeper, double now_s, int wait_ms) {
  if (person_cancels().requested()) return Error{Trouble::interrupted, "stopped by the person", "", ""};
  auto live = bench.session->rails();
  TH_TRY(live);
  keeper.fixture_switch(live->hold_to_run, now_s);
  if (wait_ms <= 0) return false;
  // Keys that piled up count once: what matters is that there are any.
  constexpr int kKeysMost = 64;
  for (int i = 0; i < kKeysMost; ++i) {
    const Press press = next_key(i == 0 ? wait_ms : 0);
    if (press.key == Key::end) return true;
    if (press.key == Key::none) break;
    if (press.key == Key::character && press.character == 'q') return true;
    keeper.key(wall_clock_s());
  }
  return false;
}

int probe(const RunOptions& options, files::Vectors vectors) {
  const int step = options.loop_step ? *options.loop_step : *options.hold_step;
  const int steps = static_cast<int>(vectors.steps.size());
  if (step >= steps) {
    return tell(input_error(options.loop_step ? "--loop" : "--hold", fmt::format("there is no step {}: the file has steps 0 to {}", step, steps - 1)));
  }
  int first = step;
  if (options.loop_step) {
    auto found = first_of_loop(vectors, step);
    if (!found) return tell(found.error());
    first = *found;
  }
  auto plan = plan_on(options.bench, std::move(vectors));
  if (!plan) return tell(plan.error());
  auto bench = open_bench(options.bench, *plan, person_cancels());
  if (!bench) return tell(bench.error());
  auto made = Holding::make(plan.take(), bench.take());
  if (!made) return tell(made.error());
  Holding& holding = **made;
  const bool terminal = options.bench.json != "-" && !options.bench.quiet && isatty(STDIN_FILENO) && isatty(STDOUT_FILENO);
  for (;;) {
    HoldToRun keeper(terminal);
    auto there = wait_for_person(holding.bench(), keeper);
    if (!there) return tell(there.error());
    if (!*there) return person_cancels().requested() ? kExitInterrupted : kExitPass;
    Probing probing(options, holding, first, step);
    auto ended = [&]() -> Result<Ended> {
      auto up = holding.power_up();
      TH_TRY(up);
      if (*up) TH_TRY(holding.reach(options.loop_step ? first - 1 : step));
      if (holding.over()) return Ended::trip;
      return probing.hold(keeper, terminal);
    }();
    if (!ended) {
      (void)holding.bench().session->stop().ok();
      return tell(ended.error());
    }
    const bool tripped = *ended == Ended::trip;
    if (tripped) fmt::print(stderr, "tenterhook: {}\n", holding.screen().message);
    const int code = tripped ? kExitFixture : holding.down(options.bench.json == "-");
    if (!options.bench.json.empty()) {
      if (auto written = write_json(options, holding, probing, first, step, *ended); !written) return tell(written.error());
    }
    if (options.bench.json != "-" && !tripped) fmt::print("{}, step {}: {}\n", holding.plan().vectors.board.name, step, sentence(*ended, probing.held_s()));
    if (!terminal || *ended != Ended::released) return code;
  }
}

}  // namespace tenterhook::commands
