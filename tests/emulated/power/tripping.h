// A bench on which something goes wrong at a given moment, and what the fixture did about it, by the truth.
#pragma once

#include <gtest/gtest.h>

#include <cmath>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "host/plan/program.h"
#include "host/power/sequence.h"
#include "tests/emulated/power/watched.h"

namespace tenterhook::test {

using commands::Firmware;
using emulated::FixtureCircuit;

// From `from` on a resistor hangs on the rail, or only a share of the supply's volts arrives.
struct Upset {
  int rail = -1;  // of the board
  double siemens = 0.0;
  double share = 1.0;
  Picoseconds from = INT64_MAX;
};

// Between fixture and board.
class UpsetBoard : public emulated::Board {
 public:
  UpsetBoard(std::unique_ptr<Board> inner, std::shared_ptr<Upset> upset)
      : inner_(std::move(inner)), upset_(std::move(upset)), sources_(static_cast<std::size_t>(inner_->rail_count())) {}
  int terminal_count() const override { return inner_->terminal_count(); }
  int rail_count() const override { return inner_->rail_count(); }
  void drive(Picoseconds t, int terminal, emulated::Source source) override { inner_->drive(t, terminal, source); }
  void supply(Picoseconds t, int rail, emulated::Source source) override {
    sources_[static_cast<std::size_t>(rail)] = source;
    inner_->supply(t, rail, seen(t, rail));
  }
  double volts(Picoseconds t, int terminal) override {
    reach(t);
    return inner_->volts(t, terminal);
  }
  double rail_volts(Picoseconds t, int rail) override {
    reach(t);
    return inner_->rail_volts(t, rail);
  }
  // The resistor's current is the board's to the fixture.
  double rail_amps(Picoseconds t, int rail) override {
    reach(t);
    const double extra = active(t, rail) ? inner_->rail_volts(t, rail) * upset_->siemens : 0.0;
    return inner_->rail_amps(t, rail) + extra;
  }
  Picoseconds next_event(Picoseconds t) override {
    const Picoseconds next = inner_->next_event(t);
    return upset_->rail >= 0 && t < upset_->from ? std::min(next, upset_->from) : next;
  }

 private:
  bool active(Picoseconds t, int rail) const { return rail == upset_->rail && t >= upset_->from; }
  emulated::Source seen(Picoseconds t, int rail) const {
    const emulated::Source s = sources_[static_cast<std::size_t>(rail)];
    if (!active(t, rail)) return s;
    const double g = s.siemens + upset_->siemens;
    return {g > 0.0 ? s.volts * upset_->share * s.siemens / g : 0.0, g};
  }
  void reach(Picoseconds t) {
    if (begun_ || upset_->rail < 0 || t < upset_->from) return;
    begun_ = true;
    inner_->supply(t, upset_->rail, seen(t, upset_->rail));
  }
  std::unique_ptr<Board> inner_;
  std::shared_ptr<Upset> upset_;
  std::vector<emulated::Source> sources_;
  bool begun_ = false;
};

// What the fixture does while the cause comes: nothing, a sample of the rails, a recording of `channel`.
enum class During { rest, sampling, recording };

struct Trip {
  std::string cause, blame, where;
  double rails_off_ms = -1.0;  // since the cause: no supply reaches an unprotecting rail
  double bias_off_ms = -1.0;   // nor the protecting one called "bias"
  double open_ms = -1.0;       // every contact is open and every rail off
};

// A powered plan, its cause, its watch.
class Tripping {
 public:
  Tripping(const std::string& text, Firmware firmware, std::uint64_t seed, const std::vector<std::string>& faults = {}) {
    auto plan = plan_of(text);
    EXPECT_TRUE(plan) << plan.error().text();
    plan_ = plan.take();
    commands::Adjust adjust;
    adjust.board = [this](std::unique_ptr<emulated::Board> b) { return std::make_unique<UpsetBoard>(std::move(b), upset_); };
    auto bench = bench_of(plan_, seed, faults, firmware, adjust);
    EXPECT_TRUE(bench) << bench.error().text();
    bench_ = bench.take();
  }
  const plan::Plan& plan() const { return plan_; }
  PowerBench& bench() { return bench_; }
  Picoseconds now() { return bench_.controller->now(); }

  // The fault of the power-up, if any.
  std::optional<link::FaultReport> power_up() {
    power::Sequence sequence(*bench_.session, plan_, [](const std::string&, double) {});
    auto up = sequence.up();
    EXPECT_TRUE(up) << up.error().text();
    return up ? *up : std::nullopt;
  }
  // The rail of the board on a channel gets three times its limit / only `share` of its volts, 5 ms from now
  // and `offset` later.
  void short_later(int channel, Picoseconds offset) {
    const plan::RailPlan& rail = on(channel);
    upset_later(channel, 3.0 * rail.rail.limit.value / std::fabs(rail.rail.nominal.value), 1.0, offset);
  }
  void upset_later(int channel, double siemens, double share, Picoseconds offset) {
    upset_->siemens = siemens;
    upset_->share = share;
    upset_->from = now() + 5 * kMs + offset;
    const auto& rails = plan_.vectors.board.rails;
    for (std::size_t i = 0; i < rails.size(); ++i) {
      if (rails[i].name == on(channel).rail.name) upset_->rail = static_cast<int>(i);
    }
    watch_from(upset_->from);
  }
  void watch_from(Picoseconds begin) {
    bench_.controller->watch(20 * kUs, [this, begin](Picoseconds t, FixtureCircuit& circuit) {
      if (t < begin) return;
      const double ms = double(t - begin) * 1e-9;
      const auto truth = circuit.truth(t);
      bool others = false, bias = false;
      for (const plan::RailPlan& r : plan_.rails) {
        (r.rail.name == "bias" ? bias : others) |= (truth.supplied >> r.channel & 1) != 0;
      }
      note(trip_.rails_off_ms, !others, ms);
      note(trip_.bias_off_ms, !bias, ms);
      note(trip_.open_ms, !truth.any_contact_closed && !truth.any_rail_on, ms);
    });
  }
  Trip wait_for_fault(During during, double seconds = 0.1, int channel = 0) {
    std::optional<link::FaultReport> fault;
    if (during != During::rest) {
      plan::ProgramStep step = plan::rails_step(plan_, plan::kLabelRails, 100);
      if (during == During::recording) {
        step.ops = {wire::CurveOp{static_cast<std::uint8_t>(channel)}, wire::WaitOp{50000}};
      }
      auto bytes = plan::encode(step);
      auto report = bench_.session->execute(*bytes, {});
      EXPECT_TRUE(report) << report.error().text();
      if (report) fault = report->fault;
    }
    if (!fault) {
      auto idle = bench_.session->idle(Seconds{seconds});
      EXPECT_TRUE(idle) << idle.error().text();
      if (idle) fault = *idle;
    }
    if (fault) {
      trip_.cause = fault->cause;
      trip_.blame = fault->blame;
      trip_.where = power::aborted_by(*fault, plan_).where;
    }
    (void)bench_.session->idle(Seconds{0.08}).ok();  // the protecting rail falls later
    return trip_;
  }
  const plan::RailPlan& on(int channel) const {
    return *std::find_if(plan_.rails.begin(), plan_.rails.end(), [&](const plan::RailPlan& r) { return r.channel == channel; });
  }

 private:
  // The time since which it has been so without a break.
  static void note(double& since, bool so, double ms) {
    if (!so) since = -1.0;
    if (so && since < 0.0) since = ms;
  }
  plan::Plan plan_;
  std::shared_ptr<Upset> upset_ = std::make_shared<Upset>();
  PowerBench bench_;
  Trip trip_;
};

// Four plain rails without filaments: quick to power, and every channel is there.
inline const char* const kPlain = R"(board: plain-rack
rails:
  heater: {nominal: 6.3 V, window: [5.5 V, 7.1 V], limit: 4 A, after: bias}
  bias:   {nominal: -9 V, window: [-10 V, -8 V], limit: 60 mA}
  plate:  {nominal: 30 V, window: [27 V, 33 V], limit: 250 mA, after: bias}
  coil:   {nominal: 24 V, window: [21 V, 27 V], limit: 500 mA, after: bias}
families: {next: {drive: {low: ground, high: plate}, gives: {low: [-1 V, 8.2 V], high: [20 V, 33 V]}, needs: {low: [-10 V, 9.3 V], high: [14 V, 33 V]}}}
lines: {A: {in: next, rest: 1}, Y: {out: next}}
circuit: [{gate: buf, in: A, out: Y, parts: [D1], build: diode}]
hookup: {heater: rail.0, bias: rail.1, plate: rail.2, coil: rail.3, A: drive.0, Y: sense.0}
)";
constexpr int kHeater = 0, kBias = 1, kPlate = 2, kCoil = 3;

}  // namespace tenterhook::test
