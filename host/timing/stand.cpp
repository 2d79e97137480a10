#include "host/timing/stand.h"

#include <fmt/format.h>

#include <algorithm>
#include <bit>
#include <cmath>

#include "firmware/wire/message.h"
#include "host/plan/program.h"

namespace tenterhook::timing {

namespace {

using files::Bit;

constexpr Seconds kProgramAtMost{24.0 * 3600.0};
constexpr std::uint16_t kLevelConversions = 96;
constexpr std::uint16_t kTrialConversions = 2;
constexpr int kShotsAtOnce = 64;          // of one program; results then arrive in time to be counted
constexpr double kJudgeShare = 0.35;      // nearer than this share of the swing to a level: it is that level
constexpr double kSwitchCodes = wire::kComparatorHysteresis / 2.0;
constexpr std::uint16_t kLabelTiming = 0x7000;
constexpr int kLabels = 0x0F00;

std::uint32_t microseconds(Seconds t) { return static_cast<std::uint32_t>(std::ceil(t.value * 1e6)); }

}  // namespace

// A program cut into steps as the fixture's rooms demand; what is glued stays in one step.
class Stand::Script {
 public:
  template <class Op>
  void add(const Op& op, int results = 0) {
    std::vector<std::uint8_t> bytes(wire::kOpBytesMax);
    wire::Writer writer(bytes.data(), static_cast<std::uint16_t>(bytes.size()));
    wire::put(writer, op);
    bytes.resize(writer.size());
    pending_.insert(pending_.end(), bytes.begin(), bytes.end());
    pending_results_ += results;
    if (!glued_) take();
  }
  void glue() { glued_ = true; }
  void done() {
    glued_ = false;
    take();
  }
  const std::vector<std::uint8_t>& finish() {
    close();
    return program_;
  }

 private:
  void take() {
    if (body_.size() + pending_.size() > wire::kStepBytesMax || results_ + pending_results_ > wire::kStepResultBytesMax) close();
    body_.insert(body_.end(), pending_.begin(), pending_.end());
    results_ += pending_results_;
    pending_.clear();
    pending_results_ = 0;
  }
  void close() {
    if (body_.empty()) return;
    std::vector<std::uint8_t> label(wire::op_bytes(wire::Op::label));
    wire::Writer writer(label.data(), static_cast<std::uint16_t>(label.size()));
    wire::LabelOp op;
    op.step = static_cast<std::uint16_t>(kLabelTiming + steps_++ % kLabels);
    op.bytes = static_cast<std::uint16_t>(body_.size());
    op.results = static_cast<std::uint16_t>(results_);
    op.flags = wire::kLabelPatient;
    wire::put(writer, op);
    program_.insert(program_.end(), label.begin(), label.end());
    program_.insert(program_.end(), body_.begin(), body_.end());
    body_.clear();
    results_ = 0;
  }

  std::vector<std::uint8_t> program_, body_, pending_;
  int results_ = 0, pending_results_ = 0, steps_ = 0;
  bool glued_ = false;
};

std::optional<double> Shot::first(bool rising, double from_s) const {
  for (const Edge& edge : edges) {
    if (edge.rising == rising && edge.t_s >= from_s) return edge.t_s;
  }
  return std::nullopt;
}

Stand::Stand(link::Session& session, const plan::Plan& plan, std::vector<measure::ChannelModel> sense)
    : session_(session), plan_(plan), sense_(std::move(sense)), settle_(kSettleLeast), contacts_(plan.rest) {
  for (const files::Line& line : plan.vectors.board.lines) {
    if (line.kind == files::LineKind::output) settle_ = std::max(settle_, line.respond);
  }
}

long Stand::ticks(double seconds) const { return std::lround(seconds * session_.identity().clock_hz); }

int Stand::sense_of(const std::string& line) const {
  const auto found = plan_.hookup.find(line);
  return found != plan_.hookup.end() && found->second.kind == "sense" ? found->second.index : -1;
}

bool Stand::rests_high(const Start& start, const std::string& line) const {
  const files::Board& board = plan_.vectors.board;
  for (const auto& [name, bit] : start.inputs) {
    if (name == line) return plan::is_high(*board.family_of(*board.line(line)), bit);
  }
  return plan::is_high(*board.family_of(*board.line(line)), board.line(line)->rest);
}

Seconds Stand::pulse_of(const std::string& line) const {
  const files::Line* l = plan_.vectors.board.line(line);
  return std::max({l->pulse.value_or(kPulseUsual), kPulseUsual, settle_});
}

void Stand::know(const std::string& output, double low_v, double high_v) { levels_[output] = {low_v, high_v}; }

// ---- state ----

void Stand::set_fast(Script& script, const std::string& line, bool high) {
  const bool own = plan_.hookup.at(line).kind == "fast";
  script.add(wire::FastOp{static_cast<std::uint8_t>(channel(line)), own, high});
}

// Relays for the inputs of a start; the routed line leaves its drive and hangs on fast.1.
Status Stand::configure(const Start& start) {
  if (now_ && now_->inputs == start.inputs && now_->routed == start.routed) return {};
  Script script;
  files::Step step;
  for (const auto& [line, bit] : start.inputs) {
    if (plan_.hookup.at(line).kind == "drive") step.set.emplace_back(line, bit);
  }
  const plan::PlannedStep planned = plan::plan_single(plan_, contacts_, step);
  const auto settle = microseconds(plan_.fixture.drive.settle);
  plan::Contacts next = planned.contacts;
  script.add(wire::RouteOp{0});
  script.add(wire::RelayWaitOp{settle});
  if (!start.routed.empty()) next.drive_connect &= ~(1u << plan_.hookup.at(start.routed).index);
  script.add(wire::DriveOp{static_cast<std::uint16_t>(next.drive_connect), static_cast<std::uint16_t>(next.drive_high)});
  script.add(wire::RelayWaitOp{settle});
  if (!start.routed.empty()) {
    set_fast(script, start.routed, rests_high(start, start.routed));
    script.add(wire::RouteOp{static_cast<std::uint16_t>(1u << plan_.hookup.at(start.routed).index)});
    script.add(wire::RelayWaitOp{settle});
  }
  TH_TRY(run(script));
  contacts_ = next;
  now_ = start;
  return {};
}

Status Stand::rest() {
  Script script;
  const auto settle = microseconds(plan_.fixture.drive.settle);
  script.add(wire::RouteOp{0});
  script.add(wire::RelayWaitOp{settle});
  for (int fast = 0; fast < plan_.fixture.fast.channels; ++fast) {
    const bool on = (plan_.rest.fast_connect >> fast) & 1u, high = (plan_.rest.fast_high >> fast) & 1u;
    script.add(wire::FastOp{static_cast<std::uint8_t>(fast), on, high});
  }
  script.add(wire::DriveOp{static_cast<std::uint16_t>(plan_.rest.drive_connect), static_cast<std::uint16_t>(plan_.rest.drive_high)});
  script.add(wire::RelayWaitOp{settle});
  TH_TRY(run(script));
  contacts_ = plan_.rest;
  now_.reset();
  return {};
}

wire::PulseOp Stand::pulse(const Start& start, const std::string& line, Seconds width) const {
  wire::PulseOp op;
  op.channel = static_cast<std::uint8_t>(channel(line));
  op.active = !rests_high(start, line);
  op.width_ticks = static_cast<std::uint32_t>(ticks(width.value));
  op.gap_ticks = std::max(wire::kGapTicksMin, op.width_ticks);
  return op;
}

// Actions of the start; by relays where fast lines cannot.
Status Stand::again(const Start& start, Script& script) {
  const files::Board& board = plan_.vectors.board;
  const auto settle = microseconds(settle_);
  for (const Action& action : start.again) {
    const files::Line& line = *board.line(action.line);
    if (action.kind == Action::Kind::pulse) {
      if (channel(action.line) < 0) return input_error(action.line, "it is not on a fast line, so it is never clocked here", "hook it to fast.0");
      script.add(pulse(start, action.line, line.pulse.value_or(kPulseUsual)));
    } else if (plan_.hookup.at(action.line).kind == "fast" || action.line == start.routed) {
      set_fast(script, action.line, plan::is_high(*board.family_of(line), action.bit));
    } else {
      files::Step step;
      step.set.emplace_back(action.line, action.bit);
      plan::Contacts next = plan::plan_single(plan_, contacts_, step).contacts;
      if (!start.routed.empty()) next.drive_connect &= ~(1u << plan_.hookup.at(start.routed).index);
      if (next.drive_connect != contacts_.drive_connect || next.drive_high != contacts_.drive_high) {
        script.add(wire::DriveOp{static_cast<std::uint16_t>(next.drive_connect), static_cast<std::uint16_t>(next.drive_high)});
        script.add(wire::RelayWaitOp{microseconds(plan_.fixture.drive.settle)});
      }
      contacts_ = next;
    }
    script.add(wire::WaitOp{settle});
  }
  return {};
}

Status Stand::run(Script& script) {
  samples_.clear();
  edges_.clear();
  link::Sink sink;
  sink.sample = [this](const link::SampleBlock& block) { samples_.push_back(block); };
  sink.edges = [this](const link::EdgesBlock& block) { edges_.push_back(block); };
  const auto& program = script.finish();
  if (program.empty()) return {};
  auto report = session_.execute(program, sink, kProgramAtMost);
  TH_TRY(report);
  relay_moves_ += report->relay_moves;
  if (report->fault) {
    fault_ = report->fault;
    return fixture_error(report->fault->where, report->fault->text, report->fault->remedy);
  }
  return {};
}

// ---- measurements ----

Result<Stand::Settled> Stand::settled(const Path& path, int sense) {
  TH_TRY(configure(path.start));
  Script script;
  TH_TRY(again(path.start, script));
  const bool rests = rests_high(path.start, path.from);
  const std::uint64_t mask = std::uint64_t{1} << sense;
  const auto wait = microseconds(std::max(Seconds{200e-6}, settle_ * 2.0));
  const int room = wire::sample_result_bytes(1);
  script.add(wire::WaitOp{wait});
  script.add(wire::SampleOp{mask, 0, kLevelConversions}, room);
  set_fast(script, path.from, !rests);
  script.add(wire::WaitOp{wait});
  script.add(wire::SampleOp{mask, 0, kLevelConversions}, room);
  set_fast(script, path.from, rests);
  script.add(wire::WaitOp{wait});
  script.add(wire::SampleOp{mask, 0, kLevelConversions}, room);
  TH_TRY(run(script));
  if (samples_.size() != 3) return bug_error("three samples were asked for and not given");
  double volts[3], u = 0.0;
  for (int i = 0; i < 3; ++i) {
    const auto e = measure::estimate(samples_[static_cast<std::size_t>(i)].channels.at(0).counts, sense_.at(static_cast<std::size_t>(sense)));
    volts[i] = e.volts.value;
    const auto& c = samples_[static_cast<std::size_t>(i)].channels.at(0).counts;
    const double mean = static_cast<double>(c.sum) / c.n;
    const double variance = std::max(0.0, static_cast<double>(c.sum_of_squares) / c.n - mean * mean);
    // Noise and the converter's step; what both levels share does not move the edge between them.
    u = std::max(u, std::sqrt(variance / c.n + 1.0 / 12.0 / c.n) * std::fabs(sense_.at(static_cast<std::size_t>(sense)).per_count.value));
  }
  return path.trailing ? Settled{volts[1], volts[2], u} : Settled{volts[0], volts[1], u};
}

Result<std::vector<Shot>> Stand::crossings(const Path& path, int sense, double threshold_v, bool rising, int shots) {
  TH_TRY(configure(path.start));
  const auto& model = sense_.at(static_cast<std::size_t>(sense));
  const double counts = (threshold_v - model.offset.value) / model.per_count.value;
  const double code = counts * wire::kThresholdPerCount + (rising ? -kSwitchCodes : kSwitchCodes);
  const wire::PulseOp stimulus = pulse(path.start, path.from, pulse_of(path.from));
  const double width_s = static_cast<double>(stimulus.width_ticks) * tick_s();
  const double until_s = std::max((path.trailing ? width_s : 0.0) + 2.0 * settle_.value, 200e-6);
  wire::CrossingOp op;
  op.sense = static_cast<std::uint8_t>(sense);
  op.edges = wire::kEdgeRising | wire::kEdgeFalling;
  op.most = wire::kCrossingsMax;
  op.threshold = static_cast<std::uint16_t>(std::clamp<long>(std::lround(code), 0, wire::kThresholdMax));
  op.window_ticks = static_cast<std::uint32_t>(std::clamp<long>(ticks(until_s), 1, wire::kWindowTicksMax));
  std::vector<Shot> all;
  while (static_cast<int>(all.size()) < shots) {
    Script script;
    const int now = std::min(kShotsAtOnce, shots - static_cast<int>(all.size()));
    for (int i = 0; i < now; ++i) {
      TH_TRY(again(path.start, script));
      script.glue();
      script.add(op, wire::edges_result_bytes(op.most));
      script.add(stimulus);
      script.done();
      script.add(wire::WaitOp{microseconds(settle_)});
    }
    TH_TRY(run(script));
    if (static_cast<int>(edges_.size()) != now) return bug_error("crossings were asked for and not given");
    for (const link::EdgesBlock& block : edges_) {
      Shot shot;
      for (const auto& c : block.crossings) shot.edges.push_back({c.ticks * tick_s(), c.rising});
      shot.rises = block.rises;
      shot.falls = block.falls;
      shot.missed = block.missed;
      shot.high_before = block.high_before;
      all.push_back(std::move(shot));
    }
    shots_ += now;
  }
  return all;
}

Result<Waveform> Stand::waveform(const Path& path, int sense, const std::vector<long>& delays, int shots) {
  TH_TRY(configure(path.start));
  const auto& model = sense_.at(static_cast<std::size_t>(sense));
  const wire::PulseOp stimulus = pulse(path.start, path.from, pulse_of(path.from));
  Waveform w;
  // A board that comes back by itself needs no state made between the shots.
  const int each = path.start.again.empty() ? shots : 1;
  double squares = 0.0;
  std::size_t next = 0;
  while (next < delays.size()) {
    Script script;
    const std::size_t first = next;
    int blocks = 0;
    for (; next < delays.size() && blocks < kShotsAtOnce; ++next) {
      for (int i = 0; i < shots / each; ++i, ++blocks) {
        TH_TRY(again(path.start, script));
        script.glue();
        script.add(wire::DelayedSampleOp{static_cast<std::uint8_t>(sense), static_cast<std::int16_t>(delays[next]), static_cast<std::uint16_t>(each)},
                   wire::sample_result_bytes(1));
        script.add(stimulus);
        script.done();
        script.add(wire::WaitOp{microseconds(settle_)});
      }
    }
    TH_TRY(run(script));
    if (static_cast<int>(samples_.size()) != blocks) return bug_error("delayed samples were asked for and not given");
    shots_ += static_cast<long>(next - first) * shots;
    std::size_t block = 0;
    for (std::size_t d = first; d < next; ++d) {
      measure::Counts all{};
      for (int i = 0; i < shots / each; ++i) {
        const measure::Counts& c = samples_[block++].channels.at(0).counts;
        all.n = static_cast<std::uint16_t>(all.n + c.n);
        all.sum += c.sum;
        all.sum_of_squares += c.sum_of_squares;
      }
      const double mean = static_cast<double>(all.sum) / all.n;
      squares += std::max(0.0, static_cast<double>(all.sum_of_squares) / all.n - mean * mean);
      w.t_s.push_back(static_cast<double>(delays[d]) * tick_s());
      w.v.push_back(model.offset.value + model.per_count.value * mean);
    }
  }
  // Mean over the window: on the edge itself jitter adds to the noise.
  const double variance = squares / static_cast<double>(delays.size()) * shots / std::max(1, shots - 1);
  w.u_v = std::sqrt((variance + 1.0 / 12.0) / shots) * std::fabs(model.per_count.value);
  w.u_t_s = tick_s() / std::sqrt(12.0);
  return w;
}

Result<Stand::Counted> Stand::count(const Start& start, const std::string& clock, std::uint32_t count, std::uint32_t width, std::uint32_t gap,
                                    int sense, double threshold_v) {
  TH_TRY(configure(start));
  const auto& model = sense_.at(static_cast<std::size_t>(sense));
  const double counts = (threshold_v - model.offset.value) / model.per_count.value;
  Script script;
  TH_TRY(again(start, script));
  wire::PulseOp train = pulse(start, clock, Seconds{width * tick_s()});
  train.count = count;
  train.gap_ticks = gap;
  const auto code = static_cast<std::uint16_t>(std::clamp<long>(std::lround(counts * wire::kThresholdPerCount), 0, wire::kThresholdMax));
  script.add(wire::EdgeCountOp{static_cast<std::uint8_t>(sense), code});
  script.add(wire::WaitOp{200});
  script.add(train);
  script.add(wire::WaitOp{microseconds(settle_)});
  script.add(wire::EdgeCountOp{wire::kCountStop, 0}, wire::edges_result_bytes(0));
  TH_TRY(run(script));
  if (edges_.size() != 1) return bug_error("an edge count was asked for and not given");
  shots_ += count;
  return Counted{static_cast<long>(edges_[0].rises), static_cast<long>(edges_[0].falls)};
}

int Stand::judge(const std::string& output, Bit expected, double volts) const {
  const files::Board& board = plan_.vectors.board;
  const files::Line& line = *board.line(output);
  const bool high = plan::is_high(*board.family_of(line), expected);
  if (const auto known = levels_.find(output); known != levels_.end()) {
    const auto [low_v, high_v] = known->second;
    const double share = (volts - low_v) / (high_v - low_v);
    if (share < kJudgeShare) return high ? 0 : 1;
    if (share > 1.0 - kJudgeShare) return high ? 1 : 0;
    return -1;
  }
  for (const bool level : {false, true}) {
    const auto window = plan::window_for(board, line, files::Step{}, level == plan::is_high(*board.family_of(line), Bit::one) ? Bit::one : Bit::zero);
    if (window && window->contains(Volts{volts})) return level == high ? 1 : 0;
  }
  return -1;
}

void Stand::stimulate(const Start& start, const Stimulus& s, Script& script) const {
  if (s.kind == Stimulus::Kind::pair) {
    wire::PulsePairOp pair;
    pair.active[0] = !rests_high(start, s.line);
    pair.active[1] = !rests_high(start, s.data);
    pair.width_ticks[0] = static_cast<std::uint16_t>(s.width);
    pair.width_ticks[1] = static_cast<std::uint16_t>(s.data_width);
    pair.offset_ticks = static_cast<std::int16_t>(s.offset);
    script.add(pair);
    return;
  }
  wire::PulseOp op = pulse(start, s.line, Seconds{});
  op.width_ticks = s.width;
  op.count = s.count;
  op.gap_ticks = s.count == 1 ? wire::kGapTicksMin : s.gap;
  script.add(op);
}

Result<Tally> Stand::trial(const Start& start, const Stimulus& s, const Levels3& expected, int repeats) {
  TH_TRY(configure(start));
  std::uint64_t senses = 0;
  std::map<int, std::pair<std::string, Bit>> judged;
  for (const auto& [line, bit] : expected) {
    if ((bit != Bit::zero && bit != Bit::one) || sense_of(line) < 0) continue;
    senses |= std::uint64_t{1} << sense_of(line);
    judged[sense_of(line)] = {line, bit};
  }
  if (judged.empty()) return bug_error("a trial without an output to judge");
  const bool delayed = s.look.value > 0.0 && s.count == 1;
  // Delayed samples look at one output a shot.
  const int blocks = delayed ? static_cast<int>(judged.size()) : 1;
  const auto delay = static_cast<std::int16_t>(std::clamp<long>(ticks(s.look.value), wire::kDelayTicksMin, wire::kDelayTicksMax));
  Tally tally;
  while (tally.trials() < repeats) {
    Script script;
    const int now = std::min(std::max(1, kShotsAtOnce / blocks), repeats - tally.trials());
    for (int i = 0; i < now; ++i) {
      for (const auto& [sense, output] : judged) {
        TH_TRY(again(start, script));
        if (delayed) {
          script.glue();
          script.add(wire::DelayedSampleOp{static_cast<std::uint8_t>(sense), delay, 1}, wire::sample_result_bytes(1));
        }
        stimulate(start, s, script);
        if (delayed) script.done();
        script.add(wire::WaitOp{microseconds(settle_)});
        if (delayed) continue;
        script.add(wire::SampleOp{senses, 0, kTrialConversions}, wire::sample_result_bytes(static_cast<std::uint16_t>(judged.size())));
        break;
      }
    }
    TH_TRY(run(script));
    if (static_cast<int>(samples_.size()) != now * blocks) return bug_error("trials were asked for and not sampled");
    for (std::size_t first = 0; first < samples_.size(); first += static_cast<std::size_t>(blocks)) {
      int worst = 1;
      for (std::size_t b = first; b < first + static_cast<std::size_t>(blocks); ++b) worst = verdict_of(samples_[b], judged, worst);
      (worst == 1 ? tally.passes : worst == 0 ? tally.fails : tally.unsure)++;
    }
    shots_ += now * blocks;
  }
  return tally;
}

// Of one block, given that of the blocks before it: 0 fails whatever else was seen, then -1, then 1.
int Stand::verdict_of(const link::SampleBlock& block, const std::map<int, std::pair<std::string, Bit>>& judged, int so_far) const {
  int worst = so_far;
  for (const link::ChannelSample& c : block.channels) {
    const auto found = judged.find(c.index);
    if (c.kind != link::ChannelKind::sense || found == judged.end()) continue;
    const auto& model = sense_.at(static_cast<std::size_t>(c.index));
    const double volts = model.offset.value + model.per_count.value * static_cast<double>(c.counts.sum) / c.counts.n;
    const int verdict = judge(found->second.first, found->second.second, volts);
    worst = verdict == 0 || worst == 0 ? 0 : std::min(worst, verdict);
  }
  return worst;
}

}  // namespace tenterhook::timing
