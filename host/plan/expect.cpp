#include "host/plan/expect.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <optional>

#include "host/circuit/simulator.h"

namespace tenterhook::plan {

namespace {

using files::Bit;

// So many disagreements are told one by one: the first few show what is wrong, thousands show nothing.
constexpr std::size_t kDisagreementsTold = 20;

bool is_off(const files::Board& board, const std::string& name) {
  return std::count(board.not_built.begin(), board.not_built.end(), name) > 0;
}

// Appends a bit for every output the circuit knows, unless the step already expects that line.
void add_circuit_bits(const files::Board& board, const circuit::Simulator& model, files::Step& step) {
  for (const auto& [line, bit] : model.outputs()) {
    const bool written = std::any_of(step.expect.begin(), step.expect.end(),
                                     [&, &name = line](const auto& e) { return e.first == name; });
    if (written || is_off(board, line)) continue;
    step.expect.emplace_back(line, bit);
  }
}

void compare(const files::Step& step, const circuit::Simulator& model, std::vector<std::string>& warnings) {
  for (const auto& [line, bit] : step.expect) {
    if (bit == Bit::any || !model.has_net(line)) continue;
    const auto modelled = model.read(line);
    if (!modelled || *modelled == Bit::any || *modelled == bit) continue;
    warnings.push_back(fmt::format("{}: {} is expected to be {}, but the circuit of the board gives {}",
                                   step.mark.text(), line, letter(bit), letter(*modelled)));
  }
}

}  // namespace

Status fill_expectations(files::Vectors& vectors, std::vector<std::string>& warnings) {
  const files::Board& board = vectors.board;
  std::map<std::string, Bit> driven;
  for (const files::Line& line : board.lines) driven[line.name] = line.rest;

  std::optional<circuit::Simulator> model;
  if (!board.circuit.empty()) {
    auto made = circuit::Simulator::make(board);
    TH_TRY(made);
    model.emplace(made.take());
    model->power_up();
  }
  std::vector<std::string> disagreements;
  for (files::Step& step : vectors.steps) {
    for (const auto& [line, bit] : step.set) driven[line] = bit;
    for (const auto& [line, other] : step.expect_line) step.expect.emplace_back(line, driven[other]);
    if (!model) {
      if (step.expect_circuit) {
        return input_error(step.mark.text(), "`expect: circuit`, but the board file has no circuit",
                           "describe the gates under `circuit:`, or write the expected bits");
      }
      continue;
    }
    TH_TRY(model->step(step));
    for (const std::string& line : model->contentions()) {
      return input_error(step.mark.text(),
                         fmt::format("line {} is driven by the fixture and by the board at the same time", line),
                         "let go of it (`z`) before the board drives it, or disable its driver first");
    }
    compare(step, *model, disagreements);
    if (step.expect_circuit) add_circuit_bits(board, *model, step);
  }
  const std::size_t told = std::min(disagreements.size(), kDisagreementsTold);
  warnings.insert(warnings.end(), disagreements.begin(), disagreements.begin() + static_cast<std::ptrdiff_t>(told));
  if (disagreements.size() > told) {
    warnings.push_back(fmt::format("{} more expectations disagree with the circuit", disagreements.size() - told));
  }
  return {};
}

}  // namespace tenterhook::plan
