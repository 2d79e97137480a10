#include "host/diagnose/touch.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

namespace tenterhook::diagnose {
namespace {

constexpr std::size_t kMaxCandidates = 256;  // suspects that a touch is chosen for
constexpr std::size_t kMaxStepsLooked = 512;
// A point that the board file names as a probe is at hand; any other has to be found: common
// practice, no source.
constexpr double kEffortNoProbe = 1.3;

double entropy(double p) {
  return p <= 0.0 || p >= 1.0 ? 0.0 : -(p * std::log2(p) + (1.0 - p) * std::log2(1.0 - p));
}

struct Candidate {
  std::string net;
  circuit::NodeId node = circuit::kNoNode;
  double effort = 1.0;
};

std::vector<Candidate> inner_nets(const circuit::Netlist& n, const files::Board& board) {
  std::vector<Candidate> nets;
  for (std::size_t i = 0; i < n.net_names.size(); ++i) {
    const std::string& name = n.net_names[i];
    const files::Line* line = board.line(name);
    if (n.net_node[i] == circuit::kNoNode ||
        (line != nullptr && line->kind != files::LineKind::probe))
      continue;
    const bool probe = line != nullptr || std::find(board.probes.begin(), board.probes.end(),
                                                    name) != board.probes.end();
    nets.push_back({name, n.net_node[i], probe ? 1.0 : kEffortNoProbe});
  }
  return nets;
}

Expected expected_of(bool high, const Levels& levels) {
  Expected e;
  e.level = high ? "high" : "low";
  e.from = high ? levels.high_from : levels.low_from;
  e.to = high ? levels.high_to : levels.low_to;
  return e;
}

}  // namespace

std::optional<NextTouch> next_touch(const circuit::Netlist& netlist, const files::Board& board,
                                    const std::vector<circuit::SequenceStep>& steps,
                                    const std::vector<Hypothesis>& causes,
                                    const std::vector<Together>& sets,
                                    const std::vector<double>& probability,
                                    const std::vector<Group>& groups, const Observed& seen,
                                    const std::vector<Touched>& touched, int step) {
  const std::vector<Candidate> nets = inner_nets(netlist, board);
  std::vector<Together> chosen;
  std::vector<double> p;
  std::vector<std::size_t> group_of;
  double total = 0.0;
  for (std::size_t g = 0; g < groups.size(); ++g) {
    for (const std::uint32_t set : groups[g].sets) {
      if (chosen.size() == kMaxCandidates) break;
      chosen.push_back(sets[set]);
      p.push_back(probability[set]);
      group_of.push_back(g);
      total += probability[set];
    }
  }
  if (nets.empty() || chosen.size() < 2 || total <= 0.0) return std::nullopt;
  std::vector<circuit::NodeId> nodes;
  for (const Candidate& c : nets) nodes.push_back(c.node);
  std::vector<circuit::SequenceStep> played = steps;
  if (played.size() > kMaxStepsLooked && step < static_cast<int>(kMaxStepsLooked))
    played.resize(kMaxStepsLooked);
  const auto shown = predict(netlist, played, causes, chosen, nodes);

  double best = kWorthwhile;
  std::size_t best_net = 0, best_step = 0;
  for (std::size_t s = 0; s < played.size(); ++s) {
    if (step >= 0 && s != static_cast<std::size_t>(step)) continue;
    for (std::size_t k = 0; k < nets.size(); ++k) {
      const bool done = std::any_of(touched.begin(), touched.end(), [&](const Touched& t) {
        return t.net == nets[k].net;  // a second look at it tells little that is new
      });
      if (done) continue;
      double one = 0.0, known = 0.0;
      for (std::size_t i = 0; i < chosen.size(); ++i) {
        if (shown[i][s][k] == Shows::one) one += p[i];
        if (shown[i][s][k] == Shows::one || shown[i][s][k] == Shows::zero) known += p[i];
      }
      if (known <= 0.0) continue;
      const double gain = known / total * entropy(one / known) / nets[k].effort;
      if (gain <= best + 1e-9) continue;
      best = gain;
      best_net = k;
      best_step = s;
    }
  }
  if (best <= kWorthwhile) return std::nullopt;

  NextTouch touch;
  touch.at = nets[best_net].net;
  touch.step = static_cast<int>(best_step);
  double low_p = 0.0, high_p = 0.0;
  for (const bool high : {false, true}) {
    Expected e = expected_of(high, seen.inner);
    for (std::size_t i = 0; i < chosen.size(); ++i) {
      if (shown[i][best_step][best_net] != (high ? Shows::one : Shows::zero)) continue;
      (high ? high_p : low_p) += p[i] / total;
      const int group = static_cast<int>(group_of[i]) + 1;
      if (std::find(e.groups.begin(), e.groups.end(), group) == e.groups.end())
        e.groups.push_back(group);
      for (const std::uint32_t cause : chosen[i])
        for (const std::string& part : causes[cause].parts)
          if (std::find(e.parts.begin(), e.parts.end(), part) == e.parts.end())
            e.parts.push_back(part);
    }
    touch.expect.push_back(std::move(e));
  }
  touch.why = fmt::format(
      "held at step {}, its level splits what is left: low with {:.0f} %, high with {:.0f} %",
      best_step, 100 * low_p, 100 * high_p);
  return touch;
}

}  // namespace tenterhook::diagnose
