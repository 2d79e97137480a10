// A board timed on the emulated fixture, beside the same board's own electricity.
#pragma once

#include <gtest/gtest.h>

#include <cmath>
#include <memory>
#include <string>
#include <vector>

#include "fixtures/emulated/boards/fault.h"
#include "fixtures/emulated/boards/truth.h"
#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/bench.h"
#include "host/commands/emulated_bench.h"
#include "host/files/reader.h"
#include "host/measure/calibration.h"
#include "host/power/sequence.h"
#include "host/timing/study.h"

namespace tenterhook::timing {

struct Timed {
  plan::Plan plan;
  Found found;
  Study study;
};

inline files::Vectors vectors_of(const std::string& file) {
  const std::string path = std::string(TH_SOURCE_DIR) + "/" + file;
  files::Vectors vectors;
  if (*files::file_kind(path) == files::FileKind::vectors) {
    vectors = files::read_vectors(path).take();
  } else {
    vectors.board = files::read_board(path).take();
  }
  return vectors;
}

inline plan::Plan plan_of(files::Vectors vectors) {
  commands::BenchOptions options;
  options.fixture = "emulated";
  auto plan = plan::make_plan(std::move(vectors), commands::describe_fixture(options).take(), {});
  EXPECT_TRUE(plan.ok()) << (plan.ok() ? "" : plan.error().text());
  prepare_wiring(*plan);
  return plan.take();
}

// Powers the board, times it, powers it down. `with`: a bench that differs.
inline Result<Timed> time_board(files::Vectors vectors, std::uint64_t seed, const std::vector<std::string>& faults, const StudyOptions& options,
                                const std::vector<std::string>& lines = {}, const commands::Adjust& with = {},
                                commands::Firmware firmware = commands::Firmware::native) {
  Timed timed;
  timed.plan = plan_of(std::move(vectors));
  auto found = find_paths(timed.plan, {lines});
  TH_TRY(found);
  timed.found = found.take();
  timed.plan.vectors.steps.clear();
  timed.plan.steps.clear();
  auto controller = commands::make_emulated(timed.plan, seed, faults, firmware, with);
  TH_TRY(controller);
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(controller.take()));
  TH_TRY(session);
  power::Sequence sequence(**session, timed.plan, [](const std::string&, double) {});
  auto up = sequence.up();
  TH_TRY(up);
  if (*up) return fixture_error((*up)->where, (*up)->text);
  std::optional<link::FaultReport> fault;
  TH_TRY(sequence.warm_up(fault));
  if (fault) return fixture_error(fault->where, fault->text);
  Stand stand(**session, timed.plan, measure::models_of(timed.plan.fixture, nullptr, measure::today()).sense);
  auto study = timing::study(stand, timed.plan, timed.found, options);
  TH_TRY(study);
  timed.study = study.take();
  TH_TRY(sequence.down(Seconds{60.0}));
  return timed;
}

// The same parts, without fixture and without noise, brought into a path's start state.
class Truth {
 public:
  Truth(const plan::Plan& plan, std::uint64_t seed, const std::vector<std::string>& faults) : plan_(plan) {
    std::vector<emulated::FaultSpec> specs;
    for (const std::string& fault : faults) specs.push_back(emulated::parse_fault(fault).take());
    truth_ = std::make_unique<emulated::BoardTruth>(emulated::BoardTruth::make(commands::describe_emulated(plan).take(), seed, specs).take());
    for (const files::Line& line : plan.vectors.board.lines) {
      if (line.kind == files::LineKind::input || line.kind == files::LineKind::clock) truth_->set(line.name, high(line.name, line.rest));
    }
    for (const files::Line& line : plan.vectors.board.lines) wait_s_ = std::max(wait_s_, line.respond.value);
    // A sensed line carries the fixture's divider: what is measured is the board as it is loaded.
    for (const auto& [line, channel] : plan.hookup) {
      const files::Line* l = plan.vectors.board.line(line);
      if (channel.kind != "sense" || l == nullptr) continue;
      truth_->set_volts(line, plan.fixture.sense.open_reads.value, plan.fixture.sense.divider.value);
    }
    truth_->power_up();
  }
  bool high(const std::string& line, files::Bit bit) const {
    const files::Board& board = plan_.vectors.board;
    return plan::is_high(*board.family_of(*board.line(line)), bit);
  }
  void begin(const Start& start) {
    for (const auto& [line, bit] : start.inputs) truth_->set(line, high(line, bit));
    truth_->wait(wait_s_);
    for (const Action& action : start.again) {
      if (action.kind == Action::Kind::set) {
        truth_->set(action.line, high(action.line, action.bit));
      } else {
        const bool rests = high(action.line, plan_.vectors.board.line(action.line)->rest);
        truth_->set(action.line, !rests);
        truth_->wait(wait_s_);
        truth_->set(action.line, rests);
      }
      truth_->wait(wait_s_);
    }
  }
  emulated::BoardTruth& board() { return *truth_; }

  // The path's edge, as the electricity makes it of a driven edge like the fixture's: 100 ns in four steps. From its
  // middle to 50 % of the output, and 10 to 90 %.
  Result<emulated::BoardTruth::Edge> edge(const Path& path, double limit_s = 80e-6) {
    constexpr double kStep = 10e-9, kRampStep = 25e-9;
    begin(path.start);
    if (path.trailing) {
      drive_edge(path.from, !path.from_high);
      truth_->wait(200e-6);
    }
    std::vector<double> t{0.0}, v{truth_->volts(path.to)};
    const auto look = [&](double wait_s) {
      truth_->wait(wait_s);
      t.push_back(t.back() + wait_s);
      v.push_back(truth_->volts(path.to));
    };
    const double top = truth_->board().layout().nominal_main_v;
    for (int i = 1; i <= 4; ++i) {
      look(kRampStep);
      truth_->set_volts(path.from, top * (path.from_high ? i : 4 - i) / 4.0, 47.0);
    }
    while (t.back() < limit_s) look(kStep);
    truth_->wait(2e-3);
    const double before = v.front(), after = truth_->volts(path.to);
    if (std::fabs(after - before) < 1.0) return input_error("truth", path.to + " does not follow " + path.from);
    const auto crossing = [&](double share) {
      const double level = before + share * (after - before);
      for (std::size_t i = v.size() - 1; i-- > 0;) {  // when it stays
        if ((v[i] < level) == (after < level)) continue;
        return t[i] + (level - v[i]) / (v[i + 1] - v[i]) * (t[i + 1] - t[i]);
      }
      return 0.0;
    };
    return emulated::BoardTruth::Edge{crossing(0.5) - 2.25 * kRampStep, crossing(0.9) - crossing(0.1)};
  }
  void drive_edge(const std::string& line, bool to_high) {
    for (int i = 1; i <= 4; ++i) {
      truth_->wait(25e-9);
      truth_->set_volts(line, truth_->board().layout().nominal_main_v * (to_high ? i : 4 - i) / 4.0, 47.0);
    }
  }

  // How often of `tries` the outputs were taken with data `before_s` ahead of the clock (set-up), or gone `before_s`
  // ahead of it (hold: negative is after it).
  int taken(const Aperture& a, bool setup, double before_s, int tries) {
    int n = 0;
    for (int i = 0; i < tries; ++i) {
      begin(a.start);
      const bool clock_rests = high(a.clock, plan_.vectors.board.line(a.clock)->rest);
      if (!setup) {
        truth_->set(a.data, a.data_high);
        truth_->wait(200e-6);
      }
      const bool data_moves = setup ? a.data_high : !a.data_high;
      constexpr double kRamp = 100e-9;
      drive_edge(before_s >= 0.0 ? a.data : a.clock, before_s >= 0.0 ? data_moves : !clock_rests);
      truth_->wait(std::max(0.0, std::fabs(before_s) - kRamp));
      drive_edge(before_s >= 0.0 ? a.clock : a.data, before_s >= 0.0 ? !clock_rests : data_moves);
      truth_->wait(100e-6);
      truth_->set(a.clock, clock_rests);
      truth_->wait(100e-6);
      truth_->set(a.data, !a.data_high);
      truth_->wait(100e-6);
      n += as_expected(a.taken);
    }
    return n;
  }

  // All lengths of a train with this period, square.
  bool follows(const Train& t, double period_s) {
    for (const Train::Run& run : t.runs) {
      begin(t.start);
      const bool rests = high(t.clock, plan_.vectors.board.line(t.clock)->rest);
      for (int i = 0; i < run.pulses; ++i) {
        truth_->set(t.clock, !rests);
        truth_->wait(0.5 * period_s);
        truth_->set(t.clock, rests);
        truth_->wait(0.5 * period_s);
      }
      truth_->wait(wait_s_);
      if (!as_expected(run.after)) return false;
    }
    return true;
  }

  bool as_expected(const Levels3& expected) {
    for (const auto& [line, bit] : expected) {
      if (bit != files::Bit::zero && bit != files::Bit::one) continue;
      const double middle = 0.4 * truth_->board().layout().nominal_main_v;
      if ((truth_->settled(line) > middle) != high(line, bit)) return false;
    }
    return true;
  }

 private:
  plan::Plan plan_;
  double wait_s_ = 0.5e-3;  // until all is settled
  std::unique_ptr<emulated::BoardTruth> truth_;
};

}  // namespace tenterhook::timing
