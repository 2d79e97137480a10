#include "host/commands/propose.h"

#include <fmt/format.h>

#include <filesystem>
#include <nlohmann/json.hpp>

#include "host/commands/bench.h"
#include "host/commands/bench_run.h"
#include "host/commands/output.h"
#include "host/commands/proposal.h"
#include "host/commands/propose_steps.h"
#include "host/commands/record_run.h"
#include "host/commands/recorded.h"
#include "host/files/reader.h"
#include "host/report/screen.h"

namespace tenterhook::commands {

namespace {

using Json = nlohmann::ordered_json;

constexpr std::size_t kToldMost = 12;  // contradictions in the file's head and on the screen

// What a person has approved is not written over.
Status may_write(const std::string& out) {
  std::error_code ignored;
  if (out.empty() || !std::filesystem::exists(out, ignored)) return {};
  const auto there = files::read_vectors(out);
  if (there && there->approved && *there->approved == "no") return {};
  return input_error(out, "this file is there already, and is no unapproved proposal", "give --out another name, or move the file away");
}

// Each round powers the board anew and reads every output at every step.
Result<std::vector<record::RunRecord>> measure_rounds(const ProposeOptions& options, const plan::Plan& plan) {
  auto store = open_store(options.bench.store);
  TH_TRY(store);
  auto bench = open_bench(options.bench, plan, person_cancels());
  TH_TRY(bench);
  std::vector<record::RunRecord> rounds;
  for (int i = 0; i < options.rounds; ++i) {
    BenchRun run(plan, measure::Decision::guarded, {});
    TH_TRY(record_run(run, *bench, options.bench, *store, "propose"));
    const record::RunRecord& record = run.record();
    if (record.aborted) return fixture_error(record.aborted->where, fmt::format("{}: {}", record.aborted->cause, record.aborted->message));
    if (!options.bench.quiet) fmt::print(stderr, "round {} of {}: {} steps read\n", i + 1, options.rounds, record.steps.size());
    rounds.push_back(record);
  }
  return rounds;
}

std::string header_of(const ProposeOptions& options, const files::Board& board, const std::string& how, const Proposal& proposal,
                      const record::RunRecord& first) {
  std::string text = fmt::format(
      "A PROPOSAL, from what one {} showed{}. It says what that board does, not what it should do.\n"
      "Read every step and window; correct them; then put your name and the date in place of `no`.\n"
      "Tried: {}.\n"
      "Measured in {} power-ups, runs {} to {}, {}, {}.",
      board.name, options.bench.serial.empty() ? "" : " (" + options.bench.serial + ")", how, options.rounds, first.number,
      first.number + options.rounds - 1, first.started, first.fixture == "emulated" ? "EMULATED" : "fixture " + first.fixture_serial);
  for (const auto& [what, list] : {std::pair{"NOT DECIDED", &proposal.undecided}, std::pair{"CONTRADICTS THE CIRCUIT", &proposal.contradictions}}) {
    for (std::size_t i = 0; i < std::min(list->size(), kToldMost); ++i) text += fmt::format("\n{}: {}", what, (*list)[i]);
    if (list->size() > kToldMost) text += fmt::format("\n{}: and {} more", what, list->size() - kToldMost);
  }
  return text;
}

Json json_of(const ProposeOptions& options, const files::Board& board, const std::string& how, const Proposal& proposal, long first_run) {
  Json json{{"board", board.name}, {"board_serial", options.bench.serial}, {"vectors", options.out}, {"approved", false}, {"tried", how},
            {"steps", proposal.steps.size()}, {"rounds", options.rounds}, {"first_run", first_run}};
  json["lines"] = Json::array();
  for (const LineProposal& line : proposal.lines) {
    Json entry{{"line", line.line}, {"why", line.why}};
    for (const auto& [side, window] : {std::pair{"low", line.windows.low}, std::pair{"high", line.windows.high}}) {
      entry[side] = window ? Json{window->min.value, window->max.value} : Json(nullptr);
    }
    json["lines"].push_back(entry);
  }
  json["undecided"] = proposal.undecided;
  json["contradictions"] = proposal.contradictions;
  return json;
}

void tell_people(const ProposeOptions& options, const Proposal& proposal, const std::string& how) {
  std::FILE* out = options.out.empty() || options.bench.json == "-" ? stderr : stdout;
  const report::Screen screen = report::screen_of(out == stderr ? stderr_descriptor() : stdout_descriptor());
  const auto say = [&](const std::string& text) { fmt::print(out, "{}\n", report::wrapped(text, screen.width, 0)); };
  say(fmt::format("{}: {}.", options.out.empty() ? "proposal" : options.out, how));
  for (const LineProposal& line : proposal.lines) say(fmt::format("  {}: {}", line.line, line.why));
  for (const auto& [what, list] : {std::pair{"not decided", &proposal.undecided}, std::pair{"contradicts the circuit", &proposal.contradictions}}) {
    for (std::size_t i = 0; i < std::min(list->size(), kToldMost); ++i) say(fmt::format("  {}: {}", what, (*list)[i]));
    if (list->size() > kToldMost) say(fmt::format("  {}: and {} more", what, list->size() - kToldMost));
  }
  say("Next: read the file, correct it, and put your name and the date in place of `no` after `approved:`. Until then `run` refuses it.");
}

}  // namespace

int propose(const ProposeOptions& options) {
  if (options.out.empty() && options.bench.json == "-") {
    return tell(input_error("--json -", "the vectors and the JSON would both go to standard output", "name a file with --out"));
  }
  if (auto may = may_write(options.out); !may) return tell(may.error());
  auto vectors = read_any(options.board);
  if (!vectors) return tell(vectors.error());
  auto tried = steps_to_propose(vectors->board, options.bench.seed.value_or(1));
  if (!tried) return tell(tried.error());
  const files::Board board = vectors->board;
  vectors->steps = tried->steps;
  for (files::Step& step : vectors->steps) {
    for (const files::Line& line : board.lines) {
      const bool off = std::count(board.not_built.begin(), board.not_built.end(), line.name) > 0;
      if (line.kind == files::LineKind::output && !off) step.measure.push_back(line.name);
    }
  }
  auto plan = plan_on(options.bench, vectors.take());
  if (!plan) return tell(plan.error());
  auto rounds = measure_rounds(options, *plan);
  if (!rounds) return tell(rounds.error());
  auto proposal = propose_from(board, tried->steps, *rounds);
  if (!proposal) return tell(proposal.error());

  files::Proposed proposed{"no", {}, {}};
  for (const LineProposal& line : proposal->lines) {
    proposed.windows[line.line] = line.windows;
    proposed.reasons[line.line] = line.why;
  }
  const std::string text = files::write_vectors("proposed", relative_to(options.out, board.path), board, proposal->steps,
                                                header_of(options, board, tried->how, *proposal, rounds->front()), &proposed);
  const auto back = files::parse_vectors(options.out.empty() ? "proposed.vectors.yaml" : options.out, text);
  if (!back) return tell(bug_error("the proposal does not read back: " + back.error().text()));
  if (auto written = write_text(options.out.empty() ? "-" : options.out, text); !written) return tell(written.error());
  if (!options.bench.json.empty()) {
    const Json json = json_of(options, board, tried->how, *proposal, rounds->front().number);
    if (auto written = write_text(options.bench.json, json.dump(2) + "\n"); !written) return tell(written.error());
  }
  if (!options.bench.quiet) tell_people(options, *proposal, tried->how);
  return proposal->undecided.empty() && proposal->contradictions.empty() ? kExitPass : kExitUnsure;
}

}  // namespace tenterhook::commands
