// Samples in, judged steps out: joins what the plan expects with what the fixture saw.
#pragma once

#include <functional>
#include <map>
#include <vector>

#include "host/link/session.h"
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

  // Samples of the vectors, in the order in which the fixture takes them.
  void take(const link::SampleBlock& block);
  // Samples of plan::contact_step; `before` the vectors or after them.
  void take_contact(const link::SampleBlock& block, bool before);
  // Sense channels whose leads the last round of contact samples showed to be unconnected.
  const std::vector<int>& open_leads() const { return open_leads_; }

  // Rails sampled with a step (PlannedStep::aux), by step and rail channel.
  const std::map<int, std::map<int, measure::Counts>>& rails() const { return rails_; }

  // Readings that more conversions may decide: unsure by their level alone. Sense channels by step.
  std::map<int, std::uint64_t> worth_a_second_look() const;
  // Samples of those steps, taken again: pooled with the first look and judged once more.
  void take_again(const link::SampleBlock& block);

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
  std::vector<int> open_leads_;
};

// Lows and highs of each output over the judged readings, and their margins against every family
// that says what it needs: NML = VIL - VOL, NMH = VOH - VIH (checked with their uncertainty).
std::vector<record::LevelRecord> levels_of(const plan::Plan& plan, const std::vector<record::StepRecord>& steps);

}  // namespace tenterhook::assess
