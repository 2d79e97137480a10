// The program's front: declares the options, calls one command, returns its exit code. Nothing else.
#include <gsl/gsl_errno.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <exception>
#include <functional>

#include "host/base/result.h"
#include "host/commands/check.h"
#include "host/commands/hold.h"
#include "host/commands/emulate.h"
#include "host/commands/options.h"
#include "host/commands/run.h"

namespace {

using namespace tenterhook;

void add_bench_options(CLI::App& command, commands::BenchOptions& o) {
  command.add_option("--fixture", o.fixture, "emulated, /dev/…, unix:PATH, tcp:HOST:PORT, or a fixture.yaml");
  command.add_option("--store", o.store, "the record's file (default: in the XDG data folder)");
  command.add_option("--serial", o.serial, "the board's serial");
  command.add_option("--json", o.json, "machine-readable result to a file, or - for standard output");
  command.add_flag("--quiet", o.quiet, "one line at the end");
  command.add_flag("--yes", o.yes, "the bench is ready: do not ask before real power");
  command.add_option("--fault", o.faults, "emulated only: 'WHERE KIND [VALUE]', e.g. 'V3 dead' (repeatable)");
  command.add_option("--seed", o.seed, "emulated only: the spread of parts and noise");
}

int dispatch(int argc, char** argv) {
  CLI::App app{"Tenterhook: a bench tester for hand-made logic boards"};
  app.require_subcommand(1);
  app.set_version_flag("--version", "tenterhook " TENTERHOOK_VERSION);
  std::function<int()> chosen;

  commands::RunOptions run;
  CLI::App* run_command = app.add_subcommand("run", "power up, drive, judge, record, power down");
  run_command->add_option("VECTORS", run.vectors, "vectors file, or a board file with steps")->required();
  add_bench_options(*run_command, run.bench);
  std::string decision = "guarded";
  run_command->add_option("--decision", decision, "guarded (default) or simple")->check(CLI::IsMember({"guarded", "simple"}));
  run_command->callback([&] {
    run.simple_decision = decision == "simple";
    chosen = [&] { return commands::run(run); };
  });

  commands::CheckOptions check;
  CLI::App* check_command = app.add_subcommand("check", "read files and predict; touches no hardware");
  check_command->add_option("FILE", check.files, "board or vectors files")->required();
  check_command->add_option("--json", check.json, "machine-readable result");
  check_command->add_flag("--quiet", check.quiet, "errors only");
  check_command->callback([&] { chosen = [&] { return commands::check(check); }; });

  commands::EmulateOptions emulate;
  CLI::App* emulate_command = app.add_subcommand("emulate", "the emulated fixture with that board, for another process");
  emulate_command->add_option("BOARD", emulate.board, "board or vectors file")->required();
  emulate_command->add_option("--listen", emulate.listen, "pty (default), unix:PATH or tcp:PORT");
  emulate_command->add_option("--fault", emulate.faults, "'WHERE KIND [VALUE]', e.g. 'V3 dead' (repeatable)");
  emulate_command->add_option("--seed", emulate.seed, "the spread of parts and noise");
  emulate_command->add_flag("--quiet", emulate.quiet, "print the address alone");
  emulate_command->callback([&] { chosen = [&] { return commands::emulate(emulate); }; });

  commands::HoldOptions hold;
  CLI::App* hold_command = app.add_subcommand("hold", "power up, reach a step, stay; keys set lines and pulse clocks");
  hold_command->add_option("BOARD", hold.what, "board or vectors file, or RUN:STEP")->required();
  hold_command->add_option("--at-most", hold.at_most_s, "seconds without a key after which it powers down")->check(CLI::Range(1.0, 86400.0));
  add_bench_options(*hold_command, hold.bench);
  hold_command->callback([&] { chosen = [&] { return commands::hold(hold); }; });

  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    const int code = app.exit(error);
    return code == 0 ? kExitPass : kExitInput;  // help and version end here too
  }
  return chosen();
}

}  // namespace

int main(int argc, char** argv) {
  // GSL's own handler would abort the process with rails up: every status is checked instead.
  gsl_set_error_handler_off();
  try {
    return dispatch(argc, argv);
  } catch (const std::exception& error) {
    // The session's destructor has stopped the fixture on the way here.
    std::fprintf(stderr, "tenterhook: internal error: %s\nThis is a defect in Tenterhook; please report it.\n", error.what());
    return kExitBug;
  }
}
