#include "host/commands/power.h"

#include <fmt/chrono.h>
#include <fmt/format.h>

#include <chrono>
#include <cmath>
#include <cstdio>
#include <nlohmann/json.hpp>
#include <optional>

#include "host/commands/bench.h"
#include "host/commands/output.h"
#include "host/files/reader.h"
#include "host/measure/calibration.h"
#include "host/measure/verdict.h"
#include "host/power/budget.h"
#include "host/power/curves.h"
#include "host/power/sequence.h"
#include "host/record/store.h"
#include "host/report/json.h"
#include "host/report/screen.h"
#include "host/report/terminal.h"

namespace tenterhook::commands {

namespace {

using Json = nlohmann::ordered_json;
constexpr Seconds kDischargeAtMost{60.0};
constexpr int kEarlierRuns = 10;
constexpr double kInrush = 1.2;    // a peak beyond so many times the steady current has a time to half
constexpr double kNoticed = 0.03;  // a steady current that differs by more is told

Result<power::Budget> budget_of_file(const std::string& path) {
  auto kind = files::file_kind(path);
  TH_TRY(kind);
  if (*kind == files::FileKind::machine) {
    auto machine = files::read_machine(path);
    TH_TRY(machine);
    return power::budget_of(*machine);
  }
  if (*kind == files::FileKind::vectors) {
    auto vectors = files::read_vectors(path);
    TH_TRY(vectors);
    return power::budget_of(vectors->board);
  }
  auto board = files::read_board(path);
  TH_TRY(board);
  return power::budget_of(*board);
}

// A board file alone is vectors without steps.
Result<files::Vectors> board_alone(const std::string& path) {
  auto kind = files::file_kind(path);
  TH_TRY(kind);
  files::Vectors vectors;
  if (*kind == files::FileKind::vectors) {
    auto read = files::read_vectors(path);
    TH_TRY(read);
    vectors = read.take();
  } else {
    auto board = files::read_board(path);
    TH_TRY(board);
    vectors.board = board.take();
    vectors.path = path;
    vectors.sources = vectors.board.sources;
  }
  vectors.steps.clear();
  return vectors;
}

int print_budget(const PowerOptions& options) {
  auto budget = budget_of_file(options.file);
  if (!budget) return tell(budget.error());
  if (options.bench.json != "-") fmt::print("{}", power::text(*budget));
  if (!options.bench.json.empty()) {
    if (auto written = write_text(options.bench.json, power::json(*budget)); !written) return tell(written.error());
  }
  return kExitPass;
}

class Powering {
 public:
  Powering(const PowerOptions& options, plan::Plan plan, record::Store store)
      : options_(options),
        plan_(std::move(plan)),
        store_(std::move(store)),
        to_stdout_(options.bench.json != "-" && options.csv != "-"),
        screen_(report::screen_of(to_stdout_ ? stdout_descriptor() : stderr_descriptor())),
        out_(to_stdout_ ? stdout : stderr),
        view_(screen_),
        book_(plan_) {}

  Status connect();
  Status perform();
  int close(const std::optional<Error>& trouble);

 private:
  void say(const std::string& text) {
    if (options_.bench.quiet || text.empty()) return;
    std::fputs(text.c_str(), out_);
    std::fflush(out_);
  }
  bool tripped(const std::optional<link::FaultReport>& fault) {
    if (fault) record_.aborted = power::aborted_by(*fault, plan_);
    return fault.has_value();
  }
  Status up(power::Sequence& sequence);
  void judge_rails();
  void show_curves();
  std::string verdict_line() const;
  std::string closing() const;
  std::string figures_line(const record::CurveRecord& curve);
  std::optional<power::SoftStart> foretold(const std::string& rail) const;
  std::string foretold_line(const std::string& rail, const power::SoftStart& foretold);
  std::string compared_line(const record::CurveRecord& amps);
  void remember_last();

  const PowerOptions& options_;
  plan::Plan plan_;
  record::Store store_;
  bool to_stdout_;
  report::Screen screen_;
  std::FILE* out_;
  report::LiveView view_;
  power::CurveBook book_;
  Bench bench_;
  measure::InUse measuring_;
  record::RunRecord record_;
  std::optional<record::RunRecord> last_;
  std::string discharge_;
  Json inrush_ = Json::object();
};

Status Powering::connect() {
  auto bench = open_bench(options_.bench, plan_, person_cancels());
  TH_TRY(bench);
  bench_ = bench.take();
  const link::Identity& who = bench_.session->identity();
  record_.kind = "power";
  record_.started = fmt::format("{:%Y-%m-%dT%H:%M:%SZ}",
                                fmt::gmtime(std::chrono::system_clock::to_time_t(std::chrono::system_clock::now())));
  record_.board = plan_.vectors.board.name;
  record_.board_serial = options_.bench.serial;
  record_.fixture = bench_.emulated ? "emulated" : who.fixture;
  record_.fixture_serial = who.serial;
  record_.firmware_build = who.firmware_build;
  measuring_ = measure::in_use(plan_.fixture, who.serial, measure::today());
  record_.calibration = measuring_.name;
  if (bench_.emulated) record_.seed = bench_.seed;
  record_.faults = options_.bench.faults;
  record_.sources = plan_.vectors.sources;
  record_.sources.insert(record_.sources.end(), plan_.fixture.sources.begin(), plan_.fixture.sources.end());
  record_.warnings = bench_.session->warnings();
  if (!measuring_.warning.empty()) record_.warnings.push_back(measuring_.warning);
  remember_last();
  auto number = store_.begin(record_);
  TH_TRY(number);
  say(view_.opening(record_));
  say("Hot glass, stored charge, heater current: no rings; never swap a valve live. The fixture is not a safety device.\n");
  return {};
}

// The last power-up of this board that came to its end with curves.
void Powering::remember_last() {
  record::HistoryFilter filter;
  filter.board = record_.board;
  filter.board_serial = record_.board_serial;
  filter.kind = "power";
  filter.limit = kEarlierRuns;
  auto page = store_.history(filter);
  if (!page) return;
  for (const record::RunSummary& run : page->runs) {
    if (!run.complete || run.aborted) continue;
    auto loaded = store_.load(run.number);
    if (loaded && !loaded->power.curves.empty()) {
      last_ = loaded.take();
      return;
    }
  }
}

Status Powering::up(power::Sequence& sequence) {
  auto up = sequence.up(&book_, power::Curves::settled);
  record_.power.curves = book_.curves();
  TH_TRY(up);
  if (tripped(*up)) return {};
  std::optional<link::FaultReport> fault;
  auto warm = sequence.warm_up(fault);
  TH_TRY(warm);
  if (tripped(fault)) return {};
  if (plan_.vectors.board.warm_up) {
    record_.power.warm_up_s = warm->took.value;
    if (!warm->steady) {
      record_.warnings.push_back(fmt::format("not steady after {}: {} still moved {} in {}", text(warm->took), warm->line,
                                             text(warm->drift), text(plan_.vectors.board.warm_up->hold)));
      record_.verdict = measure::Verdict::unsure;
    }
  }
  auto rails = sequence.rails(fault);
  TH_TRY(rails);
  if (tripped(fault)) return {};
  record_.power.rails = *rails;
  judge_rails();
  return {};
}

void Powering::judge_rails() {
  for (const record::RailRecord& rail : record_.power.rails) {
    measure::Estimate estimate;
    estimate.volts = Volts{rail.measured_v};
    estimate.U = Volts{rail.U_v};
    const auto verdict = measure::judge(estimate, {Volts{rail.window_min_v}, Volts{rail.window_max_v}}, measure::Decision::guarded);
    record_.verdict = record_.verdict == measure::Verdict::none ? verdict : measure::worst(record_.verdict, verdict);
    if (verdict == measure::Verdict::unsure) {
      record_.warnings.push_back(fmt::format("rail {} reads {} with U {}, too near the edge of its window to decide: a calibrated fixture would", rail.rail,
                                             text(Volts{rail.measured_v}), text(Volts{rail.U_v})));
    }
  }
}

Status Powering::perform() {
  power::Sequence sequence(*bench_.session, plan_, [this](const std::string& what, double fraction) {
    report::Progress now;
    now.phase = what;
    now.done = static_cast<int>(100.0 * std::max(0.0, fraction));
    now.total = fraction < 0.0 ? 0 : 100;
    say(view_.progress(now));
  }, measuring_.models.rail);
  auto began = bench_.session->status();
  TH_TRY(began);
  TH_TRY(up(sequence));
  auto prepared = bench_.session->status();
  TH_TRY(prepared);
  record_.time.prepare_s = (prepared->time - began->time).value;
  if (record_.aborted) TH_TRY(bench_.session->stop());
  auto down = sequence.down(kDischargeAtMost);
  TH_TRY(down);
  record_.time.discharge_s = down->took.value;
  discharge_ = down->message;
  if (down->below) {
    record_.power.discharged_below_v = down->limit.value;
  } else {
    record_.warnings.push_back(down->message);
    record_.verdict = measure::worst(record_.verdict, measure::Verdict::unsure);
  }
  if (down->predicted) discharge_ += fmt::format(" (took {}, foreseen {})", text(down->took), text(*down->predicted));
  return {};
}

std::string Powering::figures_line(const record::CurveRecord& curve) {
  const power::CurveFigures f = book_.figures(curve.rail).value_or(power::figures_of(curve));
  inrush_[curve.rail] = {{"peak_a", f.peak}, {"peak_s", f.peak_s}, {"half_s", f.half_s}, {"steady_a", f.steady}, {"i2t_a2s", f.i2t}};
  const bool inrush = std::fabs(f.peak) > kInrush * std::fabs(f.steady);
  return fmt::format("  {}: peak {}, {}steady {}, i2t {:.3g} A2s\n", curve.rail, text(Amps{f.peak}),
                     inrush ? fmt::format("half way down after {}, ", text(Seconds{f.half_s})) : "", text(Amps{f.steady}), f.i2t);
}

std::optional<power::SoftStart> Powering::foretold(const std::string& name) const {
  for (const plan::RailPlan& rail : plan_.rails) {
    const auto& resistor = plan_.fixture.rails.at(static_cast<std::size_t>(rail.channel)).pre_charge;
    if (rail.rail.name != name || !resistor) continue;
    auto start = power::soft_start_of(plan_.vectors.board, name, *resistor);
    if (start) return *start;
  }
  return std::nullopt;
}

std::string Powering::foretold_line(const std::string& rail, const power::SoftStart& foretold) {
  const std::optional<Seconds> reached = book_.soft_started(rail);
  Json& j = inrush_[rail];
  j["foreseen_peak_a"] = foretold.peak.value;
  j["foreseen_switch_over_s"] = foretold.reached.value;
  j["switch_over_s"] = reached ? Json(reached->value) : Json(nullptr);
  return fmt::format("    through the pre-charge resistor: {} reached after {} (from ratings {}, first peak {})\n",
                     text(plan_.vectors.board.rail(rail)->soft_start->until), reached ? text(*reached) : "no time at all",
                     text(foretold.reached), text(foretold.peak));
}

std::string Powering::compared_line(const record::CurveRecord& amps) {
  if (!last_ || record_.aborted) return "";
  for (const record::CurveRecord& before : last_->power.curves) {
    if (before.rail != amps.rail || before.quantity != "amps" || before.value.empty()) continue;
    const double now = power::figures_of(amps).steady, then = power::figures_of(before).steady;
    inrush_[amps.rail]["steady_before_a"] = then;
    inrush_[amps.rail]["run_before"] = last_->number;
    std::string text_line = fmt::format("    run {}: steady {}, peak {}\n", last_->number, text(Amps{then}),
                                        text(Amps{power::figures_of(before).peak}));
    const files::Rail* rail = plan_.vectors.board.rail(amps.rail);
    for (const files::Draw& draw : power::draws_of(plan_.vectors.board, *rail).draws) {
      if (draw.kind != files::Draw::Kind::filament) continue;
      const long moved = std::lround((now - then) / draw.each.value);
      if (moved == 0) continue;
      record_.warnings.push_back(fmt::format("rail {} draws {} than in run {}: as if {} filament{} {}", amps.rail,
                                             text(Amps{std::fabs(now - then)}) + (moved < 0 ? " less" : " more"), last_->number,
                                             std::labs(moved), std::labs(moved) == 1 ? "" : "s",
                                             moved < 0 ? "had gone: look for a dark valve" : "more were lit"));
      return text_line;
    }
    if (std::fabs(now - then) > kNoticed * std::fabs(then) + 2e-3) {
      record_.warnings.push_back(fmt::format("rail {} draws {} now and drew {} in run {}", amps.rail, text(Amps{now}), text(Amps{then}),
                                             last_->number));
    }
    return text_line;
  }
  return "";
}

void Powering::show_curves() {
  for (const record::CurveRecord& curve : record_.power.curves) {
    if (curve.quantity != "amps") continue;
    const auto start = foretold(curve.rail);
    record::CurveRecord behind;
    for (const power::HeatPoint& p : start ? start->curve : std::vector<power::HeatPoint>{}) {
      behind.time_s.push_back(p.time.value);
      behind.value.push_back(p.amps.value);
    }
    say("\n" + power::drawing(curve, std::min(screen_.width, 78), screen_.unicode, start ? &behind : nullptr));
    std::string lines = figures_line(curve);  // one after the other: each adds to the record
    if (start) lines += foretold_line(curve.rail, *start);
    lines += compared_line(curve);
    say(lines);
  }
}

std::string Powering::verdict_line() const {
  if (record_.aborted) {
    return fmt::format("STOP  run {}  {}: {}{} ({}): {}", record_.number, record_.board, record_.aborted->cause,
                       record_.aborted->where.empty() ? "" : " at " + record_.aborted->where, record_.aborted->blame,
                       record_.aborted->message);
  }
  std::string word = record::verdict_word(record_.verdict);
  for (char& c : word) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  const char* what = record_.verdict == measure::Verdict::pass   ? "every rail is in its window"
                     : record_.verdict == measure::Verdict::fail ? "a rail is outside its window"
                                                                 : "not everything could be decided";
  return fmt::format("{}  run {}  {}: {}", word, record_.number, record_.board, what);
}

std::string Powering::closing() const {
  std::string out = "\n";
  for (const record::RailRecord& r : record_.power.rails) {
    out += fmt::format("  {:<8} {:7.2f} V, U {:.2f} V, window {:.2f} to {:.2f} V, {:.3f} A\n", r.rail, r.measured_v, r.U_v,
                       r.window_min_v, r.window_max_v, r.amps);
  }
  if (record_.power.warm_up_s) out += fmt::format("  warm after {}\n", text(Seconds{*record_.power.warm_up_s}));
  for (const std::string& warning : record_.warnings) {
    if (warning != discharge_) out += "  ! " + report::wrapped(warning, screen_.width, 4) + "\n";
  }
  const report::Paint paint = record_.aborted                                  ? report::Paint::stop
                              : record_.verdict == measure::Verdict::pass ? report::Paint::pass
                              : record_.verdict == measure::Verdict::fail ? report::Paint::fail
                                                                          : report::Paint::unsure;
  out += "\n" + screen_.paint(paint, report::wrapped(verdict_line(), screen_.width, 0)) + "\n";
  if (!discharge_.empty()) out += report::wrapped(discharge_, screen_.width, 0) + "\n";
  return out;
}

int Powering::close(const std::optional<Error>& trouble) {
  if (trouble) {
    if (bench_.session) (void)bench_.session->stop().ok();
    const bool person = trouble->trouble == Trouble::interrupted;
    record_.aborted = record::Aborted{person ? "stopped" : "link", trouble->where, person ? "person" : "link", trouble->text()};
    record_.power.curves = book_.curves();
  }
  say(view_.clear());
  show_curves();
  record_.sections["inrush"] = inrush_.dump();
  if (auto budget = power::budget_of(plan_.vectors.board); budget) record_.sections["budget"] = power::json(*budget);
  auto stored = store_.finish(record_);
  if (options_.bench.quiet) {
    if (to_stdout_) fmt::print("{}\n", verdict_line());
  } else {
    say(closing());
  }
  if (!stored) return tell(stored.error());
  if (!options_.bench.json.empty()) {
    if (auto w = write_text(options_.bench.json, report::run_json(record_) + "\n"); !w) return tell(w.error());
  }
  if (!options_.csv.empty()) {
    if (auto w = write_text(options_.csv, power::csv(record_.power.curves)); !w) return tell(w.error());
  }
  if (trouble) return exit_code(trouble->trouble);
  if (record_.aborted) return kExitFixture;
  switch (record_.verdict) {
    case measure::Verdict::fail: return kExitFail;
    case measure::Verdict::unsure: return kExitUnsure;
    case measure::Verdict::pass:
    case measure::Verdict::none: return kExitPass;
  }
  return kExitBug;
}

}  // namespace

int power(const PowerOptions& options) {
  if (options.budget) return print_budget(options);
  auto vectors = board_alone(options.file);
  if (!vectors) return tell(vectors.error());
  auto fixture = describe_fixture(options.bench);
  if (!fixture) return tell(fixture.error());
  auto plan = plan::make_plan(vectors.take(), fixture.take(), {});
  if (!plan) return tell(plan.error());
  if (auto agreed = agree_to_power(options.bench, *plan); !agreed) return tell(agreed.error());
  auto store = open_store(options.bench.store);
  if (!store) return tell(store.error());
  Powering powering(options, plan.take(), store.take());
  if (auto connected = powering.connect(); !connected) return tell(connected.error());
  std::optional<Error> trouble;
  if (auto performed = powering.perform(); !performed) {
    trouble = performed.error();
    tell(*trouble);
  }
  return powering.close(trouble);
}

}  // namespace tenterhook::commands
