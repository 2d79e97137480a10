// A Study for people, for programs, and for waveform viewers.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "host/base/units.h"
#include "host/timing/study.h"
#include "host/timing/vcd.h"

namespace tenterhook::timing {

namespace {

using Json = nlohmann::ordered_json;
using measure::Verdict;

// "3.52 +-0.06 us": as many digits as the uncertainty leaves.
std::string text_of(const Figure& f) {
  const double size = std::max(std::fabs(f.value), f.U);
  const auto [unit, name] = size < 0.9995e-3 ? std::pair{1e-6, "us"} : size < 0.9995 ? std::pair{1e-3, "ms"} : std::pair{1.0, "s"};
  const int digits = f.U > 0.0 ? std::clamp(static_cast<int>(std::ceil(-std::log10(f.U / unit))), 0, 4) : 3;
  return fmt::format("{:.{}f} +-{:.{}f} {}", f.value / unit, digits, std::max(f.U / unit, 0.5 * std::pow(10.0, -digits)), digits, name);
}

std::string text_of(const std::optional<Figure>& f) { return f ? text_of(*f) : "-"; }

std::string edge_name(const std::string& line, bool high) { return line + (high ? " up" : " down"); }

std::string judged(const Judged& j) {
  if (!j.limit) return "";
  const char* word = j.verdict == Verdict::pass ? "pass" : j.verdict == Verdict::fail ? "FAIL" : "unsure";
  return fmt::format("at most {}: {}", text(Seconds{*j.limit}), word);
}

void pad_rows(std::string& out, const std::vector<std::vector<std::string>>& rows) {
  std::vector<std::size_t> widths;
  for (const auto& row : rows) {
    widths.resize(std::max(widths.size(), row.size()));
    for (std::size_t i = 0; i < row.size(); ++i) widths[i] = std::max(widths[i], row[i].size());
  }
  for (const auto& row : rows) {
    std::string line = " ";
    for (std::size_t i = 0; i < row.size(); ++i) line += fmt::format(" {:<{}} ", row[i], widths[i]);
    line.erase(line.find_last_not_of(' ') + 1);
    out += line + "\n";
  }
}

std::string edges_table(const Study& s) {
  if (s.edges.empty()) return "";
  std::string out = "Delays, 50 % to 50 %, and transitions, 10 to 90 %\n";
  if (s.loop.measured) {
    out += fmt::format("  loop-back at {}: {} up, {} down taken off\n", s.loop.line, text_of(s.loop.rising), text_of(s.loop.falling));
  }
  std::vector<std::vector<std::string>> rows{{"from", "to", "comparator", "converter", "10-90 %", "limit"}};
  std::string notes;
  for (const EdgeResult& e : s.edges) {
    std::string limit = judged(e.delay_judged);
    if (const std::string more = judged(e.transition_judged); !more.empty()) limit += (limit.empty() ? "10-90 % " : "; 10-90 % ") + more;
    std::string transition = e.transition ? text_of(*e.transition) + (e.transition_by == "comparator" ? " (comparator)" : "")
                                          : e.transition_below_s > 0.0 ? fmt::format("below {}", text(Seconds{e.transition_below_s})) : "-";
    rows.push_back({edge_name(e.from, e.from_high), edge_name(e.to, e.to_high), text_of(e.delay), text_of(e.delay_converter), transition, limit});
    if (!e.delay && !e.note.empty()) notes += fmt::format("  {} to {}: {}\n", edge_name(e.from, e.from_high), edge_name(e.to, e.to_high), e.note);
    if (!e.agree) notes += fmt::format("  {} to {}: comparator and converter differ by more than their uncertainties: trust neither\n", e.from, edge_name(e.to, e.to_high));
    if (e.edges_a_shot > 1) {
      notes += fmt::format("  {} to {}: {} changes in one shot, the last after {}: it bounces\n", e.from, edge_name(e.to, e.to_high), e.edges_a_shot,
                           text(Seconds{e.settles_s}));
    }
    if (!e.fast_start) notes += fmt::format("  {} to {}: its start state needs relays for every shot\n", e.from, edge_name(e.to, e.to_high));
  }
  pad_rows(out, rows);
  return out + notes;
}

std::string seen(const LimitResult& l) {
  if (l.search.state == SearchResult::State::never_passes || l.search.state == SearchResult::State::never_fails) return l.note;
  return (l.note.empty() ? "" : l.note + ": ") + told(l.search.at_edge, l.search.confidence);
}

std::string limits_table(const Study& s) {
  if (s.limits.empty()) return "";
  std::string out = "\nWhere it stops working: the last step that still passed\n";
  std::vector<std::vector<std::string>> rows{{"", "of", "least", "", "seen", "limit"}};
  std::string notes;
  for (const LimitResult& l : s.limits) {
    const bool found = l.search.state == SearchResult::State::found || l.search.state == SearchResult::State::unsettled;
    const std::string rate = found && l.kind == "clock period" ? fmt::format("= {}", engineering(1.0 / l.value.value, "Hz", 4)) : "";
    rows.push_back({l.kind, l.what, found ? text_of(l.value) : "-", rate, seen(l), judged(l.judged)});
    for (const Hole& h : l.search.holes) {
      const double from = static_cast<double>(h.from) * l.resolution_s, to = static_cast<double>(h.to) * l.resolution_s;
      notes += fmt::format("  {} of {}: NOT MONOTONIC: {} from {} to {}\n", l.kind, l.what, h.passes ? "it also passes" : "it fails again", text(Seconds{from}),
                           text(Seconds{to}));
    }
    if (l.search.hysteresis) {
      notes += fmt::format("  {} of {}: HYSTERESIS: once it has failed it needs {} more before it works again\n", l.kind, l.what,
                           text(Seconds{static_cast<double>(*l.search.hysteresis) * l.resolution_s}));
    }
  }
  pad_rows(out, rows);
  // Worst over the patterns of a clock.
  std::map<std::string, const LimitResult*> worst;
  for (const LimitResult& l : s.limits) {
    if (l.kind != "clock period" || l.search.state != SearchResult::State::found) continue;
    const LimitResult*& w = worst[l.clock];
    if (w == nullptr || l.value.value > w->value.value) w = &l;
  }
  for (const auto& [clock, l] : worst) {
    notes += fmt::format("  top rate of {}, worst pattern: {} ({})\n", clock, engineering(1.0 / l->value.value, "Hz", 4), l->what);
  }
  return out + notes;
}

std::string counts_table(const Study& s) {
  if (s.counts.empty()) return "";
  std::string out = "\nCounted edges\n";
  std::vector<std::vector<std::string>> rows{{"pulses", "of", "at", "rising edges", "expected", ""}};
  for (const CountResult& c : s.counts) {
    rows.push_back({std::to_string(c.pulses), c.clock, c.output.empty() ? "its own lead" : c.output, std::to_string(c.rises), std::to_string(c.expected), c.finding});
  }
  pad_rows(out, rows);
  return out;
}

Json figure(const std::optional<Figure>& f) { return f ? Json{{"value", f->value}, {"U", f->U}} : Json(nullptr); }

void put_judged(Json& j, const char* key, const Judged& v) {
  if (v.limit) j[key] = {{"limit_s", *v.limit}, {"verdict", measure::name(v.verdict)}};
}

Json edge_json(const EdgeResult& e) {
  Json j{{"from", e.from}, {"from_edge", e.from_high ? "rising" : "falling"}, {"to", e.to}, {"to_edge", e.to_high ? "rising" : "falling"},
         {"clocked", e.clocked}, {"low_v", e.low_v}, {"high_v", e.high_v}, {"delay_s", figure(e.delay)}, {"delay_converter_s", figure(e.delay_converter)},
         {"agree", e.agree}, {"transition_s", figure(e.transition)}, {"transition_by", e.transition_by},
         {"transition_below_s", e.transition_below_s}, {"overshoot_percent", e.overshoot_percent},
         {"edges_a_shot", e.edges_a_shot}, {"note", e.note}};
  put_judged(j, "delay_judged", e.delay_judged);
  put_judged(j, "transition_judged", e.transition_judged);
  if (!e.waveform.t_s.empty()) j["waveform"] = {{"t_s", e.waveform.t_s}, {"v", e.waveform.v}, {"u_v", e.waveform.u_v}};
  return j;
}

const char* state_name(SearchResult::State s) {
  switch (s) {
    case SearchResult::State::found: return "found";
    case SearchResult::State::never_fails: return "never-fails";
    case SearchResult::State::never_passes: return "never-passes";
    case SearchResult::State::unsettled: return "unsettled";
  }
  return "unsettled";
}

Json tally_json(const Tally& t) { return {{"passes", t.passes}, {"fails", t.fails}, {"unsure", t.unsure}}; }

Json limit_json(const LimitResult& l) {
  const SearchResult& r = l.search;
  Json holes = Json::array();
  for (const Hole& h : r.holes) {
    holes.push_back({{"from_s", static_cast<double>(h.from) * l.resolution_s}, {"to_s", static_cast<double>(h.to) * l.resolution_s}, {"passes", h.passes}});
  }
  Json j{{"kind", l.kind}, {"what", l.what}, {"clock", l.clock}, {"data", l.data}, {"state", state_name(r.state)}, {"value_s", Json{{"value", l.value.value}, {"U", l.value.U}}},
         {"resolution_s", l.resolution_s}, {"bracket_s", {l.bracket_s[0], l.bracket_s[1]}}, {"at_edge", tally_json(r.at_edge)}, {"confidence", r.confidence},
         {"fails_at_most", r.fails_at_most},
         {"hysteresis_s", r.hysteresis ? Json(static_cast<double>(*r.hysteresis) * l.resolution_s) : Json(nullptr)}, {"holes", holes},
         {"hole_width_seen_s", static_cast<double>(r.hole_width_seen) * l.resolution_s},
         {"trials", {{"bracket", r.bracket}, {"bisect", r.bisect}, {"repeat", r.repeat}, {"sweep", r.sweep}, {"scan", r.scan}}}, {"note", l.note}};
  put_judged(j, "judged", l.judged);
  return j;
}

}  // namespace

std::string table(const Study& s) {
  std::string out = edges_table(s) + limits_table(s) + counts_table(s);
  if (s.plot) out += "\n" + text(*s.plot, false, false);
  if (!s.not_measured.empty()) out += "\nNot measured\n";
  for (const std::string& line : s.not_measured) out += "  " + line + "\n";
  if (!out.empty() && out.front() == '\n') out.erase(0, 1);
  return out;
}

std::string json(const Study& s) {
  Json edges = Json::array(), limits = Json::array(), counts = Json::array(), lines = Json::array();
  for (const EdgeResult& e : s.edges) edges.push_back(edge_json(e));
  for (const LimitResult& l : s.limits) limits.push_back(limit_json(l));
  for (const CountResult& c : s.counts) {
    counts.push_back({{"clock", c.clock}, {"output", c.output}, {"pulses", c.pulses}, {"rises", c.rises}, {"expected", c.expected}, {"good", c.good}, {"finding", c.finding}});
  }
  const std::string told = table(s);
  for (std::size_t at = 0, end; at < told.size(); at = end + 1) {
    end = std::min(told.find('\n', at), told.size());
    lines.push_back(told.substr(at, end - at));
  }
  Json j{{"loop_back", s.loop.measured ? Json{{"line", s.loop.line}, {"rising_s", figure(s.loop.rising)}, {"falling_s", figure(s.loop.falling)}} : Json(nullptr)},
         {"converter_transition_s", s.converter_transition_s}, {"edges", edges}, {"limits", limits}, {"counts", counts}, {"not_measured", s.not_measured},
         {"shots", s.shots}, {"relay_moves", s.relay_moves}, {"verdict", measure::name(s.verdict)}};
  if (s.plot) {
    Json tallies = Json::array();
    for (const Tally& t : s.plot->tallies) tallies.push_back({t.passes, t.fails, t.unsure});
    j["plot"] = {{"title", s.plot->title}, {"x", {{"name", s.plot->x.name}, {"unit", s.plot->x.unit}, {"values", s.plot->x.values}}},
                 {"y", {{"name", s.plot->y.name}, {"unit", s.plot->y.unit}, {"values", s.plot->y.values}}}, {"tallies", tallies}};
  }
  j["lines"] = lines;
  return j.dump();
}

std::string vcd(const Study& s, const std::string& comment, const std::string& date) {
  Vcd out(comment, date);
  for (const EdgeResult& e : s.edges) {
    if (e.waveform.t_s.empty()) continue;
    const std::string scope = fmt::format("{}_{}_to_{}_{}", e.from, e.from_high ? "up" : "down", e.to, e.to_high ? "up" : "down");
    const int driven = out.bit(scope, e.from), logic = out.bit(scope, e.to + "_logic"), volts = out.real(scope, e.to);
    const double middle = 0.5 * (e.low_v + e.high_v);
    out.change_bit(driven, std::min(0.0, e.waveform.t_s.front()), e.from_high ? '0' : '1');
    out.change_bit(driven, std::max(0.0, e.waveform.t_s.front()), e.from_high ? '1' : '0');
    bool known = false, high = false;
    for (std::size_t i = 0; i < e.waveform.t_s.size(); ++i) {
      out.change(volts, e.waveform.t_s[i], e.waveform.v[i]);
      const bool now = e.waveform.v[i] > middle;
      if (!known || now != high) out.change_bit(logic, e.waveform.t_s[i], now ? '1' : '0');
      known = true;
      high = now;
    }
  }
  return out.text();
}

}  // namespace tenterhook::timing
