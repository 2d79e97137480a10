// The real firmware in the emulated chip (or natively), a session over the lockstep port, a small
// board: plate on rail.2 (30 V, 1 kohm), A on drive.0, CLK on fast.0, D on drive.1, Y on sense.0, Z
// on sense.1.
#pragma once

#include <gtest/gtest.h>

#include <array>
#include <memory>
#include <vector>

#include "firmware/native/emulated_controller.h"
#include "firmware/wire/message.h"
#include "firmware/wire/program.h"
#include "fixtures/emulated/fixture/lockstep_port.h"
#include "fixtures/emulated/mcu/mcu.h"
#include "host/link/session.h"
#include "tests/emulated/fixture/bench_board.h"

namespace tenterhook::emulated {

constexpr Picoseconds kMs = 1'000'000'000;
constexpr Picoseconds kUs = 1'000'000;

// Builds a step program step by step.
class Steps {
 public:
  template <class Op>
  Steps& add(const Op& op) {
    put_into(body_, op);
    return *this;
  }
  Steps& sample(std::uint64_t senses, std::uint64_t aux, std::uint16_t n) {
    int channels = 0;
    for (std::uint64_t m = senses; m != 0; m &= m - 1) ++channels;
    for (std::uint64_t m = aux; m != 0; m &= m - 1) ++channels;
    results_ = std::uint16_t(results_ + wire::sample_result_bytes(std::uint16_t(channels)));
    return add(wire::SampleOp{senses, aux, n});
  }
  Steps& rail_up(const wire::RailUntilOp& op) {
    results_ = std::uint16_t(results_ + wire::kEventResultBytes);
    return add(op);
  }
  Steps& crossing(const wire::CrossingOp& op) { return adds(op, wire::edges_result_bytes(op.most)); }
  Steps& delayed(const wire::DelayedSampleOp& op) { return adds(op, wire::sample_result_bytes(1)); }
  Steps& count(std::uint8_t sense, std::uint16_t threshold) { return add(wire::EdgeCountOp{sense, threshold}); }
  Steps& count_stop() { return adds(wire::EdgeCountOp{wire::kCountStop, 0}, wire::edges_result_bytes(0)); }
  Steps& step() {  // closes what was added as one step
    wire::LabelOp label;
    label.step = number_++;
    label.bytes = std::uint16_t(body_.size());
    label.results = results_;
    put_into(program_, label);
    program_.insert(program_.end(), body_.begin(), body_.end());
    body_.clear();
    results_ = 0;
    return *this;
  }
  std::vector<std::uint8_t> open_ended() { return program_; }
  std::vector<std::uint8_t> ended() {
    put_into(program_, wire::EndOp{});
    return program_;
  }

 private:
  template <class Op>
  Steps& adds(const Op& op, int bytes) {
    results_ = std::uint16_t(results_ + bytes);
    return add(op);
  }
  template <class Op>
  static void put_into(std::vector<std::uint8_t>& to, const Op& op) {
    std::array<std::uint8_t, wire::kOpBytesMax> bytes{};
    wire::Writer w(bytes.data(), bytes.size());
    wire::put(w, op);
    to.insert(to.end(), bytes.begin(), bytes.begin() + w.size());
  }
  std::vector<std::uint8_t> program_, body_;
  std::uint16_t results_ = 0, number_ = 0;
};

// The lockstep port, in which the chip hangs at a set time and the fixture's truth is looked at
// then and 250 ms later, while the session goes on as it will.
class HangingPort final : public LockstepPort {
 public:
  static constexpr Picoseconds kAllowed = 250 * kMs;
  struct Plan {
    Picoseconds at = INT64_MAX;
    bool hung = false, looked = false;
    bool closed_then = false, closed_later = false;
  };
  HangingPort(std::unique_ptr<Controller> c, Plan& plan)
      : LockstepPort(std::move(c)), plan_(plan) {}

  Result<std::size_t> read(std::span<std::uint8_t> into, Seconds patience) override {
    const Picoseconds next = plan_.looked ? INT64_MAX : plan_.hung ? plan_.at + kAllowed : plan_.at;
    const Picoseconds now = controller().now();
    if (next == INT64_MAX || now + Picoseconds(patience.value * 1e12) < next) {
      return LockstepPort::read(into, patience);
    }
    if (now < next) {  // up to the moment; what came until then is read
      auto got = LockstepPort::read(into, Seconds{double(next - now) * 1e-12});
      if (!got.ok() || *got > 0) return got;
    }
    const auto truth = controller().circuit().truth(controller().now());
    const bool closed = truth.any_contact_closed || truth.any_rail_on;
    if (!plan_.hung) {
      plan_.hung = true;
      plan_.closed_then = closed;
      controller().inject(Injection::hang);
    } else {
      plan_.looked = true;
      plan_.closed_later = closed;
    }
    return std::size_t{0};
  }

 private:
  Plan& plan_;
};

struct FirmwareRig {
  HangingPort::Plan hang;
  BenchBoard* board = nullptr;
  McuEmulator* mcu = nullptr;  // null: native
  Controller* controller = nullptr;
  std::unique_ptr<link::Session> session;
  std::vector<link::SampleBlock> samples;

  explicit FirmwareRig(bool native = false, FixtureOptions o = options()) {
    auto b = std::make_unique<BenchBoard>();
    board = b.get();
    board->nets = {{0.0, 1e-4, 0, INT64_MAX, {}},
                   {0.0, 1e-4, 0, INT64_MAX, {}},
                   {0.0, 1e-4, 0, INT64_MAX, {}},
                   {24.5, 2e-5, 0, INT64_MAX, {}},
                   {5.0, 1e-3, 0, INT64_MAX, {}}};
    board->loads = {{1e-3, 0, 0, 0, {}}};
    BoardDescription d;
    d.terminals.resize(5);
    const char* names[] = {"A", "D", "CLK", "Y", "Z"};
    for (int i = 0; i < 5; ++i) d.terminals[i].name = names[i];
    d.terminals[0].drive = 0;
    d.terminals[1].drive = 1;
    d.terminals[2].fast = 0;
    d.terminals[3].sense = 0;
    d.terminals[4].sense = 1;
    d.rails = {{"plate", 30.0, 2, 0}};
    auto circuit = make_fixture(o, std::move(b), d);
    std::unique_ptr<Controller> made;
    if (native) {
      made = std::make_unique<native::EmulatedController>(std::move(circuit));
    } else {
      McuOptions chip;
      chip.elf = TH_FIRMWARE_ELF;
      const std::string serial = "TH0042";
      chip.eeprom.assign(serial.begin(), serial.end());
      auto m = make_mcu(chip, std::move(circuit));
      if (!m.ok()) {
        ADD_FAILURE() << m.error().text();
        std::abort();
      }
      mcu = m.value().get();
      made = m.take();
    }
    controller = made.get();
    link::SessionOptions so;
    so.seed = 1;
    auto s = link::Session::open(std::make_unique<HangingPort>(std::move(made), hang), so);
    if (!s.ok()) {
      ADD_FAILURE() << s.error().text();
      std::abort();
    }
    session = s.take();
  }
  static FixtureOptions options() {
    FixtureOptions o;
    o.ideal = true;
    o.supply_volts = {0, 0, 30.0, 0};
    o.drive_ties.resize(2);
    for (LevelTies& t : o.drive_ties) t.high = {BusTie::Kind::rail, 2, 0};
    o.fast_ties.resize(1);
    o.fast_ties[0].high = {BusTie::Kind::rail, 2, 0};
    return o;
  }
  FixtureCircuit& circuit() { return controller->circuit(); }
  Picoseconds now() const { return controller->now(); }

  link::ExecuteReport run(const std::vector<std::uint8_t>& program) {
    link::Sink sink;
    sink.sample = [this](const link::SampleBlock& b) { samples.push_back(b); };
    auto report = session->execute(program, sink);
    if (!report.ok()) {
      ADD_FAILURE() << report.error().text();
      return {};
    }
    if (report.value().fault) {
      ADD_FAILURE() << report.value().fault->text << " " << report.value().fault->where;
    }
    return report.value();
  }
  // Plate up and armed, A high, the fast line connected, Y on the test bus.
  static Steps powered() {
    Steps s;
    wire::GuardOp guard;
    guard.rail = 2;
    guard.min = code(28.0);
    guard.max = code(32.0);
    guard.limit = 400;
    s.add(guard).add(wire::RailOp{2, wire::RailMode::on});
    wire::RailUntilOp until;
    until.rail = 2;
    until.min = guard.min;
    until.max = guard.max;
    until.hold_ms = 5;
    until.within_ms = 500;
    s.rail_up(until).add(wire::ArmOp{1U << 2}).step();
    s.add(wire::DriveOp{3, 1}).add(wire::FastOp{0, 1, 0}).add(wire::RelayWaitOp{30000}).step();
    return s;
  }
  static std::uint16_t code(double volts) {
    return std::uint16_t((volts + 14.948) / 0.07324 + 0.5);
  }
  bool anything_closed() {
    const auto truth = circuit().truth(now());
    return truth.any_contact_closed || truth.any_rail_on;
  }
  // Lets the controller run alone until everything is open; ps after `since`, or -1 after a second.
  Picoseconds open_after(Picoseconds since) {
    for (int i = 0; i < 5000; ++i) {
      if (!anything_closed()) return now() - since;
      controller->run_until(now() + 200 * kUs, false);
    }
    return -1;
  }
};

}  // namespace tenterhook::emulated
