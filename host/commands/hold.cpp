#include "host/commands/hold.h"

#include <fmt/format.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <iostream>
#include <map>
#include <optional>
#include <sstream>

#include "host/circuit/simulator.h"
#include "host/commands/bench.h"
#include "host/commands/keys.h"
#include "host/commands/output.h"
#include "host/commands/recorded.h"
#include "host/files/reader.h"
#include "host/measure/nominal.h"
#include "host/measure/verdict.h"
#include "host/plan/program.h"
#include "host/power/sequence.h"
#include "host/report/hold_screen.h"

namespace tenterhook::commands {

namespace {

using files::Bit;

constexpr Seconds kLookEvery{0.2};
constexpr Seconds kDischargeAtMost{30.0};
constexpr int kConversions = 24;
constexpr int kMostPulses = 1000000;
constexpr const char* kByHand = ", changed by hand";

std::optional<Bit> bit_of(char c) {
  switch (c) {
    case '0': return Bit::zero;
    case '1': return Bit::one;
    case 'z': return Bit::undriven;
    default: return std::nullopt;
  }
}

// What is held, and everything a key can do to it.
class Holding {
 public:
  Holding(plan::Plan plan, Bench bench, std::optional<circuit::Simulator> model)
      : plan_(std::move(plan)),
        bench_(std::move(bench)),
        model_(std::move(model)),
        sequence_(*bench_.session, plan_, [](const std::string& what, double) { fmt::print(stderr, "{}\n", what); }) {
    for (const files::Line& line : plan_.vectors.board.lines) {
      if (line.kind == files::LineKind::probe || !plan_.hookup.count(line.name)) continue;
      report::HeldLine held;
      held.name = line.name;
      held.say = line.say;
      held.kind = line.kind;
      if (line.kind != files::LineKind::output) held.given = line.rest;
      screen_.lines.push_back(held);
    }
    screen_.title = fmt::format("{}  {}", plan_.vectors.board.name, bench_.emulated ? "emulated" : bench_.session->identity().serial);
    screen_.at = "at rest";
  }

  Result<bool> power_up() {
    auto up = sequence_.up();
    TH_TRY(up);
    if (report_fault(*up)) return false;
    std::optional<link::FaultReport> fault;
    auto warm = sequence_.warm_up(fault);
    TH_TRY(warm);
    return !report_fault(fault);
  }

  // Runs vectors up to and with `step`, without sampling.
  Status reach(int step) {
    while (next_ <= step && next_ < static_cast<int>(plan_.vectors.steps.size())) TH_TRY(do_next());
    return {};
  }

  Status do_next() {
    if (next_ >= static_cast<int>(plan_.vectors.steps.size())) {
      screen_.message = plan_.vectors.steps.empty() ? "this board file has no vectors" : "no further vector";
      return {};
    }
    const files::Step step = plan_.vectors.steps[static_cast<std::size_t>(next_)];
    screen_.at = fmt::format("at step {}{}{}", next_, step.say.empty() ? "" : ": ", step.say);
    screen_.message = "step " + std::to_string(next_) + " done";
    ++next_;
    return apply(step);
  }

  Status set(const std::string& line, Bit bit) {
    files::Step step;
    step.set.emplace_back(line, bit);
    screen_.message = fmt::format("{} is given {}", line, files::letter(bit));
    by_hand();
    return apply(step);
  }

  Status pulse(const std::string& line, int count) {
    files::Step step;
    step.pulse.push_back({line, count});
    screen_.message = fmt::format("{} pulsed {}", line, count == 1 ? "once" : fmt::format("{} times", count));
    by_hand();
    return apply(step);
  }

  // One look at every sensed line and rail; false when the fixture has opened everything.
  Result<bool> look();
  bool over() const { return over_; }
  report::HeldScreen& screen() { return screen_; }
  const plan::Plan& plan() const { return plan_; }
  Status idle(Seconds t) {
    auto idled = bench_.session->idle(t);
    TH_TRY(idled);
    report_fault(*idled);
    on_s_ += t.value;
    return {};
  }
  int down();

 private:
  bool report_fault(const std::optional<link::FaultReport>& fault) {
    if (!fault) return false;
    const record::Aborted aborted = power::aborted_by(*fault, plan_);
    screen_.message = fmt::format("everything is open: {} {}: {}", aborted.cause, aborted.where, aborted.message);
    over_ = true;
    return true;
  }

  Status apply(const files::Step& step) {
    const plan::PlannedStep planned = plan::plan_single(plan_, contacts_.value_or(plan_.rest), step);
    contacts_ = planned.contacts;
    plan::ProgramStep program = plan::vector_step(plan_, planned);
    program.patient = true;
    auto bytes = plan::encode(program);
    TH_TRY(bytes);
    auto report = bench_.session->execute(*bytes, {});
    TH_TRY(report);
    if (report_fault(report->fault)) return {};
    if (model_) TH_TRY(model_->step(step));
    for (report::HeldLine& held : screen_.lines) {
      for (const auto& [name, bit] : step.set) {
        if (name == held.name) held.given = bit;
      }
      for (const files::Pulse& p : step.pulse) {
        if (p.line == held.name) held.pulses += p.count;
      }
    }
    return {};
  }

  void judge(report::HeldLine& held, const measure::Counts& counts);
  // What each bus shows as a whole: the bit whose window holds the volts, '?' where neither does.
  void read_buses();
  void by_hand() {
    if (!screen_.at.ends_with(kByHand)) screen_.at += kByHand;
  }

  plan::Plan plan_;
  Bench bench_;
  std::optional<circuit::Simulator> model_;
  power::Sequence sequence_;
  report::HeldScreen screen_;
  std::optional<plan::Contacts> contacts_;
  int next_ = 0;
  bool over_ = false;
  double on_s_ = 0.0;
};

void Holding::judge(report::HeldLine& held, const measure::Counts& counts) {
  const auto estimate = measure::estimate(counts, measure::nominal_sense(plan_.fixture));
  measure::Reading reading;
  reading.line = held.name;
  reading.volts = estimate.volts;
  reading.U = estimate.U;
  reading.counts = counts;
  held.expected.reset();
  if (model_) {
    auto bit = model_->read(held.name);
    if (bit) held.expected = *bit;
  }
  if (held.expected && (*held.expected == Bit::zero || *held.expected == Bit::one)) {
    const files::Line& line = *plan_.vectors.board.line(held.name);
    reading.expected = *held.expected;
    if (const auto window = plan::window_for(plan_.vectors.board, line, {}, *held.expected)) {
      reading.window = *window;
      reading.verdict = measure::judge(estimate, *window, measure::Decision::guarded);
    }
  }
  held.reading = reading;
}

void Holding::read_buses() {
  screen_.buses.clear();
  const files::Board& board = plan_.vectors.board;
  for (const files::Bus& bus : board.buses) {
    std::string bits;
    unsigned long value = 0;
    for (const std::string& name : bus.lines) {
      char letter = '?';
      for (const report::HeldLine& held : screen_.lines) {
        if (held.name != name) continue;
        if (held.kind == files::LineKind::input) letter = held.given ? files::letter(*held.given) : '?';
        for (const Bit bit : {Bit::zero, Bit::one}) {
          const auto window = held.reading ? plan::window_for(board, *board.line(name), {}, bit) : std::nullopt;
          if (window && window->contains(held.reading->volts)) letter = files::letter(bit);
        }
      }
      bits += letter;
      value = 2 * value + (letter == '1');
    }
    const bool known = bits.find_first_not_of("01") == std::string::npos && bits.size() <= 32;
    screen_.buses.push_back(fmt::format("{} = {}{}", bus.name, bits, known ? fmt::format(" (hex {:X})", value) : ""));
  }
}

Result<bool> Holding::look() {
  if (over_) return false;
  auto bytes = plan::encode(plan::hold_step(plan_, kConversions));
  TH_TRY(bytes);
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) {
    screen_.rails.clear();
    for (const plan::RailPlan& rail : plan_.rails) screen_.rails.push_back({rail.rail.name, 0.0, 0.0});
    for (const link::ChannelSample& c : block.channels) {
      for (report::HeldLine& held : screen_.lines) {
        const auto both = plan_.hookup.find(held.name + " sense");
        const files::Channel& channel = both != plan_.hookup.end() ? both->second : plan_.hookup.at(held.name);
        if (c.kind == link::ChannelKind::sense && channel.kind == "sense" && channel.index == c.index) judge(held, c.counts);
      }
      for (std::size_t i = 0; i < plan_.rails.size(); ++i) {
        const int rail = plan_.rails[i].channel;
        const auto& there = plan_.fixture.rails.at(static_cast<std::size_t>(rail));
        const double mean = c.counts.n ? static_cast<double>(c.counts.sum) / c.counts.n : 0.0;
        if (c.index != rail) continue;
        if (c.kind == link::ChannelKind::rail) screen_.rails[i].volts = (there.volts_offset + there.volts_per_count * (mean + 0.5)).value;
        if (c.kind == link::ChannelKind::current) screen_.rails[i].amps = (there.per_count * mean).value;
      }
    }
  };
  auto report = bench_.session->execute(*bytes, sink);
  TH_TRY(report);
  screen_.on_s = on_s_;
  read_buses();
  return !report_fault(report->fault);
}

int Holding::down() {
  auto down = sequence_.down(kDischargeAtMost);
  if (!down) return tell(down.error());
  if (plan_.rails.empty()) return kExitPass;
  if (down->below) {
    fmt::print("{}\n", report::wrapped(down->message, report::screen_of(stdout_descriptor()).width, 0));
  } else {
    fmt::print(stderr, "tenterhook: {}\n", down->message);
  }
  return kExitPass;
}

// --- the two ways of giving commands ---

int terminal_rows() {
  winsize size{};
  return ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_row > 0 ? size.ws_row : 24;
}

// In place, row by row: clearing the whole screen first would flicker.
void draw(const std::string& rows) {
  std::string text = "\x1b[H";
  for (const char c : rows) {
    if (c == '\n') text += "\x1b[K";
    text += c;
  }
  fmt::print("{}\x1b[K\x1b[J", text);
  std::fflush(stdout);
}

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
  std::fputs("\x1b[?1049h\x1b[?25l", stdout);
  struct Restore {
    ~Restore() {
      std::fputs("\x1b[?25h\x1b[?1049l", stdout);
      std::fflush(stdout);
    }
  } restore;
  using Clock = std::chrono::steady_clock;
  auto last_key = Clock::now();
  auto last_time = Clock::now();
  for (;;) {
    auto looked = holding.look();
    TH_TRY(looked);
    holding.screen().height = terminal_rows();
    const report::Screen screen = report::screen_of(stdout_descriptor());
    draw(report::held_screen(holding.screen(), screen));
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
  auto fixture = describe_fixture(options.bench);
  if (!fixture) return tell(fixture.error());
  auto plan = plan::make_plan(std::move(what->vectors), fixture.take(), {});
  if (!plan) return tell(plan.error());
  if (auto agreed = agree_to_power(options.bench, *plan); !agreed) return tell(agreed.error());
  std::optional<circuit::Simulator> model;
  if (!plan->vectors.board.circuit.empty()) {
    auto made = circuit::Simulator::make(plan->vectors.board);
    if (!made) return tell(made.error());
    model.emplace(made.take());
    model->power_up();
  }
  auto bench = open_bench(options.bench, *plan, person_cancels());
  if (!bench) return tell(bench.error());
  Holding holding(plan.take(), bench.take(), std::move(model));
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
