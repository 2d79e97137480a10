// A controller looked at every 2 ms of its time: whether a contact is closed or a rail on, and how long after
// the last byte everything had opened. The fixture's own truth, not what it says over the line.
#pragma once

#include <algorithm>
#include <atomic>
#include <memory>
#include <utility>
#include <vector>

#include "fixtures/emulated/fixture/controller.h"

namespace tenterhook::acceptance {

// Another controller, looked at every 2 ms of its time.
class Watched : public emulated::Controller {
 public:
  using Picoseconds = emulated::Picoseconds;
  static constexpr Picoseconds kMs = 1'000'000'000;
  static constexpr Picoseconds kAllowed = 250 * kMs;
  static constexpr Picoseconds kLook = 2 * kMs;

  explicit Watched(std::unique_ptr<emulated::Controller> inner) : inner_(std::move(inner)) {}

  // --- the test's side, from any thread ---
  std::atomic<bool> on{false};            // a contact is closed or a rail is on, now
  std::atomic<bool> powered{false};       // a rail is on: contacts alone close and open while leads are checked
  std::atomic<bool> late{false};          // something was on later than allowed after the last byte
  std::atomic<int> quiet_ms{0};           // since the last byte
  std::atomic<int> opened_after_ms{-1};   // the last byte, when everything had opened
  static constexpr int kNothing = -1;
  std::atomic<int> inject_next{kNothing};  // an emulated::Injection, done at the next look

  // --- Controller ---
  Picoseconds now() const override { return inner_->now(); }
  void feed(std::span<const std::uint8_t> bytes, Picoseconds t) override {
    last_byte_ = std::max(inner_->now(), t) + static_cast<Picoseconds>(bytes.size()) * 20'000'000;
    inner_->feed(bytes, t);
  }
  Picoseconds run_until(Picoseconds deadline, bool stop_on_output) override {
    while (inner_->now() < deadline) {
      inner_->run_until(std::min(deadline, inner_->now() + kLook), stop_on_output);
      look();
      if (stop_on_output && inner_->has_output()) break;
    }
    return inner_->now();
  }
  std::vector<std::uint8_t> take_output() override { return inner_->take_output(); }
  bool has_output() const override { return inner_->has_output(); }
  void set_host_baud(int baud) override { inner_->set_host_baud(baud); }
  void inject(emulated::Injection what) override { inner_->inject(what); }
  void record_edges(bool record) override { inner_->record_edges(record); }
  const std::vector<emulated::PinEdge>& edges() const override { return inner_->edges(); }
  emulated::FixtureCircuit& circuit() override { return inner_->circuit(); }
  std::string describe() const override { return inner_->describe(); }

 private:
  void look() {
    if (const int what = inject_next.exchange(kNothing); what != kNothing) inner_->inject(static_cast<emulated::Injection>(what));
    const auto truth = inner_->circuit().truth(inner_->now());
    const bool closed = truth.any_contact_closed || truth.any_rail_on;
    const Picoseconds quiet = std::max<Picoseconds>(0, inner_->now() - last_byte_);
    if (closed && quiet > kAllowed + kLook) late = true;
    if (!closed && on) opened_after_ms = static_cast<int>(quiet / kMs);
    on = closed;
    powered = truth.any_rail_on;
    quiet_ms = static_cast<int>(quiet / kMs);
  }

  std::unique_ptr<emulated::Controller> inner_;
  Picoseconds last_byte_ = 0;
};

}  // namespace tenterhook::acceptance
