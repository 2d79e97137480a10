// Whole runs of emulated boards on the native firmware, as `tenterhook run` makes them, for studies of
// many seeds; and a lead that comes off in the middle of one.
#pragma once

#include <gtest/gtest.h>

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/bench_run.h"
#include "host/commands/emulated_bench.h"
#include "host/files/reader.h"

namespace tenterhook::commands {

inline plan::Plan plan_of(const std::string& vectors) {
  auto read = files::read_vectors(std::string(TH_SOURCE_DIR) + "/vectors/" + vectors);
  auto fixture = files::read_fixture(std::string(TH_SOURCE_DIR) + "/fixtures/mega2560/fixture.yaml");
  EXPECT_TRUE(read.ok() && fixture.ok()) << vectors;
  auto plan = plan::make_plan(read.take(), fixture.take(), {});
  EXPECT_TRUE(plan.ok()) << vectors;
  return plan.take();
}

struct NativeRun {
  std::uint64_t seed = 1;
  std::vector<std::string> faults;
  Adjust adjust;
  bool despite_wiring = false;
  std::function<void(const record::StepRecord&)> step;
  std::function<void(BenchRun&)> prepare;               // before it is performed
  std::function<void(emulated::Controller&)> after;     // while the session is still open
};

inline record::RunRecord native_run(plan::Plan plan, const NativeRun& options) {
  auto controller = make_emulated(plan, options.seed, options.faults, Firmware::native, options.adjust);
  EXPECT_TRUE(controller.ok()) << (controller.ok() ? "" : controller.error().text());
  if (!controller.ok()) return {};
  Bench bench;
  bench.emulated = controller->get();
  bench.seed = options.seed;
  link::SessionOptions session_options;
  session_options.seed = static_cast<std::uint32_t>(options.seed);
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(controller.take()), session_options);
  EXPECT_TRUE(session.ok());
  bench.session = session.take();
  RunTold told;
  told.step = options.step;
  BenchRun run(std::move(plan), measure::Decision::guarded, told);
  BenchOptions bench_options;
  bench_options.despite_wiring = options.despite_wiring;
  run.identify(bench, bench_options);
  if (options.prepare) options.prepare(run);
  std::optional<Error> trouble;
  if (auto performed = run.perform(*bench.session); !performed) trouble = performed.error();
  run.finish(bench.session.get(), trouble);
  if (options.after) options.after(*bench.emulated);
  return run.record();
}

// Passes everything through, until one terminal's lead comes off: the fixture then sees its own end of it,
// and the board an unloaded output.
class LooseLead final : public emulated::Board {
 public:
  LooseLead(std::unique_ptr<emulated::Board> board, int terminal)
      : board_(std::move(board)), terminal_(terminal) {}
  void come_off() { asked_ = true; }

  int terminal_count() const override { return board_->terminal_count(); }
  int rail_count() const override { return board_->rail_count(); }
  void drive(emulated::Picoseconds t, int terminal, emulated::Source source) override {
    if (terminal == terminal_) {
      given_ = source;
      if (off_) return;
    }
    board_->drive(t, terminal, source);
  }
  void supply(emulated::Picoseconds t, int rail, emulated::Source source) override { board_->supply(t, rail, source); }
  double volts(emulated::Picoseconds t, int terminal) override {
    if (asked_ && !off_) {
      board_->drive(t, terminal_, {});
      off_ = true;
    }
    return off_ && terminal == terminal_ ? given_.volts : board_->volts(t, terminal);
  }
  double rail_volts(emulated::Picoseconds t, int rail) override { return board_->rail_volts(t, rail); }
  double rail_amps(emulated::Picoseconds t, int rail) override { return board_->rail_amps(t, rail); }
  emulated::Picoseconds next_event(emulated::Picoseconds t) override { return board_->next_event(t); }

 private:
  std::unique_ptr<emulated::Board> board_;
  int terminal_;
  emulated::Source given_;
  bool asked_ = false, off_ = false;
};

}  // namespace tenterhook::commands
