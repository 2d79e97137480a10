#include "host/assess/assess.h"

#include <fmt/format.h>

#include <algorithm>
#include <filesystem>

#include "host/measure/contact.h"
#include "host/measure/nominal.h"

namespace tenterhook::assess {

namespace {

using files::Bit;
using measure::Reading;
using measure::Verdict;

// The pulls of a line that should be undriven: 1 Mohm to +24 V, then 22 kohm to ground.
constexpr double kPullUpVolts = 24.0;
constexpr double kPullUpOhms = 1e6;
// An undriven line moves by most of the way that an open lead moves.
constexpr double kUndrivenShare = 0.6;

std::string step_source(const plan::PlannedStep& step) {
  return fmt::format("{}:{}", std::filesystem::path(step.mark.file).filename().string(), step.mark.line);
}

bool judged(Bit bit) { return bit == Bit::zero || bit == Bit::one; }

}  // namespace

Assessor::Assessor(const plan::Plan& plan, Options options, std::function<void(const record::StepRecord&)> done)
    : plan_(plan),
      options_(options),
      done_(std::move(done)),
      channels_(static_cast<std::size_t>(plan.fixture.sense.channels), measure::nominal_sense(plan.fixture)) {}

Reading Assessor::judge_level(const plan::Expectation& e, const measure::Counts& counts) const {
  const auto estimate = measure::estimate(counts, channel(e.sense));
  Reading r;
  r.line = e.line;
  r.expected = e.expected;
  r.volts = estimate.volts;
  r.U = estimate.U;
  r.dof = estimate.dof;
  r.counts = counts;
  r.channel = e.sense;
  if (!e.window) return r;
  r.window = *e.window;
  r.p = measure::probability_of_conformity(estimate.volts, estimate.u, estimate.dof, r.window);
  r.verdict = measure::judge(estimate, r.window, options_.decision);
  if (r.verdict == Verdict::unsure) {
    r.why = estimate.saturated
                ? "at the end of the fixture's span; a fixture with a wider span would settle it"
                : fmt::format("within {} of the limit; a calibration would narrow that", text(estimate.U));
  }
  return r;
}

void Assessor::judge_undriven(Reading& r, const Pull& pull) const {
  const auto& sense = plan_.fixture.sense;
  const double load = 1.0 / sense.divider.value;
  const double up = (kPullUpVolts / kPullUpOhms + sense.open_reads.value * load) / (1.0 / kPullUpOhms + load);
  const double whole = up;  // pulled down, an open line is at 0 V within millivolts
  const double moved = (pull.up - pull.down).value;
  r.window = {Volts{kUndrivenShare * whole}, Volts{whole}};
  if (moved > kUndrivenShare * whole + pull.U.value) {
    r.verdict = Verdict::pass;
    r.p = 1.0;
  } else if (moved < kUndrivenShare * whole - pull.U.value) {
    r.verdict = Verdict::fail;
    r.p = 0.0;
    r.why = fmt::format("something drives it: pulled up it reads {}, pulled down {}; undriven it would move by {:.3g} V",
                        text(pull.up), text(pull.down), whole);
  } else {
    r.verdict = Verdict::unsure;
    r.p = 0.5;
    r.why = "weakly driven: between driven and undriven; measure its source resistance";
  }
}

void Assessor::take(const link::SampleBlock& block) {
  if (steps_.size() >= plan_.steps.size()) return;
  if (first_s_ < 0.0) first_s_ = block.time.value;
  // Steps without any expectation send nothing: they are complete as soon as a later one answers.
  while (static_cast<int>(steps_.size()) < block.step && steps_.size() < plan_.steps.size()) complete();
  const plan::PlannedStep& planned = plan_.steps[steps_.size()];
  if (block.index == 0) {
    for (const link::ChannelSample& c : block.channels) main_[c.index] = c.counts;
  } else {
    pulls_.push_back(block);
  }
  const auto undriven = std::count_if(planned.expectations.begin(), planned.expectations.end(),
                                      [](const auto& e) { return e.expected == Bit::undriven; });
  if (block.index == 2 * undriven) complete();
}

void Assessor::complete() {
  const plan::PlannedStep& planned = plan_.steps[steps_.size()];
  record::StepRecord step;
  step.index = planned.index;
  step.source = step_source(planned);
  step.say = planned.say;
  step.set = planned.set;
  for (const plan::PulseTrain& train : planned.pulses) {
    step.pulse.emplace_back(train.line, static_cast<int>(train.count));
  }
  for (const plan::Expectation& e : planned.expectations) {
    const auto counts = main_.find(e.sense);
    if (counts == main_.end()) continue;
    Reading reading = judge_level(e, counts->second);
    if (e.expected == Bit::undriven) {
      Pull pull;
      for (const link::SampleBlock& block : pulls_) {
        if (block.channels.empty() || block.channels.front().index != e.sense) continue;
        const auto estimate = measure::estimate(block.channels.front().counts, channel(e.sense));
        // Odd samples of a step are the looks up, even ones the looks down.
        (block.index % 2 == 1 ? pull.up : pull.down) = estimate.volts;
        pull.U = std::max(pull.U, estimate.U);
      }
      judge_undriven(reading, pull);
    }
    step.readings.push_back(reading);
  }
  main_.clear();
  pulls_.clear();
  steps_.push_back(step);
  done_(steps_.back());
}

void Assessor::take_contact(const link::SampleBlock& block, bool before) {
  for (const link::ChannelSample& c : block.channels) {
    const auto estimate = measure::estimate(c.counts, channel(c.index));
    if (block.index == 0) {
      plain_[c.index] = estimate.volts;
      continue;
    }
    const auto contact = measure::contact_of(plain_[c.index], estimate.volts, estimate.U, plan_.fixture.sense.open_reads,
                                             plan_.fixture.sense.divider);
    (before ? proven_before_ : proven_after_)[c.index] = contact == measure::Contact::proven;
    if (contact == measure::Contact::open) open_leads_.push_back(c.index);
  }
}

void Assessor::finish(record::RunRecord& run) {
  while (!run.aborted && steps_.size() < plan_.steps.size() && plan_.steps[steps_.size()].expectations.empty()) {
    complete();
  }
  std::map<int, std::vector<Reading*>> leads;
  std::map<Reading*, int> step_of;
  for (record::StepRecord& step : steps_) {
    for (Reading& r : step.readings) {
      if (r.expected == Bit::undriven) continue;  // judged by its movement, not by its level
      leads[r.channel].push_back(&r);
      step_of[&r] = step.index;
    }
  }
  for (auto& [sense, readings] : leads) {
    std::vector<Verdict> before;
    for (const Reading* r : readings) before.push_back(r->verdict);
    measure::apply_open_lead_rule(readings, plan_.fixture.sense.open_reads, proven_before_[sense], proven_after_[sense]);
    for (std::size_t i = 0; i < readings.size(); ++i) {
      if (readings[i]->verdict == before[i]) continue;
      run.amendments.push_back({step_of[readings[i]], readings[i]->line, readings[i]->verdict, readings[i]->why});
    }
  }
  run.steps = steps_;
  run.levels = levels_of(plan_, steps_);
  run.verdict = Verdict::none;
  for (const record::StepRecord& step : steps_) {
    for (const Reading& r : step.readings) run.verdict = measure::worst(run.verdict, r.verdict);
  }
  const bool whole = steps_.size() == plan_.steps.size();
  if (!whole && run.verdict == Verdict::pass) run.verdict = Verdict::unsure;
}

namespace {

void include(std::optional<record::LevelRecord::Side>& side, const Reading& r, int step, bool high) {
  if (!side) {
    side.emplace();
    side->min_v = side->max_v = r.volts.value;
    side->worst_step = step;
  }
  const bool worse = high ? r.volts.value < side->min_v : r.volts.value > side->max_v;
  if (worse) side->worst_step = step;
  side->min_v = std::min(side->min_v, r.volts.value);
  side->max_v = std::max(side->max_v, r.volts.value);
  ++side->n;
  side->mean_v += (r.volts.value - side->mean_v) / side->n;
  side->U_v = std::max(side->U_v, r.U.value);
}

void add_margins(const plan::Plan& plan, record::LevelRecord& level) {
  if (!level.low || !level.high) return;
  const files::Line* line = plan.vectors.board.line(level.line);
  const files::Family* own = line ? plan.vectors.board.family_of(*line) : nullptr;
  if (!own || !own->needs.low || !own->needs.high) return;
  record::MarginRecord margin;
  margin.to = own->name;
  margin.low_v = own->needs.low->max.value - level.low->max_v;
  margin.high_v = level.high->min_v - own->needs.high->min.value;
  margin.U_v = std::max(level.low->U_v, level.high->U_v);
  level.margins.push_back(margin);
  for (const record::MarginRecord& m : level.margins) {
    level.margin_low_v = std::min(level.margin_low_v.value_or(m.low_v), m.low_v);
    level.margin_high_v = std::min(level.margin_high_v.value_or(m.high_v), m.high_v);
  }
}

}  // namespace

std::vector<record::LevelRecord> levels_of(const plan::Plan& plan, const std::vector<record::StepRecord>& steps) {
  std::vector<record::LevelRecord> levels;
  for (const files::Line& line : plan.vectors.board.lines) {
    record::LevelRecord level;
    level.line = line.name;
    const files::Family* family = plan.vectors.board.family_of(line);
    for (const record::StepRecord& step : steps) {
      for (const Reading& r : step.readings) {
        if (r.line != line.name || !judged(r.expected)) continue;
        const bool high = family ? plan::is_high(*family, r.expected) : r.expected == Bit::one;
        include(high ? level.high : level.low, r, step.index, high);
      }
    }
    if (!level.low && !level.high) continue;
    add_margins(plan, level);
    levels.push_back(level);
  }
  return levels;
}

}  // namespace tenterhook::assess
