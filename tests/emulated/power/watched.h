// A controller that lets a test look at the truth while it runs: every `every` of virtual time, whoever
// lets the time pass.
#pragma once

#include <algorithm>
#include <functional>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "fixtures/emulated/fixture/controller.h"
#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/emulated_bench.h"
#include "host/files/reader.h"
#include "host/link/session.h"
#include "host/plan/plan.h"
#include "host/resources/resources.h"

namespace tenterhook::test {

using emulated::Picoseconds;
constexpr Picoseconds kUs = 1'000'000;
constexpr Picoseconds kMs = 1'000'000'000;

class Watched : public emulated::Controller {
 public:
  using Look = std::function<void(Picoseconds now, emulated::FixtureCircuit& circuit)>;
  explicit Watched(std::unique_ptr<Controller> inner) : inner_(std::move(inner)) {}
  void watch(Picoseconds every, Look look) {
    every_ = every;
    look_ = std::move(look);
  }

  Picoseconds now() const override { return inner_->now(); }
  void feed(std::span<const std::uint8_t> bytes, Picoseconds t) override { inner_->feed(bytes, t); }
  Picoseconds run_until(Picoseconds deadline, bool stop_on_output) override {
    while (inner_->now() < deadline) {
      const Picoseconds next = look_ ? std::min(deadline, inner_->now() + every_) : deadline;
      inner_->run_until(next, stop_on_output);
      if (look_) look_(inner_->now(), inner_->circuit());
      if (stop_on_output && inner_->has_output()) break;
    }
    return inner_->now();
  }
  std::vector<std::uint8_t> take_output() override { return inner_->take_output(); }
  bool has_output() const override { return inner_->has_output(); }
  void set_host_baud(int baud) override { inner_->set_host_baud(baud); }
  void inject(emulated::Injection what) override { inner_->inject(what); }
  void record_edges(bool on) override { inner_->record_edges(on); }
  const std::vector<emulated::PinEdge>& edges() const override { return inner_->edges(); }
  emulated::FixtureCircuit& circuit() override { return inner_->circuit(); }
  std::string describe() const override { return inner_->describe(); }

 private:
  std::unique_ptr<Controller> inner_;
  Picoseconds every_ = kMs;
  Look look_;
};

// A plan made of a board's text alone, wired to the built-in fixture.
inline Result<plan::Plan> plan_of(const std::string& board_text) {
  auto board = files::parse_board("board.yaml", board_text);
  TH_TRY(board);
  files::Vectors vectors;
  vectors.board = board.take();
  auto fixture = files::parse_fixture("fixture.yaml", std::string(resources::find("fixture.yaml")));
  TH_TRY(fixture);
  return plan::make_plan(std::move(vectors), fixture.take(), {});
}

struct PowerBench {
  Watched* controller = nullptr;  // owned by the session's port
  std::unique_ptr<link::Session> session;
  emulated::FixtureCircuit& circuit() { return controller->circuit(); }
};

inline Result<PowerBench> bench_of(const plan::Plan& plan, std::uint64_t seed, const std::vector<std::string>& faults = {},
                                   commands::Firmware firmware = commands::Firmware::native,
                                   const commands::Adjust& adjust = {}) {
  auto made = commands::make_emulated(plan, seed, faults, firmware, adjust);
  TH_TRY(made);
  auto watched = std::make_unique<Watched>(made.take());
  PowerBench bench;
  bench.controller = watched.get();
  link::SessionOptions options;
  options.seed = static_cast<std::uint32_t>(seed) + 1;
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(std::move(watched)), options);
  TH_TRY(session);
  bench.session = session.take();
  return bench;
}

}  // namespace tenterhook::test
