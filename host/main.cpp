// The program's front: declares the options, calls one command, returns its exit code. Nothing else.
#include <gsl/gsl_errno.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <functional>
#include <memory>

#include "host/base/result.h"
#include "host/commands/calibrate.h"
#include "host/commands/check.h"
#include "host/commands/compare.h"
#include "host/commands/coverage.h"
#include "host/commands/diagnose.h"
#include "host/commands/emulate.h"
#include "host/commands/fixture_design.h"
#include "host/commands/fixture_flash.h"
#include "host/commands/fixture_list.h"
#include "host/commands/generate.h"
#include "host/commands/history.h"
#include "host/commands/hold.h"
#include "host/commands/hookup.h"
#include "host/commands/merge.h"
#include "host/commands/levels.h"
#include "host/commands/machine.h"
#include "host/commands/manual.h"
#include "host/commands/options.h"
#include "host/commands/parts.h"
#include "host/commands/power.h"
#include "host/commands/propose.h"
#include "host/commands/predict.h"
#include "host/commands/report.h"
#include "host/commands/run.h"
#include "host/commands/selftest.h"
#include "host/commands/show.h"
#include "host/commands/timing.h"
#include "host/commands/trend.h"
#include "host/repeat/order.h"

namespace {

using namespace tenterhook;

using Chosen = std::function<int()>;

// A command's options live as long as the parser and the command that reads them.
template <class Options>
std::shared_ptr<Options> command(CLI::App& app, Chosen& chosen, const std::string& name, const std::string& about,
                                 int (*run)(const Options&), CLI::App*& sub) {
  auto options = std::make_shared<Options>();
  sub = app.add_subcommand(name, about);
  sub->callback([&chosen, options, run] { chosen = [options, run] { return run(*options); }; });
  return options;
}

void add_json(CLI::App& c, std::string& json) {
  c.add_option("--json", json, "machine-readable result to a file, or - for standard output");
}
void add_store(CLI::App& c, std::string& store) {
  c.add_option("--store", store, "the record's file (default: in the XDG data folder)");
}
void add_emulation(CLI::App& c, std::vector<std::string>& faults, std::optional<std::uint64_t>& seed) {
  c.add_option("--fault", faults, "emulated only: 'WHERE KIND [VALUE]', e.g. 'V3 dead' (repeatable)");
  c.add_option("--seed", seed, "emulated only: the spread of parts and noise");
}
void add_exports(CLI::App& c, std::string& junit, std::string& tap, std::string& csv) {
  c.add_option("--junit", junit, "JUnit XML to a file, or -");
  c.add_option("--tap", tap, "TAP to a file, or - (says version 13; readers of 14 take it too)");
  c.add_option("--csv", csv, "one row a reading to a file, or -");
}

void add_wiring(CLI::App& c, commands::BenchOptions& o) {
  c.add_flag("--despite-wiring", o.despite_wiring, "lines that are tied together without power are only warned of");
}

void add_bench(CLI::App& c, commands::BenchOptions& o) {
  c.add_option("--fixture", o.fixture, "emulated, /dev/..., unix:PATH, tcp:HOST:PORT, or a fixture.yaml");
  add_store(c, o.store);
  c.add_option("--serial", o.serial, "the board's serial");
  add_json(c, o.json);
  c.add_flag("--quiet", o.quiet, "one line at the end");
  c.add_flag("--yes", o.yes, "the bench is ready: do not ask before real power");
  add_emulation(c, o.faults, o.seed);
}

// --- commands that touch a board ---

void add_run(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::RunOptions>(app, chosen, "run", "power up, drive, judge, record, power down", commands::run, c);
  c->add_option("VECTORS", o->vectors, "vectors file, or a board file with steps")->required();
  add_bench(*c, o->bench);
  add_wiring(*c, o->bench);
  c->add_flag("--unload", o->unload, "what does not pass is judged as it would be without the fixture's own load, by two known loads");
  add_exports(*c, o->junit, o->tap, o->csv);
  const auto decide = [o](const std::string& how) { o->simple_decision = how == "simple"; };
  c->add_option_function<std::string>("--decision", decide, "guarded (default) or simple")->check(CLI::IsMember({"guarded", "simple"}));
  c->add_flag("--part-tests", o->part_tests, "test the parts of every line after the vectors, also when nothing failed: a baseline for `diagnose`");
  const auto only = [o](const std::string&) { o->only_failed = true; };
  c->add_option_function<std::string>("--only", only, "failed: the steps that were wrong last time, and what they need before them")
      ->check(CLI::IsMember({"failed"}));
  auto* repeat = c->add_option("--repeat", o->repeat, "so many passes of the vectors, powered throughout, in varied order: for faults that come and go")
                     ->check(CLI::Range(1, repeat::kPassesMost));
  c->add_option("--confidence", o->confidence, "as many passes as show, with this probability (e.g. 95%)...")->excludes(repeat);
  c->add_option("--catch", o->catches, "...a fault that spoils this share of the passes (e.g. 5%)")->excludes(repeat);
  c->add_option("--condition", o->condition, "of the board while it is repeated: cold, warm or tapped (asked on a terminal)")
      ->check(CLI::IsMember({"as it is", "cold", "warm", "tapped"}));
  auto* hold = c->add_option("--hold", o->hold_step, "power up, go to this step and stay there for a probe, while a key is held")
                   ->check(CLI::Range(0, 1'000'000))->excludes(repeat);
  c->add_option("--loop", o->loop_step, "the same, going through the steps up to this one again and again, with the trigger output")
      ->check(CLI::Range(0, 1'000'000))->excludes(repeat)->excludes(hold);
  c->add_option("--at-most", o->at_most_s, "seconds after which --hold and --loop power down (default 120)")->check(CLI::Range(1.0, 3600.0));
  c->add_flag("--once", o->once, "leave after the run, also on a terminal");
  c->add_flag("--mute", o->mute, "no tones");
}

void add_hold(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::HoldOptions>(app, chosen, "hold", "power up, reach a step, stay; keys set lines and pulse clocks", commands::hold, c);
  c->add_option("BOARD", o->what, "board or vectors file, or RUN:STEP")->required();
  c->add_option("--at-most", o->at_most_s, "seconds without a key after which it powers down")->check(CLI::Range(1.0, 86400.0));
  add_bench(*c, o->bench);
}

void add_propose(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::ProposeOptions>(app, chosen, "propose", "vectors and windows written from a board you vouch for", commands::propose, c);
  c->add_option("BOARD", o->board, "board file")->required();
  c->add_option("--out", o->out, "the vectors file, to be read and approved (default: standard output)");
  c->add_option("--rounds", o->rounds, "power-ups, each measured whole (default 3)")->check(CLI::Range(1, 20));
  add_bench(*c, o->bench);
}

void add_levels(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::LevelsOptions>(app, chosen, "levels", "real lows and highs of every output over all states; margins", commands::levels, c);
  c->add_option("BOARD", o->board, "board or vectors file")->required();
  c->add_option("--repeat", o->repeat, "gauge study: contacts made again so often")->check(CLI::Range(1, 1000));
  add_bench(*c, o->bench);
  add_wiring(*c, o->bench);
}

void add_timing(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::TimingOptions>(app, chosen, "timing", "delays, edges, set-up and hold, top clock rate, shmoo plot", commands::timing, c);
  c->add_option("BOARD", o->board, "board file, or vectors whose states are walked through")->required();
  c->add_option("--line", o->lines, "only what begins or ends at this line (repeatable)");
  c->add_option("--repeat", o->repeats, "trials at the edge of each search (default 59: no failure proves at most 5 % at 95 %)")->check(CLI::Range(1, 4096));
  c->add_option("--pulses", o->pulses, "pulses that are made and counted (default 1000)")->check(CLI::Range(1u, 100000000u));
  c->add_option("--vcd", o->vcd, "the sampled edges for waveform viewers, to a file or -");
  c->add_option("--shmoo", o->shmoo, "a plot over two of period, width, offset, settle: X,Y");
  c->add_option("--csv", o->csv, "the plot's cells, to a file or -");
  c->add_option("--svg", o->svg, "the plot as a drawing, to a file or -");
  add_bench(*c, o->bench);
}

void add_emulate(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::EmulateOptions>(app, chosen, "emulate", "the emulated fixture with that board, on a terminal or socket", commands::emulate, c);
  c->add_option("BOARD", o->board, "board or vectors file")->required();
  c->add_option("--listen", o->listen, "pty (default), unix:PATH or tcp:PORT");
  c->add_flag("--quiet", o->quiet, "print the address alone");
  add_emulation(*c, o->faults, o->seed);
}

void add_power(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::PowerOptions>(app, chosen, "power", "staged power-up, inrush and warm-up curves, measured discharge", commands::power, c);
  c->add_option("BOARD", o->file, "board file (with --budget a machine file too)")->required();
  c->add_flag("--budget", o->budget, "compute from ratings what supplies and wiring must carry; touches no hardware");
  c->add_option("--csv", o->csv, "the curves, one row a point, to a file, or -");
  add_bench(*c, o->bench);
}

// --- commands that only read files ---

void add_check(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::CheckOptions>(app, chosen, "check", "read files and predict; touches no hardware", commands::check, c);
  c->add_option("FILE", o->files, "board or vectors files")->required();
  add_json(*c, o->json);
  c->add_flag("--quiet", o->quiet, "errors only");
}

void add_hookup(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::HookupOptions>(app, chosen, "hookup", "the wiring list; with --fixture on a terminal, lead by lead", commands::hookup, c);
  c->add_option("BOARD", o->board, "board or vectors file")->required();
  add_bench(*c, o->bench);
}

void add_coverage(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::CoverageOptions>(app, chosen, "coverage", "which faults the vectors would catch, which not", commands::coverage, c);
  c->add_option("VECTORS", o->vectors, "vectors file, or a board file with steps")->required();
  c->add_flag("--other-faults", o->other_faults, "bridges, swaps, inversions, opens and slow changes as well");
  c->add_flag("--quiet", o->quiet, "one line");
  add_json(*c, o->json);
}

void add_generate(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::GenerateOptions>(app, chosen, "generate", "vectors that catch every catchable fault", commands::generate, c);
  c->add_option("BOARD", o->board, "board file or .bench netlist")->required();
  c->add_option("--out", o->out, "the vectors file (default: standard output)");
  c->add_option("--seed", o->seed, "of the random patterns");
  c->add_flag("--quiet", o->quiet, "one line");
  add_json(*c, o->json);
}

void add_predict(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::PredictOptions>(app, chosen, "predict", "windows from a SPICE netlist with part tolerances", commands::predict, c);
  c->add_option("NETLIST", o->netlist, "the .cir beside its .yaml, or the .yaml");
  c->add_option("--out", o->out, "where the families: block goes");
  c->add_option("--samples", o->samples, "of the spread")->check(CLI::Range(10, 1000000));
  c->add_option("--seed", o->seed, "of the samples");
  c->add_flag("--models", o->models, "list the built-in part models");
  c->add_flag("--quiet", o->quiet, "one line");
  add_json(*c, o->json);
}

void add_calibrate(CLI::App& fixture, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::CalibrateOptions>(fixture, chosen, "calibrate", "every sense channel against your own meter", commands::fixture_calibrate, c);
  c->add_option("--points", o->points, "CSV or YAML of channel and the meter's volts (default: guided)");
  c->add_option("--instrument", o->instrument, "the meter's name");
  c->add_option("--instrument-volts", o->offset_v, "its U, 95 %: so many volts...")->check(CLI::Range(0.0, 10.0));
  c->add_option("--instrument-percent", o->percent, "...and so many per cent of the reading")->check(CLI::Range(0.0, 10.0));
  c->add_option("--temperature", o->temperature_c, "of the room, degrees Celsius");
  c->add_option("--operator", o->operator_name, "who measured");
  c->add_option("--valid-days", o->valid_days, "until it expires")->check(CLI::Range(1, 3660));
  c->add_flag("--dry", o->dry, "fit and report, keep nothing");
  add_bench(*c, o->bench);
}

void add_fixture(CLI::App& app, Chosen& chosen) {
  CLI::App* fixture = app.add_subcommand("fixture", "the fixture itself");
  fixture->require_subcommand(1);
  CLI::App* c = nullptr;
  auto list = command<commands::FixtureListOptions>(*fixture, chosen, "list", "serial ports, and what answers on them", commands::fixture_list, c);
  c->add_option("ADDRESS", list->also, "further addresses to ask: unix:PATH, tcp:HOST:PORT");
  add_json(*c, list->json);
  auto flash = command<commands::FixtureFlashOptions>(*fixture, chosen, "flash", "this program's firmware onto the fixture's ATmega2560", commands::fixture_flash, c);
  c->add_option("PORT", flash->port, "e.g. /dev/ttyUSB0")->required();
  c->add_option("--programmer", flash->programmer, "as avrdude names it (default: wiring)");
  c->add_option("--at-most", flash->at_most_s, "seconds that avrdude may take (default: 180)")->check(CLI::Range(1, 3600));
  c->add_flag("--yes", flash->yes, "no board is connected: do not ask");
  add_calibrate(*fixture, chosen);
  auto self = command<commands::SelfTestOptions>(*fixture, chosen, "selftest", "references, relays and front ends, without a board", commands::fixture_selftest, c);
  add_bench(*c, self->bench);
  c->add_flag("--loop-back", self->loop_back, "the plug is on X1 and X2: every drive and fast lead is followed to its far end");
  c->add_option("--stage", self->stage, "check what this stage of the assembly built, 1 to 10 (docs/fixture.md)")->check(CLI::Range(1, 10));
  auto o = command<commands::FixtureDesignOptions>(*fixture, chosen, "design", "front-end parts for a span of volts", commands::fixture_design, c);
  c->add_option("--span", o->span, "e.g. -15V..60V");
  add_json(*c, o->json);
}

// --- commands that only read the record ---

void add_show(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::ShowOptions>(app, chosen, "show", "a recorded run", commands::show, c);
  c->add_option("RUN", o->run, "number, start of its uid, last, last-good, or BOARD@SERIAL")->required();
  c->add_option("--explain", o->explain, "a line: how each reading of it was made and judged");
  c->add_option("--vcd", o->vcd, "the edges that a timing study sampled, for waveform viewers, to a file or -");
  c->add_flag("--quiet", o->quiet, "one line");
  add_store(*c, o->store);
  add_json(*c, o->json);
  add_exports(*c, o->junit, o->tap, o->csv);
}

void add_diagnose(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::DiagnoseOptions>(app, chosen, "diagnose", "suspects in order, and the next point to touch", commands::diagnose, c);
  c->add_option("RUN", o->run, "number, start of its uid, last, last-good, or BOARD@SERIAL")->required();
  c->add_option("--touch", o->touch,
                "a voltage read with the board held: NET=VOLTS, e.g. d1=23.8V (repeatable; @STEP for another step), or a file of such lines");
  c->add_option("--fixture", o->bench.fixture, "power the board there and take the touches from the hand lead (hookup: {hand: sense.N})");
  c->add_option("--at-most", o->at_most_s, "seconds for each touch of the hand lead (default 300)")->check(CLI::Range(1.0, 3600.0));
  c->add_flag("--mute", o->mute, "no tones");
  c->add_flag("--quiet", o->bench.quiet, "one line");
  c->add_flag("--yes", o->bench.yes, "the bench is ready: do not ask before real power");
  add_store(*c, o->bench.store);
  add_json(*c, o->bench.json);
  add_emulation(*c, o->bench.faults, o->bench.seed);
}

void add_history(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::HistoryOptions>(app, chosen, "history", "what was recorded", commands::history, c);
  c->add_option("BOARD", o->board, "recorded name");
  c->add_option("--serial", o->serial, "the board's serial");
  c->add_option("--since", o->since, "from this date on: 2026-11 or 2026-11-25");
  c->add_option("--before", o->before, "before this date");
  c->add_option("--verdict", o->verdict, "pass, fail or unsure")->check(CLI::IsMember({"pass", "fail", "unsure"}));
  c->add_option("--limit", o->limit, "runs a page")->check(CLI::Range(1, 100000));
  c->add_option("--page", o->page, "from 1")->check(CLI::Range(1, 1000000));
  add_store(*c, o->store);
  add_json(*c, o->json);
}

void add_compare(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::CompareOptions>(app, chosen, "compare", "what changed between two runs", commands::compare, c);
  c->add_option("BEFORE", o->before, "RUN; alone it is compared with the last good run of its board")->required();
  c->add_option("AFTER", o->after, "RUN");
  add_store(*c, o->store);
  add_json(*c, o->json);
}

void add_machine(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::MachineOptions>(app, chosen, "machine", "every driver against every receiver, from recorded levels", commands::machine, c);
  c->add_option("FILE", o->file, "machine file")->required();
  c->add_flag("--quiet", o->quiet, "one line");
  add_store(*c, o->store);
  add_json(*c, o->json);
}

void add_trend(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::TrendOptions>(app, chosen, "trend", "where a board's levels are drifting", commands::trend, c);
  c->add_option("BOARD", o->board, "recorded name")->required();
  c->add_option("--serial", o->serial, "the board's serial");
  c->add_option("--line", o->line, "one line (default: all)");
  c->add_option("--by", o->by, "days, or hours of use (default: hours once `parts --ran` was told)")->check(CLI::IsMember({"days", "hours"}));
  c->add_option("--swapped", o->swapped, "a part just replaced: trends restart here");
  c->add_option("--note", o->note, "kept with it");
  add_store(*c, o->store);
  add_json(*c, o->json);
}

void add_parts(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::PartsOptions>(app, chosen, "parts", "what sits in each place of a board, its hours, and what was replaced", commands::parts, c);
  c->add_option("BOARD", o->board, "recorded name")->required();
  c->add_option("--serial", o->serial, "the board's serial");
  c->add_option("--swapped", o->swapped, "a place whose part was just replaced: trends of its lines restart");
  c->add_option("--fitted", o->fitted, "a place whose part is told for the record; nothing was changed");
  c->add_option("--type", o->type, "of that part, e.g. ECC82");
  c->add_option("--part-serial", o->part_serial, "of that single part; its hours move with it");
  c->add_option("--hours", o->hours, "that it had before it came here");
  c->add_option("--cycles", o->cycles, "power-ups that it had before, or with --ran those of the board");
  c->add_flag("--new-socket", o->new_socket, "the socket was replaced as well");
  c->add_option("--ran", o->ran, "hours that the board worked away from the bench since the last told");
  c->add_option("--note", o->note, "kept with it");
  add_store(*c, o->store);
  add_json(*c, o->json);
}

void add_note(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::NoteOptions>(app, chosen, "note", "remarks and pictures of a run: add one, or list them", commands::note, c);
  c->add_option("RUN", o->run, "number, start of its uid, last, last-good, or BOARD@SERIAL")->required();
  c->add_option("TEXT", o->text, "the remark, or the caption of the pictures");
  c->add_option("--photo", o->photos, "a picture, kept by its path and SHA-256 (repeatable)");
  add_store(*c, o->store);
  add_json(*c, o->json);
}

void add_report(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::ReportOptions>(app, chosen, "report", "one self-contained HTML page of a run, a board or all boards; a label", commands::report, c);
  o->suspects = [store = &o->store](const record::RunRecord& run) { return commands::suspects_json(*store, run); };
  c->add_option("RUN", o->run, "number, start of its uid, last, last-good, or BOARD@SERIAL");
  c->add_option("--board", o->board, "all runs of this board");
  c->add_option("--serial", o->serial, "of that board");
  c->add_flag("--fleet", o->fleet, "all boards of the record");
  c->add_option("--label", o->label, "a label to print instead, 62 x 29 mm: FILE.svg or FILE.pdf");
  c->add_option("--out", o->out, "the page (default: a name made of board, serial and run, here; - for standard output)");
  c->add_flag("--quiet", o->quiet, "say nothing");
  add_store(*c, o->store);
}

void add_merge(CLI::App& app, Chosen& chosen) {
  CLI::App* c = nullptr;
  auto o = command<commands::MergeOptions>(app, chosen, "merge", "another bench's record joined to this one", commands::merge, c);
  c->add_option("STORE", o->from, "the other store; only read")->required();
  add_store(*c, o->store);
  add_json(*c, o->json);
}

// --- the program describes itself ---

// "TEXT:{days,hours}": the only values of an option that has a list of them.
std::vector<std::string> choices_of(const CLI::Option& option) {
  std::vector<std::string> choices;
  const std::string type = option.get_type_name();
  const auto from = type.find('{'), to = type.find('}');
  if (from == std::string::npos || to == std::string::npos || to < from) return choices;
  for (const std::string& choice : CLI::detail::split(type.substr(from + 1, to - from - 1), ',')) choices.push_back(choice);
  return choices;
}

void describe(const CLI::App& app, const std::string& prefix, commands::ProgramHelp& program) {
  for (const CLI::App* sub : app.get_subcommands([](const CLI::App*) { return true; })) {
    const std::string name = prefix + sub->get_name();
    if (!sub->get_subcommands([](const CLI::App*) { return true; }).empty()) {
      describe(*sub, name + " ", program);
      continue;
    }
    commands::CommandHelp& command = program.commands.emplace_back();
    command.name = name;
    command.about = sub->get_description();
    for (const CLI::Option* option : sub->get_options()) {
      commands::OptionHelp& help = command.options.emplace_back();
      help.about = option->get_description();
      help.positional = option->get_positional();
      help.required = option->get_required();
      help.takes_value = !help.positional && option->get_items_expected_max() > 0;
      help.choices = choices_of(*option);
      if (help.positional) help.names.push_back(option->get_name(true));
      for (const std::string& s : option->get_snames()) help.names.push_back("-" + s);
      for (const std::string& l : option->get_lnames()) help.names.push_back("--" + l);
    }
  }
}

int print_manual(const CLI::App& app, const std::string& kind) {
  commands::ProgramHelp program{TENTERHOOK_VERSION, "a bench tester for hand-made logic boards", {}};
  describe(app, "", program);
  std::string (*const writers[])(const commands::ProgramHelp&) = {commands::man_page, commands::bash_completion, commands::zsh_completion};
  const char* const kinds[] = {"man", "bash", "zsh"};
  for (int i = 0; i < 3; ++i) {
    if (kind != kinds[i]) continue;
    std::fputs(writers[i](program).c_str(), stdout);
    return kExitPass;
  }
  std::fprintf(stderr, "tenterhook: --manual: expected man, bash or zsh, found '%s'\n", kind.c_str());
  return kExitInput;
}

int dispatch(int argc, char** argv) {
  CLI::App app{"Tenterhook: a bench tester for hand-made logic boards"};
  app.require_subcommand(1);
  app.set_version_flag("--version", "tenterhook " TENTERHOOK_VERSION);
  // Before the command as after it: the commands' own --store goes before this one.
  const auto everywhere = [](const std::string& store) { setenv("TENTERHOOK_STORE", store.c_str(), 1); };
  app.add_option_function<std::string>("--store", everywhere, "the record's file, for whichever command follows");
  Chosen chosen;
  for (auto* add : {add_run, add_check, add_levels, add_machine, add_propose, add_hold, add_power, add_timing, add_hookup, add_coverage, add_generate, add_show, add_history, add_compare, add_diagnose,
                    add_trend, add_parts, add_note, add_report, add_merge, add_predict, add_fixture, add_emulate}) {
    add(app, chosen);
  }
  if (argc == 3 && std::string(argv[1]) == "--manual") return print_manual(app, argv[2]);
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
