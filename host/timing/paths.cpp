#include "host/timing/paths.h"

#include <fmt/format.h>

#include <algorithm>
#include <deque>
#include <functional>
#include <optional>
#include <set>
#include <tuple>

#include "host/circuit/simulator.h"

namespace tenterhook::timing {

namespace {

using circuit::Simulator;
using files::Bit;
using files::Line;
using files::LineKind;

constexpr int kWalkSteps = 96;        // of our own walk
constexpr int kWalkPulses = 9;        // after every fourth: counters go on
constexpr int kAgainMost = 14;        // actions of `again`
constexpr int kNodesMost = 400;       // states looked at for one `again`
constexpr int kTriesEach = 6;         // start states tried for one path
constexpr int kTrainPulses = 15;
constexpr int kTrainRuns = 4;         // of one more pulse each
constexpr int kPatternsMost = 4;      // trains of one clock
constexpr int kSuffixes[] = {0, 1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 64, 96};

Bit other(Bit bit) { return bit == Bit::one ? Bit::zero : Bit::one; }
bool known(Bit bit) { return bit == Bit::zero || bit == Bit::one; }

using Inputs = std::vector<std::pair<std::string, Bit>>;

// Sets of the walk's lines, or one pulse.
using History = std::vector<std::vector<Action>>;

class Finder {
 public:
  Finder(const plan::Plan& plan, const FindOptions& options) : plan_(plan), board_(plan.vectors.board), options_(options) {}

  Result<Found> run() {
    if (board_.circuit.empty()) {
      return input_error(board_.path, "it has no circuit: which output follows which input is unknown", "describe its gates under `circuit:`");
    }
    sort_lines();
    TH_TRY(walk());
    for (auto& path : found_.paths) std::sort(path.start.inputs.begin(), path.start.inputs.end());
    TH_TRY(find_apertures());
    TH_TRY(find_trains());
    std::stable_sort(found_.paths.begin(), found_.paths.end(), [this](const Path& a, const Path& b) {
      const auto key = [this](const Path& p) { return std::tuple{place(p.from), !p.from_high, place(p.to), !p.to_high}; };
      return key(a) < key(b);
    });
    std::stable_sort(found_.apertures.begin(), found_.apertures.end(), [this](const Aperture& a, const Aperture& b) {
      const auto key = [this](const Aperture& p) { return std::tuple{place(p.clock), place(p.data), !p.data_high}; };
      return key(a) < key(b);
    });
    std::erase_if(found_.paths, [this](const Path& p) { return !wanted(p.from, p.to); });
    return found_;
  }

 private:
  // In the order of the board file.
  std::ptrdiff_t place(const std::string& name) const {
    return std::find_if(board_.lines.begin(), board_.lines.end(), [&](const Line& l) { return l.name == name; }) - board_.lines.begin();
  }
  bool wanted(const std::string& a, const std::string& b) const {
    const auto& l = options_.lines;
    return l.empty() || std::count(l.begin(), l.end(), a) > 0 || std::count(l.begin(), l.end(), b) > 0;
  }

  void sort_lines() {
    for (const Line& line : board_.lines) {
      if (!plan_.hookup.count(line.name)) continue;
      const bool clock = line.kind == LineKind::clock, input = line.kind == LineKind::input;
      if (line.kind == LineKind::output && plan_.hookup.at(line.name).kind == "sense") outputs_.push_back(line.name);
      if (!clock && !input) continue;
      (clock ? clocks_ : inputs_).push_back(line.name);
      std::string why;
      const int fast = fast_of(plan_, line.name, &why);
      if (fast < 0) {
        if (wanted(line.name, line.name)) found_.not_measured.push_back(fmt::format("{}: {}", line.name, why));
        continue;
      }
      channel_[line.name] = fast;
    }
    std::set<std::string> nets;
    for (const files::Gate& gate : board_.circuit) {
      nets.insert(gate.outputs.begin(), gate.outputs.end());
      if (!gate.inverse.empty()) nets.insert(gate.inverse);
    }
    nets_.assign(nets.begin(), nets.end());
  }

  bool routed(const std::string& line) const {
    return channel_.count(line) && plan_.hookup.at(line).kind == "drive";
  }
  bool high(const std::string& line, Bit bit) const { return plan::is_high(*board_.family_of(*board_.line(line)), bit); }
  Bit rest(const std::string& line) const {
    const Bit bit = board_.line(line)->rest;
    return known(bit) ? bit : Bit::zero;
  }

  std::string signature(const Simulator& sim) const {
    std::string text;
    for (const std::string& net : nets_) {
      const auto bit = sim.has_net(net) ? sim.read(net) : Result<Bit>(Bit::any);
      text += bit ? files::letter(*bit) : 'x';
    }
    return text;
  }
  Levels3 levels(const Simulator& sim) const {
    Levels3 all;
    for (const std::string& line : outputs_) {
      const auto bit = sim.read(line);
      all[line] = bit ? *bit : Bit::any;
    }
    return all;
  }

  // ---- making a state ----

  Status act(Simulator& sim, const Action& action) const {
    if (action.kind == Action::Kind::set) return sim.set({{action.line, action.bit}});
    return sim.pulse(action.line);
  }

  // A board in an unknown state, all driven lines as given.
  Result<Simulator> woken(const Inputs& inputs) const {
    auto sim = Simulator::make(board_);
    TH_TRY(sim);
    sim->power_up();
    TH_TRY(sim->set(inputs));
    return sim;
  }

  // Whether a state, made by these actions, is the one that is needed; it may go on with the simulator.
  using Goal = std::function<bool(Simulator&, const std::vector<Action>&)>;

  // The shortest actions of fast lines that reach `goal` from any state; `helper` may be empty.
  std::optional<std::vector<Action>> again(const Inputs& inputs, const std::string& helper, const Goal& goal) const {
    std::vector<Action> alphabet;
    for (const std::string& clock : clocks_) {
      if (channel_.count(clock) && !routed(clock)) alphabet.push_back({Action::Kind::pulse, clock, Bit::one});
    }
    if (!helper.empty()) {
      alphabet.push_back({Action::Kind::set, helper, Bit::zero});
      alphabet.push_back({Action::Kind::set, helper, Bit::one});
    }
    Bit last = Bit::zero;
    for (const auto& [line, bit] : inputs) {
      if (line == helper) last = bit;
    }
    struct Node {
      std::vector<Action> actions;
      Bit helper;
    };
    std::deque<Node> open{{{}, last}};
    std::set<std::string> seen;
    for (int nodes = 0; !open.empty() && nodes < kNodesMost; ++nodes) {
      const Node node = open.front();
      open.pop_front();
      auto sim = woken(inputs);
      if (!sim) return std::nullopt;
      for (const Action& action : node.actions) {
        if (!act(*sim, action)) return std::nullopt;
      }
      const std::string now = signature(*sim);
      if (seen.count(now + files::letter(node.helper)) == 0 && (helper.empty() || node.helper == last) && goal(*sim, node.actions)) return node.actions;
      if (!seen.insert(now + files::letter(node.helper)).second || static_cast<int>(node.actions.size()) >= kAgainMost) continue;
      for (const Action& action : alphabet) {
        const bool set = action.kind == Action::Kind::set;
        if (set && action.bit == node.helper && !node.actions.empty()) continue;
        Node next{node.actions, set ? action.bit : node.helper};
        next.actions.push_back(action);
        open.push_back(std::move(next));
      }
    }
    return std::nullopt;
  }

  // By fast lines if they can, with each input in turn on the routing reed, else by relays along the walk.
  std::optional<Start> start_of(const Inputs& inputs, const std::string& launch, const Goal& goal, const std::string& must_route,
                                const History& history) const {
    std::vector<std::string> helpers{must_route};
    if (must_route.empty() && routed(launch)) helpers = {launch};
    if (helpers.front().empty()) {
      for (const std::string& input : inputs_) {
        if (routed(input)) helpers.push_back(input);
      }
    }
    for (const std::string& helper : helpers) {
      if (auto actions = again(inputs, helper, goal)) return Start{inputs, helper, true, *actions};
    }
    for (const int n : kSuffixes) {
      if (n > static_cast<int>(history.size())) break;
      std::vector<Action> actions;
      Inputs begin = inputs_before(inputs, history, n);
      for (const auto& [line, bit] : begin) actions.push_back({Action::Kind::set, line, bit});
      for (auto at = history.end() - n; at != history.end(); ++at) actions.insert(actions.end(), at->begin(), at->end());
      auto sim = woken(begin);
      if (!sim) return std::nullopt;
      bool good = true;
      for (auto at = history.end() - n; at != history.end() && good; ++at) {
        for (const Action& action : *at) good = good && act(*sim, action).ok();
      }
      if (good && goal(*sim, actions)) return Start{inputs, helpers.front(), false, actions};
    }
    return std::nullopt;
  }

  // What was driven n entries ago: the last set before each line's first one inside the suffix.
  Inputs inputs_before(const Inputs& now, const History& history, int n) const {
    std::map<std::string, Bit> at;
    for (const std::string& line : inputs_) at[line] = rest(line);
    for (const std::string& line : clocks_) at[line] = rest(line);
    for (std::size_t i = 0; i + static_cast<std::size_t>(n) < history.size(); ++i) {
      for (const Action& action : history[i]) {
        if (action.kind == Action::Kind::set) at[action.line] = action.bit;
      }
    }
    if (n == 0) return now;
    return {at.begin(), at.end()};
  }

  // ---- the walk ----

  std::vector<files::Step> steps() const {
    if (!plan_.vectors.steps.empty()) return plan_.vectors.steps;
    // A linear-feedback walk over all inputs; each clock is pulsed after every change. Taps: maximal length for
    // 16 bits (common practice, no source).
    std::vector<files::Step> steps;
    std::uint32_t state = 0xACE1;
    for (int i = 0; i < kWalkSteps; ++i) {
      files::Step step;
      for (const std::string& input : inputs_) {
        state = (state >> 1) ^ ((state & 1u) ? 0xB400u : 0u);
        step.set.emplace_back(input, (state & 1u) ? Bit::one : Bit::zero);
      }
      for (const std::string& clock : clocks_) step.pulse.push_back({clock, i % 4 == 0 ? kWalkPulses : 1});
      steps.push_back(step);
    }
    return steps;
  }

  Status walk() {
    auto made = Simulator::make(board_);
    TH_TRY(made);
    Simulator sim = made.take();
    sim.power_up();
    for (const std::string& line : inputs_) now_[line] = rest(line);
    for (const std::string& line : clocks_) now_[line] = rest(line);
    for (const files::Step& step : steps()) {
      std::vector<Action> sets;
      for (const auto& [line, bit] : step.set) {
        if (!now_.count(line)) continue;
        now_[line] = bit;
        sets.push_back({Action::Kind::set, line, bit});
      }
      TH_TRY(sim.set(step.set));
      history_.push_back(sets);
      for (const std::string& input : inputs_) TH_TRY(probe(sim, input));
      for (const files::Pulse& pulse : step.pulse) {
        for (int i = 0; i < std::min(pulse.count, 16); ++i) TH_TRY(probe_clock(sim, pulse.line));
      }
    }
    return {};
  }

  // Both directions of an input, from where the walk stands; left as it was.
  Status probe(Simulator& sim, const std::string& input) {
    if (!known(now_[input]) || !channel_.count(input)) return {};
    const std::string before = signature(sim);
    for (int turn = 0; turn < 2; ++turn) {
      const Levels3 was = levels(sim);
      const Bit to = other(now_[input]);
      const Inputs inputs(now_.begin(), now_.end());
      TH_TRY(sim.set({{input, to}}));
      TH_TRY(note(input, was, levels(sim), inputs, false, false));
      now_[input] = to;
      history_.push_back({{Action::Kind::set, input, to}});
    }
    if (signature(sim) == before) history_.resize(history_.size() - 2);
    return {};
  }

  Status probe_clock(Simulator& sim, const std::string& clock) {
    const Levels3 was = levels(sim);
    const Inputs inputs(now_.begin(), now_.end());
    const Bit rests = now_[clock];
    TH_TRY(sim.set({{clock, other(rests)}}));
    const Levels3 middle = levels(sim);
    TH_TRY(sim.set({{clock, rests}}));
    if (channel_.count(clock)) {
      TH_TRY(note(clock, was, middle, inputs, true, false));
      TH_TRY(note(clock, middle, levels(sim), inputs, true, true));
      remember_train(clock, inputs);
    }
    history_.push_back({{Action::Kind::pulse, clock, Bit::one}});
    return {};
  }

  // `from` has just moved away from its level in `inputs` (trailing: and back).
  Status note(const std::string& from, const Levels3& was, const Levels3& is, const Inputs& inputs, bool clocked, bool trailing) {
    const auto at = std::find_if(inputs.begin(), inputs.end(), [&](const auto& input) { return input.first == from; });
    const Bit away = other(at->second), ends = trailing ? at->second : away;
    for (const auto& [to, bit] : is) {
      const Bit old = was.at(to);
      if (!known(bit) || !known(old) || bit == old || (!clocked && !wanted(from, to))) continue;
      const bool from_high = high(from, ends), to_high = high(to, bit);
      const auto same = std::find_if(found_.paths.begin(), found_.paths.end(), [&](const Path& p) {
        return p.from == from && p.from_high == from_high && p.to == to && p.to_high == to_high;
      });
      if (same != found_.paths.end() && same->start.fast) continue;
      if (++tries_[fmt::format("{}{}{}{}", from, from_high, to, to_high)] > kTriesEach) continue;
      const Goal goal = [&, to = to, old = old, bit = bit](Simulator& sim, const std::vector<Action>&) {
        if (trailing && !sim.set({{from, away}})) return false;
        const auto before = sim.read(to);
        if (!before || *before != old || !sim.set({{from, ends}})) return false;
        const auto after = sim.read(to);
        return after && *after == bit;
      };
      auto start = start_of(inputs, from, goal, "", history_);
      if (!start || (same != found_.paths.end() && !start->fast)) continue;
      auto before = outcome(*start, {});
      auto after = outcome(*start, {{Action::Kind::set, from, away}, {Action::Kind::set, from, at->second}});
      TH_TRY(before);
      TH_TRY(after);
      Path path{from, to, from_high, to_high, clocked, trailing, *start, *before, *after};
      if (same != found_.paths.end()) {
        *same = path;
      } else {
        found_.paths.push_back(path);
      }
    }
    return {};
  }

  // ---- apertures ----

  Result<Levels3> outcome(const Start& start, const std::vector<Action>& then) const {
    auto sim = woken(start.inputs);
    TH_TRY(sim);
    for (const Action& action : start.again) TH_TRY(act(*sim, action));
    for (const Action& action : then) TH_TRY(act(*sim, action));
    return levels(*sim);
  }

  static bool known_all(const Levels3& levels) {
    return std::all_of(levels.begin(), levels.end(), [](const auto& entry) { return known(entry.second); });
  }
  static bool tells(const Levels3& a, const Levels3& b) {
    return std::any_of(a.begin(), a.end(), [&](const auto& entry) {
      return known(entry.second) && known(b.at(entry.first)) && entry.second != b.at(entry.first);
    });
  }

  Status find_apertures() {
    const auto paths = found_.paths;
    for (const Path& path : paths) {
      if (!path.clocked || channel_.at(path.from) != 0 || routed(path.from)) continue;
      for (const std::string& data : inputs_) {
        if (!routed(data) || !wanted(data, path.from)) continue;
        for (const Bit level : {Bit::zero, Bit::one}) TH_TRY(aperture(path, data, level));
      }
    }
    return {};
  }

  // With data at `level` the clock must do something else than with data at the other one.
  Status aperture(const Path& path, const std::string& data, Bit level) {
    const bool data_high = high(data, level);
    const bool there = std::any_of(found_.apertures.begin(), found_.apertures.end(), [&](const Aperture& a) {
      return a.clock == path.from && a.data == data && a.data_high == data_high;
    });
    if (there || ++tries_[fmt::format("aperture {} {} {}", path.from, data, data_high)] > kTriesEach) return {};
    Inputs inputs = path.start.inputs;
    for (auto& [line, bit] : inputs) {
      if (line == data) bit = other(level);
    }
    const Action take{Action::Kind::set, data, level}, back{Action::Kind::set, data, other(level)}, pulse{Action::Kind::pulse, path.from, Bit::one};
    // The clock must take data that is in time and nothing else; what works without a clock (a clear, an
    // enable) has no set-up time.
    Levels3 taken, missed;
    bool apart = true;
    const Goal goal = [&](Simulator& sim, const std::vector<Action>& actions) {
      const Levels3 before = levels(sim);
      if (!act(sim, pulse)) return false;
      missed = levels(sim);
      const Start tried{inputs, data, true, actions};
      const auto in_time = outcome(tried, {take, pulse, back});
      // What is to be taken must not stand there already: else an early look would see it.
      if (!in_time || !tells(*in_time, missed) || (apart && !tells(*in_time, before))) return false;
      const auto early = outcome(tried, {take, back, pulse}), late = outcome(tried, {pulse, take, back});
      taken = *in_time;
      return early && late && !tells(*early, missed) && !tells(*late, missed);
    };
    auto start = start_of(inputs, path.from, goal, data, {});
    if (!start) {
      apart = false;
      start = start_of(inputs, path.from, goal, data, {});
    }
    if (!start || !start->fast) return {};
    found_.apertures.push_back({path.from, data, data_high, *start, taken, missed, apart});
    return {};
  }

  // ---- trains ----

  struct Seed {
    std::string clock;
    Inputs inputs;
    History history;
  };

  void remember_train(const std::string& clock, const Inputs& inputs) {
    if (!wanted(clock, clock)) return;
    const bool there = std::any_of(seeds_.begin(), seeds_.end(), [&](const Seed& s) { return s.clock == clock && s.inputs == inputs; });
    if (!there) seeds_.push_back({clock, inputs, history_});
  }

  std::string pattern(const Inputs& inputs) const {
    std::string text;
    for (const auto& [line, bit] : inputs) {
      if (std::count(clocks_.begin(), clocks_.end(), line) > 0) continue;
      text += (text.empty() ? "" : " ") + fmt::format("{}={}", line, files::letter(bit));
    }
    return text;
  }

  Status find_trains() {
    std::map<std::string, int> made;
    std::set<std::string> insensitive;
    for (const Seed& seed : seeds_) {
      if (made[seed.clock] >= kPatternsMost || routed(seed.clock)) continue;
      Start start{seed.inputs, "", true, {}};
      std::vector<Action> train;
      std::vector<Levels3> after;
      auto sim = woken(seed.inputs);
      TH_TRY(sim);
      const auto found = start_of(seed.inputs, seed.clock, [&](Simulator& at, const std::vector<Action>&) { return known_all(levels(at)); }, "", seed.history);
      if (!found) continue;
      start = *found;
      for (const Action& action : start.again) TH_TRY(act(*sim, action));
      after.push_back(levels(*sim));
      Train t{seed.clock, pattern(seed.inputs), start, {}, {}};
      for (int n = 1; n < kTrainPulses + kTrainRuns; ++n) {
        TH_TRY(sim->pulse(seed.clock));
        after.push_back(levels(*sim));
        for (const auto& [line, bit] : after.back()) {
          const Bit old = after[static_cast<std::size_t>(n) - 1].at(line);
          if (n <= kTrainPulses && known(bit) && known(old) && bit != old && high(line, bit)) ++t.rises[line];
        }
        if (n >= kTrainPulses && tells(after.back(), after[static_cast<std::size_t>(n) - 1])) t.runs.push_back({n, after.back()});
      }
      if (t.runs.empty() || t.runs.front().pulses != kTrainPulses) {
        insensitive.insert(seed.clock);
        continue;
      }
      ++made[seed.clock];
      insensitive.erase(seed.clock);
      found_.trains.push_back(t);
    }
    for (const std::string& clock : insensitive) {
      if (made[clock] > 0) continue;
      found_.not_measured.push_back(fmt::format("top rate of {}: with data that stands still a lost pulse does not show; its shortest pulse is "
                                                "measured instead", clock));
    }
    return {};
  }

  const plan::Plan& plan_;
  const files::Board& board_;
  FindOptions options_;
  std::vector<std::string> inputs_, clocks_, outputs_, nets_;
  std::map<std::string, int> channel_;  // of fast lines
  std::map<std::string, Bit> now_;      // driven lines of the walk
  History history_;
  std::map<std::string, int> tries_;
  std::vector<Seed> seeds_;
  Found found_;
};

bool feeds(const plan::Supplied& s) {
  return s.low.kind != plan::Feed::Kind::none || s.high.kind != plan::Feed::Kind::none;
}

bool fast_one_is_a_clocks(const plan::Plan& plan) {
  return std::any_of(plan.hookup.begin(), plan.hookup.end(), [](const auto& entry) {
    return entry.second == files::Channel{"fast", 1};
  });
}

}  // namespace

Result<Found> find_paths(const plan::Plan& plan, const FindOptions& options) { return Finder(plan, options).run(); }

int fast_of(const plan::Plan& plan, const std::string& line, std::string* why) {
  const auto found = plan.hookup.find(line);
  auto no = [&](const std::string& reason) {
    if (why) *why = reason;
    return -1;
  };
  if (found == plan.hookup.end()) return no("it is not connected");
  if (found->second.kind == "fast") return found->second.index;
  if (found->second.kind != "drive") return no("it is not driven");
  if (fast_one_is_a_clocks(plan)) return no("it is not routed to a fast line (fast.1 carries a clock)");
  const plan::Supplied& bank = plan.banks.at(static_cast<std::size_t>(found->second.index / plan::kDrivesPerBank));
  if (!(bank == plan.fasts[1])) return no("it is not routed to a fast line (fast.1 is jumpered to other levels than its own)");
  return 1;
}

void prepare_wiring(plan::Plan& plan) {
  if (!fast_one_is_a_clocks(plan) && plan.fasts.size() > 1) {
    std::map<int, int> users;
    for (const auto& [name, channel] : plan.hookup) {
      if (channel.kind == "drive" && plan.vectors.board.line(name)) ++users[channel.index / plan::kDrivesPerBank];
    }
    const auto most = std::max_element(users.begin(), users.end(), [](auto& a, auto& b) { return a.second < b.second; });
    if (most != users.end() && feeds(plan.banks.at(static_cast<std::size_t>(most->first)))) {
      plan.fasts[1] = plan.banks.at(static_cast<std::size_t>(most->first));
      plan.wiring.push_back(fmt::format("fast line 1: low and high terminal to the same as drive bank {}; it times its lines through the routing reeds",
                                        most->first));
    }
  }
  // One lead back from a line that is timed.
  std::string line;
  for (const files::Line& l : plan.vectors.board.lines) {
    if (line.empty() && l.kind == files::LineKind::clock && fast_of(plan, l.name) == 0) line = l.name;
  }
  for (const files::Line& l : plan.vectors.board.lines) {
    if (line.empty() && l.kind == files::LineKind::input && fast_of(plan, l.name) >= 0) line = l.name;
  }
  if (line.empty()) return;
  std::set<int> taken;
  for (const auto& [name, channel] : plan.hookup) {
    if (channel.kind == "sense") taken.insert(channel.index);
  }
  for (int i = plan.fixture.sense.channels - 1; i >= 0; --i) {
    if (taken.count(i)) continue;
    plan.hookup[line + " sense"] = {"sense", i};
    plan.wiring.push_back(fmt::format("{:<9} {:<10} loop-back: a second lead, from where {} is driven", fmt::format("sense.{}", i), line, line));
    return;
  }
}

LoopBack loop_back(const plan::Plan& plan) {
  for (const files::Line& line : plan.vectors.board.lines) {
    if (line.kind != files::LineKind::clock && line.kind != files::LineKind::input) continue;
    const auto found = plan.hookup.find(line.name + " sense");
    if (found != plan.hookup.end() && found->second.kind == "sense") return {line.name, found->second.index};
  }
  return {};
}

}  // namespace tenterhook::timing
