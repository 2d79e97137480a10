// Samples in, judged steps out: joins what the plan expects with what the fixture saw.
#pragma once

#include <functional>
#include <map>
#include <vector>

#include "host/link/session.h"
#include "host/measure/contact.h"
#include "host/measure/loading.h"
#include "host/measure/verdict.h"
#include "host/plan/plan.h"
#include "host/record/run.h"

namespace tenterhook::assess {

struct Options {
  measure::Decision decision = measure::Decision::guarded;
};

class Assessor {
 public:
  // The plan outlives it. done is called with each step as its last sample arrives, in order.
  Assessor(const plan::Plan& plan, Options options, std::function<void(const record::StepRecord&)> done);

  // By sense channel: a calibration's models in place of the nominal ones. Before the first sample.
  void use(std::vector<measure::ChannelModel> channels) { channels_ = std::move(channels); }
  const std::vector<measure::ChannelModel>& channels() const { return channels_; }

  // Samples of the vectors, in the order in which the fixture takes them.
  void take(const link::SampleBlock& block);
  // A round of contact samples begins; `before` the vectors or after them.
  void begin_contacts(bool before);
  // Samples of plan::contact_step with that pull: the low one first, the high one of those it leaves undecided.
  void take_contact(const link::SampleBlock& block, measure::Pull pull);
  // Sense channels that follow the low pull of this round: a high one tells a lead that is off from the others.
  std::vector<int> undecided_leads() const;
  // Sense channels whose leads this round showed to be unconnected.
  std::vector<int> open_leads() const;

  // Rails sampled with a step (PlannedStep::aux), by step and rail channel.
  const std::map<int, std::map<int, measure::Counts>>& rails() const { return rails_; }

  const measure::ChannelModel& model(int sense) const { return channel(sense); }
  // Steps judged so far, as they stand.
  const std::vector<record::StepRecord>& steps() const { return steps_; }

  // Readings of the steps first..last that more conversions may decide: unsure by their level alone. Sense
  // channels by step.
  std::map<int, std::uint64_t> worth_a_second_look(int first, int last) const;
  // Samples of those steps, taken again: pooled with the first look and judged once more.
  void take_again(const link::SampleBlock& block);

  // Readings that did not pass and could with the fixture's own load taken off them: below so many, by step.
  std::map<int, std::uint64_t> worth_unloading() const;
  // A look at one of them with two loads: when its source is known, the level without the fixture is judged in
  // place of the one that was read, else `pooled` with the first look (as take_again does).
  void take_unloaded(int step, int sense, const measure::Counts& bare, const measure::Source& source);

  // Applies the open-lead rule over the whole run, then sums up: amendments, levels, verdict.
  // A run that did not get through its steps never passes.
  void finish(record::RunRecord& run);

 private:
  struct Pull {  // a line that should be undriven, pulled both ways
    Volts up{}, down{};
    Volts U{};
  };
  const measure::ChannelModel& channel(int sense) const { return channels_.at(static_cast<std::size_t>(sense)); }
  measure::Reading judge_level(const plan::Expectation& expectation, const measure::Counts& counts) const;
  void judge_undriven(measure::Reading& reading, const Pull& pull) const;
  void complete();
  void amend(int step, const measure::Reading& reading);
  // A reading's second look, or why there is none.
  void settle(record::StepRecord& step, measure::Reading& r, const measure::Counts& again);

  const plan::Plan& plan_;
  Options options_;
  std::function<void(const record::StepRecord&)> done_;
  std::vector<measure::ChannelModel> channels_;  // by sense channel
  std::vector<record::StepRecord> steps_;
  std::map<int, measure::Counts> main_;          // of the step under way, by sense channel
  std::vector<link::SampleBlock> pulls_;         // of the step under way
  double first_s_ = -1.0;
  std::vector<record::Amendment> second_looks_;
  std::map<int, std::map<int, measure::Counts>> rails_;
  std::map<int, bool> proven_before_, proven_after_;  // by sense channel
  std::map<int, Volts> plain_;                        // contact samples before the pull
  struct Pulled {                                     // and with the low one
    Volts volts{}, U{};
    measure::Contact contact = measure::Contact::unknown;
  };
  std::map<int, Pulled> pulled_;
  bool contacts_before_ = true;
};

// Lows and highs of each output over the judged readings, and their margins against every family
// that says what it needs: NML = VIL - VOL, NMH = VOH - VIH (checked with their uncertainty).
std::vector<record::LevelRecord> levels_of(const plan::Plan& plan, const std::vector<record::StepRecord>& steps);

}  // namespace tenterhook::assess
