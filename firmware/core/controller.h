// The whole of the firmware above the hardware: link endpoint, step engine, sampler, outputs, and the latch
// of the first fault. One static instance on the AVR, one per NativeController on the host.
//
// main loop: poll() for ever. Conversion interrupt: conversion_done(). Nothing else.
//
// Memory: everything is a member; no heap, no recursion; every loop has a named bound.
#pragma once

#include <stdint.h>

#include "firmware/core/endpoint.h"
#include "firmware/core/engine.h"

namespace tenterhook {
namespace core {

constexpr uint8_t kInputPolls = 2;      // a stop or lid contact counts after so many polls of 1 ms...
constexpr uint8_t kCoilPolls = 3;       // ...the coil supply later: a stop breaks it as well, and is the cause
constexpr uint8_t kVerifyMs = 50;       // re-reads the relay chain so often
constexpr uint8_t kConverterMs = 5;     // without a conversion: it has stopped
constexpr uint8_t kPassesInARow = 4;    // of the step engine before the link has its turn
constexpr uint32_t kFeatures = wire::kFeatureTestBus | wire::kFeatureRoute | wire::kFeatureRailUntil |
                              wire::kFeatureCurve | wire::kFeaturePulsePair | wire::kFeatureEdgeCount |
                              wire::kFeatureDelayedSample | wire::kFeatureCrossing | wire::kFeatureBurst;

template <class Hal>
class Controller {
 public:
  explicit Controller(Hal& hal)
      : hal_(hal),
        outputs_(hal),
        sampler_(hal),
        engine_(hal, outputs_, sampler_, program_, store_),
        endpoint_(hal, *this, store_, program_) {}

  // Once after reset, before the first poll(). A reset that nobody asked for is a fault: nothing is
  // powered before the host has seen and cleared it.
  void boot() {
    identity_ = hal_.identity();
    endpoint_.open(static_cast<uint16_t>(identity_.boot_nonce));
    if (identity_.reset_cause == wire::ResetCause::watchdog) {
      record(wire::Fault::watchdog, 0, 0, hal_.now_us());
    } else if (identity_.reset_cause == wire::ResetCause::brown_out) {
      record(wire::Fault::brown_out, 0, 0, hal_.now_us());
    }
    last_pass_us_ = hal_.now_us();
    sampler_.start();
  }

  void poll() {
    const uint32_t now_us = hal_.now_us();
    const uint32_t pass_us = now_us - last_pass_us_;
    last_pass_us_ = now_us;
    if (state_ == wire::State::running && pass_us > endpoint_.counters().loop_us_max) {
      endpoint_.counters().loop_us_max = pass_us > 0xFFFF ? 0xFFFF : static_cast<uint16_t>(pass_us);
    }
    if (hal_.take_stop()) stop();
    if (state_ == wire::State::running) {
      guard(now_us);
      if (state_ == wire::State::running) execute(now_us);
    }
    engine_.record(now_us);
    outputs_.poll(now_us);
    if (ending_ && !outputs_.awake()) come_to_rest(now_us);
    endpoint_.poll(now_us);
  }

  uint8_t conversion_done(uint16_t counts) { return sampler_.conversion_done(counts); }

  // The main loop may sleep until the next interrupt.
  bool may_nap() const { return !endpoint_.busy() && engine_.may_nap(last_pass_us_); }

  // ---- for native/, which lets time jump to where something happens ----
  const Engine<Hal>& engine() const { return engine_; }
  bool awake() const { return outputs_.awake(); }
  bool wants_poll() const { return endpoint_.wants_poll() || engine_.busy_now(); }
  bool tripped() const { return sampler_.tripped(); }
  bool suspicious() const { return sampler_.suspicious(); }
  bool results_kept() const { return store_.frames() != 0; }

  // ---- the endpoint's questions ----

  wire::State state() const { return state_; }
  void heard() { heard_us_ = hal_.now_us(); }

  // A frame that passed epoch and sequence. False: refused (a sequenced one stays unacknowledged).
  bool take(const wire::Header& h, const uint8_t* payload, uint8_t size) {
    switch (h.type) {
      case wire::Type::hello: return take_hello(payload, size);
      case wire::Type::begin: return take_begin(payload, size);
      case wire::Type::heartbeat: return take_heartbeat(payload, size);
      case wire::Type::chunk: return take_chunk(payload, size);
      case wire::Type::run: return take_run(payload, size);
      case wire::Type::reset_faults: return take_reset(payload, size);
      case wire::Type::query: return take_query(payload, size);
      default: return false;
    }
  }

  wire::Status status() {
    wire::Status s;
    s.state = state_;
    s.session = session_;
    s.fault_count = fault_count_;
    s.step = engine_.step();
    s.results_waiting = store_.frames();
    s.rails_on = outputs_.rails_powered();
    s.waiting = engine_.waiting_at_label();
    s.time_us = hal_.now_us();
    s.first = first_;
    return s;
  }
  wire::HelloReply hello(uint32_t nonce) {
    wire::HelloReply r;
    r.nonce = nonce;
    r.features = kFeatures;
    r.boot_nonce = identity_.boot_nonce;
    r.firmware_build = TENTERHOOK_FIRMWARE_BUILD;
    r.receive_bytes = wire::kReceiveRingBytes;
    r.program_bytes = wire::kProgramBytes;
    r.store_bytes = wire::kStoreBytes;
    r.step_bytes = wire::kStepBytesMax;
    r.state = state_;
    r.reset_cause = identity_.reset_cause;
    r.fault_count = fault_count_;
    r.clock_hz = map::kCpuHz;
    copy_text(r.serial, identity_.serial, wire::kSerialText);
    copy_text(r.fixture, "mega2560", wire::kFixtureText);
    return r;
  }
  wire::Rails rails() {
    wire::Rails r;
    for (uint8_t i = 0; i < map::kRails; ++i) {
      r.volts[i] = sampler_.volts(i);
      r.current[i] = sampler_.current(i);
    }
    r.reference = sampler_.reference();
    r.ground = sampler_.ground();
    r.on = outputs_.rails_powered();
    r.armed = sampler_.armed();
    r.inputs = hal_.inputs();
    return r;
  }
  void update(wire::Counters& c) {
    c.bytes_overrun = hal_.overruns();
    c.bytes_framing = hal_.framing_errors();
    c.faults = fault_count_;
    c.relay_moves = outputs_.moves();
    if (state_ == wire::State::running) c.time_total_us = hal_.now_us() - engine_.started_us();
  }

 private:
  static void copy_text(char* into, const char* from, uint8_t size) {
    uint8_t i = 0;
    for (; i < size && from[i] != '\0'; ++i) into[i] = from[i];
    into[i] = '\0';
  }

  // ---- frames ----

  bool take_hello(const uint8_t* payload, uint8_t size) {
    wire::Hello m;
    if (!wire::decode(payload, size, m)) return false;
    endpoint_.ask_hello(m.nonce);
    return true;
  }
  bool take_begin(const uint8_t* payload, uint8_t size) {
    wire::Begin m;
    if (!wire::decode(payload, size, m)) return false;
    endpoint_.ask_status();
    if (m.session == 0 || m.session == session_) return true;
    if (state_ != wire::State::idle && state_ != wire::State::loaded) return false;
    session_ = m.session;
    state_ = wire::State::loaded;
    first_ = wire::FaultRecord();
    program_.clear();
    endpoint_.bump_epoch();
    endpoint_.restart_streams();
    return true;
  }
  bool take_heartbeat(const uint8_t* payload, uint8_t size) {
    wire::Heartbeat m;
    if (!wire::decode(payload, size, m)) return false;
    endpoint_.set_stamp(m.stamp);
    if (state_ == wire::State::faulted) {
      endpoint_.ask_status();
    } else {
      endpoint_.ask_ack();
    }
    return true;
  }
  bool take_chunk(const uint8_t* payload, uint8_t size) {
    if (state_ == wire::State::idle || ending_) return true;  // after the end: nothing to do with it
    if (state_ == wire::State::faulted || size > program_.room()) return false;
    program_.push(payload, size);
    return true;
  }
  bool take_run(const uint8_t* payload, uint8_t size) {
    wire::Run m;
    if (!wire::decode(payload, size, m) || m.flags != 0) return false;
    if (state_ != wire::State::loaded) return state_ != wire::State::faulted;
    const uint32_t now_us = hal_.now_us();
    state_ = wire::State::running;
    ending_ = false;
    stop_polls_ = 0;
    lid_polls_ = 0;
    coil_polls_ = 0;
    latch_polls_ = 0;
    input_us_ = now_us;
    verify_us_ = now_us;
    beat_us_ = now_us;
    sampler_.judge_all();
    engine_.start(now_us, endpoint_.counters());
    return true;
  }
  bool take_reset(const uint8_t* payload, uint8_t size) {
    wire::ResetFaults m;
    if (!wire::decode(payload, size, m)) return false;
    endpoint_.ask_status();
    if (state_ == wire::State::faulted && m.fault_count == fault_count_ && !outputs_.awake()) {
      if (first_.fault == wire::Fault::converter) sampler_.start();
      state_ = wire::State::idle;
      first_ = wire::FaultRecord();
    }
    return true;
  }
  bool take_query(const uint8_t* payload, uint8_t size) {
    wire::Query m;
    if (!wire::decode(payload, size, m)) return false;
    switch (m.what) {
      case wire::Ask::status: endpoint_.ask_status(); return true;
      case wire::Ask::counters: endpoint_.ask_counters(); return true;
      case wire::Ask::rails: endpoint_.ask_rails(); return true;
    }
    return false;
  }

  // ---- faults ----

  void record(wire::Fault fault, uint8_t channel, uint16_t value, uint32_t time_us) {
    first_.fault = fault;
    first_.channel = channel;
    first_.value = value;
    first_.time_us = time_us;
    first_.step = engine_.step();
    first_.blame = wire::blame_of(fault);
    first_.others = 0;
    ++fault_count_;
    state_ = wire::State::faulted;
  }
  // Opens everything first; the rest can wait.
  void latch(wire::Fault fault, uint8_t channel, uint16_t value, uint32_t time_us) {
    outputs_.fall(hal_.now_us(), engine_.protecting());
    if (state_ == wire::State::faulted) {
      ++first_.others;
      return;
    }
    record(fault, channel, value, time_us);
    engine_.abort();
    ending_ = true;
    program_.clear();
    endpoint_.bump_epoch();
    endpoint_.ask_status();
  }
  void stop() {
    endpoint_.forget_partial_frame();
    hal_.drop_received();
    if (state_ == wire::State::running || state_ == wire::State::loaded) {
      latch(wire::Fault::host_stop, 0, 0, hal_.now_us());
    }
    endpoint_.ask_status();
  }

  void guard(uint32_t now_us) {
    if (sampler_.tripped()) {
      Trip trip = sampler_.trip();
      trip.fault = cause_of(trip.fault, trip.channel);
      latch(trip.fault, trip.channel, trip.value, trip.time_us);
      return;
    }
    const uint8_t latched = hal_.over_current();
    if (latched == 0) {
      latch_polls_ = 0;
    } else if (++latch_polls_ >= kInputPolls) {
      uint8_t rail = 0;
      while (rail < map::kRails - 1 && (latched >> rail & 1) == 0) ++rail;
      latch(wire::Fault::over_current_latch, rail, 0, now_us);
      return;
    }
    if (now_us - heard_us_ >= 1000UL * wire::kDeadmanMs) {
      latch(wire::Fault::deadman, 0, static_cast<uint16_t>((now_us - heard_us_) / 1000), now_us);
      return;
    }
    if (endpoint_.lost()) {
      latch(wire::Fault::link_lost, 0, store_.first_sequence(), now_us);
      return;
    }
    if (now_us - input_us_ >= 1000) {
      input_us_ = now_us;
      guard_inputs(now_us);
    }
  }
  // Stop and lid cut the supplies in hardware: a rail that leaves its window then does so because of
  // them, and may be seen before the contact has been polled often enough. So does the hardware comparator.
  wire::Fault cause_of(wire::Fault seen, uint8_t rail) {
    if (seen != wire::Fault::rail_window) return seen;
    if ((hal_.over_current() >> rail & 1) != 0) return wire::Fault::over_current_latch;
    const uint8_t in = hal_.inputs();
    if ((in & wire::kInputStop) != 0) return wire::Fault::stop_button;
    if ((in & wire::kInputLid) != 0 && (in & wire::kInputHoldToRun) == 0) return wire::Fault::lid;
    return seen;
  }
  void guard_inputs(uint32_t now_us) {
    const uint8_t in = hal_.inputs();
    const bool lid = (in & wire::kInputLid) != 0 && (in & wire::kInputHoldToRun) == 0;
    stop_polls_ = (in & wire::kInputStop) != 0 ? static_cast<uint8_t>(stop_polls_ + 1) : 0;
    lid_polls_ = lid ? static_cast<uint8_t>(lid_polls_ + 1) : 0;
    const bool coil = (in & wire::kInputCoilSupply) != 0 || !engine_.powered();
    coil_polls_ = coil ? 0 : static_cast<uint8_t>(coil_polls_ + 1);
    if (stop_polls_ >= kInputPolls) return latch(wire::Fault::stop_button, 0, 0, now_us);
    if (lid_polls_ >= kInputPolls) return latch(wire::Fault::lid, 0, 0, now_us);
    if (coil_polls_ >= kCoilPolls) return latch(wire::Fault::coil_supply, 0, 0, now_us);
    const uint8_t beats = sampler_.beats();
    if (beats != beats_) {
      beats_ = beats;
      beat_us_ = now_us;
    } else if (now_us - beat_us_ >= 1000UL * kConverterMs) {
      return latch(wire::Fault::converter, 0, kConverterMs, now_us);
    }
    if (now_us - verify_us_ >= 1000UL * kVerifyMs) {
      verify_us_ = now_us;
      outputs_.verify();
    }
    uint8_t byte = 0;
    uint8_t bits = 0;
    if (outputs_.mismatch(byte, bits)) latch(wire::Fault::relay_chain, byte, bits, now_us);
  }

  void execute(uint32_t now_us) {
    if (ending_) return;
    engine_.poll(now_us);
    // The link's work waits while operations follow each other without a pause.
    for (uint8_t i = 0; i < kPassesInARow && engine_.busy_now() && !sampler_.tripped(); ++i) {
      engine_.poll(hal_.now_us());
    }
    const Complaint& complaint = engine_.complaint();
    if (complaint.fault != wire::Fault::none) {
      latch(complaint.fault, complaint.channel, complaint.value, now_us);
    } else if (engine_.ended()) {
      ending_ = true;
      sampler_.watch(0);  // rails leave their windows now because they must
      outputs_.fall(now_us, engine_.protecting());
    }
  }
  // The fall is over: after `end` the session is, after a fault everything is open.
  void come_to_rest(uint32_t now_us) {
    ending_ = false;
    sampler_.rest();
    if (state_ != wire::State::running) return;
    engine_.emit_ended(now_us);
    engine_.abort();
    program_.clear();
    state_ = wire::State::idle;
  }

  Hal& hal_;
  ProgramRing program_;
  ResultStore store_;
  Outputs<Hal> outputs_;
  Sampler<Hal> sampler_;
  Engine<Hal> engine_;
  Endpoint<Hal, Controller> endpoint_;
  Identity identity_{};
  wire::FaultRecord first_;
  uint32_t heard_us_ = 0;
  uint32_t last_pass_us_ = 0;
  uint32_t input_us_ = 0;
  uint32_t verify_us_ = 0;
  uint32_t beat_us_ = 0;
  uint16_t session_ = 0;
  uint16_t fault_count_ = 0;
  wire::State state_ = wire::State::idle;
  uint8_t stop_polls_ = 0;
  uint8_t lid_polls_ = 0;
  uint8_t coil_polls_ = 0;
  uint8_t latch_polls_ = 0;
  uint8_t beats_ = 0;
  bool ending_ = false;
};

}  // namespace core
}  // namespace tenterhook
