#include "host/commands/run.h"

#include <fmt/format.h>
#include <unistd.h>

#include <chrono>
#include <cstdio>
#include <optional>
#include <thread>
#include <vector>

#include "host/commands/bench.h"
#include "host/commands/bench_run.h"
#include "host/commands/keys.h"
#include "host/commands/output.h"
#include "host/commands/probing.h"
#include "host/commands/recorded.h"
#include "host/commands/repeating.h"
#include "host/files/reader.h"
#include "host/measure/nominal.h"
#include "host/record/compare.h"
#include "host/record/store.h"
#include "host/report/tables.h"
#include "host/report/terminal.h"

namespace tenterhook::commands {

namespace {

constexpr std::chrono::milliseconds kBetweenBells{180};
// How often the prompt looks whether a signal came.
constexpr int kPromptLookMs = 500;
constexpr Seconds kWarmLook{0.5};
constexpr Seconds kWarmAtMost{1800.0};

// One run as a person sees and keeps it: told on the screen, recorded step by step.
class Running {
 public:
  // `repeating`: null for vectors that are run once; outlives it.
  Running(const RunOptions& options, plan::Plan plan, Bench& bench, record::Store& store, Repeating* repeating)
      : options_(options),
        bench_(bench),
        store_(store),
        repeating_(repeating),
        screen_(report::screen_of(options.bench.json == "-" ? stderr_descriptor() : stdout_descriptor())),
        out_(options.bench.json == "-" ? stderr : stdout),
        view_(screen_),
        run_(std::move(plan), options.simple_decision ? measure::Decision::simple : measure::Decision::guarded,
             {[this](const record::StepRecord& step) { took_step(step); },
              [this](const std::string& phase, int done, int total) { show_phase(phase, done, total); },
              [this](link::Session& session) { return wait_until_warm(session); }}) {
    if (repeating_) run_.at_once(repeating_->steps_each);
    run_.part_tests(options.part_tests);
  }

  Status begin(long failed_in, const std::vector<Chosen>& chosen);
  int perform();
  bool lost_link() const { return lost_link_; }

 private:
  void say(const std::string& text) {
    if (!options_.bench.quiet && !text.empty()) {
      std::fputs(text.c_str(), out_);
      std::fflush(out_);
    }
  }
  void took_step(const record::StepRecord& step);
  void show_phase(const std::string& phase, int done, int total);
  void show(report::Progress now);
  Status wait_until_warm(link::Session& session);
  int close(const std::optional<Error>& trouble);
  std::string since_last(const record::RunRecord& record) const;
  void sound(const record::RunRecord& record) const;

  const RunOptions& options_;
  Bench& bench_;
  record::Store& store_;
  Repeating* repeating_;
  report::Screen screen_;
  std::FILE* out_;
  report::LiveView view_;
  BenchRun run_;
  std::optional<Error> store_trouble_;
  int wrong_ = 0, unsure_ = 0;
  bool lost_link_ = false;
};

Status Running::begin(long failed_in, const std::vector<Chosen>& chosen) {
  run_.identify(bench_, options_.bench);
  if (options_.unload) run_.correct_for_loading();
  if (!chosen.empty()) run_.record().sections[kOnlySection] = only_json(failed_in, chosen);
  auto number = store_.begin(run_.record());
  TH_TRY(number);
  say(view_.opening(run_.record()));
  return {};
}

void Running::took_step(const record::StepRecord& step) {
  if (!store_trouble_) {
    if (auto stored = store_.add_step(run_.record().number, step); !stored) store_trouble_ = stored.error();
  }
  for (const measure::Reading& r : step.readings) {
    wrong_ += r.verdict == measure::Verdict::fail;
    unsure_ += r.verdict == measure::Verdict::unsure;
  }
  say(view_.step(step));
  const int done = step.index + 1;
  const int total = static_cast<int>(run_.plan().steps.size());
  report::Progress now;
  now.phase = repeating_ ? fmt::format("pass {} of {}", step.index / repeating_->steps_each + 1, repeating_->order.passes.size()) : "vectors";
  now.done = done;
  now.total = total;
  now.doing = step.say;
  now.left_s = step.time_s / done * (total - done);
  show(now);
}

void Running::show_phase(const std::string& phase, int done, int total) {
  report::Progress now;
  now.phase = phase;
  now.done = done;
  now.total = total;
  now.share = true;
  show(now);
}

void Running::show(report::Progress now) {
  now.wrong = wrong_;
  now.unsure = unsure_;
  say(view_.progress(now));
}

// A board that is to be warm stays powered, and does nothing, until the person says so.
Status Running::wait_until_warm(link::Session& session) {
  if (!repeating_ || !repeating_->interactive || repeating_->asked.condition != kWarm) return {};
  KeyMode keys;
  for (double waited = 0.0; waited < kWarmAtMost.value; waited += kWarmLook.value) {
    report::Progress now;
    now.phase = fmt::format("powered for {:.0f} s; space: warm enough", waited);
    show(now);
    const Press press = next_key(static_cast<int>(kWarmLook.value * 500.0));
    if (press.key == Key::end || (press.key == Key::character && press.character == ' ')) return {};
    auto idled = session.idle(kWarmLook);
    TH_TRY(idled);
    if (*idled) return {};  // what opened everything is told by the next program
  }
  return {};
}

int Running::perform() {
  auto performed = run_.perform(*bench_.session);
  if (performed) return close(std::nullopt);
  tell(performed.error());
  lost_link_ = performed.error().trouble == Trouble::fixture;
  return close(performed.error());
}

// What changed against the last finished run of the same board.
std::string Running::since_last(const record::RunRecord& record) const {
  auto before = last_run(store_, record.board, record.board_serial, record.number);
  if (!before) return "since last time: not known; " + before.error().text();
  if (!*before) return fmt::format("since last time: this is the first run of {} {}", record.board, record.board_serial);
  return report::since_text(**before, record, record::compare(**before, record));
}

// The terminal's bell, never alone: one for a pass, two for unsure, three for a fail or a stop.
void Running::sound(const record::RunRecord& record) const {
  if (options_.mute || !screen_.terminal) return;
  const int code = exit_code_of(record);
  const int bells = code == kExitPass ? 1 : code == kExitUnsure ? 2 : 3;
  for (int i = 0; i < bells; ++i) {
    if (i > 0) std::this_thread::sleep_for(kBetweenBells);
    std::fputc('\a', out_);
    std::fflush(out_);
  }
}

int Running::close(const std::optional<Error>& trouble) {
  run_.finish(bench_.session.get(), trouble);
  record::RunRecord& record = run_.record();
  if (repeating_) repeating_->conclude(run_);
  auto stored = store_.finish(record);
  if (!stored && !store_trouble_) store_trouble_ = stored.error();

  say(view_.clear());
  if (options_.bench.quiet) {
    if (options_.bench.json != "-") fmt::print("{}", report::quiet_line(record));
  } else {
    say(report::closing(record, screen_, since_last(record)));
    if (repeating_) say(report::wrapped(repeating_->series_text(), screen_.width, 0));
    sound(record);
  }
  if (store_trouble_) return tell(*store_trouble_);
  if (const int code = write_outputs(options_, record); code != 0) return code;
  return trouble ? exit_code(trouble->trouble) : exit_code_of(record);
}

// Space (or a foot switch that types it) runs again; q, Ctrl-C and a closed terminal leave. A board that is
// repeated may be warm, cold or tapped the next time.
bool again(Repeating* repeating) {
  if (repeating) return repeating->ask_next();
  fmt::print("\nspace or foot switch: power up and run again   q: leave\n");
  std::fflush(stdout);
  KeyMode keys;
  while (!person_cancels().requested()) {
    const Press press = next_key(kPromptLookMs);
    if (press.key == Key::end) return false;
    if (press.key != Key::character) continue;
    if (press.character == 'q') return false;
    if (press.character == ' ') return true;
  }
  return false;
}

bool may_repeat(const RunOptions& options) {
  return !options.once && !options.bench.quiet && options.bench.json != "-" && isatty(STDIN_FILENO) && isatty(STDOUT_FILENO);
}

// What --only failed leaves of the vectors; `failed_in` and `chosen` are for the record.
Result<files::Vectors> failed_last_time(const RunOptions& options, const files::Vectors& vectors, const record::Store& store,
                                        long& failed_in, std::vector<Chosen>& chosen) {
  auto last = last_run(store, vectors.board.name, options.bench.serial, 0);
  TH_TRY(last);
  if (!*last) {
    return input_error("--only failed", fmt::format("no finished run of {} {} is recorded", vectors.board.name, options.bench.serial),
                       "run all vectors first");
  }
  auto steps = failed_steps(vectors, **last);
  TH_TRY(steps);
  chosen = steps.take();
  failed_in = (*last)->number;
  return only_steps(vectors, chosen);
}

}  // namespace

int run(const RunOptions& options) {
  auto vectors = files::read_vectors(options.vectors);
  if (!vectors) return tell(vectors.error());
  if (auto approved = check_approved(*vectors); !approved) return tell(approved.error());
  if (auto fixture = describe_fixture(options.bench); !fixture) return tell(fixture.error());
  if (options.hold_step || options.loop_step) return probe(options, vectors.take());
  auto store = open_store(options.bench.store);
  if (!store) return tell(store.error());
  long failed_in = 0;
  std::vector<Chosen> chosen;
  if (options.only_failed) {
    vectors = failed_last_time(options, *vectors, *store, failed_in, chosen);
    if (!vectors) return tell(vectors.error());
  }
  auto repeating = repeat_as_asked(options, *vectors, may_repeat(options));
  if (!repeating) return tell(repeating.error());
  Repeating* repeats = *repeating ? &**repeating : nullptr;
  auto plan = plan_on(options.bench, vectors.take());
  if (!plan) return tell(plan.error());
  if (repeats) {
    plan::sample_rails(*plan);
    if (repeats->interactive && !repeats->ask_condition()) return kExitInterrupted;
  }

  Bench bench;
  int code = kExitPass;
  do {
    if (bench.session) {
      // Asked for by a key: what a fault of the last run latched is taken back.
      if (auto reset = bench.session->reset_faults(); !reset) bench = Bench{};
    }
    if (!bench.session) {
      auto opened = open_bench(options.bench, *plan, person_cancels());
      if (!opened) return tell(opened.error());
      bench = opened.take();
    }
    Running running(options, *plan, bench, *store, repeats);
    if (auto begun = running.begin(failed_in, chosen); !begun) return tell(begun.error());
    code = running.perform();
    if (running.lost_link()) bench = Bench{};
  } while (!person_cancels().requested() && may_repeat(options) && again(repeats));
  return code;
}

}  // namespace tenterhook::commands
