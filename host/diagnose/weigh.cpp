#include "host/diagnose/weigh.h"

#include <algorithm>
#include <cmath>

namespace tenterhook::diagnose {
namespace {

using circuit::kLanes;
using circuit::Machines;
using circuit::Netlist;
using circuit::NodeId;
using circuit::Planes;
using circuit::SequenceStep;

constexpr std::size_t kMaxCases = 1u << 16;             // power-up states tried, over all causes
constexpr std::uint64_t kHashPrime = 0x100000001b3ull;  // FNV-1a
constexpr std::uint64_t kHashStart = 0xcbf29ce484222325ull;

Shows shown_in(const Planes& planes, std::size_t lane) {
  const bool lo = circuit::test(planes.lo, lane), hi = circuit::test(planes.hi, lane);
  if (lo && hi) return Shows::unknown;
  if (!lo && !hi) return Shows::undriven;
  return hi ? Shows::one : Shows::zero;
}

Shows opposite(Shows s) {
  if (s == Shows::zero) return Shows::one;
  return s == Shows::one ? Shows::zero : s;
}

bool has(const std::vector<std::string>& names, const std::string& name) {
  return std::find(names.begin(), names.end(), name) != names.end();
}

constexpr double kOddHealthy = 5e-4;     // kMoved and the like are set so that this never happens
constexpr double kOddElsewhere = 0.006;  // of what a cause does not touch
constexpr double kOddNear = 0.12;        // on a net that it sits on, when it need not show there

double chance_of_odd(const Hypothesis& h, const Evidence& e, double elsewhere) {
  const bool here = has(h.nets, e.line);
  if (e.test == Test::back_read) {
    if (h.effect == Effect::leak) return here && has(h.leaks_from, e.other) ? 0.9 : elsewhere;
    if (here && h.nets.size() > 1 && has(h.nets, e.other)) return 0.9;  // bridged
    return here ? 0.3 : has(h.near, e.line) ? 0.15 : elsewhere;
  }
  if (!here) return elsewhere;
  const bool poor = h.poor_low || h.poor_high;
  const bool this_one = e.high ? h.poor_high : h.poor_low;
  if (poor && e.test == Test::level) return this_one ? 0.9 : 0.05;
  if (poor && e.test == Test::load) return this_one ? 0.6 : 0.3;
  if (poor && e.test == Test::cold) return 0.3;
  if (poor && e.test == Test::fall) return 0.5;
  if (h.effect == Effect::contested) return 0.4;
  return kOddNear;
}

// A machine of one lane: causes, and how some elements wake up.
struct Job {
  std::size_t set = 0;
  const std::vector<std::size_t>* elements = nullptr;
  std::size_t wake = 0;
};

class Weigher {
 public:
  Weigher(const Netlist& netlist, const std::vector<SequenceStep>& steps,
          const std::vector<Hypothesis>& causes, const std::vector<Together>& sets)
      : n_(netlist), steps_(steps), causes_(causes), sets_(sets), m_(netlist) {}

  std::vector<Weight> run(const std::vector<Look>& looks) {
    looks_ = &looks;
    std::vector<Weight> weights(sets_.size());
    std::vector<std::vector<std::size_t>> unknown(sets_.size());
    std::vector<Job> jobs(sets_.size());
    for (std::size_t i = 0; i < jobs.size(); ++i) jobs[i].set = i;
    for (std::size_t begin = 0; begin < jobs.size(); begin += kLanes) {
      const std::size_t count = std::min(kLanes, jobs.size() - begin);
      const std::vector<Weight> found = batch(&jobs[begin], count);
      std::copy(found.begin(), found.end(), weights.begin() + static_cast<long>(begin));
      for (std::size_t l = 0; l < count; ++l) unknown[begin + l] = never_known(l);
    }
    by_cases(unknown, weights);
    return weights;
  }

  void add_evidence(const std::vector<Evidence>& evidence, const Weight& healthy,
                    std::vector<Weight>& weights) const {
    std::vector<std::uint8_t> silent(sets_.size());
    for (std::size_t i = 0; i < sets_.size(); ++i)
      silent[i] = weights[i].signature == healthy.signature ? 1 : 0;
    for (std::size_t i = 0; i < sets_.size(); ++i)
      for (const Evidence& e : evidence) {
        const double odd = diagnose::chance_of_odd(causes_, sets_[i], e, silent[i] != 0);
        weights[i].log_likelihood += std::log(e.odd ? odd : 1.0 - odd);
        if (e.odd)
          weights[i].signature =
              (weights[i].signature ^ static_cast<std::uint64_t>(odd * 1e4)) * kHashPrime;
      }
  }

  template <class AfterStep>
  void play(const Job* jobs, std::size_t count, const AfterStep& after) {
    m_.power_up();
    for (std::size_t lane = 0; lane < count; ++lane) {
      const Job& job = jobs[lane];
      for (const std::uint32_t cause : sets_[job.set])
        for (const circuit::Fault& fault : causes_[cause].faults) m_.inject(lane, fault);
      if (job.elements == nullptr) continue;
      for (std::size_t i = 0; i < job.elements->size(); ++i)
        m_.wake((*job.elements)[i], ((job.wake >> i) & 1u) != 0, circuit::one_lane(lane));
    }
    m_.settle();
    for (std::size_t s = 0; s < steps_.size(); ++s) {
      circuit::apply_step(m_, steps_[s]);
      after(s);
    }
  }

  // What a person who touches the net would see of it.
  Shows touched(std::size_t set, NodeId node, std::size_t lane) const {
    return shown_in(inside_reader(set, node) ? m_.driven(node) : m_.at(node), lane);
  }

 private:
  std::vector<Weight> batch(const Job* jobs, std::size_t count) {
    std::vector<Weight> weights(count, Weight{0.0, kHashStart});
    std::size_t next = 0;
    play(jobs, count, [&](std::size_t step) {
      for (; next < looks_->size() && (*looks_)[next].step <= step; ++next) {
        const Look& look = (*looks_)[next];
        const Planes planes =
            look.output >= 0 ? m_.shown(static_cast<std::size_t>(look.output)) : m_.at(look.node);
        for (std::size_t lane = 0; lane < count; ++lane) {
          if (look.wakes && jobs[lane].elements != nullptr) continue;  // that state is averaged over
          const bool before = look.output < 0 && inside_reader(jobs[lane].set, look.node);
          Shows shows = shown_in(before ? m_.driven(look.node) : planes, lane);
          for (const std::uint32_t cause : sets_[jobs[lane].set])
            shows = changed(causes_[cause], look, shows, lane);
          weights[lane].log_likelihood += look.log_likelihood[static_cast<std::size_t>(shows)];
          weights[lane].signature =
              (weights[lane].signature ^ static_cast<std::uint64_t>(shows)) * kHashPrime;
        }
      }
    });
    return weights;
  }

  bool inside_reader(std::size_t set, NodeId node) const {
    for (const std::uint32_t cause : sets_[set])
      if (causes_[cause].at_reader && causes_[cause].at == node) return true;
    return false;
  }

  Shows changed(const Hypothesis& cause, const Look& look, Shows shows, std::size_t lane) const {
    if (look.output >= 0 && cause.dead_line == static_cast<std::uint32_t>(look.output))
      return shows == Shows::zero ? Shows::dead : shows;
    if (cause.effect == Effect::logic || look.output < 0) return shows;
    const auto output = static_cast<std::uint32_t>(look.output);
    if (cause.effect == Effect::leak || cause.effect == Effect::shifted) return shows;
    if (cause.effect == Effect::contested) {
      if (output != cause.line && output != cause.other) return shows;
      const Shows a = shown_in(m_.shown(cause.line), lane),
                  b = shown_in(m_.shown(cause.other), lane);
      const bool fight =
          (a == Shows::zero && b == Shows::one) || (a == Shows::one && b == Shows::zero);
      return fight ? Shows::contested : shows;
    }
    if (output != cause.line) return shows;
    switch (cause.effect) {
      case Effect::line_zero:
        return Shows::zero;
      case Effect::line_one:
        return Shows::one;
      case Effect::line_inverted:
        return opposite(shows);
      case Effect::weak_zero:
        return shows == Shows::zero ? Shows::weak_zero : shows;
      case Effect::weak_one:
        return shows == Shows::one ? Shows::weak_one : shows;
      case Effect::erratic:
        return Shows::erratic;
      case Effect::logic:
      case Effect::contested:
      case Effect::leak:
      case Effect::shifted:
        break;
    }
    return shows;
  }

  std::vector<std::size_t> never_known(std::size_t lane) const {
    std::vector<std::size_t> elements;
    for (std::size_t i = 0; i < n_.states.size(); ++i)
      if (m_.read(n_.states[i].node, lane) == files::Bit::any) elements.push_back(i);
    return elements;
  }

  // Replaces the weight of each set that leaves elements unknown by the mean over their power-up
  // states.
  void by_cases(const std::vector<std::vector<std::size_t>>& unknown,
                std::vector<Weight>& weights) {
    std::vector<std::vector<std::size_t>> elements(unknown.size());
    std::vector<Job> jobs;
    for (std::size_t i = 0; i < unknown.size() && jobs.size() < kMaxCases; ++i) {
      if (unknown[i].empty()) continue;
      elements[i] = circuit::case_elements(n_, unknown[i]);
      if (elements[i].empty()) continue;
      for (std::size_t wake = 0; wake < (std::size_t{1} << elements[i].size()); ++wake)
        jobs.push_back({i, &elements[i], wake});
    }
    std::vector<double> best(unknown.size(), -1e300), sum(unknown.size(), 0.0);
    for (std::size_t begin = 0; begin < jobs.size(); begin += kLanes) {
      const std::size_t count = std::min(kLanes, jobs.size() - begin);
      const std::vector<Weight> found = batch(&jobs[begin], count);
      for (std::size_t l = 0; l < count; ++l) {
        const std::size_t set = jobs[begin + l].set;
        const double log = found[l].log_likelihood;
        if (log > best[set]) {
          sum[set] = sum[set] * std::exp(best[set] - log) + 1.0;
          best[set] = log;
        } else {
          sum[set] += std::exp(log - best[set]);
        }
        weights[set].signature = (weights[set].signature ^ found[l].signature) * kHashPrime;
      }
    }
    for (std::size_t i = 0; i < unknown.size(); ++i)
      if (sum[i] > 0.0)
        weights[i].log_likelihood =
            best[i] + std::log(sum[i]) - static_cast<double>(elements[i].size()) * std::log(2.0);
  }

  const Netlist& n_;
  const std::vector<SequenceStep>& steps_;
  const std::vector<Hypothesis>& causes_;
  const std::vector<Together>& sets_;
  Machines m_;
  const std::vector<Look>* looks_ = nullptr;
};

}  // namespace

double chance_of_odd(const std::vector<Hypothesis>& causes, const Together& set,
                     const Evidence& evidence, bool silent) {
  // A cause that changes no logic moves nothing but what it sits on.
  const double elsewhere = silent || set.empty() ? kOddHealthy : kOddElsewhere;
  double odd = elsewhere;
  for (const std::uint32_t cause : set)
    odd = std::max(odd, chance_of_odd(causes[cause], evidence, elsewhere));
  return odd;
}

std::vector<Weight> weigh(const Netlist& netlist, const std::vector<SequenceStep>& steps,
                          const std::vector<Hypothesis>& causes, const std::vector<Together>& sets,
                          const std::vector<Look>& looks, const std::vector<Evidence>& evidence) {
  Weigher weigher(netlist, steps, causes, sets);
  std::vector<Weight> weights = weigher.run(looks);
  if (evidence.empty()) return weights;
  const std::vector<Together> nothing(1);
  const Weight healthy = Weigher(netlist, steps, causes, nothing).run(looks).front();
  weigher.add_evidence(evidence, healthy, weights);
  return weights;
}

std::vector<std::vector<std::vector<Shows>>> predict(const Netlist& netlist,
                                                     const std::vector<SequenceStep>& steps,
                                                     const std::vector<Hypothesis>& causes,
                                                     const std::vector<Together>& sets,
                                                     const std::vector<circuit::NodeId>& nodes) {
  std::vector<std::vector<std::vector<Shows>>> shown(
      sets.size(), std::vector<std::vector<Shows>>(steps.size(), std::vector<Shows>(nodes.size())));
  Weigher weigher(netlist, steps, causes, sets);
  for (std::size_t begin = 0; begin < sets.size(); begin += kLanes) {
    const std::size_t count = std::min(kLanes, sets.size() - begin);
    std::vector<Job> jobs(count);
    for (std::size_t l = 0; l < count; ++l) jobs[l].set = begin + l;
    weigher.play(jobs.data(), count, [&](std::size_t step) {
      for (std::size_t k = 0; k < nodes.size(); ++k)
        for (std::size_t l = 0; l < count; ++l)
          shown[begin + l][step][k] = weigher.touched(begin + l, nodes[k], l);
    });
  }
  return shown;
}

}  // namespace tenterhook::diagnose
