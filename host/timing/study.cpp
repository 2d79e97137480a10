#include "host/timing/study.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <set>

#include "host/measure/verdict.h"

namespace tenterhook::timing {

namespace {

using files::Bit;
using measure::Verdict;

constexpr int kCrossingShots = 6;
constexpr int kWaveformShots = 4;
constexpr int kWaveformPoints = 88;
constexpr double kSwingLeast = 0.5;             // V; less is no change
constexpr double kBefore = 2.5, kAfter = 6.0;   // of the window round the edge, in transitions
constexpr double kWindowLeast = 2e-6;           // either side at least
constexpr double kSkew = 12e-9;                 // between the two fast lines, 1 sd: like parts (common practice, no source)
constexpr double kComparatorSkew = 10e-9;       // its rising against its falling edge, 1 sd (50 ns class; common practice, no source)
constexpr double kThresholdDoubt = 0.02;        // V, 1 sd: DAC step and hysteresis at the lead
constexpr double kConverterTransition = 1e-6;   // the fastest that the converter's sampling is taken for (fixture's design)
constexpr double kTransitionU = 0.10;           // a transition that is known worse than this is not given
constexpr double kConverterDelayMost = 0.9e-3;  // later ones are beyond the delayed samples
constexpr long kStepsMost = 1 << 14;             // of one search
constexpr int kPathsOfAClock = 4;               // start states for the shortest pulse
constexpr double kApertureReach = 60e-6;        // brackets of set-up and hold
constexpr std::uint32_t kPairLead = 2 * wire::kPairTicksMin;
constexpr long kPeriodLeast = 2 * static_cast<long>(wire::kBurstGapTicksMin);  // of a square train

Verdict judged_at_most(double value, double U, double limit) {
  if (value + U <= limit) return Verdict::pass;
  return value - U > limit ? Verdict::fail : Verdict::unsure;
}

class Runner {
 public:
  Runner(Stand& stand, const plan::Plan& plan, const Found& found, const StudyOptions& options)
      : stand_(stand), plan_(plan), board_(plan.vectors.board), found_(found), o_(options) {}

  Result<Study> run() {
    study_.not_measured = found_.not_measured;
    study_.converter_transition_s = std::max(kConverterTransition, own_transition_s(plan_.fixture.sense.bandwidth.value));
    total_ = static_cast<int>(found_.paths.size());
    TH_TRY(loop());
    // Levels first: trials are judged by them.
    for (const Path& path : found_.paths) TH_TRY(edge(path));
    if (o_.searches) TH_TRY(searches());
    if (o_.counts) TH_TRY(counts());
    if (o_.plot) TH_TRY(plot());
    TH_TRY(stand_.rest());
    judge();
    study_.shots = stand_.shots();
    study_.relay_moves = stand_.relay_moves();
    return study_;
  }

 private:
  void tell(const std::string& what) {
    ++done_;
    if (o_.told) o_.told(what, done_, std::max(done_, total_));
  }

  // ---- the driven edge, as the comparator and the converter see it ----

  Status loop() {
    const LoopBack back = loop_back(plan_);
    if (back.sense < 0) {
      study_.not_measured.push_back("loop-back: no sense channel is free for it; delays count from the controller's pin, with the fixture's own in them");
      return {};
    }
    Path path;
    path.from = path.to = back.line;
    for (const files::Line& line : board_.lines) {
      const bool driven = line.kind == files::LineKind::input || line.kind == files::LineKind::clock;
      if (driven && plan_.hookup.count(line.name)) path.start.inputs.emplace_back(line.name, line.rest == Bit::one ? Bit::one : Bit::zero);
    }
    if (plan_.hookup.at(back.line).kind == "drive") path.start.routed = back.line;
    path.start.fast = true;
    const bool rests = plan::is_high(*board_.family_of(*board_.line(back.line)), board_.line(back.line)->rest == Bit::one ? Bit::one : Bit::zero);
    auto levels = stand_.settled(path, back.sense);
    TH_TRY(levels);
    study_.loop.line = back.line;
    loop_middle_ = 0.5 * (levels->before_v + levels->after_v);
    if (std::fabs(levels->after_v - levels->before_v) < 1.0) {
      study_.not_measured.push_back(fmt::format("loop-back: sense.{} does not follow {}: its lead is missing", back.sense, back.line));
      return {};
    }
    for (const bool trailing : {false, true}) {
      path.trailing = trailing;
      const bool rising = trailing ? rests : !rests;
      auto shots = stand_.crossings(path, back.sense, loop_middle_, rising, kCrossingShots);
      TH_TRY(shots);
      const auto at = instant(*shots, rising, begins(path));
      if (!at) return fixture_error(fmt::format("sense.{}", back.sense), "the comparator sees nothing of the loop-back lead", "check the lead");
      (rising ? study_.loop.rising : study_.loop.falling) = {at->t_s - begins(path), 2.0 * at->u_s};
      if (!o_.waveforms) continue;
      const Levels at_rest{std::min(levels->before_v, levels->after_v), std::max(levels->before_v, levels->after_v), levels->u_v, levels->u_v};
      auto edge = sampled(path, back.sense, at->t_s, 0.0, at_rest);
      TH_TRY(edge);
      if (*edge) driven_transition_s_ = std::max(driven_transition_s_, (*edge)->transition_s);
      if (*edge) (rising ? converter_rising_ : converter_falling_) = Instant{(*edge)->at_50.t_s - begins(path), (*edge)->at_50.u_s};
    }
    study_.loop.measured = true;
    return {};
  }

  double begins(const Path& path) const {
    return path.trailing ? static_cast<double>(stand_.ticks(stand_.pulse_of(path.from).value)) * stand_.tick_s() : 0.0;
  }

  // Mean of the first crossings of a direction; a timer tick stays unknown however often it is repeated.
  std::optional<Instant> instant(const std::vector<Shot>& shots, bool rising, double from_s) const {
    double sum = 0.0, squares = 0.0;
    int n = 0;
    for (const Shot& shot : shots) {
      const auto t = shot.first(rising, from_s - 1e-6);
      if (!t) continue;
      sum += *t;
      squares += *t * *t;
      ++n;
    }
    if (n < (static_cast<int>(shots.size()) + 1) / 2) return std::nullopt;
    const double mean = sum / n, variance = std::max(0.0, squares / n - mean * mean);
    return Instant{mean, std::hypot(std::sqrt(variance / n), stand_.tick_s() / std::sqrt(12.0))};
  }

  // Delayed samples round an instant. `transition_s` as the comparator saw it.
  Result<std::optional<EdgeMeasures>> sampled(const Path& path, int sense, double at_s, double transition_s, const Levels& levels) {
    last_ = Waveform{};
    if (at_s > kConverterDelayMost) return std::optional<EdgeMeasures>{};
    const double from = at_s - std::max(kWindowLeast, kBefore * transition_s), to = at_s + std::max(2.0 * kWindowLeast, kAfter * transition_s);
    const long first = std::max<long>(wire::kDelayTicksMin, stand_.ticks(from)), last = std::min<long>(wire::kDelayTicksMax, stand_.ticks(to));
    const long stride = std::max<long>(1, (last - first + kWaveformPoints - 1) / kWaveformPoints);
    std::vector<long> delays;
    for (long d = first; d <= last; d += stride) delays.push_back(d);
    if (static_cast<int>(delays.size()) < kSamplesLeast) return std::optional<EdgeMeasures>{};
    auto seen = stand_.waveform(path, sense, delays, kWaveformShots);
    TH_TRY(seen);
    last_ = *seen;
    auto measured = measure_edge(last_, levels);
    if (!measured) return std::optional<EdgeMeasures>{};
    return std::optional<EdgeMeasures>(*measured);
  }

  // ---- one path ----

  Status edge(const Path& path) {
    tell(fmt::format("{} to {}", path.from, path.to));
    EdgeResult r;
    r.from = path.from;
    r.to = path.to;
    r.from_high = path.from_high;
    r.to_high = path.to_high;
    r.clocked = path.clocked;
    r.fast_start = path.start.fast;
    const int sense = plan_.hookup.at(path.to).index;
    auto levels = stand_.settled(path, sense);
    TH_TRY(levels);
    r.low_v = std::min(levels->before_v, levels->after_v);
    r.high_v = std::max(levels->before_v, levels->after_v);
    const double swing = r.high_v - r.low_v;
    const bool follows = swing > kSwingLeast && (levels->after_v > levels->before_v) == path.to_high;
    if (!follows) {
      TH_TRY(why_not(path, sense, *levels, r));
      study_.edges.push_back(r);
      return {};
    }
    stand_.know(path.to, r.low_v, r.high_v);
    if (!o_.edges) return {};
    auto instants = by_comparator(path, sense, *levels, r);
    TH_TRY(instants);
    if (!r.delay) {
      study_.edges.push_back(r);
      return {};
    }
    TH_TRY(by_converter(path, sense, *levels, *instants, r));
    study_.edges.push_back(r);
    return {};
  }

  // Does it stand still, or go and come back?
  Status why_not(const Path& path, int sense, const Stand::Settled& levels, EdgeResult& r) {
    r.note = fmt::format("{} does not follow: {:.2f} V before, {:.2f} V after", path.to, levels.before_v, levels.after_v);
    const auto middle = middle_of(path.to);
    if (!middle) return {};
    auto shots = stand_.crossings(path, sense, *middle, path.to_high, 1);
    TH_TRY(shots);
    const long changes = static_cast<long>(shots->front().rises) + shots->front().falls;
    if (changes > 1) r.note += fmt::format("; in between it changed {} times: it steps more than once", changes);
    return {};
  }

  // 10, 50 and 90 % of the way; the middle one against the loop-back's.
  Result<std::vector<Instant>> by_comparator(const Path& path, int sense, const Stand::Settled& levels, EdgeResult& r) {
    std::vector<Instant> found;
    const double way = levels.after_v - levels.before_v;
    for (const double share : {0.1, 0.5, 0.9}) {
      auto shots = stand_.crossings(path, sense, levels.before_v + share * way, path.to_high, kCrossingShots);
      TH_TRY(shots);
      const auto at = instant(*shots, path.to_high, begins(path));
      if (!at) {
        r.note = fmt::format("the comparator sees no {} edge of {}", path.to_high ? "rising" : "falling", path.to);
        return found;
      }
      found.push_back(*at);
      if (share == 0.5) note_bounces(path, *shots, at->t_s, r);
    }
    const double slope = std::fabs(0.8 * way) / std::max(found[2].t_s - found[0].t_s, stand_.tick_s());
    for (Instant& at : found) at.u_s = std::hypot(at.u_s, std::hypot(kThresholdDoubt, levels.u_v) / slope);
    const Figure& driven = path.from_high ? study_.loop.rising : study_.loop.falling;
    const bool own = study_.loop.measured && path.from == study_.loop.line;
    const double u_driven = study_.loop.measured ? std::hypot(0.5 * driven.U, own ? 0.0 : kSkew) : 100e-9;
    const double u = std::hypot(found[1].u_s, std::hypot(u_driven, kComparatorSkew));
    r.delay = Figure{found[1].t_s - begins(path) - driven.value, 2.0 * u};
    r.transition = Figure{found[2].t_s - found[0].t_s, 2.0 * std::hypot(found[0].u_s, found[2].u_s)};
    r.transition_by = "comparator";
    return found;
  }

  void note_bounces(const Path& path, const std::vector<Shot>& shots, double first_s, EdgeResult& r) const {
    for (const Shot& shot : shots) {
      int n = 0;
      double last = first_s;
      for (const auto& e : shot.edges) {
        // What the pulse's end does to a gate is another edge.
        if (!path.clocked && !path.trailing && e.t_s >= stand_.pulse_of(path.from).value) break;
        if (e.t_s < begins(path) - 1e-6) continue;
        ++n;
        last = std::max(last, e.t_s);
      }
      r.edges_a_shot = std::max(r.edges_a_shot, n);
      if (n > 1) r.settles_s = std::max(r.settles_s, last - begins(path));
    }
  }

  Status by_converter(const Path& path, int sense, const Stand::Settled& levels, const std::vector<Instant>& instants, EdgeResult& r) {
    const auto& driven = path.from_high ? converter_rising_ : converter_falling_;
    std::optional<EdgeMeasures> measured;
    if (o_.waveforms && path.start.fast) {
      const Levels known{r.low_v, r.high_v, levels.u_v, levels.u_v};
      auto sample = sampled(path, sense, instants[1].t_s, r.transition->value, known);
      TH_TRY(sample);
      measured = *sample;
      r.waveform = last_;
      for (double& t : r.waveform.t_s) t -= begins(path);
    }
    if (measured && driven) {
      const double u = std::hypot(std::hypot(measured->at_50.u_s, driven->u_s), path.from == study_.loop.line ? 0.0 : kSkew);
      r.delay_converter = Figure{measured->at_50.t_s - begins(path) - driven->t_s, 2.0 * u};
      r.agree = std::fabs(r.delay->value - r.delay_converter->value) <= std::hypot(r.delay->U, r.delay_converter->U);
    }
    if (measured) r.overshoot_percent = measured->overshoot_percent;
    if (measured && measured->samples_inside >= kInsideLeast && measured->transition_s >= study_.converter_transition_s) {
      // Lags in a row add in quadrature, nearly: what driver and front end add is taken off, and doubted by its half.
      const double seen = measured->transition_s;
      const double own = std::sqrt(std::max(0.0, seen * seen - driven_transition_s_ * driven_transition_s_));
      r.transition = Figure{own, 2.0 * std::hypot(measured->u_transition_s, 0.5 * (seen - own))};
      r.transition_by = "converter";
    }
    if (r.transition->U > kTransitionU * r.transition->value) {
      r.transition_below_s = r.transition->value + r.transition->U;
      r.note = fmt::format("{}: faster than the timer resolves", edge_word(r));
      r.transition.reset();
      r.transition_by.clear();
    }
    return {};
  }

  static std::string edge_word(const EdgeResult& r) { return fmt::format("{} {}", r.to, r.to_high ? "rising" : "falling"); }

  // ---- searches ----

  Trial through(const std::string& kind, Trial trial) const { return o_.through ? o_.through(kind, std::move(trial)) : trial; }

  // Between two widths in ticks; in coarser steps where the range is wide (relays).
  Status search_for(LimitResult r, const Trial& in_ticks, long good, long bad) {
    const long stride = std::max(1L, std::labs(good - bad) / kStepsMost);
    const double step_s = static_cast<double>(stride) * stand_.tick_s();
    SearchOptions so;
    so.good = good / stride;
    so.bad = bad > 0 ? (bad + stride - 1) / stride : bad / stride;
    const Trial trial = [&](long x, int n) { return in_ticks(x * stride, n); };
    so.repeats = o_.repeats;
    so.sweeps = o_.sweeps;
    so.scan = o_.scan;
    tell(fmt::format("{} of {}", r.kind, r.what));
    auto found = search(through(r.kind, trial), so);
    TH_TRY(found);
    r.search = *found;
    r.resolution_s = step_s;
    r.bracket_s[0] = static_cast<double>(so.good) * step_s;
    r.bracket_s[1] = static_cast<double>(so.bad) * step_s;
    r.value.value = static_cast<double>(found->edge) * step_s;
    // The edge lies within a step beyond what passed; and the two fast lines differ a little.
    r.value.U = std::hypot(r.resolution_s, r.data.empty() ? 0.0 : 2.0 * kSkew);
    using State = SearchResult::State;
    if (found->state == State::never_passes) r.note = "it does not even work at " + text(Seconds{r.bracket_s[0]});
    if (found->state == State::never_fails) r.note = "it works down to the fixture's own limit of " + text(Seconds{r.bracket_s[1]});
    if (found->state == State::unsettled) r.note = "it still fails now and then";
    study_.limits.push_back(r);
    return {};
  }

  Status searches() {
    TH_TRY(widths());
    for (const Aperture& a : found_.apertures) TH_TRY(aperture(a));
    for (const Train& t : found_.trains) TH_TRY(train(t));
    return {};
  }

  static Stimulus one_pulse(const std::string& line, long width) {
    Stimulus s;
    s.line = line;
    s.width = static_cast<std::uint32_t>(width);
    return s;
  }

  Status widths() {
    std::map<std::string, std::set<std::string>> done;
    for (const Path& path : found_.paths) {
      auto& patterns = done[path.from];
      const std::string key = fmt::format("{}{}", path.to, path.to_high);
      if (!path.clocked || !path.start.fast || static_cast<int>(patterns.size()) >= kPathsOfAClock || !patterns.insert(key).second) continue;
      LimitResult r;
      r.kind = "pulse width";
      r.what = fmt::format("{}, {} {}", path.from, path.to, path.to_high ? "rising" : "falling");
      r.clock = path.from;
      const auto trial = [this, &path](long x, int n) {
        return stand_.trial(path.start, one_pulse(path.from, x), path.after, n);
      };
      TH_TRY(search_for(r, trial, stand_.ticks(stand_.pulse_of(path.from).value), wire::kPulseTicksMin));
    }
    return {};
  }

  static Stimulus pair_of(const Aperture& a, bool setup, long x) {
    Stimulus s;
    s.kind = Stimulus::Kind::pair;
    s.line = a.clock;
    s.data = a.data;
    s.width = wire::kPairTicksMin;
    if (setup) {  // data comes x ticks before the clock and outlasts it by far
      s.offset = static_cast<std::int32_t>(-x);
      s.data_width = static_cast<std::uint32_t>(kPairLead + x + wire::kPairTicksMin);
    } else {      // data has been there for long and goes x ticks after the clock
      s.offset = -static_cast<std::int32_t>(kPairLead);
      s.data_width = static_cast<std::uint32_t>(static_cast<long>(kPairLead) + x);
    }
    return s;
  }

  Status aperture(const Aperture& a) {
    for (const bool setup : {true, false}) {
      LimitResult r;
      r.kind = setup ? "set-up" : "hold";
      // For hold it is data's return that counts.
      r.what = fmt::format("{} {} to {}", a.data, (setup ? a.data_high : !a.data_high) ? "rising" : "falling", a.clock);
      r.clock = a.clock;
      r.data = a.data;
      r.data_high = setup ? a.data_high : !a.data_high;
      const auto trial = [this, &a, setup](long x, int n) { return stand_.trial(a.start, pair_of(a, setup, x), a.taken, n); };
      const long reach = stand_.ticks(std::max(kApertureReach, 2.0 * stand_.settle().value));
      const long good = std::min<long>(reach, wire::kPairOffsetMax - wire::kPairTicksMin);
      const long bad = -std::min<long>(good, setup ? good : static_cast<long>(kPairLead) - wire::kPairTicksMin);
      TH_TRY(search_for(r, trial, good, bad));
    }
    return {};
  }

  // Every length of the train must come out right: what fails in any of them failed.
  Result<Tally> train_trial(const Train& t, long period, long width, int n) {
    Tally all{n, 0, 0};
    for (const Train::Run& run : t.runs) {
      auto tally = stand_.trial(t.start, burst_of(t, run.pulses, period, width), run.after, n);
      TH_TRY(tally);
      all.fails += tally->fails;
      all.unsure += tally->unsure;
    }
    all.fails = std::min(all.fails, n);
    all.unsure = std::min(all.unsure, n - all.fails);
    all.passes = n - all.fails - all.unsure;
    return all;
  }

  static Stimulus burst_of(const Train& t, int pulses, long period, long width) {
    Stimulus s;
    s.kind = Stimulus::Kind::burst;
    s.line = t.clock;
    s.count = static_cast<std::uint32_t>(pulses);
    s.width = static_cast<std::uint32_t>(width);
    s.gap = static_cast<std::uint32_t>(period - width);
    return s;
  }

  Status train(const Train& t) {
    LimitResult r;
    r.kind = "clock period";
    r.what = t.pattern.empty() ? t.clock : fmt::format("{} with {}", t.clock, t.pattern);
    r.clock = t.clock;
    const auto trial = [this, &t](long x, int n) { return train_trial(t, x, x / 2, n); };
    return search_for(r, trial, 2 * stand_.ticks(stand_.pulse_of(t.clock).value), kPeriodLeast);
  }

  // ---- counted edges ----

  Status counts() {
    std::set<std::string> done;
    for (const Train& t : found_.trains) {
      if (!done.insert(t.clock).second) continue;
      tell(fmt::format("counting edges of {}", t.clock));
      const auto width = static_cast<std::uint32_t>(stand_.ticks(stand_.pulse_of(t.clock).value));
      CountResult source;
      source.clock = t.clock;
      source.pulses = source.expected = o_.pulses;
      const LoopBack back = loop_back(plan_);
      const bool seen = study_.loop.measured && back.line == t.clock;
      if (seen) TH_TRY(count_source(t, back.sense, width, source));
      for (const auto& [line, rises] : t.rises) {
        const auto middle = middle_of(line);
        if (!middle || rises == 0) continue;
        CountResult r;
        r.clock = t.clock;
        r.output = line;
        r.pulses = t.runs.front().pulses;
        r.expected = rises;
        auto counted = stand_.count(t.start, t.clock, static_cast<std::uint32_t>(r.pulses), width, std::max(width, wire::kGapTicksMin),
                                    plan_.hookup.at(line).index, *middle);
        TH_TRY(counted);
        r.rises = counted->rises;
        r.good = r.rises == r.expected;
        r.finding = r.good                        ? "as expected"
                    : r.rises < r.expected        ? "edges lost: it does not take every pulse"
                    : !seen || source.good        ? "double-stepping: the clock came once, the output changed more often"
                                                  : "changes more often because its source bounces";
        study_.counts.push_back(r);
      }
    }
    return {};
  }

  Status count_source(const Train& t, int sense, std::uint32_t width, CountResult& source) {
    auto counted = stand_.count(t.start, t.clock, o_.pulses, width, std::max(width, wire::kGapTicksMin), sense, loop_middle_);
    TH_TRY(counted);
    source.rises = counted->rises;
    source.good = source.rises == source.expected;
    source.finding = source.good ? "as expected" : source.rises > source.expected ? "bouncing source: more edges arrive than pulses are made" : "edges lost on the way";
    study_.counts.push_back(source);
    return {};
  }

  // Between an output's levels, as measured or as its family gives them.
  std::optional<double> middle_of(const std::string& line) const {
    for (const EdgeResult& e : study_.edges) {
      if (e.to == line && e.high_v - e.low_v > kSwingLeast) return 0.5 * (e.low_v + e.high_v);
    }
    const files::Family* family = board_.family_of(*board_.line(line));
    if (family == nullptr) return std::nullopt;
    const files::LevelWindows windows = family->judged();
    if (!windows.low || !windows.high) return std::nullopt;
    return 0.5 * (windows.low->max.value + windows.high->min.value);
  }

  // ---- plot ----

  const LimitResult* found_limit(const std::string& kind) const {
    for (const LimitResult& l : study_.limits) {
      if (l.kind == kind) return &l;
    }
    return nullptr;
  }

  static bool read_time(const std::string& text, double& value) {
    char* end = nullptr;
    value = std::strtod(text.c_str(), &end);
    if (end == text.c_str() || !std::isfinite(value)) return false;
    std::string unit(end);
    std::erase(unit, ' ');
    for (const auto& [name, scale] : {std::pair{"ns", 1e-9}, std::pair{"us", 1e-6}, std::pair{"ms", 1e-3}, std::pair{"s", 1.0}}) {
      if (unit != name) continue;
      value *= scale;
      return true;
    }
    return false;
  }
  static bool read_range(const std::string& text, double& from, double& to) {
    const std::size_t dots = text.find("..");
    return dots != std::string::npos && read_time(text.substr(0, dots), from) && read_time(text.substr(dots + 2), to) && from < to;
  }

  // "width", or "width 10us..60us".
  Result<Axis> axis_of(const std::string& asked) const {
    const std::string name = asked.substr(0, asked.find(' '));
    Axis axis{name, "s", {}, {}};
    double from = 0.0, to = 0.0;
    auto edge = [&](const std::string& kind, double otherwise) {
      const LimitResult* l = found_limit(kind);
      return l != nullptr && l->search.state == SearchResult::State::found ? l->value.value : otherwise;
    };
    const double tick = stand_.tick_s();
    if (name == "period") {
      const double at = std::max(edge("clock period", 20e-6), kPeriodLeast * tick);
      from = 0.5 * at, to = 1.8 * at;
    } else if (name == "width") {
      const double at = edge("pulse width", 5e-6);
      from = 0.3 * at, to = 2.2 * at;
    } else if (name == "offset") {
      const double setup = edge("set-up", 2e-6), hold = edge("hold", 0.0);
      from = -2.0 * std::max(setup, 1e-6), to = std::max(hold, 0.0) + std::max(setup, 1e-6);
    } else if (name == "settle") {
      double slowest = 5e-6;
      for (const EdgeResult& e : study_.edges) {
        if (e.delay) slowest = std::max(slowest, e.delay->value + (e.transition ? e.transition->value : 0.0));
      }
      from = 0.0, to = 3.0 * slowest;
    } else if (name == "rail") {
      return input_error("--shmoo rail", "this fixture cannot set the volts of a rail", "vary the supply by hand and plot once for each setting");
    } else {
      return input_error("--shmoo " + name, fmt::format("'{}' is no axis", name), "axes: period, width, offset, settle");
    }
    if (name != asked && !read_range(asked.substr(name.size()), from, to)) {
      return input_error("--shmoo '" + asked + "'", "expected a name, or a name and a range of times", "write 'width 10us..60us'");
    }
    std::set<long> steps;
    for (int i = 0; i < o_.plot_points; ++i) {
      const long step = std::lround((from + (to - from) * i / std::max(1, o_.plot_points - 1)) / tick);
      if (steps.insert(step).second) axis.values.push_back(static_cast<double>(step) * tick);
    }
    return axis;
  }

  Status plot() {
    auto x = axis_of(o_.plot->first);
    TH_TRY(x);
    auto y = axis_of(o_.plot->second);
    TH_TRY(y);
    const std::set<std::string> names{x->name, y->name};
    const bool pair = names.count("offset") > 0, settles = names.count("settle") > 0;
    const std::string option = fmt::format("--shmoo {},{}", x->name, y->name);
    if (names.size() < 2 || (names.count("period") > 0 && (pair || settles))) {
      return input_error(option, "these two are not varied together", "take period with width, settle with width or offset, or offset with width");
    }
    if (pair ? plot_aperture(settles) == nullptr : settles ? plot_path() == nullptr : found_.trains.empty()) {
      return input_error(option, "the board has no such path on a fast line", pair || settles ? "" : "take settle and width");
    }
    for (const LimitResult& l : study_.limits) {
      for (Axis* a : {&*x, &*y}) {
        if (l.judged.limit && ((a->name == "width" && l.kind == "pulse width") || (a->name == "period" && l.kind == "clock period"))) a->limit = *l.judged.limit;
      }
    }
    std::string title;
    const CellTrial cell = [&](double vx, double vy) { return one_cell(x->name, vx, y->name, vy); };
    if (pair) {
      const Aperture& a = *plot_aperture(settles);
      title = fmt::format("{}: {} {} against {}", board_.name, a.data, a.data_high ? "rising" : "falling", a.clock);
    } else if (settles) {
      title = fmt::format("{}: one pulse of {}, looked at so long after its edge", board_.name, plot_path()->from);
    } else {
      const Train& t = *plot_train();
      title = fmt::format("{}: {} to {} pulses of {}{}", board_.name, t.runs.front().pulses, t.runs.back().pulses, t.clock, t.pattern.empty() ? "" : " with " + t.pattern);
    }
    auto drawn = shmoo(title, *x, *y, cell, [this](int done, int total) {
      if (o_.told) o_.told("plot", done, total);
    });
    TH_TRY(drawn);
    study_.plot = *drawn;
    return {};
  }

  const Train* plot_train() const { return found_.trains.empty() ? nullptr : &found_.trains.front(); }
  // An early look needs a start in which what is to be taken does not stand already.
  const Aperture* plot_aperture(bool early) const {
    for (const Aperture& a : found_.apertures) {
      if (a.apart || !early) return &a;
    }
    return nullptr;
  }
  const Path* plot_path() const {
    for (const Path& p : found_.paths) {
      if (p.clocked && !p.trailing && p.start.fast) return &p;
    }
    return nullptr;
  }

  Result<Tally> one_cell(const std::string& nx, double vx, const std::string& ny, double vy) {
    auto of = [&](const std::string& name, double otherwise) { return nx == name ? vx : ny == name ? vy : otherwise; };
    const bool settles = nx == "settle" || ny == "settle", wide = nx == "width" || ny == "width";
    const Trial trial = [&](long, int n) -> Result<Tally> {
      const Seconds look{settles ? std::max(of("settle", 0.0), stand_.tick_s()) : 0.0};
      if (nx == "offset" || ny == "offset") {
        const Aperture& a = *plot_aperture(settles);
        Stimulus s = pair_of(a, true, stand_.ticks(-of("offset", 0.0)));
        s.width = static_cast<std::uint32_t>(stand_.ticks(of("width", wire::kPairTicksMin * stand_.tick_s())));
        s.look = look;
        if (s.width < wire::kPairTicksMin || s.width > wire::kPairTicksMax) return Tally{};
        return stand_.trial(a.start, s, a.taken, n);
      }
      if (settles) {
        const Path& path = *plot_path();
        Stimulus s = one_pulse(path.from, stand_.ticks(of("width", stand_.pulse_of(path.from).value)));
        s.look = look;
        return s.width < wire::kPulseTicksMin ? Result<Tally>(Tally{}) : stand_.trial(path.start, s, path.after, n);
      }
      const Train& t = *plot_train();
      const long period = stand_.ticks(of("period", 2.0 * stand_.pulse_of(t.clock).value));
      const long width = wide ? stand_.ticks(of("width", 0.0)) : period / 2;
      const bool made = width >= static_cast<long>(wire::kPulseTicksMin) && period - width >= static_cast<long>(wire::kBurstGapTicksMin);
      return made ? train_trial(t, period, width, n) : Result<Tally>(Tally{});
    };
    return through("plot", trial)(0, o_.plot_repeats);
  }

  // ---- limits of the board file ----

  void judge() {
    for (EdgeResult& e : study_.edges) {
      for (const files::PathLimit& l : board_.limits) {
        if (l.from == e.from && l.to == e.to) e.delay_judged.limit = l.at_most.value;
      }
      for (const files::TimingLimit& l : board_.timing) {
        if (l.kind == files::TimingLimit::Kind::transition && l.line == e.to) e.transition_judged.limit = l.value;
      }
      auto decide = [this](Judged& j, const std::optional<Figure>& figure) {
        if (!j.limit) return;
        j.verdict = figure ? judged_at_most(figure->value, figure->U, *j.limit) : Verdict::unsure;
        study_.verdict = measure::worst(study_.verdict, j.verdict);
      };
      decide(e.delay_judged, e.delay);
      // An edge too fast to be resolved is quick enough for any limit above that.
      if (!e.transition && e.transition_below_s > 0.0 && e.transition_judged.limit && *e.transition_judged.limit >= e.transition_below_s) {
        e.transition_judged.verdict = Verdict::pass;
        study_.verdict = measure::worst(study_.verdict, Verdict::pass);
      } else {
        decide(e.transition_judged, e.transition);
      }
    }
    for (LimitResult& l : study_.limits) judge(l);
  }

  void judge(LimitResult& l) {
    using Kind = files::TimingLimit::Kind;
    using State = SearchResult::State;
    for (const files::TimingLimit& t : board_.timing) {
      const bool data = (t.kind == Kind::setup && l.kind == "set-up") || (t.kind == Kind::hold && l.kind == "hold");
      if (data && t.line == l.data && t.clock == l.clock) l.judged.limit = t.value;
      if (t.kind == Kind::width && l.kind == "pulse width" && t.line == l.clock) l.judged.limit = t.value;
      if (t.kind == Kind::rate && l.kind == "clock period" && t.line == l.clock) l.judged.limit = 1.0 / t.value;
    }
    if (!l.judged.limit) return;
    if (l.search.state == State::never_passes) {
      l.judged.verdict = Verdict::fail;
    } else if (l.search.state == State::never_fails) {
      l.judged.verdict = l.value.value <= *l.judged.limit ? Verdict::pass : Verdict::unsure;
    } else {
      // What was seen to pass at the limit's side is a pass; the step that fails lies just beyond it.
      l.judged.verdict = l.value.value <= *l.judged.limit ? Verdict::pass : judged_at_most(l.value.value, l.value.U, *l.judged.limit);
      if (l.search.state == State::unsettled) l.judged.verdict = measure::worst(l.judged.verdict, Verdict::unsure);
      const bool holed = std::any_of(l.search.holes.begin(), l.search.holes.end(), [](const Hole& h) { return !h.passes; });
      if (holed) l.judged.verdict = Verdict::fail;  // it fails inside the region that the limit promises
    }
    study_.verdict = measure::worst(study_.verdict, l.judged.verdict);
  }

  Stand& stand_;
  const plan::Plan& plan_;
  const files::Board& board_;
  const Found& found_;
  const StudyOptions& o_;
  Study study_;
  double driven_transition_s_ = 0.0;  // of the loop-back by the converter: driver and front end together
  std::optional<Instant> converter_rising_, converter_falling_;
  double loop_middle_ = 0.0;  // V
  Waveform last_;
  int done_ = 0, total_ = 0;
};

}  // namespace

Result<Study> study(Stand& stand, const plan::Plan& plan, const Found& found, const StudyOptions& options) {
  return Runner(stand, plan, found, options).run();
}

}  // namespace tenterhook::timing
