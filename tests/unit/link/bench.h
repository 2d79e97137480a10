// A session with native firmware over a lossy line, and programs whose results are known.
#pragma once

#include <gtest/gtest.h>

#include <array>
#include <memory>
#include <string>
#include <vector>

#include "firmware/native/controller.h"
#include "firmware/wire/message.h"
#include "firmware/wire/program.h"
#include "host/link/session.h"
#include "tests/unit/link/lossy_port.h"
#include "tests/unit/link/still_fixture.h"

namespace tenterhook::link {

template <class Operation>
void append(Bytes& program, const Operation& operation) {
  std::array<std::uint8_t, wire::kOpBytesMax> bytes{};
  wire::Writer writer(bytes.data(), bytes.size());
  wire::put(writer, operation);
  program.insert(program.end(), bytes.begin(), bytes.begin() + writer.size());
}

// Steps that each move a relay, wait and sample `channels` sense channels n times.
struct ProgramOptions {
  int steps = 20;
  int first = 0;
  int channels = 3;
  std::uint16_t n = 4;
  std::uint32_t wait_us = 500;
  bool relays = false;  // moving them takes 4 ms a step
  bool end = true;
};

inline Bytes program_of(const ProgramOptions& o) {
  Bytes program;
  for (int i = 0; i < o.steps; ++i) {
    Bytes body;
    if (o.relays) append(body, wire::DriveOp{static_cast<std::uint16_t>(1u << (i % 16)), 0});
    append(body, wire::WaitOp{o.wait_us});
    append(body, wire::SampleOp{(std::uint64_t{1} << o.channels) - 1, 0, o.n});
    wire::LabelOp label;
    label.step = static_cast<std::uint16_t>(o.first + i);
    label.bytes = static_cast<std::uint16_t>(body.size());
    label.results = wire::sample_result_bytes(static_cast<std::uint16_t>(o.channels));
    append(program, label);
    program.insert(program.end(), body.begin(), body.end());
  }
  if (o.end) append(program, wire::EndOp{});
  return program;
}

// What arrived, in a form that compares.
struct Collected {
  std::vector<std::string> samples;
  std::vector<Milestone> milestones;
  Sink sink() {
    return {[this](const SampleBlock& block) {
              std::string text = std::to_string(block.step) + "." + std::to_string(block.index);
              for (const ChannelSample& c : block.channels) {
                text += " " + name(c.kind) + std::to_string(c.index) + "=" + std::to_string(c.counts.n) + "x" + std::to_string(c.counts.sum);
              }
              samples.push_back(std::move(text));
            },
            [this](const Milestone& milestone) { milestones.push_back(milestone); }};
  }
};

inline std::vector<std::string> expected_of(const ProgramOptions& o) {
  std::vector<std::string> all;
  for (int i = 0; i < o.steps; ++i) {
    std::string text = std::to_string(o.first + i) + ".0";
    for (int c = 0; c < o.channels; ++c) {
      const unsigned sum = static_cast<unsigned>(o.n) * StillFixture::counts_of_sense(c);
      text += " sense" + std::to_string(c) + "=" + std::to_string(o.n) + "x" + std::to_string(sum);
    }
    all.push_back(std::move(text));
  }
  return all;
}

// The native firmware as a port in lockstep: reading lets its time pass.
class NativePort final : public Port {
 public:
  explicit NativePort(StillFixture& circuit) : firmware(circuit) {}

  native::NativeController firmware;
  bool cable_pulled = false;   // bytes are lost in both directions
  bool garbled = false;        // what the host hears makes no sense, as at another baud rate

  Result<std::size_t> read(std::span<std::uint8_t> into, Seconds patience) override {
    const auto until = firmware.now() + static_cast<native::Picoseconds>(patience.value * 1e12) + 1;
    do {  // bounded: every turn lets time pass or brings bytes
      if (heard_.empty()) firmware.run(until, heard_);
      if (cable_pulled) heard_.clear();
    } while (heard_.empty() && firmware.now() < until);
    const std::size_t n = std::min(into.size(), heard_.size());
    for (std::size_t i = 0; i < n; ++i) into[i] = garbled ? static_cast<std::uint8_t>(heard_[i] * 7 + 3) : heard_[i];
    heard_.erase(heard_.begin(), heard_.begin() + static_cast<std::ptrdiff_t>(n));
    return n;
  }
  Status write(std::span<const std::uint8_t> bytes) override {
    if (!cable_pulled) firmware.feed(bytes);
    return {};
  }
  Seconds now() override { return Seconds{static_cast<double>(firmware.now()) * 1e-12}; }
  bool lockstep() const override { return true; }
  std::string describe() const override { return "native"; }

 private:
  std::vector<std::uint8_t> heard_;
};

// Everything from the session down to the native firmware, in one thread and virtual time.
struct Rig {
  StillFixture circuit;
  NativePort* native = nullptr;
  LossyPort* port = nullptr;
  Cancellation cancel;
  std::unique_ptr<Port> waiting;  // until the session is opened
  std::unique_ptr<Session> session;
  std::string trouble;            // why there is no session

  // Opens a session unless `greet` is false; the fault is armed after the greeting.
  explicit Rig(std::optional<Fault> fault = std::nullopt, bool greet = true) {
    auto made = std::make_unique<NativePort>(circuit);
    native = made.get();
    auto lossy = std::make_unique<LossyPort>(std::move(made));
    port = lossy.get();
    port->reset_fixture = [this] { native->firmware.reset(wire::ResetCause::external); };
    waiting = std::move(lossy);
    if (greet) open();
    if (session) port->arm(fault);
  }
  void open() {
    SessionOptions options;
    options.cancel = &cancel;
    options.seed = 7;
    auto opened = Session::open(std::move(waiting), options);
    if (opened.ok()) {
      session = opened.take();
    } else {
      trouble = opened.error().text();
    }
  }
  Seconds now() const { return Seconds{static_cast<double>(native->firmware.now()) * 1e-12}; }
  // True when a contact of the fixture is closed, by the circuit and not by what the firmware says.
  bool closed() { return circuit.truth(native->firmware.now()).any_contact_closed; }
  void let_pass(Seconds duration) {
    std::vector<std::uint8_t> ignored;
    const auto until = native->firmware.now() + static_cast<native::Picoseconds>(duration.value * 1e12);
    while (native->firmware.now() < until) native->firmware.run(until, ignored);
  }
};

}  // namespace tenterhook::link
