#include "host/commands/generate.h"

#include <fmt/format.h>

#include <filesystem>
#include <nlohmann/json.hpp>

#include "host/circuit/bench.h"
#include "host/circuit/generate.h"
#include "host/commands/coverage_report.h"
#include "host/commands/output.h"
#include "host/files/reader.h"
#include "host/files/writer.h"
#include "host/plan/plan.h"
#include "host/resources/resources.h"

namespace tenterhook::commands {
namespace {

using files::Bit;
using nlohmann::ordered_json;

constexpr std::size_t kMissedShown = 20;

// Steps with names. The first sets every line, so that the file says where it starts.
std::vector<files::Step> named_steps(const circuit::Netlist& n,
                                     const std::vector<circuit::SequenceStep>& steps) {
  std::vector<files::Step> named;
  std::vector<Bit> level;
  for (const auto& t : n.inputs) level.push_back(t.rest);
  for (const circuit::SequenceStep& step : steps) {
    files::Step made;
    std::vector<bool> written(n.inputs.size(), named.empty());
    for (const auto& [input, bit] : step.set) {
      level[input] = bit;
      written[input] = true;
    }
    for (std::size_t i = 0; i < written.size(); ++i)
      if (written[i] && !n.inputs[i].clock) made.set.push_back({n.inputs[i].line, level[i]});
    for (const auto& [input, count] : step.pulse)
      made.pulse.push_back({n.inputs[input].line, count});
    // Unknown outputs are written as x between known ones, so that buses stay whole.
    std::vector<Bit> shown(n.outputs.size(), Bit::any);
    for (const auto& [output, bit] : step.judge) shown[output] = bit;
    for (std::size_t o = 0; o < shown.size() && !step.judge.empty(); ++o)
      made.expect.push_back({n.outputs[o].line, shown[o]});
    named.push_back(std::move(made));
  }
  return named;
}

// What the built-in fixture needs for the steps; empty for a netlist, or a board that it cannot
// hold.
std::optional<plan::Plan> planned(const files::Vectors& vectors) {
  if (circuit::is_bench_path(vectors.board.path)) return std::nullopt;
  auto fixture =
      files::parse_fixture("fixture.yaml (built in)", std::string(resources::find("fixture.yaml")));
  if (!fixture) return std::nullopt;
  auto plan = plan::make_plan(vectors, fixture.take(), {});
  if (!plan) {
    fmt::print(stderr, "warning: no time predicted: {}\n", plan.error().text());
    return std::nullopt;
  }
  return plan.take();
}

struct Made {
  files::Board board;
  circuit::Netlist netlist;
  circuit::Generated generated;
  std::string text;
  std::optional<plan::Plan> plan;
};

// The claims are those of the file as it reads back, not of the search.
Status read_back(const GenerateOptions& options, Made& made) {
  const auto vectors =
      files::parse_vectors(options.out.empty() ? "generated.vectors.yaml" : options.out, made.text);
  if (!vectors)
    return bug_error("the generated file does not read back: " + vectors.error().text());
  const auto sequence = circuit::compile_sequence(made.netlist, vectors->steps);
  if (!sequence)
    return bug_error("the generated steps do not fit the board: " + sequence.error().text());
  if (!sequence->disagreements.empty())
    return bug_error("the generated steps contradict the circuit: " + sequence->disagreements[0]);
  const circuit::Coverage again = circuit::stuck_at_coverage(made.netlist, sequence->steps, false);
  if (again.detected() != made.generated.coverage.detected())
    return bug_error(fmt::format("the generated file catches {} faults, the search promised {}",
                                 again.detected(), made.generated.coverage.detected()));
  made.plan = planned(*vectors);
  return {};
}

Result<Made> make(const GenerateOptions& options) {
  Made made;
  auto board = files::read_board(options.board);
  TH_TRY(board);
  made.board = board.take();
  if (made.board.circuit.empty())
    return input_error(made.board.path,
                       fmt::format("board '{}' describes no circuit", made.board.name),
                       "add `circuit:` with its gates");
  auto netlist = circuit::build_netlist(made.board);
  TH_TRY(netlist);
  made.netlist = netlist.take();
  circuit::GenerateOptions search;
  if (options.seed) search.seed = *options.seed;
  auto generated = circuit::generate(made.netlist, search);
  TH_TRY(generated);
  made.generated = generated.take();
  if (made.generated.steps.empty())
    return input_error(made.board.path, "no step shows any fault of this circuit",
                       "do its outputs depend on its inputs?");
  const std::string header = fmt::format(
      "Generated from the circuit of {}: {} steps catch {}.\nSeed {}.", made.board.name,
      made.generated.steps.size(), coverage_sentence(made.generated.coverage), search.seed);
  made.text = files::write_vectors("generated", relative_to(options.out, options.board), made.board,
                                   named_steps(made.netlist, made.generated.steps), header);
  TH_TRY(read_back(options, made));
  return made;
}

ordered_json json_of(const GenerateOptions& options, const Made& made) {
  ordered_json json{
      {"vectors", options.out}, {"board", made.board.name}, {"steps", made.generated.steps.size()}};
  json["relay_operations"] =
      made.plan ? made.plan->relay_operations : static_cast<long>(made.generated.relay_operations);
  json["time"] = nullptr;
  if (made.plan)
    json["time"] = {{"total_s", made.plan->predicted.total_s},
                    {"relay_s", made.plan->predicted.relay_s},
                    {"settle_s", made.plan->predicted.settle_s},
                    {"convert_s", made.plan->predicted.convert_s},
                    {"pulse_s", made.plan->predicted.pulse_s}};
  add_coverage(json, made.netlist, made.board, made.generated.coverage);
  return json;
}

}  // namespace

int generate(const GenerateOptions& options) {
  if (options.out.empty() && options.json == "-")
    return tell(input_error("--json -", "the vectors and the JSON would both go to standard output",
                            "name a file with --out"));
  const auto made = make(options);
  if (!made) return tell(made.error());
  if (const auto written = write_text(options.out.empty() ? "-" : options.out, made->text);
      !written)
    return tell(written.error());
  if (!options.json.empty()) {
    const auto written = write_text(options.json, json_of(options, *made).dump(2) + "\n");
    if (!written) return tell(written.error());
  }
  if (options.quiet || options.json == "-" || options.out.empty()) return kExitPass;
  const circuit::Generated& g = made->generated;
  fmt::print("{}: {} steps catch {}\n", options.out, g.steps.size(), coverage_sentence(g.coverage));
  if (made->plan)
    fmt::print("  {} relay operations, about {} without power-up\n", made->plan->relay_operations,
               text(Seconds{made->plan->predicted.total_s}));
  else
    fmt::print("  {} changes of input lines\n", g.relay_operations);
  fmt::print("{}", missed_text(made->netlist, made->board, g.coverage, kMissedShown));
  return kExitPass;
}

}  // namespace tenterhook::commands
