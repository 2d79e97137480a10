#include "host/commands/proposal.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "host/circuit/simulator.h"
#include "host/plan/plan.h"

namespace tenterhook::commands {

namespace {

using files::Bit;

// What one output showed: volts[round][step].
struct Shown {
  std::vector<std::map<int, double>> volts;
  double U = 0.0;
};

struct Cluster {
  double min = 0.0, max = 0.0;
  int n = 0;
};

// Where low ends and high begins, and what lies on each side.
struct Split {
  double at = 0.0;
  std::optional<Cluster> low, high;
  std::string undecided;
};

std::optional<Cluster> cluster_of(const std::vector<double>& sorted, double from, double to) {
  std::optional<Cluster> cluster;
  for (const double v : sorted) {
    if (v < from || v >= to) continue;
    if (!cluster) cluster = Cluster{v, v, 0};
    cluster->max = v;
    ++cluster->n;
  }
  return cluster;
}

// The levels that the receivers of a line's family ask for; its own outputs' where it says none.
files::LevelWindows needed(const files::Family& family) {
  return {family.needs.low ? family.needs.low : family.gives.low, family.needs.high ? family.needs.high : family.gives.high};
}

Split split_of(const Shown& shown, const files::Family& family) {
  std::vector<double> all;
  for (const auto& round : shown.volts) {
    for (const auto& [step, v] : round) all.push_back(v);
  }
  std::sort(all.begin(), all.end());
  Split split;
  if (all.empty()) {
    split.undecided = "it was never read";
    return split;
  }
  double widest = 0.0;
  for (std::size_t i = 0; i + 1 < all.size(); ++i) {
    if (all[i + 1] - all[i] <= widest) continue;
    widest = all[i + 1] - all[i];
    split.at = 0.5 * (all[i] + all[i + 1]);
  }
  const files::LevelWindows need = needed(family);
  const double low_max = need.low ? need.low->max.value : 0.0, high_min = need.high ? need.high->min.value : low_max;
  // Two levels lie further apart than each of them spreads, and than any uncertainty.
  const double spread = std::max(split.at - all.front(), all.back() - split.at) - 0.5 * widest;
  if (widest < 4.0 * shown.U || widest < 2.0 * spread) {
    split.at = 0.5 * (low_max + high_min);
    split.undecided = all.back() - all.front() < 4.0 * shown.U
                          ? fmt::format("it stays at {:.2f} V: whether it can change, this does not show", 0.5 * (all.front() + all.back()))
                          : fmt::format("its volts, {:.2f} to {:.2f}, do not fall into two levels", all.front(), all.back());
  }
  split.low = cluster_of(all, -1e9, split.at);
  split.high = cluster_of(all, split.at, 1e9);
  return split;
}

// One side's window and its reason.
struct Reasoned {
  files::Window window;
  std::string why;
};
Reasoned window_of(const Cluster& seen, bool high, double swing, double U, double middle, const std::optional<files::Window>& need,
                   const std::string& family) {
  const double more = U + kSpreadAllowed * swing;
  Reasoned r;
  r.window = {Volts{seen.min - more}, Volts{seen.max + more}};
  r.why = fmt::format("{} {:.2f} to {:.2f} V ({} readings, U {:.2f}) and {:.2f} V for others of the kind", high ? "high" : "low", seen.min, seen.max,
                      seen.n, U, kSpreadAllowed * swing);
  Volts& inner = high ? r.window.min : r.window.max;
  if (swing > 0.0 && (high ? inner.value < middle : inner.value > middle)) {
    inner = Volts{middle};
    r.why += ", not past the middle";
  }
  if (need) {
    const Volts limit = high ? need->min : need->max;
    const bool beyond = high ? inner < limit : inner > limit;
    const bool itself = high ? seen.min < limit.value : seen.max > limit.value;
    if (beyond && !itself) {
      inner = limit;
      r.why += fmt::format(", not past the {} that {} needs", text(limit), family);
    } else if (itself) {
      r.why += fmt::format("; MEASURED BEYOND the {} that {} needs", text(limit), family);
    }
  }
  // Hundredths: finer than anything that is known here.
  constexpr double kRounding = 1e-6;  // what binary fractions add to a whole hundredth
  r.window.min = Volts{std::floor(r.window.min.value * 100.0 + kRounding) / 100.0};
  r.window.max = Volts{std::ceil(r.window.max.value * 100.0 - kRounding) / 100.0};
  return r;
}

LineProposal line_proposal(const files::Line& line, const files::Family& family, const Shown& shown, const Split& split) {
  LineProposal p;
  p.line = line.name;
  p.undecided = split.undecided;
  const double swing = split.low && split.high ? 0.5 * (split.high->min + split.high->max) - 0.5 * (split.low->min + split.low->max) : 0.0;
  const files::LevelWindows need = needed(family);
  const std::string name = family.name;
  for (const bool high : {false, true}) {
    const auto& seen = high ? split.high : split.low;
    if (!seen) continue;
    const Reasoned r = window_of(*seen, high, swing, shown.U, split.at, high ? need.high : need.low, name);
    (high ? p.windows.high : p.windows.low) = r.window;
    p.why += (p.why.empty() ? "" : "; ") + r.why;
  }
  return p;
}

Bit bit_of(double volts, const Split& split, const files::Family& family) {
  return (volts > split.at) != family.one_is_low ? Bit::one : Bit::zero;
}

// What the circuit knows of each output after each step; empty without a circuit.
Result<std::vector<std::map<std::string, Bit>>> circuit_says(const files::Board& board, const std::vector<files::Step>& steps) {
  std::vector<std::map<std::string, Bit>> says;
  if (board.circuit.empty()) return says;
  auto model = circuit::Simulator::make(board);
  TH_TRY(model);
  model->power_up();
  for (const files::Step& step : steps) {
    TH_TRY(model->step(step));
    std::map<std::string, Bit> now;
    for (const auto& [line, bit] : model->outputs()) now[line] = bit;
    says.push_back(std::move(now));
  }
  return says;
}

// Bit::any where the circuit does not know it, Bit::undriven where it does not speak of the line.
Bit known_bit(const std::map<std::string, Bit>& says, const std::string& line) {
  const auto found = says.find(line);
  if (found == says.end()) return Bit::undriven;
  return found->second == Bit::zero || found->second == Bit::one ? found->second : Bit::any;
}

}  // namespace

Result<Proposal> propose_from(const files::Board& board, std::vector<files::Step> steps, const std::vector<record::RunRecord>& rounds) {
  std::map<std::string, Shown> shown;
  for (std::size_t round = 0; round < rounds.size(); ++round) {
    for (const record::StepRecord& step : rounds[round].steps) {
      for (const measure::Reading& r : step.readings) {
        Shown& s = shown[r.line];
        s.volts.resize(rounds.size());
        s.volts[round][step.index] = r.volts.value;
        s.U = std::max(s.U, r.U.value);
      }
    }
  }
  auto says = circuit_says(board, steps);
  TH_TRY(says);
  Proposal proposal;
  for (const files::Line& line : board.lines) {
    const files::Family* family = board.family_of(line);
    const auto found = shown.find(line.name);
    if (line.kind != files::LineKind::output || !family || found == shown.end()) continue;
    const Split split = split_of(found->second, *family);
    proposal.lines.push_back(line_proposal(line, *family, found->second, split));
    if (!split.undecided.empty()) proposal.undecided.push_back(fmt::format("{}: {}", line.name, split.undecided));
    int differ = 0, first = -1;
    for (std::size_t i = 0; i < steps.size(); ++i) {
      std::optional<Bit> bit;
      for (const auto& round : found->second.volts) {
        const auto volts = round.find(static_cast<int>(i));
        const Bit now = volts == round.end() ? Bit::any : bit_of(volts->second, split, *family);
        bit = !bit || *bit == now ? now : Bit::any;
      }
      // What the circuit cannot know yet is nothing to expect, even if this board wakes up the same each time.
      const Bit known = says->empty() ? Bit::undriven : known_bit((*says)[i], line.name);
      if (known == Bit::any) bit = Bit::any;
      else if (bit == Bit::any && differ++ == 0) first = static_cast<int>(i);
      steps[i].expect.emplace_back(line.name, *bit);
      if ((known == Bit::zero || known == Bit::one) && *bit != Bit::any && *bit != known) {
        proposal.contradictions.push_back(fmt::format("step {}: {} showed {}, the circuit says {}", i, line.name, files::letter(*bit), files::letter(known)));
      }
    }
    if (differ > 0) {
      proposal.undecided.push_back(fmt::format("{} was not the same after every power-up, in {} of {} steps (first step {}): x there", line.name, differ,
                                               steps.size(), first));
    }
  }
  proposal.steps = std::move(steps);
  return proposal;
}

}  // namespace tenterhook::commands
