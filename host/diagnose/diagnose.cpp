#include "host/diagnose/diagnose.h"

#include <fmt/format.h>

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdlib>
#include <map>
#include <set>
#include <unordered_map>

#include "host/circuit/netlist.h"
#include "host/diagnose/reasons.h"
#include "host/diagnose/touch.h"

namespace tenterhook::diagnose {
namespace {

using circuit::Netlist;
using circuit::NodeId;
using circuit::SequenceStep;
using files::Bit;

// Before anything is seen, of a board that did not pass. Flat over the causes; common practice, no
// source.
constexpr double kPriorHealthy = 0.3, kPriorCauses = 0.67, kPriorNone = 0.03;
// Two things at once, against one, spread over the pairs tried.
constexpr double kPriorTwo = 0.02;
constexpr std::size_t kPairedCauses = 45;
// A single cause fits unless it leaves more than this unexplained: two odd readings (log
// likelihood).
constexpr double kMisfit = 13.0;
constexpr std::size_t kManyCauses = 8000;  // more are not all simulated
constexpr double kWorthTelling = 0.004;  // probability
constexpr double kTripsElsewhere = 0.01; // weight of causes that do not say why a rail tripped when it did
constexpr double kStopTells = 0.9;       // what stopped a run before it began is what it says
// A diagnosis is sure when the first group is this likely and leaves no more than this (log likelihood)
// and no moved level unexplained. Common practice, no source.
constexpr double kSureProbability = 0.6, kSureMisfit = 6.0, kUnexplained = 0.05;
constexpr double kOddUnexplained = 0.03, kOddIsRare = 0.006;

std::string one_line(const std::string& net, const std::string& what) {
  return fmt::format("{}={}", net, what);
}

class Diagnoser {
 public:
  Diagnoser(const record::RunRecord& run, const files::Vectors& vectors, const Known& known,
            Netlist netlist, std::vector<SequenceStep> steps)
      : run_(run),
        board_(vectors.board),
        known_(known),
        n_(std::move(netlist)),
        steps_(std::move(steps)) {}

  Result<Diagnosis> take(std::vector<Touched> touched) {
    Diagnosis d;
    if (run_.aborted && told_by_stop(d)) return d;
    auto seen = observe(n_, board_, run_, steps_.size(), known_.baseline);
    TH_TRY(seen);
    seen_ = seen.take();
    if (seen_.wrong == 0 && !run_.aborted && run_.verdict == measure::Verdict::pass && seen_.odd == 0) {
      d.healthy = 1.0;
      d.say = "Every reading is what a healthy board shows: nobody is accused.";
      return d;
    }
    causes_ = single_causes(n_, board_);
    learn();
    if (tripped_by_board(run_)) weigh_trip();
    if (causes_.size() > kManyCauses) keep_reaching();
    const bool needs_step =
        std::any_of(touched.begin(), touched.end(), [](const Touched& t) { return t.step < 0; });
    int hold = -1;
    if (needs_step) {
      weigh_all({});
      if (const auto first = choose({}, -1)) hold = first->step;
      if (hold < 0) hold = static_cast<int>(first_wrong());
    }
    for (Touched& t : touched)
      if (t.step < 0) t.step = hold;
    std::vector<Look> looks;
    TH_TRY(look_at(touched, looks));
    weigh_all(looks);
    tell_suspects(d);
    judge_fit(d);
    d.touch = choose(touched, touched.empty() ? -1 : touched.back().step);
    if (!d.touch && !touched.empty()) d.touch = choose(touched, -1);
    d.say = sentence(d);
    return d;
  }

 private:
  // A run that was stopped before anything was driven: what stopped it names the place.
  bool told_by_stop(Diagnosis& d) const {
    const bool measured = std::any_of(run_.steps.begin(), run_.steps.end(),
                                      [](const auto& step) { return !step.readings.empty(); });
    if (measured) return false;
    const record::Aborted& stop = *run_.aborted;
    if (stop.blame != "lead" && stop.blame != "board") return false;
    std::vector<std::string> places;
    for (const std::string& text : {stop.where, stop.message})
      for (const files::Line& line : board_.lines)
        if (names(text, line.name) && !has(places, line.name)) places.push_back(line.name);
    for (const std::string& warning : run_.warnings)
      for (const files::Line& line : board_.lines)
        if (names(warning, line.name) && !has(places, line.name)) places.push_back(line.name);
    if (places.empty() && stop.message.find("it happened in step") == std::string::npos)
      for (const files::Rail& rail : board_.rails)
        if (names(stop.where, rail.name)) places.push_back(rail.name);
    if (places.empty()) return false;
    const bool lead = stop.blame == "lead";
    for (std::size_t i = 0; i < places.size(); ++i) {
      Suspect s;
      s.net = places[i];
      s.fault = lead ? "open lead" : board_.rail(places[i]) ? "overloaded" : "shorted";
      s.probability = kStopTells / static_cast<double>(places.size());
      if (!lead && board_.line(places[i])) s.parts = parts_on(n_, places[i]);
      s.group = static_cast<int>(i) + 1;
      s.why = stop.message.empty() ? stop.cause : stop.message;
      d.suspects.push_back(std::move(s));
    }
    d.groups = static_cast<int>(places.size());
    d.none = 1.0 - kStopTells;
    d.sure = places.size() == 1 && lead;
    if (!d.sure) d.doubt = "the run was stopped before the board was driven";
    d.say = fmt::format("The run was stopped before the board was driven ({} at {}).", stop.cause, stop.where);
    return true;
  }
  static bool has(const std::vector<std::string>& all, const std::string& one) {
    return std::find(all.begin(), all.end(), one) != all.end();
  }
  // Whether a text names a line as a word of its own.
  static bool names(const std::string& text, const std::string& word) {
    for (std::size_t at = text.find(word); at != std::string::npos; at = text.find(word, at + 1)) {
      const auto part = [&](std::size_t i) {
        return i < text.size() && (std::isalnum(static_cast<unsigned char>(text[i])) || text[i] == '_');
      };
      if (!(at > 0 && part(at - 1)) && !part(at + word.size())) return true;
    }
    return false;
  }

  // Parts that were found bad before weigh more: a share of their own for every time, beside one for each
  // part of the board (a Dirichlet prior with one count a part).
  void learn() {
    if (known_.found_bad.empty()) return;
    for (Hypothesis& h : causes_) {
      double most = 0.0;
      for (const std::string& part : h.parts)
        if (const auto found = known_.found_bad.find(part); found != known_.found_bad.end())
          most = std::max(most, found->second);
      h.weight *= 1.0 + most;
    }
  }

  // On a large board: only causes that reach every line with a wrong reading, through gates and elements
  // that keep a state; or, when none does, those that reach most of them.
  void keep_reaching() {
    std::map<std::uint32_t, int> bit_of;  // wrong outputs
    for (const Sighting& s : seen_.sightings)
      if (s.wrong && bit_of.size() < 64) bit_of.try_emplace(s.output, static_cast<int>(bit_of.size()));
    if (bit_of.empty()) return;
    std::vector<std::uint64_t> reach(n_.size(), 0);
    std::vector<NodeId> open;
    const auto add = [&](NodeId node, std::uint64_t bits) {
      if (node == circuit::kNoNode || (reach[node] | bits) == reach[node]) return;
      reach[node] |= bits;
      open.push_back(node);
    };
    std::unordered_map<NodeId, std::vector<const circuit::StateElement*>> states;
    for (const circuit::StateElement& s : n_.states) states[s.node].push_back(&s);
    for (const auto& [output, bit] : bit_of) {
      add(n_.outputs[output].node, std::uint64_t{1} << bit);
      add(n_.outputs[output].raw, std::uint64_t{1} << bit);
    }
    while (!open.empty()) {
      const NodeId node = open.back();
      open.pop_back();
      for (std::uint32_t k = n_.fanin_begin[node]; k < n_.fanin_begin[node + 1]; ++k) add(n_.fanin[k], reach[node]);
      if (const auto found = states.find(node); found != states.end())
        for (const circuit::StateElement* s : found->second)
          for (const NodeId pin : {s->a, s->b, s->clock, s->set, s->clear}) add(pin, reach[node]);
    }
    const auto reached = [&](const Hypothesis& h) {
      std::uint64_t bits = 0;
      for (const circuit::Fault& f : h.faults) {
        bits |= reach[f.at];
        if (f.other != circuit::kNoNode) bits |= reach[f.other];
      }
      for (const std::uint32_t line : {h.line, h.other})
        if (const auto found = bit_of.find(line); found != bit_of.end()) bits |= std::uint64_t{1} << found->second;
      return std::popcount(bits);
    };
    int most = 0;
    for (const Hypothesis& h : causes_) most = std::max(most, reached(h));
    std::erase_if(causes_, [&](const Hypothesis& h) { return reached(h) < most; });
  }

  // A rail that trips in a step: a net that is shorted was first driven against the short then. Causes
  // that hold a net at a level count as shorts of it; the others, and those that would have tripped
  // before, become unlikely.
  void weigh_trip() {
    std::size_t step = 0;  // the first without readings
    for (const record::StepRecord& s : run_.steps)
      if (!s.readings.empty()) step = std::max(step, static_cast<std::size_t>(s.index) + 1);
    if (step >= steps_.size()) return;
    std::vector<std::size_t> first_zero(n_.size(), steps_.size()), first_one = first_zero;
    std::vector<std::vector<Bit>> values;
    circuit::Machines good(n_);
    good.power_up();
    good.settle();
    for (std::size_t s = 0; s <= step; ++s) {
      circuit::apply_step(good, steps_[s]);
      values.emplace_back(n_.size());
      for (NodeId i = 0; i < n_.size(); ++i) {
        values.back()[i] = good.read(i, 0);
        if (values.back()[i] == Bit::zero) first_zero[i] = std::min(first_zero[i], s);
        if (values.back()[i] == Bit::one) first_one[i] = std::min(first_one[i], s);
      }
    }
    const auto fits = [&](const Hypothesis& h) {
      if (h.faults.empty()) return false;
      const circuit::Fault& f = h.faults.front();
      if (f.kind == circuit::FaultKind::stuck_zero) return first_one[f.at] == step;
      if (f.kind == circuit::FaultKind::stuck_one) return first_zero[f.at] == step;
      if (f.other == circuit::kNoNode || f.kind == circuit::FaultKind::swapped) return false;
      for (std::size_t s = 0; s <= step; ++s) {
        const Bit a = values[s][f.at], b = values[s][f.other];
        const bool fight = (a == Bit::zero && b == Bit::one) || (a == Bit::one && b == Bit::zero);
        if (fight) return s == step;
      }
      return false;
    };
    for (Hypothesis& h : causes_)
      if (!fits(h)) h.weight *= kTripsElsewhere;
  }

  // Whether the first group can be relied on: it is single, likely, and leaves little unexplained.
  void judge_fit(Diagnosis& d) const {
    if (d.suspects.empty()) return;
    const Group& first = groups_.front();
    const std::uint32_t set = first.sets.front();
    std::size_t unexplained = 0;
    for (const Evidence& e : seen_.evidence)
      unexplained += e.odd && chance_of_odd(causes_, sets_[set], e, false) < kUnexplained ? 1 : 0;
    if (sets_[set].size() > 1)
      d.doubt = "no single cause fits, and two at once are many";
    else if (misfit_[set] > kSureMisfit)
      d.doubt = "even the best cause leaves readings unexplained";
    else if (unexplained > 0)
      d.doubt = fmt::format("{} level{} or part test{} moved that the best cause does not touch", unexplained,
                            unexplained == 1 ? "" : "s", unexplained == 1 ? "" : "s");
    else if (first.probability < kSureProbability)
      d.doubt = "several groups are about as likely";
    else
      d.sure = true;
  }

  std::size_t first_wrong() const {
    for (const Sighting& s : seen_.sightings)
      if (s.wrong) return s.step;
    return seen_.sightings.front().step;
  }

  Status look_at(const std::vector<Touched>& touched, std::vector<Look>& looks) const {
    for (const Touched& t : touched) {
      const auto net = n_.find_net(t.net);
      if (!net || n_.net_node[*net] == circuit::kNoNode)
        return input_error(one_line(t.net, fmt::format("{}V", t.volts)),
                           fmt::format("board '{}' has no net '{}'", board_.name, t.net),
                           "touch a net of its circuit");
      if (t.step < 0 || static_cast<std::size_t>(t.step) >= steps_.size())
        return input_error(one_line(t.net, fmt::format("{}V@{}", t.volts, t.step)),
                           fmt::format("the run has steps 0 to {}", steps_.size() - 1));
      const Regions regions = regions_of(t.volts, kTouchU / 2, seen_.inner);
      looks.push_back({static_cast<std::size_t>(t.step), -1, n_.net_node[*net],
                       log_likelihoods(regions, Bit::one, kTouchOutlier)});
    }
    return {};
  }

  // Fills sets_, probability_ (per set), healthy_, none_ and groups_.
  void weigh_all(std::vector<Look> looks) {
    for (const Sighting& s : seen_.sightings)
      looks.push_back(
          {s.step, static_cast<std::int64_t>(s.output), circuit::kNoNode, s.log_likelihood});
    std::stable_sort(looks.begin(), looks.end(),
                     [](const Look& a, const Look& b) { return a.step < b.step; });
    // How a board wakes up is no evidence: where a healthy one may show anything, nothing is
    const std::vector<Shows> good = good_shows(looks);
    // concluded, except against causes that leave no choice.
    for (std::size_t i = 0; i < looks.size(); ++i) {
      if (good[i] != Shows::unknown) continue;
      auto& log = looks[i].log_likelihood;
      const double either = std::log(0.5 * (std::exp(log[static_cast<std::size_t>(Shows::zero)]) +
                                            std::exp(log[static_cast<std::size_t>(Shows::one)])));
      for (double& l : log) l = std::min(0.0, l - either);
      log[static_cast<std::size_t>(Shows::unknown)] = 0.0;
      looks[i].wakes = true;
    }
    sets_.assign(1, {});
    for (std::uint32_t i = 0; i < causes_.size(); ++i) sets_.push_back({i});
    std::vector<Weight> weights = weigh(n_, steps_, causes_, sets_, looks, seen_.evidence);
    double sum = 0.0;
    for (const Hypothesis& h : causes_) sum += h.weight;
    std::vector<double> log(weights.size());
    log[0] = std::log(kPriorHealthy) + weights[0].log_likelihood;
    double best_single = weights[0].log_likelihood, possible = 0.0;
    for (const Look& look : looks)
      possible += *std::max_element(look.log_likelihood.begin(), look.log_likelihood.end());
    for (const Evidence& e : seen_.evidence) possible += std::log(e.odd ? 0.9 : 1.0 - kOddIsRare);
    for (std::size_t i = 1; i < weights.size(); ++i) {
      log[i] = std::log(kPriorCauses * causes_[i - 1].weight / sum) + weights[i].log_likelihood;
      best_single = std::max(best_single, weights[i].log_likelihood);
    }
    const double none = std::log(kPriorNone) + none_log_likelihood(looks);
    if (best_single < possible - kMisfit) add_pairs(looks, weights, log);
    misfit_.clear();
    for (const Weight& w : weights) misfit_.push_back(possible - w.log_likelihood);
    normalise(weights, log, none);
  }

  // Unexplained: each line that a healthy board does not account for errs at a rate of its own,
  // unknown beforehand (uniform), and when it errs it may show anything.
  double none_log_likelihood(const std::vector<Look>& looks) const {
    struct Line {
      double right = 0.0;  // log
      int n = 0, wrong = 0;
    };
    const auto good = good_shows(looks);
    std::map<std::int64_t, Line> lines;
    for (std::size_t i = 0; i < looks.size(); ++i) {
      Line& line = lines[looks[i].output >= 0 ? looks[i].output
                                              : -1 - static_cast<std::int64_t>(looks[i].node)];
      const double log = looks[i].log_likelihood[static_cast<std::size_t>(good[i])];
      ++line.n;
      if (log < std::log(0.1)) {
        ++line.wrong;
        line.right += std::log(1.0 / 3);
      } else {
        line.right += log;
      }
    }
    double total = 0.0;
    for (const Evidence& e : seen_.evidence)
      total += std::log(e.odd ? kOddUnexplained : 1.0 - kOddIsRare);
    for (const auto& [id, line] : lines) {
      total += line.right;
      if (line.wrong == 0) continue;
      const double k = line.wrong, n = line.n;
      total += std::lgamma(k + 1) + std::lgamma(n - k + 1) - std::lgamma(n + 2);
    }
    return total;
  }

  std::vector<Shows> good_shows(const std::vector<Look>& looks) const {
    std::vector<Shows> shows;
    circuit::Machines m(n_);
    m.power_up();
    m.settle();
    std::size_t played = 0;
    for (const Look& look : looks) {
      for (; played <= look.step; ++played) circuit::apply_step(m, steps_[played]);
      const Bit bit = look.output >= 0 ? m.read_output(static_cast<std::size_t>(look.output), 0)
                                       : m.read(look.node, 0);
      shows.push_back(bit == Bit::zero  ? Shows::zero
                      : bit == Bit::one ? Shows::one
                      : bit == Bit::any ? Shows::unknown
                                        : Shows::undriven);
    }
    return shows;
  }

  // Pairs of the likeliest causes that differ in what they predict.
  void add_pairs(const std::vector<Look>& looks, std::vector<Weight>& weights,
                 std::vector<double>& log) {
    std::vector<std::uint32_t> order;
    for (std::uint32_t i = 1; i < weights.size(); ++i) order.push_back(i);
    std::stable_sort(order.begin(), order.end(), [&](auto a, auto b) {
      return weights[a].log_likelihood > weights[b].log_likelihood;
    });
    std::set<std::uint64_t> had{weights[0].signature};
    std::vector<std::uint32_t> firsts;
    for (const std::uint32_t i : order)
      if (firsts.size() < kPairedCauses && had.insert(weights[i].signature).second)
        firsts.push_back(i - 1);
    std::vector<Together> pairs;
    for (std::size_t a = 0; a < firsts.size(); ++a)
      for (std::size_t b = a + 1; b < firsts.size(); ++b) pairs.push_back({firsts[a], firsts[b]});
    const std::vector<Weight> found = weigh(n_, steps_, causes_, pairs, looks, seen_.evidence);
    for (std::size_t i = 0; i < pairs.size(); ++i) {
      sets_.push_back(pairs[i]);
      weights.push_back(found[i]);
      log.push_back(std::log(kPriorTwo / static_cast<double>(pairs.size())) +
                    found[i].log_likelihood);
    }
  }

  void normalise(const std::vector<Weight>& weights, const std::vector<double>& log, double none) {
    double top = none;
    for (const double l : log) top = std::max(top, l);
    double sum = std::exp(none - top);
    for (const double l : log) sum += std::exp(l - top);
    none_ = std::exp(none - top) / sum;
    healthy_ = std::exp(log[0] - top) / sum;
    probability_.assign(log.size(), 0.0);
    std::unordered_map<std::uint64_t, std::size_t> index;
    groups_.clear();
    for (std::uint32_t i = 1; i < log.size(); ++i) {
      probability_[i] = std::exp(log[i] - top) / sum;
      if (weights[i].signature ==
          weights[0].signature) {  // changes nothing seen: as good as healthy
        healthy_ += probability_[i];
        probability_[i] = 0.0;
        continue;
      }
      const auto [at, fresh] = index.try_emplace(weights[i].signature, groups_.size());
      if (fresh) groups_.emplace_back();
      Group& group = groups_[at->second];
      group.sets.push_back(i);
      group.probability += probability_[i];
    }
    std::stable_sort(groups_.begin(), groups_.end(),
                     [](const Group& a, const Group& b) { return a.probability > b.probability; });
    while (!groups_.empty() && groups_.back().probability < kWorthTelling) groups_.pop_back();
  }

  std::optional<NextTouch> choose(const std::vector<Touched>& touched, int step) const {
    return next_touch(n_, board_, steps_, causes_, sets_, probability_, groups_, seen_, touched,
                      step);
  }

  // Members of a group that name the same parts and net are one suspect, called by the likeliest.
  void tell_suspects(Diagnosis& d) const {
    const Complaint complaint(n_, steps_, seen_);
    d.healthy = healthy_;
    d.none = none_;
    for (std::size_t g = 0; g < groups_.size(); ++g) {
      std::map<std::pair<std::string, std::vector<std::string>>, std::pair<Suspect, std::uint32_t>>
          merged;
      for (const std::uint32_t set : groups_[g].sets) {
        Suspect s = suspect_of(sets_[set]);
        s.group = static_cast<int>(g) + 1;
        const auto [at, fresh] = merged.try_emplace({s.net, s.parts}, std::pair{s, set});
        auto& [kept, from] = at->second;
        if (!fresh && probability_[set] > probability_[from] + 1e-12) {
          kept.fault = s.fault;
          from = set;
        }
        kept.probability += probability_[set];
      }
      for (auto& [key, entry] : merged) {
        auto& [suspect, set] = entry;
        std::vector<const Hypothesis*> causes;
        for (const std::uint32_t cause : sets_[set]) causes.push_back(&causes_[cause]);
        suspect.why = complaint.why(causes);
        if (merged.size() > 1)
          suspect.why += fmt::format("; nothing seen tells group {} apart", suspect.group);
        d.suspects.push_back(std::move(suspect));
      }
    }
    std::stable_sort(d.suspects.begin(), d.suspects.end(), [](const Suspect& a, const Suspect& b) {
      return a.probability > b.probability;
    });
    if (d.suspects.size() > kMaxSuspects) d.suspects.resize(kMaxSuspects);
    d.groups = static_cast<int>(groups_.size());
  }

  Suspect suspect_of(const Together& set) const {
    Suspect s;
    for (const std::uint32_t i : set) {
      const Hypothesis& h = causes_[i];
      if (!s.net.empty()) {
        s.net += " and ";
        s.fault += " and ";
      }
      s.net += h.net;
      s.fault += h.fault;
      for (const std::string& part : h.parts)
        if (std::find(s.parts.begin(), s.parts.end(), part) == s.parts.end())
          s.parts.push_back(part);
    }
    return s;
  }

  std::string sentence(const Diagnosis& d) const {
    if (d.none > 0.5)
      return "None of the causes that the circuit knows explains these readings: think of two "
             "faults at once, a wrong part, or a board that is not as its file says.";
    if (d.healthy > 0.5)
      return "A healthy board with odd readings explains this best: repeat the run.";
    if (d.suspects.empty()) return "No cause stands out.";
    if (d.suspects.front().fault.find(" and ") != std::string::npos)
      return "No single cause fits; two at once do.";
    return fmt::format("{} group{} of causes left.", d.groups, d.groups == 1 ? "" : "s");
  }

  const record::RunRecord& run_;
  const files::Board& board_;
  const Known& known_;
  Netlist n_;
  std::vector<SequenceStep> steps_;
  Observed seen_;
  std::vector<Hypothesis> causes_;
  std::vector<Together> sets_;  // healthy first, then each cause, then pairs
  std::vector<double> probability_;
  std::vector<double> misfit_;  // of each set, below the best that anything could do (log likelihood)
  std::vector<Group> groups_;
  double healthy_ = 0.0, none_ = 0.0;
};

}  // namespace

Result<Touched> parse_touch(const std::string& text) {
  const auto bad = [&](const char* what) {
    return input_error(
        text, what,
        "write it like --touch d1=23.8V, with @STEP if the board is held at another step");
  };
  const auto equals = text.find('=');
  if (equals == std::string::npos || equals == 0) return bad("a touch is a net and its volts");
  Touched t;
  t.net = text.substr(0, equals);
  const char* begin = text.c_str() + equals + 1;
  char* end = nullptr;
  t.volts = std::strtod(begin, &end);
  if (end == begin || !std::isfinite(t.volts)) return bad("the volts are no number");
  while (*end == ' ') ++end;
  if (*end != 'V') return bad("a voltage has the unit V");
  ++end;
  if (*end == '\0') return t;
  if (*end != '@') return bad("something follows the volts");
  const char* at = end + 1;
  const long step = std::strtol(at, &end, 10);
  if (end == at || *end != '\0' || step < 0 || step > 1'000'000'000)
    return bad("after @ comes the number of a step");
  t.step = static_cast<int>(step);
  return t;
}

Result<Diagnosis> diagnose(const record::RunRecord& run, const files::Vectors& vectors,
                           const std::vector<Touched>& touched, const Known& known) {
  if (vectors.board.circuit.empty())
    return input_error(vectors.board.path,
                       fmt::format("board '{}' describes no circuit", vectors.board.name),
                       "add `circuit:` with its gates and parts");
  if (touched.size() > kMaxTouches)
    return input_error("--touch", fmt::format("at most {} touches", kMaxTouches));
  auto netlist = circuit::build_netlist(vectors.board);
  TH_TRY(netlist);
  auto sequence = circuit::compile_sequence(*netlist, vectors.steps);
  TH_TRY(sequence);
  return Diagnoser(run, vectors, known, netlist.take(), std::move(sequence->steps)).take(touched);
}

}  // namespace tenterhook::diagnose
