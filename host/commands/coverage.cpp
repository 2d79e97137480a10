#include "host/commands/coverage.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "host/circuit/coverage.h"
#include "host/commands/coverage_report.h"
#include "host/commands/output.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

using nlohmann::ordered_json;

constexpr std::size_t kMissedShown = 40;
constexpr std::size_t kDisagreementsShown = 10;

struct Kind {
  const char* name;
  std::vector<circuit::Fault> faults;
  std::size_t detected = 0;
  ordered_json missed = ordered_json::array();
};

std::vector<Kind> other_kinds(const circuit::Netlist& netlist, const files::Board& board,
                              const circuit::Sequence& sequence) {
  std::vector<Kind> kinds;
  kinds.push_back({"inverted", circuit::inverted_faults(netlist)});
  kinds.push_back({"swapped", circuit::swapped_faults(netlist, board)});
  kinds.push_back({"bridged", circuit::bridge_faults(netlist, board)});
  kinds.push_back({"open", circuit::open_faults(netlist)});
  kinds.push_back({"missing-input", circuit::missing_input_faults(netlist)});
  kinds.push_back({"slow", circuit::transition_faults(netlist)});
  for (Kind& kind : kinds) {
    const std::vector<std::int64_t> first =
        circuit::sequence_detections(netlist, kind.faults, sequence.steps);
    for (std::size_t i = 0; i < first.size(); ++i) {
      if (first[i] >= 0) {
        ++kind.detected;
        continue;
      }
      kind.missed.push_back({{"net", netlist.label(kind.faults[i].at)},
                             {"fault", circuit::fault_name(netlist, board, kind.faults[i])}});
    }
  }
  return kinds;
}

ordered_json json_of(const std::vector<Kind>& kinds) {
  ordered_json json = ordered_json::object();
  for (const Kind& kind : kinds)
    json[kind.name] = {
        {"faults", kind.faults.size()}, {"detected", kind.detected}, {"missed", kind.missed}};
  return json;
}

}  // namespace

int coverage(const CoverageOptions& options) {
  const auto vectors = files::read_vectors(options.vectors);
  if (!vectors) return tell(vectors.error());
  if (vectors->board.circuit.empty())
    return tell(input_error(vectors->board.path,
                            fmt::format("board '{}' describes no circuit", vectors->board.name),
                            "add `circuit:` with its gates"));
  const auto netlist = circuit::build_netlist(vectors->board);
  if (!netlist) return tell(netlist.error());
  const auto sequence = circuit::compile_sequence(*netlist, vectors->steps);
  if (!sequence) return tell(sequence.error());
  const circuit::Coverage found = circuit::stuck_at_coverage(*netlist, sequence->steps);
  std::vector<Kind> kinds;
  if (options.other_faults) kinds = other_kinds(*netlist, vectors->board, *sequence);

  for (std::size_t i = 0; i < sequence->disagreements.size() && i < kDisagreementsShown; ++i)
    fmt::print(stderr, "warning: {}; not counted\n", sequence->disagreements[i]);
  if (!options.json.empty()) {
    ordered_json json{{"vectors", vectors->name},
                      {"board", vectors->board.name},
                      {"steps", vectors->steps.size()}};
    add_coverage(json, *netlist, vectors->board, found);
    if (options.other_faults) json["other"] = json_of(kinds);
    json["disagreements"] = sequence->disagreements;
    if (const auto written = write_text(options.json, json.dump(2) + "\n"); !written)
      return tell(written.error());
  }
  if (options.json == "-") return kExitPass;
  fmt::print("{} / {}: {} steps would catch {}\n", vectors->board.name, vectors->name,
             vectors->steps.size(), coverage_sentence(found));
  if (options.quiet) return kExitPass;
  fmt::print("{}", missed_text(*netlist, vectors->board, found, kMissedShown));
  for (const Kind& kind : kinds)
    fmt::print("  {}: {} of {}\n", kind.name, kind.detected, kind.faults.size());
  return kExitPass;
}

}  // namespace tenterhook::commands
