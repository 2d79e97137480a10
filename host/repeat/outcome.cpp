#include "host/repeat/outcome.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>

namespace tenterhook::repeat {

namespace {

using measure::Verdict;
using Json = nlohmann::ordered_json;

// One judged reading, and what was going on.
struct Sight {
  int step = 0;      // of the file
  int before = -1;   // step of the file before it; -1: power-up
  bool wrong = false;
  double powered_s = 0.0;
  double switched = 0.0;  // inputs that changed with this step
  const std::map<std::string, double>* rails = nullptr;
};
using Sights = std::map<std::string, std::vector<Sight>>;  // by line

Spot spot_of(const std::string& line, int step, const std::vector<const measure::Reading*>& readings, const std::string& source) {
  Spot spot;
  spot.line = line;
  spot.step = step;
  spot.source = source;
  for (const measure::Reading* r : readings) {
    ++spot.of;
    spot.wrong += r->verdict == Verdict::fail;
    spot.unsure += r->verdict == Verdict::unsure;
  }
  spot.rate = spot.of ? static_cast<double>(spot.wrong) / static_cast<double>(spot.of) : 0.0;
  spot.interval = exact_interval(spot.wrong, spot.of);
  return spot;
}

void most_failures_first(std::vector<Spot>& spots) {
  std::stable_sort(spots.begin(), spots.end(), [](const Spot& a, const Spot& b) {
    return std::pair(a.wrong, a.unsure) > std::pair(b.wrong, b.unsure);
  });
}

double median(std::vector<double> values) {
  if (values.empty()) return 0.0;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

// Something that is measured at every reading: do the failures lie apart from the rest in it?
void link_by_rank(const std::string& line, const std::vector<Sight>& sights, const std::string& with, const std::string& unit, int digits,
                  double looked_at, const std::function<std::optional<double>(const Sight&)>& value, std::vector<Link>& links) {
  std::vector<double> wrong, good;
  for (const Sight& s : sights) {
    if (const auto x = value(s)) (s.wrong ? wrong : good).push_back(*x);
  }
  Link link{line, with, "", std::min(1.0, ranks_apart(wrong, good) * looked_at)};
  if (link.p >= kBeyondChance) return;
  const double a = median(wrong), b = median(good);
  link.say = fmt::format("{} goes wrong with {} {}: median {:.{}f}{} against {:.{}f}{} otherwise", line, a < b ? "low" : "high", with, a,
                         digits, unit, b, digits, unit);
  links.push_back(link);
}

// Does one predecessor bring more failures than the others, at the same step?
void link_by_previous(const std::string& line, const std::vector<Sight>& sights, double looked_at, std::vector<Link>& links) {
  struct Count {
    long wrong = 0, of = 0;
  };
  std::map<int, std::map<int, Count>> counts;  // step -> step before
  for (const Sight& s : sights) {
    Count& count = counts[s.step][s.before];
    ++count.of;
    count.wrong += s.wrong;
  }
  std::size_t pairs = 0;
  for (const auto& [step, by] : counts) pairs += by.size() > 1 ? by.size() : 0;
  for (const auto& [step, by] : counts) {
    Count all;
    for (const auto& [before, count] : by) all = {all.wrong + count.wrong, all.of + count.of};
    for (const auto& [before, here] : by) {
      if (by.size() < 2) continue;
      const double p = more_here(here.wrong, here.of, all.wrong - here.wrong, all.of - here.of);
      Link link{line, "previous step", "", std::min(1.0, p * looked_at * static_cast<double>(pairs))};
      if (link.p >= kBeyondChance) continue;
      link.say = fmt::format("{} goes wrong at step {} when step {} came before it: {} of {} times, otherwise {} of {}", line, step, before,
                             here.wrong, here.of, all.wrong - here.wrong, all.of - here.of);
      links.push_back(link);
    }
  }
}

std::vector<Link> links_of(const Sights& sights, const std::set<std::string>& rails) {
  std::vector<Link> links;
  std::vector<std::pair<std::string, std::vector<Sight>>> looked;
  for (const auto& [line, all] : sights) {
    if (std::count_if(all.begin(), all.end(), [](const Sight& s) { return s.wrong; }) >= kFailuresToLink) looked.emplace_back(line, all);
  }
  // Bonferroni: every line and every kind of question is one chance more to be fooled.
  const double looked_at = static_cast<double>(looked.size() * (3 + rails.size()));
  for (const auto& [line, all] : looked) {
    link_by_previous(line, all, looked_at, links);
    // Against the steps at which the line ever fails: the others say nothing about when.
    std::set<int> steps;
    for (const Sight& s : all) {
      if (s.wrong) steps.insert(s.step);
    }
    std::vector<Sight> there;
    std::copy_if(all.begin(), all.end(), std::back_inserter(there), [&](const Sight& s) { return steps.count(s.step) > 0; });
    link_by_rank(line, there, "time since power-on", " s", 1, looked_at, [](const Sight& s) { return std::optional(s.powered_s); }, links);
    link_by_rank(line, there, "number of inputs switched", "", 0, looked_at, [](const Sight& s) { return std::optional(s.switched); }, links);
    for (const std::string& rail : rails) {
      link_by_rank(line, there, "rail " + rail, " V", 3, looked_at,
                   [&](const Sight& s) -> std::optional<double> {
                     const auto found = s.rails ? s.rails->find(rail) : std::map<std::string, double>::const_iterator{};
                     if (!s.rails || found == s.rails->end()) return std::nullopt;
                     return std::abs(found->second);
                   },
                   links);
    }
  }
  std::stable_sort(links.begin(), links.end(), [](const Link& a, const Link& b) { return a.p < b.p; });
  return links;
}

Json spot_json(const Spot& spot) {
  Json json{{"line", spot.line}};
  if (spot.step >= 0) json.update({{"step", spot.step}, {"source", spot.source}});
  json.update({{"wrong", spot.wrong}, {"unsure", spot.unsure}, {"of", spot.of}, {"rate", spot.rate}, {"low", spot.interval.low}, {"high", spot.interval.high}});
  return json;
}

}  // namespace

Outcome outcome_of(const record::RunRecord& run, const Order& order, int steps, const RailVolts& rails, double powered_s) {
  Outcome outcome;
  const std::vector<int> originals = steps_in_order(order, steps);
  outcome.passes = std::min(static_cast<int>(order.passes.size()), static_cast<int>(run.steps.size()) / std::max(1, steps));
  std::map<std::string, std::vector<const measure::Reading*>> by_line;
  std::map<std::pair<std::string, int>, std::vector<const measure::Reading*>> by_spot;
  std::map<int, std::string> sources;
  std::vector<int> worst(static_cast<std::size_t>(outcome.passes));  // 0 good, 1 unsure, 2 wrong
  Sights sights;
  std::set<std::string> rail_names;
  std::map<std::string, files::Bit> lines;
  for (const record::StepRecord& step : run.steps) {
    const auto at = static_cast<std::size_t>(step.index);
    const int pass = step.index / std::max(1, steps);
    if (at >= originals.size() || pass >= outcome.passes) break;
    int switched = 0;
    for (const auto& [line, bit] : step.set) {
      const auto [found, first] = lines.try_emplace(line, bit);
      switched += !first && found->second != bit;
      found->second = bit;
    }
    const int original = originals[at];
    sources[original] = step.source;
    Sight sight{original, at > 0 ? originals[at - 1] : -1, false, powered_s + step.time_s, static_cast<double>(switched), nullptr};
    if (const auto found = rails.find(step.index); found != rails.end()) {
      sight.rails = &found->second;
      for (const auto& [name, volts] : found->second) rail_names.insert(name);
    }
    for (const measure::Reading& r : step.readings) {
      if (r.verdict == Verdict::none) continue;
      int& so_far = worst[static_cast<std::size_t>(pass)];
      so_far = std::max(so_far, r.verdict == Verdict::fail ? 2 : r.verdict == Verdict::unsure ? 1 : 0);
      by_line[r.line].push_back(&r);
      by_spot[{r.line, original}].push_back(&r);
      sight.wrong = r.verdict == Verdict::fail;
      sights[r.line].push_back(sight);
    }
  }
  outcome.wrong = static_cast<int>(std::count(worst.begin(), worst.end(), 2));
  outcome.unsure = static_cast<int>(std::count(worst.begin(), worst.end(), 1));
  outcome.rate = outcome.passes ? static_cast<double>(outcome.wrong) / outcome.passes : 0.0;
  outcome.interval = exact_interval(outcome.wrong, outcome.passes);
  if (outcome.wrong == 0) outcome.excluded = rate_excluded(outcome.passes - outcome.unsure, 0.95);
  for (const auto& [line, readings] : by_line) {
    const Spot spot = spot_of(line, -1, readings, "");
    if (spot.wrong + spot.unsure > 0) outcome.lines.push_back(spot);
  }
  for (const auto& [where, readings] : by_spot) {
    const Spot spot = spot_of(where.first, where.second, readings, sources[where.second]);
    if (spot.wrong + spot.unsure > 0) outcome.spots.push_back(spot);
  }
  most_failures_first(outcome.lines);
  most_failures_first(outcome.spots);
  outcome.links = links_of(sights, rail_names);
  return outcome;
}

std::string json_of(const Outcome& o, const Order& order, int steps, const Asked& asked, double powered_s) {
  Json json{{"passes", o.passes}, {"planned", order.passes.size()}, {"steps_each", steps}};
  json["confidence"] = asked.confidence > 0.0 ? Json(asked.confidence) : Json(nullptr);
  json["catch"] = asked.catches > 0.0 ? Json(asked.catches) : Json(nullptr);
  json.update({{"condition", asked.condition}, {"series", asked.series}, {"varied", order.varied}, {"order", order.why}});
  json.update({{"powered_before_s", powered_s}, {"wrong", o.wrong}, {"unsure", o.unsure}, {"rate", o.rate}, {"low", o.interval.low}, {"high", o.interval.high}});
  json["excluded"] = o.wrong == 0 ? Json(o.excluded) : Json(nullptr);
  for (const auto& [name, list] : {std::pair{"lines", &o.lines}, std::pair{"spots", &o.spots}}) {
    json[name] = Json::array();
    for (const Spot& spot : *list) json[name].push_back(spot_json(spot));
  }
  json["links"] = Json::array();
  for (const Link& l : o.links) json["links"].push_back({{"line", l.line}, {"with", l.with}, {"p", l.p}, {"say", l.say}});
  json["blocks"] = order.starts;
  json["blocks_in_order"] = order.varied ? Json(order.passes) : Json::array();
  return json.dump();
}

Result<std::vector<int>> steps_of(const record::RunRecord& run) {
  const auto found = run.sections.find(kSection);
  if (found == run.sections.end()) return std::vector<int>{};
  const Error unreadable = input_error(fmt::format("run {}", run.number), "the record of its order of steps cannot be read");
  const auto json = nlohmann::json::parse(found->second, nullptr, false);
  if (!json.is_object()) return unreadable;
  try {
    Order order;
    order.starts = json.at("blocks").get<std::vector<int>>();
    const int steps = json.at("steps_each").get<int>();
    const int planned = json.at("planned").get<int>();
    if (json.at("varied").get<bool>()) order.passes = json.at("blocks_in_order").get<std::vector<std::vector<int>>>();
    bool sound = steps > 0 && planned > 0 && static_cast<long>(planned) * steps <= kStepsMost && !order.starts.empty() &&
                 order.starts.front() == 0 && order.starts.back() < steps && std::is_sorted(order.starts.begin(), order.starts.end());
    std::vector<int> blocks(order.starts.size());
    for (std::size_t i = 0; i < blocks.size(); ++i) blocks[i] = static_cast<int>(i);
    if (order.passes.empty()) order.passes.assign(static_cast<std::size_t>(sound ? planned : 0), blocks);
    for (const auto& pass : order.passes) sound = sound && std::is_permutation(pass.begin(), pass.end(), blocks.begin(), blocks.end());
    if (!sound || static_cast<int>(order.passes.size()) != planned) return unreadable;
    return steps_in_order(order, steps);
  } catch (const nlohmann::json::exception&) {
    return unreadable;
  }
}

int steps_each_of(const record::RunRecord& run) {
  const auto found = run.sections.find(kSection);
  if (found == run.sections.end()) return 0;
  const auto json = nlohmann::json::parse(found->second, nullptr, false);
  return json.is_object() ? json.value("steps_each", 0) : 0;
}

}  // namespace tenterhook::repeat
