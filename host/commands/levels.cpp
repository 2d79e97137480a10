#include "host/commands/levels.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "host/commands/bench.h"
#include "host/commands/bench_run.h"
#include "host/commands/beside_prediction.h"
#include "host/commands/output.h"
#include "host/commands/record_run.h"
#include "host/files/reader.h"
#include "host/measure/gauge.h"
#include "host/measure/nominal.h"
#include "host/report/json.h"

namespace tenterhook::commands {

namespace {

using Json = nlohmann::ordered_json;
using files::LineKind;

constexpr int kAllInputsMost = 8;    // so many free inputs are tried in every combination
constexpr int kRandomSteps = 256;    // else, and with clocks, so many random ones
constexpr Volts kSagTold{0.05};      // a rail that falls less with the outputs is not worth a line

// Steps for a board that has none: every combination of its inputs, or random ones with a pulse of each
// clock in turn, so that its states are walked. Judged by its circuit, which tells lows from highs.
std::string steps_for(const files::Board& board) {
  std::vector<std::string> inputs, clocks;
  for (const files::Line& line : board.lines) {
    if (line.kind == LineKind::input) inputs.push_back(line.name);
    if (line.kind == LineKind::clock) clocks.push_back(line.name);
  }
  const bool all = clocks.empty() && static_cast<int>(inputs.size()) <= kAllInputsMost;
  const std::string how = all ? "all" : fmt::format("{{random: {}, seed: 7}}", kRandomSteps / std::max<int>(1, static_cast<int>(clocks.size())));
  std::string text;
  for (std::size_t i = 0; i < std::max<std::size_t>(1, clocks.size()); ++i) {
    text += "  - {";
    if (all) {
      text += "every: {";
      for (std::size_t k = 0; k < inputs.size(); ++k) text += (k ? ", " : "") + inputs[k] + ": all";
      text += "}, ";
    } else if (!inputs.empty()) {
      text += "every: {" + inputs.front() + ": " + how + "}, ";
    }
    if (!clocks.empty()) text += "pulse: " + clocks[i] + ", ";
    text += "expect: circuit}\n";
  }
  return text;
}

// A linear-feedback walk over all inputs at once: `every` multiplies its entries, so that random ones for
// each input would be far too many. Source of the taps: maximal length for 16 bits (common practice).
void walk_inputs(files::Vectors& vectors) {
  std::vector<std::string> inputs;
  for (const files::Line& line : vectors.board.lines) {
    if (line.kind == LineKind::input) inputs.push_back(line.name);
  }
  std::uint32_t state = 0xACE1;
  for (files::Step& step : vectors.steps) {
    step.set.clear();
    for (const std::string& input : inputs) {
      state = (state >> 1) ^ ((state & 1u) ? 0xB400u : 0u);
      step.set.emplace_back(input, (state & 1u) ? files::Bit::one : files::Bit::zero);
    }
  }
}

Result<files::Vectors> vectors_for(const std::string& path) {
  auto kind = files::file_kind(path);
  TH_TRY(kind);
  if (*kind == files::FileKind::vectors) return files::read_vectors(path);
  auto board = files::read_board(path);
  TH_TRY(board);
  if (board->circuit.empty()) {
    return input_error(path, "it has neither steps nor a circuit: which states it has is unknown", "give a vectors file");
  }
  const auto folder = std::filesystem::path(path).parent_path();
  const std::string name = (folder / "levels.vectors.yaml").string();
  auto vectors = files::parse_vectors(name, fmt::format("vectors: levels\nboard: {}\nsteps:\n{}",
                                                        std::filesystem::path(path).filename().string(), steps_for(*board)));
  TH_TRY(vectors);
  if (std::any_of(board->lines.begin(), board->lines.end(), [](const auto& l) { return l.kind == LineKind::clock; })) {
    walk_inputs(*vectors);
  }
  return vectors;
}

// Rails are sampled with every step; a study looks at each state twice.
void prepare(plan::Plan& plan, bool twice) {
  plan::sample_rails(plan);
  if (!twice) return;
  std::vector<plan::PlannedStep> doubled;
  for (const plan::PlannedStep& step : plan.steps) {
    doubled.push_back(step);
    plan::PlannedStep again = step;
    again.before = step.contacts;
    again.set.clear();
    again.pulses.clear();
    again.relay_moves = 0;
    again.say = "once more";
    doubled.push_back(again);
  }
  for (std::size_t i = 0; i < doubled.size(); ++i) doubled[i].index = static_cast<int>(i);
  plan.steps = std::move(doubled);
}

// A rail's volts against how many outputs are high.
struct Sag {
  std::string rail;
  double few_v = 0.0, many_v = 0.0;  // mean with the fewest and the most outputs high
  int few = 0, many = 0;
  double fall() const { return std::fabs(few_v) - std::fabs(many_v); }
};

std::vector<Sag> sags_of(const BenchRun& run, const record::RunRecord& record) {
  std::map<int, int> highs;
  for (const record::StepRecord& step : record.steps) {
    for (const measure::Reading& r : step.readings) {
      const files::Line* line = run.plan().vectors.board.line(r.line);
      const files::Family* family = line ? run.plan().vectors.board.family_of(*line) : nullptr;
      if (r.expected == files::Bit::undriven || r.expected == files::Bit::any) continue;
      highs[step.index] += family ? plan::is_high(*family, r.expected) : r.expected == files::Bit::one;
    }
  }
  std::vector<Sag> sags;
  for (const plan::RailPlan& rail : run.plan().rails) {
    std::map<int, std::pair<double, int>> by_pattern;
    const auto model = plan::rail_model(run.plan(), rail.channel);
    for (const auto& [step, rails] : run.assessor().rails()) {
      const auto found = rails.find(rail.channel);
      if (found == rails.end() || !highs.count(step)) continue;
      auto& [sum, n] = by_pattern[highs[step]];
      sum += measure::estimate(found->second, model).volts.value;
      ++n;
    }
    if (by_pattern.size() < 2) continue;
    Sag sag;
    sag.rail = rail.rail.name;
    sag.few = by_pattern.begin()->first;
    sag.many = by_pattern.rbegin()->first;
    sag.few_v = by_pattern.begin()->second.first / by_pattern.begin()->second.second;
    sag.many_v = by_pattern.rbegin()->second.first / by_pattern.rbegin()->second.second;
    sags.push_back(sag);
  }
  return sags;
}

std::string side_text(const std::optional<record::LevelRecord::Side>& side) {
  if (!side) return fmt::format("{:^34}", "never seen");
  return fmt::format("{:>7.2f} {:>7.2f} {:>7.2f} {:>5.2f} {:>5}", side->min_v, side->mean_v, side->max_v, side->U_v, side->worst_step);
}

// What drives each output, and what it would show without the fixture.
std::string sources_table(const std::vector<OutputSource>& sources) {
  if (sources.empty()) return "";
  std::string text = "\nSources, by loads of 22 and 220 kohm at the worst step; by itself: without the fixture's own 1 Mohm\n";
  text += fmt::format("  {:<10} {:<5} {:>5} {:>15} {:>16} {:>16}\n", "line", "side", "step", "source, ohm", "as read", "by itself");
  const auto with = [](double value, double U, int digits) { return fmt::format("{:.{}f} +-{:.{}f}", value, digits, U, digits); };
  for (const OutputSource& s : sources) {
    const char* side = s.high ? "high" : "low";
    const std::string read = with(s.read.value, s.read_U.value, 2);
    if (s.source.known) {
      text += fmt::format("  {:<10} {:<5} {:>5} {:>15} {:>16} {:>16}\n", s.line, side, s.step,
                          with(s.source.ohms.value, s.source.ohms_U.value, 0), read,
                          with(s.source.open_circuit.value, s.source.U.value, 2));
    } else {
      text += fmt::format("  {:<10} {:<5} {:>5} {:>15} {:>16}  {}\n", s.line, side, s.step, "not known", read, s.source.why);
    }
    if (!s.weak.empty()) text += fmt::format("  {:<10} {:<5}       WEAK: {}\n", "", "", s.weak);
  }
  return text;
}

std::string table(const record::RunRecord& run, const std::vector<Sag>& sags, const std::vector<OutputSource>& sources,
                  const std::optional<measure::Gauge>& gauge) {
  std::string text = fmt::format("Levels of {} over {} steps, volts; worst: the step that showed it\n", run.board, run.steps.size());
  text += fmt::format("  {:<10} {:^35} {:^35}\n  {:<10} {:>7} {:>7} {:>7} {:>5} {:>5}  {:>7} {:>7} {:>7} {:>5} {:>5}\n", "", "low", "high",
                      "line", "min", "mean", "max", "U", "worst", "min", "mean", "max", "U", "worst");
  for (const record::LevelRecord& l : run.levels) {
    text += fmt::format("  {:<10} {}  {}\n", l.line, side_text(l.low), side_text(l.high));
  }
  text += "\nMargins: low = what the receiver takes as low, less the highest low; high = the lowest high, less what it needs\n";
  for (const record::LevelRecord& l : run.levels) {
    for (const record::MarginRecord& m : l.margins) {
      const double worst = std::min(m.low_v, m.high_v);
      text += fmt::format("  {:<10} to {:<20} low {:>6.2f}  high {:>6.2f}  +-{:.2f}{}\n", l.line, m.to, m.low_v, m.high_v, m.U_v,
                          worst < 0.0 ? "  NONE" : worst < m.U_v ? "  less than its uncertainty" : "");
    }
  }
  for (const Sag& s : sags) {
    if (s.fall() <= kSagTold.value) continue;
    text += fmt::format("  rail {} falls by {:.2f} V from {} to {} outputs high: highs that come from it fall along\n", s.rail, s.fall(),
                        s.few, s.many);
  }
  text += sources_table(sources);
  if (gauge) {
    text += fmt::format("\nSame contact again {:.1f} mV, contact made again {:.1f} mV, both {:.1f} mV (1 sd): {:.2f} % of the total "
                        "variation.\nA difference below {:.0f} mV between two runs is not real.\n", gauge->repeatability.value * 1e3,
                        gauge->reproducibility.value * 1e3, gauge->both.value * 1e3, gauge->percent,
                        1.96 * std::sqrt(2.0) * gauge->both.value * 1e3);
  }
  return text;
}

// Readings of one step and line over makings and trials.
std::optional<measure::Gauge> study(const std::vector<record::RunRecord>& runs) {
  std::map<std::pair<int, std::string>, std::vector<std::vector<double>>> cells;
  for (const record::RunRecord& run : runs) {
    std::map<std::pair<int, std::string>, std::vector<double>> trials;
    for (const record::StepRecord& step : run.steps) {
      for (const measure::Reading& r : step.readings) trials[{step.index / 2, r.line}].push_back(r.volts.value);
    }
    for (auto& [key, volts] : trials) cells[key].push_back(volts);
  }
  std::vector<std::vector<std::vector<double>>> whole;
  for (auto& [key, makings] : cells) {
    const bool full = makings.size() == runs.size() &&
                      std::all_of(makings.begin(), makings.end(), [](const auto& t) { return t.size() == 2; });
    if (full) whole.push_back(makings);
  }
  auto gauge = measure::gauge_study(whole);
  if (!gauge) return std::nullopt;
  return *gauge;
}

std::string sag_json(const std::vector<Sag>& sags) {
  Json json = Json::array();
  for (const Sag& s : sags) {
    json.push_back({{"rail", s.rail}, {"outputs_high", {s.few, s.many}}, {"volts", {s.few_v, s.many_v}}, {"fall_v", s.fall()}});
  }
  return json.dump();
}

std::string gauge_json(const measure::Gauge& gauge) {
  return Json{{"repeatability_v", gauge.repeatability.value}, {"reproducibility_v", gauge.reproducibility.value},
              {"both_v", gauge.both.value}, {"percent", gauge.percent}, {"categories", gauge.categories}}.dump();
}

int answer(const LevelsOptions& options, const record::RunRecord& run, const std::vector<Sag>& sags,
           const std::vector<OutputSource>& sources, const std::optional<measure::Gauge>& gauge, const std::string& beside) {
  if (!options.bench.json.empty()) {
    if (auto written = write_text(options.bench.json, report::run_json(run) + "\n"); !written) return tell(written.error());
  }
  if (options.bench.json != "-") {
    if (run.aborted) {
      fmt::print("{}: stopped ({} at {}): {}\n", run.board, run.aborted->cause, run.aborted->where, run.aborted->message);
    } else if (options.bench.quiet) {
      double worst = HUGE_VAL;
      for (const record::LevelRecord& l : run.levels) {
        for (const record::MarginRecord& m : l.margins) worst = std::min({worst, m.low_v, m.high_v});
      }
      fmt::print("{}: {} outputs, worst margin {:.2f} V\n", run.board, run.levels.size(), worst);
    } else {
      fmt::print("{}{}", table(run, sags, sources, gauge), beside);
      for (const std::string& w : run.warnings) fmt::print("  warning: {}\n", w);
    }
  }
  return run.aborted ? kExitFixture : kExitPass;
}

}  // namespace

int levels(const LevelsOptions& options) {
  auto vectors = vectors_for(options.board);
  if (!vectors) return tell(vectors.error());
  auto plan = plan_on(options.bench, vectors.take());
  if (!plan) return tell(plan.error());
  auto store = open_store(options.bench.store);
  if (!store) return tell(store.error());
  prepare(*plan, options.repeat > 1);
  auto bench = open_bench(options.bench, *plan, person_cancels());
  if (!bench) return tell(bench.error());

  std::vector<record::RunRecord> runs;
  std::vector<Sag> sags;
  std::vector<Beside> beside;
  std::vector<OutputSource> sources;
  for (int i = 0; i < options.repeat; ++i) {
    BenchRun run(*plan, measure::Decision::guarded, {});
    if (i + 1 == options.repeat) run.want_sources();
    const auto add = [&](record::RunRecord& record) {
      sags = sags_of(run, record);
      sources = run.sources();
      record.sections["sag"] = sag_json(sags);
      beside = levels_beside(plan->vectors.board, record.levels);
      if (!beside.empty()) record.sections["predicted"] = beside_json(beside);
      runs.push_back(record);
      if (i + 1 < options.repeat || options.repeat < 2) return;
      if (const auto gauge = study(runs)) record.sections["gauge"] = gauge_json(*gauge);
    };
    if (auto recorded = record_run(run, *bench, options.bench, *store, "levels", add); !recorded) return tell(recorded.error());
    runs.back() = run.record();
    if (runs.back().aborted) break;
  }
  const auto gauge = options.repeat > 1 ? study(runs) : std::nullopt;
  return answer(options, runs.back(), sags, sources, gauge, beside_text(beside));
}

}  // namespace tenterhook::commands
