#include "host/commands/emulate.h"

#include <fmt/format.h>

#include <cstdio>
#include <fstream>

#include "host/commands/bench.h"
#include "host/commands/emulated_bench.h"
#include "host/commands/output.h"
#include "host/commands/serve.h"
#include "host/files/reader.h"
#include "host/plan/plan.h"

namespace tenterhook::commands {

namespace {

constexpr int kLinesLookedAt = 10000;

// A vectors file names itself by its key; everything else is read as a board.
bool is_vectors_file(const std::string& path) {
  std::ifstream file(path);
  std::string line;
  for (int i = 0; i < kLinesLookedAt && std::getline(file, line); ++i) {
    if (line.rfind("vectors:", 0) == 0) return true;
  }
  return false;
}

Result<files::Vectors> read(const std::string& path) {
  if (is_vectors_file(path)) return files::read_vectors(path);
  auto board = files::read_board(path);
  if (!board) return board.error();
  files::Vectors vectors;  // what is done with the board is the other process's business
  vectors.name = board->name;
  vectors.path = path;
  vectors.sources = board->sources;
  vectors.board = board.take();
  return vectors;
}

Result<plan::Plan> plan_of(const std::string& path) {
  auto vectors = read(path);
  TH_TRY(vectors);
  BenchOptions builtin;
  builtin.fixture = "emulated";
  auto fixture = describe_fixture(builtin);
  TH_TRY(fixture);
  return plan::make_plan(vectors.take(), fixture.take(), {});
}

}  // namespace

int emulate(const EmulateOptions& options) {
  auto plan = plan_of(options.board);
  if (!plan) return tell(plan.error());
  auto controller = make_emulated(*plan, options.seed.value_or(1), options.faults);
  if (!controller) return tell(controller.error());
  const auto listening = [&](const std::string& address) {
    fmt::print("{}\n", address);
    if (!options.quiet) {
      fmt::print("An emulated fixture with the board {} is there until Ctrl-C. In another terminal:\n"
                 "  tenterhook run VECTORS --yes --fixture {}\n", plan->vectors.board.name, address);
    }
    std::fflush(stdout);
  };
  if (Status served = serve(**controller, options.listen, listening, person_cancels()); !served.ok()) return tell(served.error());
  return kExitPass;
}

}  // namespace tenterhook::commands
