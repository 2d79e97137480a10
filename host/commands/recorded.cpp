#include "host/commands/recorded.h"

#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>

#include "host/circuit/simulator.h"
#include "host/commands/output.h"
#include "host/files/reader.h"
#include "host/repeat/outcome.h"

namespace tenterhook::commands {

namespace {

using files::Bit;

// How many of the newest runs are looked at for one of the same board and serial.
constexpr int kRunsLookedAt = 200;

// What --only failed left of the file; empty: all.
Result<std::vector<Chosen>> only_of(const record::RunRecord& run) {
  std::vector<Chosen> chosen;
  const auto found = run.sections.find(kOnlySection);
  if (found == run.sections.end()) return chosen;
  const auto json = nlohmann::json::parse(found->second, nullptr, false);
  if (!json.is_object() || !json.contains("steps") || !json["steps"].is_array()) {
    return input_error(fmt::format("run {}", run.number), "the record of which steps it was made of cannot be read");
  }
  for (const auto& entry : json["steps"]) {
    if (!entry.is_object() || !entry.value("step", nlohmann::json()).is_number_integer()) {
      return input_error(fmt::format("run {}", run.number), "the record of which steps it was made of cannot be read");
    }
    chosen.push_back({entry["step"].get<int>(), entry.value("judged", true)});
  }
  return chosen;
}

// Which steps of the whole file a run was made of, in their order; empty: all, once.
Result<std::vector<Chosen>> chosen_of(const record::RunRecord& run) {
  auto only = only_of(run);
  TH_TRY(only);
  auto order = repeat::steps_of(run);
  TH_TRY(order);
  if (order->empty()) return only;
  std::vector<Chosen> chosen;
  for (const int step : *order) {
    if (!only->empty() && step >= static_cast<int>(only->size())) {
      return input_error(fmt::format("run {}", run.number), "it repeats a step that it was not made of");
    }
    chosen.push_back(only->empty() ? Chosen{step, true} : (*only)[static_cast<std::size_t>(step)]);
  }
  return chosen;
}

std::string source_of(const files::Step& step) {
  return fmt::format("{}:{}", std::filesystem::path(step.mark.file).filename().string(), step.mark.line);
}

// Every line as it stands before step `step`, rest levels first.
std::map<std::string, Bit> lines_before(const files::Vectors& vectors, int step) {
  std::map<std::string, Bit> lines;
  for (const files::Line& line : vectors.board.lines) {
    const bool driven = line.kind == files::LineKind::input || line.kind == files::LineKind::both ||
                        line.kind == files::LineKind::clock;
    if (driven) lines[line.name] = line.rest;
  }
  for (int i = 0; i < step; ++i) {
    for (const auto& [name, bit] : vectors.steps[static_cast<std::size_t>(i)].set) lines[name] = bit;
  }
  return lines;
}

// Does the circuit, woken up unknown before step `first`, know these lines after step `last`?
Result<bool> known_from(circuit::Simulator& model, const files::Vectors& vectors, int first, int last,
                        const std::vector<std::string>& lines) {
  model.power_up();
  for (int i = first; i <= last; ++i) {
    TH_TRY(model.step(i == first ? standing_alone(vectors, i) : vectors.steps[static_cast<std::size_t>(i)]));
  }
  for (const std::string& line : lines) {
    if (!model.has_net(line)) return false;
    auto bit = model.read(line);
    TH_TRY(bit);
    if (*bit == Bit::any) return false;
  }
  return true;
}

// The latest step from which the state that step `last` shows can be reached; looks ever further back.
Result<int> first_needed(std::optional<circuit::Simulator>& model, const files::Vectors& vectors, int last,
                         const std::vector<std::string>& lines) {
  if (!model) return 0;
  for (int back = 0; back < last; back = 2 * back + 1) {
    auto known = known_from(*model, vectors, last - back, last, lines);
    TH_TRY(known);
    if (*known) return last - back;
  }
  return 0;
}

}  // namespace

files::Step standing_alone(const files::Vectors& vectors, int step) {
  files::Step alone = vectors.steps[static_cast<std::size_t>(step)];
  std::map<std::string, Bit> lines = lines_before(vectors, step);
  for (const auto& [name, bit] : alone.set) lines[name] = bit;
  alone.set.clear();
  for (const files::Line& line : vectors.board.lines) {
    if (const auto found = lines.find(line.name); found != lines.end()) alone.set.emplace_back(*found);
  }
  return alone;
}

Result<files::Vectors> read_any(const std::string& path) {
  auto kind = files::file_kind(path);
  TH_TRY(kind);
  if (*kind != files::FileKind::board) return files::read_vectors(path);
  auto board = files::read_board(path);
  TH_TRY(board);
  files::Vectors vectors;
  vectors.name = board->name;
  vectors.path = path;
  vectors.sources = board->sources;
  vectors.board = board.take();
  return vectors;
}

Status check_approved(const files::Vectors& vectors) {
  if (!vectors.approved || *vectors.approved != "no") return {};
  return input_error(vectors.path, "this is a proposal that nobody has approved: its expectations are what one board showed",
                     "read it, correct it, then write your name and the date in place of `no` after `approved:`");
}

Result<files::Vectors> vectors_of(const record::RunRecord& run) {
  if (run.sources.empty()) return input_error(fmt::format("run {}", run.number), "the record holds no files of it");
  auto vectors = files::parse_recorded(run.sources);
  TH_TRY(vectors);
  auto chosen = chosen_of(run);
  TH_TRY(chosen);
  if (chosen->empty()) return vectors;
  for (const Chosen& c : *chosen) {
    if (c.step < 0 || c.step >= static_cast<int>(vectors->steps.size())) {
      return input_error(fmt::format("run {}", run.number), "it names a step that its files do not have");
    }
  }
  return only_steps(*vectors, *chosen);
}

Result<ToHold> vectors_to_hold(const std::string& what, const std::string& store) {
  const auto colon = what.rfind(':');
  const bool is_run = colon != std::string::npos && colon + 1 < what.size() &&
                      what.find_first_not_of("0123456789", colon + 1) == std::string::npos;
  ToHold result;
  if (!is_run) {
    auto vectors = read_any(what);
    TH_TRY(vectors);
    result.vectors = vectors.take();
    return result;
  }
  auto opened = open_store(store);
  TH_TRY(opened);
  auto run = opened->load(what.substr(0, colon));
  TH_TRY(run);
  auto vectors = vectors_of(*run);
  TH_TRY(vectors);
  result.vectors = vectors.take();
  result.step = std::atoi(what.c_str() + colon + 1);
  if (result.step >= static_cast<int>(result.vectors.steps.size())) {
    return input_error(what, fmt::format("run {} has steps 0 to {}", run->number, result.vectors.steps.size() - 1));
  }
  // Of a repeated run the pass alone: its first step sets every line.
  if (const int each = repeat::steps_each_of(*run); each > 0) {
    const int before = result.step / each * each;
    result.vectors.steps.erase(result.vectors.steps.begin(), result.vectors.steps.begin() + before);
    result.step -= before;
  }
  return result;
}

Result<std::vector<Chosen>> failed_steps(const files::Vectors& vectors, const record::RunRecord& last) {
  auto chosen = chosen_of(last);
  TH_TRY(chosen);
  std::optional<circuit::Simulator> model;
  if (!vectors.board.circuit.empty()) {
    auto made = circuit::Simulator::make(vectors.board);
    TH_TRY(made);
    model.emplace(made.take());
  }
  std::map<int, bool> wanted;  // step -> judged
  for (const record::StepRecord& step : last.steps) {
    const auto at = static_cast<std::size_t>(step.index);
    const int original = at < chosen->size() ? (*chosen)[at].step : step.index;
    if (original >= static_cast<int>(vectors.steps.size()) || source_of(vectors.steps[static_cast<std::size_t>(original)]) != step.source) {
      return input_error(vectors.path, fmt::format("the vectors are no longer those of run {}", last.number), "run all of them");
    }
    bool wrong = false;
    std::vector<std::string> lines;
    for (const measure::Reading& r : step.readings) {
      wrong |= r.verdict == measure::Verdict::fail || r.verdict == measure::Verdict::unsure;
      if (r.expected != Bit::any) lines.push_back(r.line);
    }
    if (!wrong) continue;
    auto first = first_needed(model, vectors, original, lines);
    TH_TRY(first);
    for (int i = *first; i < original; ++i) wanted.try_emplace(i, false);
    wanted[original] = true;
  }
  if (wanted.empty()) {
    return input_error(fmt::format("run {}", last.number), "nothing failed in it, so there is nothing to repeat", "run all vectors");
  }
  std::vector<Chosen> result;
  for (const auto& [step, judged] : wanted) result.push_back({step, judged});
  return result;
}

files::Vectors only_steps(const files::Vectors& vectors, const std::vector<Chosen>& chosen) {
  files::Vectors reduced = vectors;
  reduced.steps.clear();
  int last = -1;
  for (const Chosen& c : chosen) {
    files::Step step = c.step == last + 1 ? vectors.steps[static_cast<std::size_t>(c.step)] : standing_alone(vectors, c.step);
    last = c.step;
    if (!c.judged) {
      step.expect.clear();
      step.expect_line.clear();
      step.measure.clear();
      step.expect_circuit = false;
    }
    reduced.steps.push_back(std::move(step));
  }
  return reduced;
}

std::string only_json(long of_run, const std::vector<Chosen>& chosen) {
  nlohmann::json steps = nlohmann::json::array();
  for (const Chosen& c : chosen) steps.push_back({{"step", c.step}, {"judged", c.judged}});
  return nlohmann::json{{"failed_in", of_run}, {"steps", steps}}.dump();
}

Result<std::optional<record::RunRecord>> last_run(const record::Store& store, const std::string& board,
                                                  const std::string& serial, long number) {
  record::HistoryFilter filter;
  filter.board = board;
  filter.board_serial = serial;
  filter.kind = "run";
  filter.limit = kRunsLookedAt;
  auto page = store.history(filter);
  TH_TRY(page);
  for (const record::RunSummary& summary : page->runs) {
    const bool usable = summary.complete && !summary.aborted && summary.board_serial == serial;
    if (!usable || (number > 0 && summary.number >= number)) continue;
    auto run = store.load(summary.number);
    TH_TRY(run);
    return std::optional<record::RunRecord>(run.take());
  }
  return std::optional<record::RunRecord>{};
}

}  // namespace tenterhook::commands
