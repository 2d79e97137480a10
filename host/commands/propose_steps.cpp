#include "host/commands/propose_steps.h"

#include <fmt/format.h>

#include <algorithm>
#include <deque>
#include <map>
#include <optional>
#include <random>

#include "host/circuit/simulator.h"

namespace tenterhook::commands {

namespace {

using files::Bit;
using files::LineKind;

constexpr int kPatternsMost = 64;  // of the inputs, tried in each state

// An input pattern (bit i: input i) and a clock to pulse, or none.
struct Action {
  std::uint64_t pattern = 0;
  int clock = -1;
};

class Stimulus {
 public:
  Stimulus(const files::Board& board, std::uint64_t seed) : board_(board), random_(seed) {
    for (const files::Line& line : board.lines) {
      if (std::count(board.not_built.begin(), board.not_built.end(), line.name)) continue;
      if (line.kind == LineKind::input) inputs_.push_back(line.name);
      if (line.kind == LineKind::clock) clocks_.push_back(line.name);
    }
  }
  bool none() const { return inputs_.empty() && clocks_.empty(); }
  std::size_t inputs() const { return inputs_.size(); }
  bool clocked() const { return !clocks_.empty(); }

  void add(const Action& action) {
    files::Step step;
    for (std::size_t i = 0; i < inputs_.size(); ++i) {
      const bool one = action.pattern >> i & 1u;
      if (steps_.empty() || one != (last_ >> i & 1u)) step.set.emplace_back(inputs_[i], one ? Bit::one : Bit::zero);
    }
    last_ = action.pattern;
    if (action.clock >= 0) step.pulse.push_back({clocks_[static_cast<std::size_t>(action.clock)], 1});
    steps_.push_back(std::move(step));
  }

  // Every combination once, one input changing at a time.
  void every_pattern() {
    for (std::uint64_t i = 0; i < std::uint64_t{1} << inputs_.size(); ++i) add({i ^ (i >> 1), -1});
  }
  void random_walk() {
    for (int i = 0; i < kWalkSteps; ++i) add(any());
  }
  Status walk_states();
  std::vector<files::Step> take() { return std::move(steps_); }

 private:
  Action any() {
    Action action;
    // Mostly one input at a time, sometimes all at once: both kinds of change happen in a machine.
    if (inputs_.empty()) action.pattern = 0;
    else if (random_() % 4 == 0) action.pattern = random_() & mask();
    else action.pattern = last_ ^ (std::uint64_t{1} << random_() % inputs_.size());
    if (!clocks_.empty() && random_() % 4 != 0) action.clock = static_cast<int>(random_() % clocks_.size());
    return action;
  }
  std::uint64_t mask() const { return inputs_.size() >= 64 ? ~std::uint64_t{0} : (std::uint64_t{1} << inputs_.size()) - 1; }
  std::vector<Action> all_actions();

  const files::Board& board_;
  std::mt19937_64 random_;
  std::vector<std::string> inputs_, clocks_;
  std::vector<files::Step> steps_;
  std::uint64_t last_ = 0;
};

std::vector<Action> Stimulus::all_actions() {
  std::vector<Action> actions;
  std::vector<std::uint64_t> patterns;
  if (inputs_.size() <= 6) {
    for (std::uint64_t p = 0; p < std::uint64_t{1} << inputs_.size(); ++p) patterns.push_back(p);
  } else {
    for (int i = 0; i < kPatternsMost; ++i) patterns.push_back(random_() & mask());
  }
  for (const std::uint64_t p : patterns) {
    for (int clock = -1; clock < static_cast<int>(clocks_.size()); ++clock) actions.push_back({p, clock});
  }
  return actions;
}

// States are what the circuit's nets show while the clocks rest; each is named by them. What leads where is learnt by
// going there: the simulator cannot be asked without stepping it.
Status Stimulus::walk_states() {
  auto model = circuit::Simulator::make(board_);
  TH_TRY(model);
  model->power_up();
  std::vector<std::string> nets;
  for (const files::Gate& gate : board_.circuit) {
    for (const std::string& net : gate.outputs) nets.push_back(net);
    if (!gate.inverse.empty()) nets.push_back(gate.inverse);
  }
  const auto state = [&]() -> Result<std::string> {
    std::string name;
    for (const std::string& net : nets) {
      auto bit = model->read(net);
      TH_TRY(bit);
      name += files::letter(*bit);
    }
    return name;
  };
  const std::vector<Action> actions = all_actions();
  std::map<std::string, std::vector<std::string>> leads;  // state -> where each action led; "" untried
  auto here = state();
  TH_TRY(here);
  std::string at = *here;
  std::deque<std::size_t> way;  // actions to an untried one
  while (static_cast<int>(steps_.size()) < kWalkSteps) {
    auto& tried = leads.try_emplace(at, actions.size()).first->second;
    std::size_t next = actions.size();
    if (!way.empty()) {
      next = way.front();
      way.pop_front();
    } else {
      std::vector<std::size_t> open;
      for (std::size_t i = 0; i < tried.size(); ++i) {
        if (tried[i].empty()) open.push_back(i);
      }
      if (!open.empty()) {
        next = open[random_() % open.size()];
      } else {
        // The nearest state with something untried, over what is known (breadth first).
        std::map<std::string, std::pair<std::string, std::size_t>> from{{at, {"", 0}}};
        std::deque<std::string> queue{at};
        std::string found;
        while (!queue.empty() && found.empty()) {
          const std::string s = queue.front();
          queue.pop_front();
          const auto known = leads.find(s);
          if (known == leads.end()) continue;
          for (std::size_t i = 0; i < actions.size() && found.empty(); ++i) {
            const std::string& to = known->second[i];
            if (to.empty() || !from.try_emplace(to, s, i).second) continue;
            const auto there = leads.find(to);
            const bool untried = there == leads.end() || std::find(there->second.begin(), there->second.end(), "") != there->second.end();
            if (untried) found = to;
            queue.push_back(to);
          }
        }
        if (found.empty()) return {};  // everything that can be reached was tried
        for (std::string s = found; s != at; s = from[s].first) way.push_front(from[s].second);
        continue;
      }
    }
    add(actions[next]);
    TH_TRY(model->step(steps_.back()));
    auto now = state();
    TH_TRY(now);
    leads[at][next] = *now;
    at = *now;
  }
  return {};
}

bool remembers(const files::Board& board) {
  return std::any_of(board.circuit.begin(), board.circuit.end(), [](const files::Gate& g) {
    return g.type.ends_with("latch") || g.type.ends_with("flip-flop");
  });
}

}  // namespace

Result<ProposedSteps> steps_to_propose(const files::Board& board, std::uint64_t seed) {
  for (const files::Line& line : board.lines) {
    if (line.kind == LineKind::both) {
      return input_error(line.mark.text(), fmt::format("line {} goes both ways: what drives it when, only a person knows", line.name),
                         "write the vectors of this board by hand");
    }
  }
  Stimulus stimulus(board, seed);
  if (stimulus.none()) return input_error(board.path, "the board has neither inputs nor clocks to try");
  ProposedSteps proposed;
  if (!stimulus.clocked() && !remembers(board) && stimulus.inputs() <= kEveryInputMost) {
    stimulus.every_pattern();
    proposed.how = "every combination of the inputs, one input changing at a time";
  } else if (!board.circuit.empty() && (stimulus.clocked() || remembers(board))) {
    TH_TRY(stimulus.walk_states());
    proposed.how = "a walk that tries each input pattern and clock in each state that the circuit reaches";
  } else {
    stimulus.random_walk();
    proposed.how = "a random walk: states that it does not reach are not covered";
  }
  proposed.steps = stimulus.take();
  proposed.how += fmt::format("; {} steps", proposed.steps.size());
  if (static_cast<int>(proposed.steps.size()) == kWalkSteps) proposed.how += ", the most that are tried: more may be left";
  return proposed;
}

}  // namespace tenterhook::commands
