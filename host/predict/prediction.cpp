#include "host/predict/prediction.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "host/predict/expression.h"
#include "host/predict/sampling.h"

namespace tenterhook::predict {
namespace {

constexpr std::size_t kCornerQuantitiesMax = 6;   // 64 corners
constexpr std::size_t kSearchQuantitiesMax = 40;  // those that matter most are searched
constexpr int kReceiversMax = 8;
constexpr double kWindowStep = 0.1;  // windows are widened to this, volts
constexpr double kEdgeStep = 1e-8;   // and edges to this, seconds
constexpr std::size_t kBenchSpecimensMax = 500;

std::string bits_of(unsigned state, std::size_t inputs) {
  std::string out(inputs, '0');
  for (std::size_t i = 0; i < inputs; ++i) {
    if ((state >> (inputs - 1 - i) & 1u) != 0) out[i] = '1';
  }
  return out;
}

double quantile(const std::vector<double>& sorted, double p) {
  const double at = p * static_cast<double>(sorted.size() - 1);
  const auto i = static_cast<std::size_t>(at);
  if (i + 1 >= sorted.size()) return sorted.back();
  return sorted[i] + (at - static_cast<double>(i)) * (sorted[i + 1] - sorted[i]);
}

// Volts of every output (second index) in every state (first) of one specimen.
using StateVolts = std::vector<std::vector<double>>;

// What every input is given: what the settings say, or what the bench gives.
enum class Place { circuit, bench };

double level_of(const Input& in, bool one, const std::vector<double>& values) {
  const int varied = one ? in.high_varied : in.low_varied;
  return varied >= 0 ? values[static_cast<std::size_t>(varied)] : (one ? in.high : in.low).value;
}

class Bench {
 public:
  Bench(const Question& q, Simulator& s) : q_(q), simulator_(s) {
    for (const Output& o : q.settings.outputs) nodes_.push_back(o.node);
  }

  unsigned states() const { return 1u << q_.settings.inputs.size(); }

  Result<std::vector<double>> levels(unsigned state, const std::vector<double>& values,
                                     const std::vector<std::string>& cards = {},
                                     Place place = Place::circuit) {
    Changes c;
    apply(q_.settings.varied, values, c);
    const auto& inputs = q_.settings.inputs;
    for (std::size_t i = 0; i < inputs.size(); ++i) {
      const bool one = (state >> (inputs.size() - 1 - i) & 1u) != 0;
      const Volts alone = one ? inputs[i].bench_high : inputs[i].bench_low;
      c.sources[inputs[i].source] =
          place == Place::bench ? alone.value : level_of(inputs[i], one, values);
    }
    c.cards = cards;
    auto flat = q_.netlist.flatten(c);
    if (!flat) return flat.error();
    auto solved = simulator_.solve(*flat, nodes_, "op");
    if (!solved) return named(solved.error(), state, values);
    std::vector<double> out;
    for (const auto& v : solved->vectors) out.push_back(v[0]);
    return out;
  }

  Result<StateVolts> all(const std::vector<double>& values, Place place = Place::circuit) {
    StateVolts out;
    for (unsigned state = 0; state < states(); ++state) {
      auto v = levels(state, values, {}, place);
      if (!v) return v.error();
      out.push_back(v.take());
    }
    return out;
  }

  const Question& question() const { return q_; }
  Simulator& simulator() { return simulator_; }

  Error named(Error e, unsigned state, const std::vector<double>& values) const {
    std::string where = q_.netlist.path() + ", inputs " + bits_of(state, q_.settings.inputs.size());
    int listed = 0;
    for (std::size_t i = 0; i < values.size() && listed < 4; ++i, ++listed) {
      where += fmt::format(", {}={:.4g}", q_.settings.varied[i].name, values[i]);
    }
    e.where = where;
    return e;
  }

 private:
  const Question& q_;
  Simulator& simulator_;
  std::vector<std::string> nodes_;
};

// Where a low ends and a high begins: half-way between the family's needs, or in the middle of the
// widest gap between nominal levels.
double threshold_of(const Settings& s, const StateVolts& nominal) {
  if (s.needs.low && s.needs.high) return (s.needs.low->max.value + s.needs.high->min.value) / 2.0;
  std::vector<double> all;
  for (const auto& state : nominal) all.insert(all.end(), state.begin(), state.end());
  std::sort(all.begin(), all.end());
  double widest = -1.0, at = all.front() - 1.0;
  for (std::size_t i = 1; i < all.size(); ++i) {
    if (all[i] - all[i - 1] > widest) {
      widest = all[i] - all[i - 1];
      at = (all[i] + all[i - 1]) / 2.0;
    }
  }
  return at;
}

void statistics(std::vector<double> v, double share, Levels& out) {
  std::sort(v.begin(), v.end());
  double mean = 0.0, squares = 0.0, n = 0.0;
  for (double x : v) {
    n += 1.0;
    const double d = x - mean;
    mean += d / n;
    squares += d * (x - mean);
  }
  out.min = v.front();
  out.max = v.back();
  out.mean = mean;
  out.deviation = v.size() > 1 ? std::sqrt(squares / (n - 1.0)) : 0.0;
  out.from = quantile(v, (1.0 - share) / 2.0);
  out.to = quantile(v, (1.0 + share) / 2.0);
}

// Swing of every quantity from limit to limit: [quantity][0 at the lower, 1 at the upper limit].
using Swings = std::vector<std::array<StateVolts, 2>>;

Result<Swings> swings(Bench& bench) {
  const auto& varied = bench.question().settings.varied;
  const std::vector<double> nominal = nominal_values(varied);
  Swings out;
  for (std::size_t i = 0; i < varied.size(); ++i) {
    std::array<StateVolts, 2> ends;
    for (int end = 0; end < 2; ++end) {
      std::vector<double> values = nominal;
      values[i] += (end == 0 ? -1.0 : 1.0) * varied[i].limit();
      auto v = bench.all(values);
      if (!v) return v.error();
      ends[static_cast<std::size_t>(end)] = v.take();
    }
    out.push_back(std::move(ends));
  }
  return out;
}

bool is_part(const Varied& v) {
  return v.what == Varied::What::factor || v.what == Varied::What::instance;
}

// All quantities (on the bench: all parts) at the limit that pushes the level furthest, then each tried
// the other way.
Result<double> worst_case(Bench& bench, const Swings& swing, unsigned state, std::size_t output,
                          bool up, Place place = Place::circuit) {
  const auto& varied = bench.question().settings.varied;
  std::vector<double> values = nominal_values(varied);
  std::vector<std::pair<double, std::size_t>> order;
  for (std::size_t i = 0; i < varied.size(); ++i) {
    if (place == Place::bench && !is_part(varied[i])) continue;
    const double slope = swing[i][1][state][output] - swing[i][0][state][output];
    values[i] += (slope > 0.0) == up ? varied[i].limit() : -varied[i].limit();
    order.push_back({std::fabs(slope), i});
  }
  auto best = bench.levels(state, values, {}, place);
  if (!best) return best.error();
  double level = (*best)[output];
  std::sort(order.begin(), order.end(), std::greater<>());
  if (order.size() > kSearchQuantitiesMax) order.resize(kSearchQuantitiesMax);
  for (const auto& [slope, i] : order) {
    std::vector<double> flipped = values;
    flipped[i] = 2.0 * varied[i].nominal - flipped[i];
    auto v = bench.levels(state, flipped, {}, place);
    if (!v) return v.error();
    if (up ? (*v)[output] > level : (*v)[output] < level) {
      level = (*v)[output];
      values = flipped;
    }
  }
  return level;
}

// Supplies, other parameters and temperature at their limits, in all combinations.
Status corners(Bench& bench, const StateVolts& nominal, std::vector<OutputPrediction>& outputs) {
  const auto& varied = bench.question().settings.varied;
  std::vector<std::size_t> chosen;
  for (std::size_t i = 0; i < varied.size() && chosen.size() < kCornerQuantitiesMax; ++i) {
    const bool common =
        varied[i].what == Varied::What::parameter || varied[i].what == Varied::What::celsius;
    if (common) chosen.push_back(i);
  }
  for (std::size_t o = 0; o < outputs.size(); ++o) {
    for (unsigned state = 0; state < bench.states(); ++state) {
      outputs[o].states[state].corner_from = outputs[o].states[state].corner_to = nominal[state][o];
    }
  }
  for (unsigned corner = 0; !chosen.empty() && corner < 1u << chosen.size(); ++corner) {
    std::vector<double> values = nominal_values(varied);
    for (std::size_t i = 0; i < chosen.size(); ++i) {
      const double limit = varied[chosen[i]].limit();
      values[chosen[i]] += (corner >> i & 1u) != 0 ? limit : -limit;
    }
    auto v = bench.all(values);
    if (!v) return v.error();
    for (std::size_t o = 0; o < outputs.size(); ++o) {
      for (unsigned state = 0; state < bench.states(); ++state) {
        Levels& l = outputs[o].states[state];
        l.corner_from = std::min(l.corner_from, (*v)[state][o]);
        l.corner_to = std::max(l.corner_to, (*v)[state][o]);
      }
    }
  }
  return {};
}

void widen(std::optional<Levels>& total, const Levels& l) {
  if (!total) {
    total = l;
    total->state.clear();
    return;
  }
  total->min = std::min(total->min, l.min);
  total->max = std::max(total->max, l.max);
  total->from = std::min(total->from, l.from);
  total->to = std::max(total->to, l.to);
  total->worst_from = std::min(total->worst_from, l.worst_from);
  total->worst_to = std::max(total->worst_to, l.worst_to);
  total->corner_from = std::min(total->corner_from, l.corner_from);
  total->corner_to = std::max(total->corner_to, l.corner_to);
}

void margins(const files::LevelWindows& needs, OutputPrediction& out) {
  if (out.low && needs.low) {
    out.margin_low =
        std::min(needs.low->max.value - out.low->to, out.low->from - needs.low->min.value);
  }
  if (out.high && needs.high) {
    out.margin_high =
        std::min(out.high->from - needs.high->min.value, needs.high->max.value - out.high->to);
  }
}

void sensitivities(const Settings& s, const Swings& swing, std::size_t output,
                   OutputPrediction& out) {
  for (std::size_t i = 0; i < s.varied.size(); ++i) {
    Sensitivity row;
    row.quantity = s.varied[i].name;
    for (std::size_t state = 0; state < out.states.size(); ++state) {
      const double volts = swing[i][1][state][output] - swing[i][0][state][output];
      double& kept = out.states[state].high ? row.high_volts : row.low_volts;
      if (std::fabs(volts) > std::fabs(kept)) kept = volts;
    }
    out.sensitivities.push_back(row);
  }
  std::stable_sort(out.sensitivities.begin(), out.sensitivities.end(),
                   [](const Sensitivity& a, const Sensitivity& b) {
                     return std::max(std::fabs(a.low_volts), std::fabs(a.high_volts)) >
                            std::max(std::fabs(b.low_volts), std::fabs(b.high_volts));
                   });
}

// Receivers drawn as current sources at the output; the windows move with the nominal level.
Status fan_out(Bench& bench, const StateVolts& nominal, std::vector<OutputPrediction>& outputs) {
  const Settings& s = bench.question().settings;
  if (!s.fan_out) return {};
  for (std::size_t o = 0; o < outputs.size(); ++o) {
    OutputPrediction& out = outputs[o];
    for (int n = 0; n <= kReceiversMax; ++n) {
      FanOutPoint point;
      point.receivers = n;
      double sag_low = 0.0, sag_high = 0.0;
      point.low = -std::numeric_limits<double>::infinity();
      point.high = std::numeric_limits<double>::infinity();
      for (unsigned state = 0; state < bench.states(); ++state) {
        const bool high = out.states[state].high;
        const double amps = n * (high ? s.fan_out->high.value : -s.fan_out->low.value);
        auto v = bench.levels(state, nominal_values(s.varied),
                              {fmt::format("ifanout {} 0 dc {}", s.outputs[o].node, plain(amps))});
        if (!v) return v.error();
        const double shift = (*v)[o] - nominal[state][o];
        if (high) {
          point.high = std::min(point.high, (*v)[o]);
          sag_high = std::min(sag_high, shift);
        } else {
          point.low = std::max(point.low, (*v)[o]);
          sag_low = std::max(sag_low, shift);
        }
      }
      point.margin_low = out.margin_low.value_or(0.0) - sag_low;
      point.margin_high = out.margin_high.value_or(0.0) + sag_high;
      out.fan_out.push_back(point);
    }
  }
  return {};
}

// --- edges ---

double crossing(const Solution& s, double level, bool rising, double from) {
  const auto& v = s.vectors[0];
  for (std::size_t i = 1; i < v.size(); ++i) {
    if (s.scale[i] <= from) continue;
    if (rising ? v[i - 1] < level && v[i] >= level : v[i - 1] > level && v[i] <= level) {
      return s.scale[i - 1] +
             (s.scale[i] - s.scale[i - 1]) * (level - v[i - 1]) / (v[i] - v[i - 1]);
    }
  }
  return -1.0;
}

struct EdgeTimes {
  double rise, fall, delay_rise, delay_fall, complete;
};

// On the bench. The input rises at `start` and falls `hold` later; half of the ramp has then passed at +ramp/2.
Result<EdgeTimes> one_edge(Bench& bench, std::size_t output, unsigned state, std::size_t input,
                           bool inverts, const std::vector<double>& values) {
  const Settings& s = bench.question().settings;
  const EdgeSettings& e = *s.edges;
  const double start = 0.05 * e.hold.value, ramp = e.ramp.value, hold = e.hold.value;
  Changes c;
  apply(s.varied, values, c);
  for (std::size_t i = 0; i < s.inputs.size(); ++i) {
    const bool one = (state >> (s.inputs.size() - 1 - i) & 1u) != 0;
    c.sources[s.inputs[i].source] = (one ? s.inputs[i].bench_high : s.inputs[i].bench_low).value;
  }
  const Input& in = s.inputs[input];
  const std::string low = plain(in.bench_low.value), high = plain(in.bench_high.value);
  c.sources[in.source] = in.bench_low.value;
  c.waves[in.source] =
      fmt::format("PWL(0 {} {} {} {} {} {} {} {} {})", low, plain(start), low, plain(start + ramp),
                  high, plain(start + hold), high, plain(start + hold + ramp), low);
  const std::string& node = s.outputs[output].node;
  if (e.load.value > 0.0)
    c.cards.push_back(fmt::format("cpredictload {} 0 {}", node, plain(e.load.value)));
  auto flat = bench.question().netlist.flatten(c);
  if (!flat) return flat.error();
  const double stop = start + 2.0 * hold;
  auto r = bench.simulator().solve(
      *flat, {node},
      fmt::format("tran {} {} 0 {}", plain(hold / 1000), plain(stop), plain(hold / 400)));
  if (!r) return bench.named(r.error(), state, values);
  const auto& v = r->vectors[0];
  const auto at = [&](double t) {
    const auto found = std::lower_bound(r->scale.begin(), r->scale.end(), t);
    return v[std::min<std::size_t>(static_cast<std::size_t>(found - r->scale.begin()),
                                   v.size() - 1)];
  };
  const double up_at = inverts ? start + hold : start;  // when the output begins to rise
  const double down_at = inverts ? start : start + hold;
  const double after_first = at(start + hold * 0.999), after_second = v.back();
  const double top = inverts ? after_second : after_first,
               bottom = inverts ? after_first : after_second;
  const double ten = bottom + 0.1 * (top - bottom), half = (top + bottom) / 2,
               ninety = bottom + 0.9 * (top - bottom);
  EdgeTimes t{};
  const double r10 = crossing(*r, ten, true, up_at), r50 = crossing(*r, half, true, up_at),
               r90 = crossing(*r, ninety, true, up_at);
  const double f90 = crossing(*r, ninety, false, down_at), f50 = crossing(*r, half, false, down_at),
               f10 = crossing(*r, ten, false, down_at);
  if (std::min({r10, r50, r90, f10, f50, f90}) < 0.0 || !(top > bottom)) {
    return input_error(
        bench.question().netlist.path(),
        fmt::format("{} makes no whole edge within {} us", s.outputs[output].name, hold * 1e6),
        "lengthen edges.for, or toggle another input");
  }
  t.rise = r90 - r10;
  t.fall = f10 - f90;
  t.delay_rise = r50 - (up_at + ramp / 2);
  t.delay_fall = f50 - (down_at + ramp / 2);
  t.complete = (r90 - up_at - ramp / 2) + (f10 - down_at - ramp / 2);
  return t;
}

void include(Times& t, double value, bool first) {
  if (first) t = {value, value, value};
  t.min = std::min(t.min, value);
  t.max = std::max(t.max, value);
}

Status edges(Bench& bench, const Prediction& levels, std::vector<Edges>& out) {
  const Settings& s = bench.question().settings;
  if (!s.edges) return {};
  const auto which = std::find_if(s.inputs.begin(), s.inputs.end(),
                                  [&](const Input& i) { return i.name == s.edges->input; });
  const auto input = static_cast<std::size_t>(which - s.inputs.begin());
  const unsigned bit = 1u << (s.inputs.size() - 1 - input);
  const auto points =
      latin_hypercube(s.edges->samples, static_cast<int>(s.varied.size()), s.seed + 1);
  for (std::size_t o = 0; o < s.outputs.size(); ++o) {
    const auto& states = levels.outputs[o].states;
    for (unsigned state = 0; state < bench.states(); ++state) {
      if ((state & bit) != 0 || states[state].high == states[state | bit].high) continue;
      Edges e;
      e.output = s.outputs[o].name;
      e.state = bits_of(state, s.inputs.size());
      e.state[input] = '*';
      e.inverts = states[state].high;
      double longest = 0.0;
      for (int i = -1; i < s.edges->samples; ++i) {
        std::vector<double> values = nominal_values(s.varied);
        for (std::size_t d = 0; i >= 0 && d < values.size(); ++d) {
          if (is_part(s.varied[d])) values[d] = value_at(s.varied[d], points[i][d]);
        }
        auto t = one_edge(bench, o, state, input, e.inverts, values);
        if (!t) return t.error();
        include(e.rise, t->rise, i < 0);
        include(e.fall, t->fall, i < 0);
        include(e.delay_rise, t->delay_rise, i < 0);
        include(e.delay_fall, t->delay_fall, i < 0);
        longest = std::max(longest, t->complete);
      }
      e.toggle_hertz = longest > 0.0 ? 1.0 / longest : 0.0;
      out.push_back(e);
      break;  // one state is enough: the first in which this input decides
    }
  }
  return {};
}

// Outward to the step in which windows and bands are written.
double down(double v, double step) {
  return std::floor(v / step + 1e-9) * step;
}
double up(double v, double step) {
  return std::ceil(v / step - 1e-9) * step;
}

void widen(std::optional<files::Window>& w, double from, double to) {
  if (!w) w = files::Window{Volts{HUGE_VAL}, Volts{-HUGE_VAL}};
  w->min = std::min(w->min, Volts{down(from, kWindowStep)});
  w->max = std::max(w->max, Volts{up(to, kWindowStep)});
}

void widen(std::optional<files::Span>& span, const Times& t) {
  if (!span) span = files::Span{Seconds{HUGE_VAL}, Seconds{0.0}};
  span->min = std::min(span->min, Seconds{down(t.min, kEdgeStep)});
  span->max = std::max(span->max, Seconds{up(t.max, kEdgeStep)});
}

// The inner ends of the windows (a low's upper, a high's lower one) cost margin: there a window holds
// `share` of the specimens. The outer ends cost none: they lie where the worst parts put them, and leave
// room for an uncalibrated measurement. What the bench shows is held whole.
files::Family family_of(const Settings& s, const Prediction& p) {
  files::Family f;
  f.name = s.family.empty() ? "predicted" : s.family;
  f.needs = s.needs;
  const double room = s.room.value;
  for (const OutputPrediction& o : p.outputs) {
    if (o.low) widen(f.gives.low, std::min(o.low->worst_from, o.low->min) - room, o.low->to);
    if (o.high) widen(f.gives.high, o.high->from, std::max(o.high->worst_to, o.high->max) + room);
    if (o.bench_low) {
      widen(f.gives.low, o.bench_low->worst_from - room, o.bench_low->max);
      widen(f.predicted.levels.low, o.bench_low->from, o.bench_low->to);
    }
    if (o.bench_high) {
      widen(f.gives.high, o.bench_high->min, o.bench_high->worst_to + room);
      widen(f.predicted.levels.high, o.bench_high->from, o.bench_high->to);
    }
  }
  for (const Edges& e : p.edges) {
    widen(f.predicted.rise, e.rise);
    widen(f.predicted.fall, e.fall);
  }
  return f;
}

// Specimens on the bench: parts drawn, the rest as the bench gives it.
Status on_the_bench(Bench& bench, const std::vector<std::vector<double>>& points, const Swings& swing,
                    std::vector<OutputPrediction>& outputs) {
  const Settings& s = bench.question().settings;
  std::vector<std::vector<double>> lows(outputs.size()), highs(outputs.size());
  const std::size_t count = std::min(points.size(), kBenchSpecimensMax);
  for (std::size_t i = 0; i < count; ++i) {
    std::vector<double> values = nominal_values(s.varied);
    for (std::size_t d = 0; d < values.size(); ++d) {
      if (is_part(s.varied[d])) values[d] = value_at(s.varied[d], points[i][d]);
    }
    auto v = bench.all(values, Place::bench);
    if (!v) return v.error();
    for (std::size_t o = 0; o < outputs.size(); ++o) {
      for (unsigned state = 0; state < bench.states(); ++state)
        (outputs[o].states[state].high ? highs : lows)[o].push_back((*v)[state][o]);
    }
  }
  const auto band = [&](std::vector<double>& volts) -> std::optional<Band> {
    if (volts.empty()) return std::nullopt;
    std::sort(volts.begin(), volts.end());
    return Band{quantile(volts, (1.0 - s.band) / 2.0), quantile(volts, (1.0 + s.band) / 2.0),
                volts.front(), volts.back(), volts.front(), volts.back()};
  };
  for (std::size_t o = 0; o < outputs.size(); ++o) {
    outputs[o].bench_low = band(lows[o]);
    outputs[o].bench_high = band(highs[o]);
    for (unsigned state = 0; state < bench.states(); ++state) {
      const bool high = outputs[o].states[state].high;  // only its outer end is asked for
      auto worst = worst_case(bench, swing, state, o, high, Place::bench);
      if (!worst) return worst.error();
      Band& b = high ? *outputs[o].bench_high : *outputs[o].bench_low;
      double& end = high ? b.worst_to : b.worst_from;
      end = high ? std::max(end, *worst) : std::min(end, *worst);
    }
  }
  return {};
}

}  // namespace

std::string families_block(const files::Family& f) {
  const auto levels = [](const files::LevelWindows& w, const char* format) {
    std::string out;
    for (const auto& [name, window] : {std::pair{"low", w.low}, {"high", w.high}}) {
      if (!window) continue;
      out += fmt::format(fmt::runtime(format), out.empty() ? "" : ", ", name, window->min.value,
                         window->max.value);
    }
    return out;
  };
  constexpr const char* kRounded = "{}{}: [{:.1f} V, {:.1f} V]";
  std::string out = fmt::format("families:\n  {}:\n    gives: {{{}}}\n", f.name,
                                levels(f.gives, kRounded));
  std::string band = levels(f.predicted.levels, kRounded);
  for (const auto& [name, span] : {std::pair{"rise", f.predicted.rise}, {"fall", f.predicted.fall}}) {
    if (!span) continue;
    band += fmt::format("{}{}: [{:.2f} us, {:.2f} us]", band.empty() ? "" : ", ", name,
                        span->min.value * 1e6, span->max.value * 1e6);
  }
  out += fmt::format("    predicted: {{{}}}\n", band);
  if (f.needs.low || f.needs.high) {
    out += fmt::format("    needs: {{{}}}\n", levels(f.needs, "{}{}: [{:g} V, {:g} V]"));
  }
  return out;
}

Result<Prediction> predict(const Question& question, Simulator& simulator) {
  const Settings& s = question.settings;
  Bench bench(question, simulator);
  Prediction p;
  p.name = s.name;
  p.samples = s.samples;
  p.seed = s.seed;
  p.share = s.share;
  auto nominal = bench.all(nominal_values(s.varied));
  if (!nominal) return nominal.error();
  p.threshold = threshold_of(s, *nominal);

  auto drawn = s.sobol
                   ? sobol(s.samples, static_cast<int>(s.varied.size()), s.seed)
                   : Result(latin_hypercube(s.samples, static_cast<int>(s.varied.size()), s.seed));
  if (!drawn) return drawn.error();
  std::vector<StateVolts> specimens;
  for (const auto& point : *drawn) {
    std::vector<double> values(point.size());
    for (std::size_t d = 0; d < point.size(); ++d) values[d] = value_at(s.varied[d], point[d]);
    auto v = bench.all(values);
    if (!v) return v.error();
    specimens.push_back(v.take());
  }
  auto swing = swings(bench);
  if (!swing) return swing.error();

  for (std::size_t o = 0; o < s.outputs.size(); ++o) {
    OutputPrediction out;
    out.name = s.outputs[o].name;
    for (unsigned state = 0; state < bench.states(); ++state) {
      Levels l;
      l.state = bits_of(state, s.inputs.size());
      l.nominal = (*nominal)[state][o];
      l.high = l.nominal > p.threshold;
      std::vector<double> volts;
      for (const StateVolts& specimen : specimens) {
        volts.push_back(specimen[state][o]);
        if ((volts.back() > p.threshold) != l.high) ++out.wrong;
      }
      statistics(volts, s.share, l);
      auto from = worst_case(bench, *swing, state, o, false);
      if (!from) return from.error();
      auto to = worst_case(bench, *swing, state, o, true);
      if (!to) return to.error();
      l.worst_from = *from;
      l.worst_to = *to;
      out.states.push_back(l);
    }
    p.outputs.push_back(std::move(out));
  }
  TH_TRY(corners(bench, *nominal, p.outputs));
  for (std::size_t o = 0; o < p.outputs.size(); ++o) {
    for (const Levels& l : p.outputs[o].states)
      widen(l.high ? p.outputs[o].high : p.outputs[o].low, l);
    margins(s.needs, p.outputs[o]);
    sensitivities(s, *swing, o, p.outputs[o]);
  }
  TH_TRY(fan_out(bench, *nominal, p.outputs));
  TH_TRY(edges(bench, p, p.edges));
  TH_TRY(on_the_bench(bench, *drawn, *swing, p.outputs));
  p.family = family_of(s, p);
  p.families = families_block(p.family);
  return p;
}

}  // namespace tenterhook::predict
