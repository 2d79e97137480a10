#include "host/assess/assess.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <filesystem>

#include "host/measure/contact.h"
#include "host/measure/nominal.h"

namespace tenterhook::assess {

namespace {

using files::Bit;
using measure::Reading;
using measure::Verdict;

// The pulls of a line that should be undriven: 10 kohm to +5 V, then 22 kohm to ground. Strong enough to
// move a line that only inputs hang on (some 50 kohm each), too weak to move one that is driven.
constexpr double kPullUpVolts = 5.0;
constexpr double kPullUpSiemens = 1.0 / 10e3;
constexpr double kPullDownSiemens = 1.0 / 22e3;

std::string step_source(const plan::PlannedStep& step) {
  return fmt::format("{}:{}", std::filesystem::path(step.mark.file).filename().string(), step.mark.line);
}

// A board with more doubtful readings than this needs a calibration, not more looks.
constexpr int kSecondLooksMost = 256;

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
                : fmt::format("within {} of the limit; {} would settle it", text(estimate.U),
                              channel(e.sense).line ? "a meter at this point" : "a calibration");
  }
  return r;
}

// By currents: what the board takes from (or gives to) the line at each pull, beyond what its known
// resistors and the sense divider account for. A driver of a low must swallow the whole pull-up, a driver
// of a high must feed the pull-down; half of either is more than inputs ask.
void Assessor::judge_undriven(Reading& r, const Pull& pull) const {
  const double divider = 1.0 / plan_.fixture.sense.divider.value;
  double known = divider, fed = divider * plan_.fixture.sense.open_reads.value;
  const files::Board& board = plan_.vectors.board;
  const files::Line& line = *board.line(r.line);
  for (const auto& resistor : {line.load, line.pull}) {
    if (!resistor || resistor->ohms.value <= 0.0) continue;
    known += 1.0 / resistor->ohms.value;
    for (const files::Rail& rail : board.rails) {
      if (rail.name == resistor->to) fed += rail.nominal.value / resistor->ohms.value;
    }
  }
  const auto low = plan::window_for(board, line, {}, Bit::zero);
  const auto one = plan::window_for(board, line, {}, Bit::one);
  double high_v = 0.0;  // the least that a driven high shows
  for (const auto& window : {low, one}) {
    if (window) high_v = std::max(high_v, window->min.value);
  }
  if (high_v <= 0.0) high_v = kPullUpVolts / 2.0;
  const double up_limit = 0.5 * kPullUpVolts * kPullUpSiemens;
  const double down_limit = 0.5 * high_v * kPullDownSiemens;
  const double up_sum = known + kPullUpSiemens, down_sum = known + kPullDownSiemens;
  const double up_fed = fed + kPullUpVolts * kPullUpSiemens;
  // Amperes that something unknown gives to the line.
  const double at_up = up_sum * pull.up.value - up_fed;
  const double at_down = down_sum * pull.down.value - fed;
  const double up_share = std::fabs(at_up) / up_limit, down_share = std::fabs(at_down) / down_limit;
  const double doubt = std::max(up_sum * pull.U.value / up_limit, down_sum * pull.U.value / down_limit);
  const double share = std::max(up_share, down_share);
  r.window = {Volts{(up_fed - up_limit) / up_sum}, Volts{(up_fed + up_limit) / up_sum}};
  if (share < 1.0 - doubt) {
    r.verdict = Verdict::pass;
    r.p = 1.0;
  } else if (share > 1.0 + doubt) {
    r.verdict = Verdict::fail;
    r.p = 0.0;
    r.why = fmt::format("something drives it: pulled up through 10 kohm it reads {}, pulled down through 22 kohm {}; undriven "
                        "it would read about {:.2f} V and {:.2f} V",
                        text(pull.up), text(pull.down), up_fed / up_sum, fed / down_sum);
  } else {
    r.verdict = Verdict::unsure;
    r.p = 0.5;
    r.why = fmt::format("weakly driven, between driven and undriven: pulled up {}, pulled down {}; measure its source resistance",
                        text(pull.up), text(pull.down));
  }
}

void Assessor::take(const link::SampleBlock& block) {
  if (steps_.size() >= plan_.steps.size()) return;
  if (first_s_ < 0.0) first_s_ = block.time.value;
  // Steps without any expectation send nothing: they are complete as soon as a later one answers.
  while (static_cast<int>(steps_.size()) < block.step && steps_.size() < plan_.steps.size() &&
         plan_.steps[steps_.size()].expectations.empty()) {
    complete();
  }
  // The other end of the line is not trusted: a step of the past again, or one that was never asked for.
  if (static_cast<int>(steps_.size()) != block.step || steps_.size() >= plan_.steps.size()) return;
  const plan::PlannedStep& planned = plan_.steps[steps_.size()];
  if (block.index == 0) {
    for (const link::ChannelSample& c : block.channels) {
      if (c.kind == link::ChannelKind::sense) main_[c.index] = c.counts;
      if (c.kind == link::ChannelKind::rail) rails_[planned.index][c.index] = c.counts;
    }
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

void Assessor::begin_contacts(bool before) {
  contacts_before_ = before;
  plain_.clear();
  pulled_.clear();
}

void Assessor::take_contact(const link::SampleBlock& block, measure::Pull pull) {
  for (const link::ChannelSample& c : block.channels) {
    const auto estimate = measure::estimate(c.counts, channel(c.index));
    if (block.index == 0) {
      plain_[c.index] = estimate.volts;
      continue;
    }
    Pulled& pulled = pulled_[c.index];
    std::optional<Volts> high;
    if (pull == measure::Pull::low) {
      pulled.volts = estimate.volts;
      pulled.U = estimate.U;
    } else {
      high = estimate.volts;
    }
    pulled.contact = measure::contact_of(plain_[c.index], pulled.volts, std::max(pulled.U, estimate.U), plan_.fixture.sense.open_reads,
                                         plan_.fixture.sense.divider, high);
    (contacts_before_ ? proven_before_ : proven_after_)[c.index] = pulled.contact == measure::Contact::proven;
  }
}

std::vector<int> Assessor::undecided_leads() const {
  std::vector<int> leads;
  for (const auto& [sense, pulled] : pulled_) {
    if (pulled.contact != measure::Contact::proven) leads.push_back(sense);
  }
  return leads;
}

std::vector<int> Assessor::open_leads() const {
  std::vector<int> leads;
  for (const auto& [sense, pulled] : pulled_) {
    if (pulled.contact == measure::Contact::open) leads.push_back(sense);
  }
  return leads;
}

std::map<int, std::uint64_t> Assessor::worth_a_second_look(int first, int last) const {
  std::map<int, std::uint64_t> senses;
  int count = 0;
  for (std::size_t i = static_cast<std::size_t>(first); i < steps_.size() && static_cast<int>(i) <= last; ++i) {
    const record::StepRecord& step = steps_[i];
    for (const Reading& r : step.readings) {
      if (r.verdict != Verdict::unsure || !judged(r.expected) || count >= kSecondLooksMost) continue;
      if (measure::estimate(r.counts, channel(r.channel)).saturated) continue;
      senses[step.index] |= std::uint64_t{1} << r.channel;
      ++count;
    }
  }
  return senses;
}

void Assessor::take_again(const link::SampleBlock& block) {
  if (block.step < 0 || block.step >= static_cast<int>(steps_.size())) return;
  record::StepRecord& step = steps_[static_cast<std::size_t>(block.step)];
  for (Reading& r : step.readings) {
    const auto found = std::find_if(block.channels.begin(), block.channels.end(), [&](const link::ChannelSample& c) {
      return c.kind == link::ChannelKind::sense && c.index == r.channel;
    });
    if (found == block.channels.end() || r.verdict != Verdict::unsure) continue;
    settle(step, r, found->counts);
  }
}

void Assessor::settle(record::StepRecord& step, Reading& r, const measure::Counts& again) {
  const auto second = measure::estimate(again, channel(r.channel));
  if (abs(second.volts - r.volts) > second.U + r.U) {
    r.why = fmt::format("it read {:.3f} V at first and {:.3f} V at a second look: not steady; run it with --repeat",
                        r.volts.value, second.volts.value);
    amend(step.index, r);
    return;
  }
  r.counts = measure::pooled(r.counts, again);
  const auto both = measure::estimate(r.counts, channel(r.channel));
  r.volts = both.volts;
  r.U = both.U;
  r.dof = both.dof;
  r.p = measure::probability_of_conformity(both.volts, both.u, both.dof, r.window);
  r.verdict = measure::judge_again(both, r.window);
  const std::string seen = fmt::format("{:.3f} V within {} after a second look ({} conversions in all)", both.volts.value,
                                       text(both.U), r.counts.n);
  r.why = r.verdict == Verdict::pass ? "" : seen;
  if (r.verdict == Verdict::unsure) {
    r.why += channel(r.channel).line ? ": a meter at this point would settle it" : ": a calibration would settle it";
  }
  amend(step.index, r);
}

void Assessor::amend(int step, const Reading& r) { second_looks_.push_back({step, r.line, r.verdict, r.why, r}); }

std::map<int, std::uint64_t> Assessor::worth_unloading() const {
  std::map<int, std::uint64_t> senses;
  int count = 0;
  for (const record::StepRecord& step : steps_) {
    for (const Reading& r : step.readings) {
      const bool open_question = r.verdict == Verdict::unsure || r.verdict == Verdict::fail;
      if (!open_question || !judged(r.expected) || count >= kSecondLooksMost) continue;
      if (measure::estimate(r.counts, channel(r.channel)).saturated) continue;
      senses[step.index] |= std::uint64_t{1} << r.channel;
      ++count;
    }
  }
  return senses;
}

void Assessor::take_unloaded(int step_index, int sense, const measure::Counts& bare, const measure::Source& source) {
  if (step_index < 0 || step_index >= static_cast<int>(steps_.size())) return;
  record::StepRecord& step = steps_[static_cast<std::size_t>(step_index)];
  for (Reading& r : step.readings) {
    if (r.channel != sense || bare.n == 0 || (r.verdict != Verdict::unsure && r.verdict != Verdict::fail)) continue;
    const auto again = measure::estimate(bare, channel(sense));
    const bool steady = abs(again.volts - r.volts) <= again.U + r.U;
    if (!source.known || !steady) {
      if (r.verdict == Verdict::unsure) settle(step, r, bare);
      continue;
    }
    measure::Estimate unloaded = again;
    unloaded.volts = source.open_circuit;
    unloaded.U = source.U;
    unloaded.u = source.U / 1.96;
    unloaded.dof = 0.0;
    const std::string seen = fmt::format("{:.2f} V with the fixture on it; behind {} it shows {:.2f} V within {} by itself",
                                         again.volts.value, text(source.ohms), source.open_circuit.value, text(source.U));
    r.counts = bare;
    r.volts = unloaded.volts;
    r.U = unloaded.U;
    r.dof = 0.0;
    r.p = measure::probability_of_conformity(unloaded.volts, unloaded.u, 0.0, r.window);
    r.verdict = measure::judge_again(unloaded, r.window);
    r.why = seen;
    amend(step.index, r);
  }
}

void Assessor::finish(record::RunRecord& run) {
  run.amendments.insert(run.amendments.end(), second_looks_.begin(), second_looks_.end());
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
      run.amendments.push_back({step_of[readings[i]], readings[i]->line, readings[i]->verdict, readings[i]->why, *readings[i]});
    }
  }
  run.steps = steps_;
  run.levels = levels_of(plan_, steps_);
  run.verdict = Verdict::none;
  for (const record::StepRecord& step : steps_) {
    for (const Reading& r : step.readings) run.verdict = measure::worst(run.verdict, r.verdict);
  }
  const bool whole = steps_.size() == plan_.steps.size() && !run.aborted;  // cut short at the very end too
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

// Against every family of the board that says what it needs: whichever of them this output feeds.
void add_margins(const plan::Plan& plan, record::LevelRecord& level) {
  if (!level.low || !level.high) return;
  for (const auto& [name, family] : plan.vectors.board.families) {
    if (!family.needs.low || !family.needs.high) continue;
    record::MarginRecord margin;
    margin.to = name;
    margin.low_v = family.needs.low->max.value - level.low->max_v;
    margin.high_v = level.high->min_v - family.needs.high->min.value;
    margin.U_v = std::max(level.low->U_v, level.high->U_v);
    level.margins.push_back(margin);
  }
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
