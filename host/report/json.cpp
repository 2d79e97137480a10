#include "host/report/json.h"

#include <cmath>
#include <nlohmann/json.hpp>

namespace tenterhook::report {
namespace {

using Json = nlohmann::ordered_json;

constexpr char kBitLetters[] = "01xz";

Json number(double value) {
  return std::isfinite(value) ? Json(value) : Json(nullptr);
}
Json number(const std::optional<double>& value) {
  return value ? number(*value) : Json(nullptr);
}

Json bit(files::Bit b) {
  if (b == files::Bit::zero) return 0;
  if (b == files::Bit::one) return 1;
  return std::string(1, kBitLetters[static_cast<int>(b)]);
}

Json reading_json(const measure::Reading& r) {
  Json j;
  j["line"] = r.line;
  j["expected"] = std::string(1, kBitLetters[static_cast<int>(r.expected)]);
  j["volts"] = number(r.volts.value);
  j["U"] = number(r.U.value);
  j["p"] = number(r.p);
  j["window"] = {number(r.window.min.value), number(r.window.max.value)};
  j["verdict"] = record::verdict_word(r.verdict);
  j["dof"] = number(r.dof);
  j["channel"] = r.channel;
  j["counts"] = {{"n", r.counts.n},
                 {"sum", r.counts.sum},
                 {"min", r.counts.min},
                 {"max", r.counts.max},
                 {"sum_of_squares", r.counts.sum_of_squares}};
  if (!r.why.empty()) j["why"] = r.why;
  return j;
}

Json step_json(const record::StepRecord& step) {
  Json j;
  j["index"] = step.index;
  j["source"] = step.source;
  j["say"] = step.say;
  j["set"] = Json::object();
  for (const auto& [line, level] : step.set) j["set"][line] = bit(level);
  j["pulse"] = Json::object();
  for (const auto& [line, count] : step.pulse) j["pulse"][line] = count;
  j["time_s"] = number(step.time_s);
  j["readings"] = Json::array();
  for (const measure::Reading& r : step.readings) j["readings"].push_back(reading_json(r));
  return j;
}

Json side_json(const std::optional<record::LevelRecord::Side>& side) {
  if (!side) return nullptr;
  return {{"min", number(side->min_v)},
          {"max", number(side->max_v)},
          {"mean", number(side->mean_v)},
          {"U", number(side->U_v)},
          {"n", side->n},
          {"worst_step", side->worst_step}};
}

Json level_json(const record::LevelRecord& level) {
  Json j;
  j["line"] = level.line;
  j["low"] = side_json(level.low);
  j["high"] = side_json(level.high);
  j["margins"] = Json::array();
  for (const record::MarginRecord& m : level.margins) {
    j["margins"].push_back(
        {{"to", m.to}, {"low", number(m.low_v)}, {"high", number(m.high_v)}, {"U", number(m.U_v)}});
  }
  j["margin_low"] = number(level.margin_low_v);
  j["margin_high"] = number(level.margin_high_v);
  return j;
}

Json power_json(const record::PowerRecord& power) {
  Json j = Json::object();
  j["rails"] = Json::array();
  for (const record::RailRecord& r : power.rails) {
    j["rails"].push_back({{"rail", r.rail},
                          {"nominal", number(r.nominal_v)},
                          {"volts", number(r.measured_v)},
                          {"U", number(r.U_v)},
                          {"amps", number(r.amps)},
                          {"window", {number(r.window_min_v), number(r.window_max_v)}}});
  }
  j["curves"] = Json::array();
  for (const record::CurveRecord& c : power.curves) {
    Json time = Json::array(), value = Json::array();
    for (const double t : c.time_s) time.push_back(number(t));
    for (const double v : c.value) value.push_back(number(v));
    j["curves"].push_back(
        {{"rail", c.rail}, {"quantity", c.quantity}, {"time_s", time}, {"value", value}});
  }
  j["warm_up_s"] = number(power.warm_up_s);
  j["discharged_below"] = number(power.discharged_below_v);
  return j;
}

Json timings_json(const std::vector<record::TimingRecord>& timings) {
  Json j = Json::array();
  for (const record::TimingRecord& t : timings) {
    j.push_back({{"kind", t.kind},
                 {"from", t.from},
                 {"line", t.line},
                 {"edge", t.edge},
                 {"seconds", number(t.seconds)},
                 {"U", number(t.U_s)},
                 {"limit", number(t.limit_s)},
                 {"n", t.n},
                 {"verdict", record::verdict_word(t.verdict)}});
  }
  return j;
}

Json aborted_json(const std::optional<record::Aborted>& aborted) {
  if (!aborted) return nullptr;
  return {{"cause", aborted->cause},
          {"where", aborted->where},
          {"blame", aborted->blame},
          {"message", aborted->message}};
}

Json times_json(const record::Times& t) {
  return {{"total_s", number(t.total_s)},     {"relay_s", number(t.relay_s)},
          {"settle_s", number(t.settle_s)},   {"convert_s", number(t.convert_s)},
          {"pulse_s", number(t.pulse_s)},     {"overhead_s", number(t.overhead_s)},
          {"prepare_s", number(t.prepare_s)}, {"discharge_s", number(t.discharge_s)}};
}

Json link_json(const record::Counters& c) {
  return {{"frames_sent", c.frames_sent}, {"frames_received", c.frames_received},
          {"crc_errors", c.crc_errors},   {"overruns", c.overruns},
          {"timeouts", c.timeouts},       {"resent", c.resent},
          {"starvations", c.starvations}, {"resets", c.resets}};
}

// What the contract's figure shows first, then the facts a run carries besides.
void add_identity(Json& j, const record::RunRecord& run) {
  j["kind"] = run.kind;
  j["complete"] = run.complete;
  j["state"] = record::name(run.complete ? record::RunState::finished : run.state);
  j["host"] = run.host;
  j["powered_s"] = number(run.powered_s);
  j["vectors"] = run.vectors;
  j["steps_planned"] = run.steps_planned;
  j["fixture_serial"] = run.fixture_serial;
  j["firmware_build"] = run.firmware_build;
  j["calibration"] = run.calibration;
  j["operator"] = run.operator_name;
  j["notes"] = run.notes;
  j["seed"] = run.seed ? Json(*run.seed) : Json(nullptr);
  j["faults"] = run.faults;
  j["files"] = Json::array();
  for (const files::SourceFile& file : run.sources) {
    j["files"].push_back({{"path", file.path}, {"sha256", file.sha256}});
  }
  j["link"] = link_json(run.link);
  j["relay_operations"] = run.relay_operations;
  j["relay_wear"] = Json(run.relay_wear);
  if (!run.timings.empty()) j["timings"] = timings_json(run.timings);
}

}  // namespace

std::string run_json(const record::RunRecord& run, int indent) {
  const record::CountsOf counts = record::counts_of(run);
  Json j;
  j["tenterhook"] = TENTERHOOK_VERSION;
  j["run"] = run.number;
  j["run_uid"] = run.uid;
  j["started"] = run.started;
  j["board"] = run.board;
  j["board_serial"] = run.board_serial;
  j["fixture"] = run.fixture;
  j["verdict"] = record::verdict_word(run.verdict);
  j["aborted"] = aborted_json(run.aborted);
  j["counts"] = {{"steps", counts.steps},
                 {"readings", counts.readings},
                 {"pass", counts.pass},
                 {"fail", counts.fail},
                 {"unsure", counts.unsure}};
  j["time"] = times_json(run.time);
  j["steps"] = Json::array();
  for (const record::StepRecord& step : run.steps) j["steps"].push_back(step_json(step));
  j["levels"] = Json::array();
  for (const record::LevelRecord& level : run.levels) j["levels"].push_back(level_json(level));
  j["power"] = power_json(run.power);
  j["timing"] = Json::object();
  j["warnings"] = run.warnings;
  add_identity(j, run);
  for (const auto& [name, text] : run.sections) {
    Json section = Json::parse(text, nullptr, false);
    // A section never replaces a field of the contract, but for "timing", which is its place.
    if (section.is_discarded() || (j.contains(name) && name != "timing")) continue;
    j[name] = std::move(section);
  }
  // Names come from files and may hold bytes that are no UTF-8: they are replaced, not refused.
  return j.dump(indent, ' ', false, Json::error_handler_t::replace);
}

}  // namespace tenterhook::report
