#include "host/predict/front_end.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>

namespace tenterhook::predict {
namespace {

constexpr double kBoltzmann = 1.380649e-23;  // J/K, exact (SI)
constexpr double kRoomKelvin = 300.0;
constexpr double kLeastSiemens = 1e-7;  // a resistor above 10 Mohm is left out

double siemens(Ohms r) {
  return r.value > 0.0 ? 1.0 / r.value : 0.0;
}

int e96_index(double ohms) {
  return static_cast<int>(std::lround(96.0 * std::log10(ohms)));
}

double e96_value(int index) {
  const int decade = static_cast<int>(std::floor(index / 96.0));
  const int step = index - 96 * decade;
  return std::round(100.0 * std::pow(10.0, step / 96.0)) / 100.0 * std::pow(10.0, decade);
}

// How badly a candidate misses the span: what is not covered counts most, beyond one count.
double cost(const FrontEnd& f, Volts low, Volts high) {
  const double short_low = f.span_min.value - low.value;
  const double short_high = high.value - f.span_max.value;
  const double slack = f.per_count.value;
  return std::fabs(short_low) + std::fabs(short_high) +
         10.0 * (std::max(0.0, short_low - slack) + std::max(0.0, short_high - slack));
}

}  // namespace

Ohms nearest_e96(Ohms ohms) {
  const int index = e96_index(ohms.value);
  double best = e96_value(index);
  for (int i : {index - 1, index + 1}) {
    const double v = e96_value(i);
    if (std::fabs(std::log(v / ohms.value)) < std::fabs(std::log(best / ohms.value))) best = v;
  }
  return Ohms{best};
}

Ohms step_e96(Ohms value, int steps) {
  return Ohms{e96_value(e96_index(value.value) + steps)};
}

Volts FrontEnd::node(Volts lead) const {
  return Volts{ratio * (lead.value - offset.value)};
}
Volts FrontEnd::volts(double count) const {
  return offset + per_count * count;
}

FrontEnd evaluate_front_end(const FrontEndParts& parts, Ohms r_ref, Ohms r_ground) {
  FrontEnd f;
  f.parts = parts;
  f.r_ref = r_ref;
  f.r_ground = r_ground;
  const double g_top = siemens(parts.r_top), g_ref = siemens(r_ref), g_ground = siemens(r_ground);
  const double total = g_top + g_ref + g_ground;
  f.ratio = g_top / total;
  const double g_low = g_ref + g_ground;
  if (g_low > 0.0) {
    f.thevenin = Ohms{1.0 / g_low};
    f.open_reads = Volts{parts.aref.value * g_ref / g_low};
    f.input = parts.r_top + f.thevenin;
    f.c_ground =
        Farads{parts.c_top.value * parts.r_top.value / f.thevenin.value - parts.c_input.value};
  } else {
    f.input = Ohms{std::numeric_limits<double>::infinity()};
  }
  f.offset = Volts{-parts.aref.value * g_ref / g_top};
  f.per_count = Volts{parts.aref.value / kAdcCounts / f.ratio};
  f.span_min = f.offset;
  f.span_max = f.volts(kAdcCounts);
  f.linear_from = Volts{f.offset.value + parts.buffer_rail.value / f.ratio};
  // Buffer and the series resistor with the input capacitance, as single poles: tr = 0.35 / f and
  // 2.2 R C add as squares.
  const double t_buffer = 0.35 / parts.buffer_bandwidth.value;
  const double t_series = 2.2 * parts.r_series.value * parts.c_input.value;
  f.rise = Seconds{std::hypot(t_buffer, t_series)};
  const double farads = parts.c_top.value + parts.c_input.value + std::max(0.0, f.c_ground.value);
  f.noise = Volts{std::sqrt(kBoltzmann * kRoomKelvin / farads) / f.ratio};
  const double through = (parts.fault.value - parts.clamp_drop.value) * g_top;
  f.clamp_steady = Amps{std::max(0.0, through - parts.clamp_drop.value * g_low)};
  f.clamp_peak = Amps{std::max(0.0, parts.fault.value * f.ratio - parts.clamp_drop.value) /
                      parts.r_series.value};
  return f;
}

Result<FrontEnd> design_front_end(const FrontEndRequest& request) {
  const double aref = request.parts.aref.value;
  const auto refuse = [&](const std::string& why) {
    return input_error(
        "--span", fmt::format("{:g} V..{:g} V: {}", request.low.value, request.high.value, why),
        "a span between -60 V and 60 V, lower end first");
  };
  if (!std::isfinite(request.low.value) || !std::isfinite(request.high.value))
    return refuse("not finite");
  if (request.low.value < -kSpanLimitVolts || request.high.value > kSpanLimitVolts) {
    return refuse("the fixture stays within 60 V DC");
  }
  if (request.high.value - request.low.value < aref) {
    return refuse(fmt::format("narrower than the converter's {:g} V", aref));
  }
  // The bias comes from a positive reference: the span holds 0 V at its low end or below, and at
  // least the reference at its high end.
  const Volts low{std::min(request.low.value, 0.0)};
  const Volts high{std::max(request.high.value, aref)};
  const double total = siemens(request.parts.r_top) * (high.value - low.value) / aref;
  const double g_ref = -low.value / (high.value - low.value) * total;
  const double g_ground = total - siemens(request.parts.r_top) - g_ref;
  const auto choices = [](double g) {
    std::vector<Ohms> out;
    if (g < kLeastSiemens) return std::vector<Ohms>{Ohms{0.0}};
    const Ohms middle = nearest_e96(Ohms{1.0 / g});
    for (int i = -3; i <= 3; ++i) out.push_back(step_e96(middle, i));
    return out;
  };
  FrontEnd best;
  double least = std::numeric_limits<double>::infinity();
  for (Ohms r_ref : choices(g_ref)) {
    for (Ohms r_ground : choices(g_ground)) {
      const FrontEnd f = evaluate_front_end(request.parts, r_ref, r_ground);
      const double c = cost(f, low, high);
      if (c < least) {
        least = c;
        best = f;
      }
    }
  }
  return best;
}

ErrorBudget error_budget(const FrontEnd& f, Volts lead, bool calibrated) {
  const FrontEndParts& p = f.parts;
  ErrorBudget out;
  out.lead = lead;
  const double node = f.node(lead).value;
  const double r = p.r_top.value;
  // volts = r_top (node (g_top + g_ref + g_ground) - aref g_ref): partial derivatives times limits.
  const double by_top = std::fabs(lead.value - node);
  const double by_ref = std::fabs(r * siemens(f.r_ref) * (node - p.aref.value));
  const double by_ground = std::fabs(r * siemens(f.r_ground) * node);
  const auto add = [&](const char* cause, double volts) {
    out.sources.push_back({cause, Volts{volts}});
  };
  if (!calibrated) {
    add("r_top", by_top * p.resistor_tolerance);
    add("r_ref", by_ref * p.resistor_tolerance);
    add("r_ground", by_ground * p.resistor_tolerance);
    add("reference", std::fabs(lead.value) * p.aref_tolerance);
    add("buffer offset", p.buffer_offset.value / f.ratio);
    add("ADC, absolute", p.adc_absolute_lsb * f.per_count.value);
  } else {
    // What two points cannot remove: non-linearity, drift since the calibration, one rounding.
    add("ADC, non-linearity", p.adc_absolute_lsb / 2.0 * f.per_count.value);
  }
  add("resistor drift", (by_top + by_ref + by_ground) * p.resistor_drift / std::sqrt(3.0));
  add("buffer bias current", p.buffer_bias.value * f.thevenin.value / f.ratio);
  add("quantisation", 0.5 * f.per_count.value);
  double squares = 0.0;
  for (const ErrorSource& s : out.sources) {
    out.worst += s.most;
    squares += s.most.value * s.most.value / 3.0;
  }
  out.expanded = Volts{2.0 * std::sqrt(squares)};
  return out;
}

std::vector<BusLoad> bus_loads() {
  return {{"nothing", Volts{0.0}, Ohms{0.0}},
          {"22 kohm to ground", Volts{0.0}, Ohms{22e3}},
          {"220 kohm to ground", Volts{0.0}, Ohms{220e3}},
          {"10 kohm to 5 V", Volts{5.0}, Ohms{10e3}},
          {"1 Mohm to 24 V", Volts{24.0}, Ohms{1e6}}};
}

Volts lead_volts(const FrontEnd& f, Volts source, Ohms ohms, const BusLoad& load) {
  const double g_source = std::isinf(ohms.value) ? 0.0 : 1.0 / ohms.value;
  const double g_divider = std::isinf(f.input.value) ? 0.0 : 1.0 / f.input.value;
  const double g_load = siemens(load.ohms);
  return Volts{(source.value * g_source + f.open_reads.value * g_divider + load.to.value * g_load) /
               (g_source + g_divider + g_load)};
}

SourceEstimate two_loads(const FrontEnd& f, const BusLoad& a, Volts read_a, const BusLoad& b,
                         Volts read_b) {
  // Current out of the board into load and divider; the divider's bias pushes some of it back.
  const auto current = [&](const BusLoad& load, Volts read) {
    return (read.value - load.to.value) * siemens(load.ohms) +
           (read.value - f.open_reads.value) / f.input.value;
  };
  const double ia = current(a, read_a), ib = current(b, read_b);
  SourceEstimate out;
  out.ohms = Ohms{(read_a.value - read_b.value) / (ib - ia)};
  out.open = Volts{read_a.value + ia * out.ohms.value};
  return out;
}

}  // namespace tenterhook::predict
