#include "tests/simulation/world.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <new>
#include <stdexcept>

#include "host/files/reader.h"
#include "tests/emulated/acceptance/whole_run.h"
#include "tests/simulation/scarce.h"

namespace tenterhook::simulation {

namespace {

constexpr int kLines = 4;
constexpr double kRunSeconds = 1.5;  // about what a run without harm takes
// A reading may be so far from the bare board's level: its own U, and what the fixture's leads load.
constexpr double kLoading = 0.4;
constexpr const char* kBoardFaults[] = {
    "Q1 stuck-low", "Q2 stuck-high", "F1 swapped-with F2", "F0 open",       "Q0 inverted",    "d1 stuck-high",
    "SKIP open",    "d3 stuck-low",  "Q3 open",            "Q0 shorted-to Q1", "PICK open",     "F3 shorted-to ground"};
constexpr const char* kFixtureFaults[] = {"fixture.drive.0 stuck-open",   "fixture.drive.1 stuck-closed", "fixture.drive.4 stuck-open",
                                          "fixture.sense.1 open",         "fixture.sense.0 drift 2",      "fixture.fast.0 stuck-open",
                                          "fixture.rail.2 stuck-closed",  "fixture.drive.2 slow 3"};
constexpr const char* kBoard = R"(board: row-card
rails: {plate: {nominal: 30 V, window: 5 %, limit: 250 mA}}
families:
  stage:
    drive: {low: ground, high: plate}
    gives: {low: [-1 V, 8.2 V], high: [22 V, 31.5 V]}
    needs: {low: [-9.6 V, 9.3 V], high: [14 V, 31.5 V]}
lines:
  F3..F0: {in: stage}
  SKIP: {in: stage}
  PICK: {clock: stage, pulse: 200 us}
  Q3..Q0: {out: stage, respond: 20 us}
circuit:
  - {each: 3..0, gate: or, in: [F%, SKIP], out: d%, parts: [D%a, D%b, V%a], build: cathode-follower}
  - {each: 3..0, gate: d-flip-flop, in: d%, clock: PICK, out: Q%, parts: [V%b, V%c], build: triode-latch}
hookup: {F: drive.3..0, SKIP: drive.4, PICK: fast.0, Q: sense.3..0, plate: rail.2}
steps:
)";

[[noreturn]] void broken(const std::string& what) {
  std::fprintf(stderr, "the simulation itself is broken: %s\n", what.c_str());
  std::abort();
}

std::string bits(int word) {
  std::string text;
  for (int i = kLines - 1; i >= 0; --i) text += (word >> i & 1) != 0 ? '1' : '0';
  return text;
}

// Random vectors with their expectations by the latch's own rule: a pick stores the pattern, all ones when
// skipped; without a pick nothing moves.
std::string vectors_of(std::mt19937_64& random) {
  std::string text = kBoard;
  int stored = 0;
  const int count = 6 + static_cast<int>(random() % 10);
  for (int i = 0; i < count; ++i) {
    const int pattern = static_cast<int>(random() % 16);
    const bool skip = random() % 4 == 0;
    const bool pick = i == 0 || random() % 4 != 0;
    if (pick) stored = skip ? 15 : pattern;
    text += "  - {set: {F: " + bits(pattern) + ", SKIP: " + (skip ? "1" : "0") + "}, " + (pick ? "pulse: PICK, " : "") +
            "expect: {Q: " + bits(stored) + "}}\n";
  }
  return text;
}

plan::Plan plan_of(const std::string& text) {
  static const files::Fixture fixture = [] {
    commands::BenchOptions builtin;
    builtin.fixture = "emulated";
    auto described = commands::describe_fixture(builtin);
    if (!described) broken(described.error().text());
    return described.take();
  }();
  auto vectors = files::parse_vectors("row-card.yaml", text);
  if (!vectors) broken(vectors.error().text());
  auto plan = plan::make_plan(vectors.take(), fixture, {});
  if (!plan) broken(plan.error().text());
  return plan.take();
}

// The board with spikes on its lines: what a relay or a motor beside the bench does to a wire.
class SpikedBoard final : public emulated::Board {
 public:
  SpikedBoard(std::unique_ptr<emulated::Board> board, std::uint64_t seed) : board_(std::move(board)) {
    std::mt19937_64 random(seed ^ 0x5B1CE5);
    const auto uniform = [&](double a, double b) { return std::uniform_real_distribution<>(a, b)(random); };
    const int count = 1 + static_cast<int>(random() % kSpikesMost);
    for (int i = 0; i < count; ++i) {
      const auto from = static_cast<emulated::Picoseconds>(uniform(0.0, kRunSeconds) * 1e12);
      const auto to = from + static_cast<emulated::Picoseconds>(uniform(5e-6, 300e-6) * 1e12);
      const int terminal = static_cast<int>(random() % static_cast<std::uint64_t>(board_->terminal_count()));
      spikes_.push_back({from, to, terminal, uniform(-40.0, 40.0)});
    }
  }
  int terminal_count() const override { return board_->terminal_count(); }
  int rail_count() const override { return board_->rail_count(); }
  void drive(emulated::Picoseconds t, int terminal, emulated::Source source) override { board_->drive(t, terminal, source); }
  void supply(emulated::Picoseconds t, int rail, emulated::Source source) override { board_->supply(t, rail, source); }
  double volts(emulated::Picoseconds t, int terminal) override {
    double volts = board_->volts(t, terminal);
    for (const Spike& s : spikes_) {
      if (s.terminal == terminal && t >= s.from && t < s.to) volts += s.volts;
    }
    return volts;
  }
  double rail_volts(emulated::Picoseconds t, int rail) override { return board_->rail_volts(t, rail); }
  double rail_amps(emulated::Picoseconds t, int rail) override { return board_->rail_amps(t, rail); }
  bool source_away(emulated::Picoseconds t, int terminal) override { return board_->source_away(t, terminal); }
  emulated::Picoseconds next_event(emulated::Picoseconds t) override {
    emulated::Picoseconds next = board_->next_event(t);
    for (const Spike& s : spikes_) {
      if (s.from > t) next = std::min(next, s.from);
      if (s.to > t) next = std::min(next, s.to);
    }
    return next;
  }

 private:
  static constexpr std::uint64_t kSpikesMost = 30;
  struct Spike {
    emulated::Picoseconds from, to;
    int terminal;
    double volts;
  };
  std::unique_ptr<emulated::Board> board_;
  std::vector<Spike> spikes_;
};

class World {
 public:
  World(std::uint64_t seed, std::uint32_t allowed) : random_(seed ^ 0xC0FFEE), chaos_(draw_chaos(seed, allowed, kRunSeconds)) {
    told_.seed = seed;
    told_.harms = chaos_.harms;
    plan_ = plan_of(vectors_of(random_));
    const auto of = [&](const auto& list) { return std::string(list[random_() % std::size(list)]); };
    board_fault_ = of(kBoardFaults);
    fixture_fault_ = of(kFixtureFaults);
    if ((chaos_.harms >> kBoardFault & 1U) == 0) board_fault_.clear();
    if ((chaos_.harms >> kFixtureFault & 1U) == 0) fixture_fault_.clear();
  }

  Told run() {
    std::vector<std::string> faults;
    if (!board_fault_.empty()) faults.push_back(board_fault_);
    truth_ = acceptance::true_levels(plan_, told_.seed, faults);
    inside_ = acceptance::worst_inside(truth_);
    told_.board_wrong = inside_ < 0.0;
    if (!fixture_fault_.empty()) faults.push_back(fixture_fault_);
    commands::Adjust adjust;
    if (spiked()) {
      adjust.board = [&](std::unique_ptr<emulated::Board> board) { return std::make_unique<SpikedBoard>(std::move(board), told_.seed); };
    }
    auto made = commands::make_emulated(plan_, told_.seed, faults, commands::Firmware::native, adjust);
    if (!made) broken(made.error().text());
    const auto controller = made.take();
    try {
      ended_ = acceptance::run_over(std::make_unique<ChaosPort>(*controller, chaos_, cancel_, watch_), plan_, told_.seed, &cancel_);
      scarce::fail_allocation(0);
      judge();
    } catch (const std::bad_alloc&) {
      // The program would leave as with a defect, its session closed on the way out.
      if (!scarce::failed()) watch_.violations.push_back("memory ended, and was not made to end");
      ended_.exit_code = kExitBug;
      ended_.record.verdict = measure::Verdict::none;
    } catch (const std::exception& e) {
      watch_.violations.push_back(std::string("the run ended with an exception: ") + e.what());
    }
    scarce::fail_allocation(0);
    told_.virtual_s = static_cast<double>(controller->now()) * 1e-12;
    look_after_the_end(*controller, watch_);
    // A contact that is stuck closed is closed: that is the fault, and the rails are off all the same.
    if (fixture_fault_.find("drive.1 stuck-closed") != std::string::npos) {
      std::erase_if(watch_.violations, [](const std::string& v) { return v.find("left on: a contact") == 0; });
    }
    told_.violations = watch_.violations;
    told_.frames = watch_.frames;
    told_.harmed = watch_.harmed;
    told_.events = watch_.events;
    told_.exit_code = ended_.exit_code;
    tell();
    return told_;
  }

 private:
  bool spiked() const { return (chaos_.harms >> kGlitch & 1U) != 0; }
  // A fixture and wires that measure what is there.
  bool true_measuring() const { return fixture_fault_.empty() && !spiked(); }
  void violated(const std::string& what) { watch_.violations.push_back(what); }
  const record::RunRecord& record() const { return ended_.record; }

  void judge() {
    told_.complete = !ended_.trouble && !record().aborted;
    double error = 0.0;
    judge_steps(error);
    judge_outcome();
    if (!told_.complete) return;
    const measure::Verdict verdict = record().verdict;
    if (record().steps.size() != plan_.steps.size()) violated("steps are missing from a run that says it is complete");
    if (verdict == measure::Verdict::pass && inside_ < -2.0 * error) {
      violated("FALSE PASS: the board is outside a window by " + std::to_string(-inside_) + " V");
    }
    // Unsure is allowed: a low near what an open lead reads may stay unproven.
    if (true_measuring() && inside_ > 2.0 * error && verdict == measure::Verdict::fail) {
      violated("a good board is failed: it is inside its windows by " + std::to_string(inside_) + " V");
    }
    if (true_measuring() && inside_ < -2.0 * error - kLoading && verdict != measure::Verdict::fail) {
      violated("a wrong board is not failed: it is outside by " + std::to_string(-inside_) + " V");
    }
  }

  // Every recorded step once, in order, with each of its readings once, as it truly was.
  void judge_steps(double& error) {
    std::map<std::pair<int, std::string>, double> levels;
    for (const acceptance::TrueLevel& level : truth_) levels[{level.step, level.line}] = level.volts;
    int next = 0;
    for (const record::StepRecord& step : record().steps) {
      if (step.index != next++) violated("step " + std::to_string(step.index) + " in the place of " + std::to_string(next - 1));
      if (step.index >= static_cast<int>(plan_.steps.size())) return;
      const auto& expected = plan_.steps[static_cast<std::size_t>(step.index)].expectations;
      if (step.readings.size() != expected.size()) violated("readings of a step are missing or doubled");
      for (const measure::Reading& r : step.readings) judge_reading(step.index, r, levels, error);
    }
  }

  void judge_reading(int step, const measure::Reading& r, const std::map<std::pair<int, std::string>, double>& levels, double& error) {
    const std::string where = "step " + std::to_string(step) + " " + r.line;
    error = std::max(error, r.U.value);
    const double v = r.volts.value, guard = r.U.value;
    const bool sure_inside = v >= r.window.min.value + guard && v <= r.window.max.value - guard;
    if (r.verdict == measure::Verdict::pass && !sure_inside && !amended(step, r.line)) {
      violated(where + " passes within its uncertainty of the window's edge: " + std::to_string(v) + " V with " + std::to_string(guard) + " V (" + r.why + ")");
    }
    if (r.verdict == measure::Verdict::fail && v >= r.window.min.value - guard && v <= r.window.max.value + guard) {
      violated(where + " fails though it may be inside its window");
    }
    const auto level = levels.find({step, r.line});
    if (level == levels.end()) return violated(where + " was read though nothing is expected of it");
    if (true_measuring() && std::abs(v - level->second) > r.U.value + kLoading && !undriven()) {
      violated(where + " reads " + std::to_string(v) + " V where there are " + std::to_string(level->second) + " V");
    }
  }
  // Judged by a second look, whose volts are in its own text.
  bool amended(int step, const std::string& line) const {
    return std::any_of(record().amendments.begin(), record().amendments.end(), [&](const auto& a) { return a.step == step && a.line == line; });
  }
  // A net that nobody drives takes its volts from what looks at it.
  bool undriven() const { return board_fault_.find(" open") != std::string::npos; }

  void judge_outcome() {
    if (ended_.trouble) {
      if (ended_.trouble->trouble == Trouble::bug) violated("it says of itself that it has a bug: " + ended_.trouble->text());
      if (ended_.trouble->what.empty()) violated("an error without a text");
      if (ended_.trouble->trouble == Trouble::interrupted && !watch_.cancelled) violated("stopped by a person who was not there");
      if (ended_.exit_code == 0 || ended_.exit_code == 1 || ended_.exit_code == 4) violated("an error that leaves as if the board had been judged");
    }
    if (record().aborted && (record().aborted->cause.empty() || record().aborted->blame.empty() || record().aborted->message.empty())) {
      violated("a run was cut short and does not say why");
    }
    if (!told_.complete && ended_.exit_code != 3 && ended_.exit_code != 130) violated("cut short, yet the exit code is " + std::to_string(ended_.exit_code));
    if (!told_.complete && record().verdict == measure::Verdict::pass) violated("FALSE PASS: of a run that was cut short");
    const bool harmless = !chaos_.of_line() && board_fault_.empty() && true_measuring();
    if (harmless && ended_.exit_code != 0 && ended_.exit_code != 4 && inside_ > 0.0) violated("a good board on a good line is not judged good");
    const bool undisturbed = !chaos_.of_line() && true_measuring();
    if (undisturbed && !told_.complete && record().aborted && record().aborted->blame == "link") violated("the link is blamed and was not touched");
  }

  void tell() {
    told_.summary = "seed " + std::to_string(told_.seed) + " exit " + std::to_string(told_.exit_code) + " frames " +
                    std::to_string(told_.frames) + " harmed " + std::to_string(told_.harmed) + " events " + std::to_string(told_.events) +
                    (board_fault_.empty() ? "" : " [" + board_fault_ + "]") + (fixture_fault_.empty() ? "" : " [" + fixture_fault_ + "]");
    if (record().aborted) told_.summary += ": " + record().aborted->cause + " " + record().aborted->where + ": " + record().aborted->message;
    else if (ended_.trouble) told_.summary += ": " + ended_.trouble->text();
    else told_.summary += ": " + record::verdict_word(record().verdict);
    for (const record::StepRecord& step : record().steps) {
      for (const measure::Reading& r : step.readings) {
        if (r.verdict == measure::Verdict::unsure) told_.summary += "\n    step " + std::to_string(step.index) + " " + r.line + ": " + r.why;
      }
    }
  }

  std::mt19937_64 random_;
  Chaos chaos_;
  plan::Plan plan_;
  std::string board_fault_, fixture_fault_;
  std::vector<acceptance::TrueLevel> truth_;
  double inside_ = 0.0;
  link::Cancellation cancel_;
  ChaosPort::Watch watch_;
  acceptance::Ended ended_;
  Told told_;
};

}  // namespace

plan::Plan random_plan(std::mt19937_64& random) { return plan_of(vectors_of(random)); }

Told run_world(std::uint64_t seed, std::uint32_t allowed) { return World(seed, allowed).run(); }

std::uint32_t shrink(const Told& failed) {
  std::uint32_t harms = failed.harms;
  for (std::uint32_t i = 0; i < kHarms; ++i) {
    const std::uint32_t without = harms & ~(1U << i);
    if (without != harms && !run_world(failed.seed, without).violations.empty()) harms = without;
  }
  return harms;
}

std::string replay_line(std::uint64_t seed, std::uint32_t harms) {
  std::string only;
  for (std::uint32_t i = 0; i < kHarms; ++i) {
    if ((harms >> i & 1U) != 0) only += (only.empty() ? "" : ",") + std::string(name(static_cast<Harm>(i)));
  }
  return "--seed " + std::to_string(seed) + " --only " + (only.empty() ? "none" : only);
}

}  // namespace tenterhook::simulation
