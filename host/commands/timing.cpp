#include "host/commands/timing.h"

#include <fmt/format.h>

#include <algorithm>
#include <cstdio>
#include <map>
#include <optional>

#include "host/commands/bench.h"
#include "host/commands/bench_run.h"
#include "host/commands/beside_prediction.h"
#include "host/commands/output.h"
#include "host/commands/record_run.h"
#include "host/files/reader.h"
#include "host/report/json.h"
#include "host/report/screen.h"
#include "host/report/terminal.h"
#include "host/timing/study.h"

namespace tenterhook::commands {

namespace {

Result<files::Vectors> vectors_for(const std::string& path) {
  auto kind = files::file_kind(path);
  TH_TRY(kind);
  if (*kind == files::FileKind::vectors) return files::read_vectors(path);
  auto board = files::read_board(path);
  TH_TRY(board);
  files::Vectors vectors;
  vectors.board = board.take();
  vectors.name = "timing";
  vectors.path = path;
  vectors.sources = vectors.board.sources;
  return vectors;
}

Result<std::optional<std::pair<std::string, std::string>>> axes_of(const TimingOptions& options) {
  using Axes = std::optional<std::pair<std::string, std::string>>;
  if (options.shmoo.empty()) {
    if (!options.csv.empty() || !options.svg.empty()) {
      return input_error(options.csv.empty() ? "--svg" : "--csv", "there is no plot to write", "add --shmoo X,Y: two of period, width, offset, settle");
    }
    return Axes{};
  }
  const std::size_t comma = options.shmoo.find(',');
  if (comma == std::string::npos || options.shmoo.find(',', comma + 1) != std::string::npos) {
    return input_error("--shmoo " + options.shmoo, "expected two axes", "write --shmoo period,width");
  }
  return Axes{{options.shmoo.substr(0, comma), options.shmoo.substr(comma + 1)}};
}

// One board timed: what was found is in `study` even when the board tripped in the middle.
class Timing {
 public:
  Timing(const TimingOptions& options, plan::Plan plan, timing::Found found, timing::StudyOptions study)
      : options_(options),
        found_(std::move(found)),
        study_options_(std::move(study)),
        on_stdout_(options.bench.json != "-" && options.vcd != "-" && options.csv != "-" && options.svg != "-"),
        screen_(report::screen_of(on_stdout_ ? stdout_descriptor() : stderr_descriptor())),
        out_(on_stdout_ ? stdout : stderr),
        view_(screen_),
        run_(without_steps(std::move(plan)), measure::Decision::guarded,
             {{}, [this](const std::string& phase, int done, int total) { show(phase, done, total); },
              [this](link::Session& session) { return measure(session); }}) {
    study_options_.told = [this](const std::string& what, int done, int total) { show(what, done, total); };
  }

  int perform(Bench& bench, record::Store& store);

 private:
  static plan::Plan without_steps(plan::Plan plan) {
    plan.vectors.steps.clear();
    plan.steps.clear();
    return plan;
  }
  void say(const std::string& text) {
    if (options_.bench.quiet || text.empty()) return;
    std::fputs(text.c_str(), out_);
    std::fflush(out_);
  }
  void show(const std::string& phase, int done, int total) {
    report::Progress progress;
    progress.phase = phase;
    progress.done = done;
    progress.total = total;
    say(view_.progress(progress));
  }
  Status measure(link::Session& session);
  int write();
  std::vector<Beside> edges_beside(const timing::Study& study) const;
  void tell_result();

  const TimingOptions& options_;
  timing::Found found_;
  timing::StudyOptions study_options_;
  bool on_stdout_;
  report::Screen screen_;
  std::FILE* out_;
  report::LiveView view_;
  std::optional<timing::Study> study_;
  BenchRun run_;
  std::vector<Beside> beside_;
};

Status Timing::measure(link::Session& session) {
  std::vector<measure::ChannelModel> sense;
  for (int i = 0; i < run_.plan().fixture.sense.channels; ++i) sense.push_back(plan::sense_model(run_.plan(), i));
  timing::Stand stand(session, run_.plan(), std::move(sense));
  auto studied = timing::study(stand, run_.plan(), found_, study_options_);
  if (!studied) {
    if (!stand.fault()) return studied.error();
    run_.record().aborted = power::aborted_by(*stand.fault(), run_.plan());
    return {};
  }
  study_ = studied.take();
  return {};
}

// Each output's rising and falling edges, from whatever input, beside what is predicted of them.
std::vector<Beside> Timing::edges_beside(const timing::Study& study) const {
  struct Seen {
    double shortest = 0.0, longest = 0.0, U = 0.0;
  };
  std::map<std::pair<std::string, bool>, Seen> seen;
  for (const timing::EdgeResult& edge : study.edges) {
    if (!edge.transition) continue;
    const double t = edge.transition->value;
    auto [at, fresh] = seen.try_emplace({edge.to, edge.to_high}, Seen{t, t, edge.transition->U});
    at->second = {std::min(at->second.shortest, t), std::max(at->second.longest, t), std::max(at->second.U, edge.transition->U)};
  }
  std::vector<Beside> all;
  for (const auto& [what, s] : seen) {
    for (const Beside& b : commands::edges_beside(run_.plan().vectors.board, what.first, what.second, Seconds{s.shortest}, Seconds{s.longest}, Seconds{s.U})) {
      all.push_back(b);
    }
  }
  return all;
}

int Timing::write() {
  const record::RunRecord& record = run_.record();
  if (!options_.bench.json.empty()) {
    if (auto written = write_text(options_.bench.json, report::run_json(record) + "\n"); !written) return tell(written.error());
  }
  if (!study_) return kExitPass;
  if (!options_.vcd.empty()) {
    const std::string about = fmt::format("{} {} run {}: edges by delayed samples, instants from the driven edge", record.board, record.board_serial, record.number);
    if (auto written = write_text(options_.vcd, timing::vcd(*study_, about, record.started)); !written) return tell(written.error());
  }
  if (!study_->plot) return kExitPass;
  if (!options_.csv.empty()) {
    if (auto written = write_text(options_.csv, timing::csv(*study_->plot)); !written) return tell(written.error());
  }
  if (!options_.svg.empty()) {
    if (auto written = write_text(options_.svg, timing::svg(*study_->plot)); !written) return tell(written.error());
  }
  return kExitPass;
}

void Timing::tell_result() {
  const record::RunRecord& record = run_.record();
  std::string text = view_.clear();
  if (study_) {
    timing::Study shown = *study_;
    shown.plot.reset();
    text += timing::table(shown);
    if (study_->plot) text += "\n" + timing::text(*study_->plot, screen_.unicode, screen_.colour);
  }
  text += beside_text(beside_);
  for (const std::string& warning : record.warnings) text += "  warning: " + warning + "\n";
  if (record.aborted) text += fmt::format("stopped ({} at {}): {}\n", record.aborted->cause, record.aborted->where, record.aborted->message);
  if (record.power.discharged_below_v) text += fmt::format("measured rails below {:.0f} V\n", *record.power.discharged_below_v);
  std::fputs(text.c_str(), out_);
}

int Timing::perform(Bench& bench, record::Store& store) {
  const auto add = [this](record::RunRecord& record) {
    if (!study_) return;
    record.sections["timing"] = timing::json(*study_);
    beside_ = edges_beside(*study_);
    if (!beside_.empty()) record.sections["predicted"] = beside_json(beside_);
    record.verdict = record.aborted ? record.verdict : study_->verdict;
  };
  auto recorded = record_run(run_, bench, options_.bench, store, "timing", add);
  if (!recorded) {
    say(view_.clear());
    return tell(recorded.error());
  }
  if (!options_.bench.quiet) tell_result();
  if (const int trouble = write(); trouble != kExitPass) return trouble;
  const record::RunRecord& record = run_.record();
  if (options_.bench.quiet && on_stdout_) {
    fmt::print("{}  run {}  {}: {} edges, {} limits, {} not measured\n", record::verdict_word(record.verdict), record.number, record.board,
               study_ ? study_->edges.size() : 0, study_ ? study_->limits.size() : 0, study_ ? study_->not_measured.size() : 0);
  }
  return exit_code_of(record);
}

}  // namespace

int timing(const TimingOptions& options) {
  auto axes = axes_of(options);
  if (!axes) return tell(axes.error());
  auto vectors = vectors_for(options.board);
  if (!vectors) return tell(vectors.error());
  for (const std::string& line : options.lines) {
    if (!vectors->board.line(line)) return tell(input_error("--line " + line, "the board has no such line"));
  }
  auto plan = plan_on(options.bench, vectors.take());
  if (!plan) return tell(plan.error());
  timing::prepare_wiring(*plan);
  auto found = timing::find_paths(*plan, {options.lines});
  if (!found) return tell(found.error());
  auto store = open_store(options.bench.store);
  if (!store) return tell(store.error());
  auto bench = open_bench(options.bench, *plan, person_cancels());
  if (!bench) return tell(bench.error());
  timing::StudyOptions study;
  study.repeats = options.repeats;
  study.pulses = options.pulses;
  study.plot = *axes;
  Timing run(options, plan.take(), found.take(), study);
  return run.perform(*bench, *store);
}

}  // namespace tenterhook::commands
