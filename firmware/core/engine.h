// The step engine: takes operations from the program ring and carries them out by the fixture's own
// clock. Never blocks: poll() does what can be done now and returns; what an operation waits for is
// its phase_. At most kOpsPerPass operations a pass.
#pragma once

#include <stdint.h>

#include "firmware/core/buffers.h"
#include "firmware/core/outputs.h"
#include "firmware/core/recorder.h"
#include "firmware/core/sampler.h"
#include "firmware/wire/message.h"
#include "firmware/wire/program.h"

namespace tenterhook {
namespace core {

constexpr uint8_t kOpsPerPass = 6;
constexpr uint8_t kPartsMax = 8;        // frames of one sample
static_assert(kPartsMax * wire::kChannelsPerFrame >= wire::kSampleChannelsMax, "");
constexpr uint16_t kMasterUs = 40000;   // the master contactor has closed and stopped bouncing
constexpr uint16_t kNapUs = 300;        // a wait with less left than this is not slept through
constexpr uint16_t kStoreUs = 600;      // nor are results stored in it
constexpr uint8_t kTickMsMost = 8;      // of heating in one pass; what is beyond waits for the next
constexpr uint8_t kOpsAhead = 8;        // looked through for the next sample
constexpr uint8_t kLooksMost = 64;      // at an operation whose end is near, without a break

// What is rare stays out of the functions that each operation passes through: inlined, its registers and frame
// would be saved every time.
#define TENTERHOOK_RARE __attribute__((noinline))

// What the engine asks its owner to latch.
struct Complaint {
  wire::Fault fault = wire::Fault::none;
  uint8_t channel = 0;
  uint16_t value = 0;
};

template <class Hal>
class Engine {
 public:
  Engine(Hal& hal, Outputs<Hal>& outputs, Sampler<Hal>& sampler, ProgramRing& program,
         ResultStore& store)
      : hal_(hal),
        outputs_(outputs),
        sampler_(sampler),
        program_(program),
        store_(store),
        recorder_(hal, sampler, store) {}

  // Run: the master contactor closes, then Event started, then the program.
  void start(uint32_t now_us, wire::Counters& counters) {
    counters_ = &counters;
    counters.time_relay_us = 0;
    counters.time_wait_us = 0;
    counters.time_convert_us = 0;
    counters.time_pulse_us = 0;
    counters.time_starved_us = 0;
    counters.time_total_us = 0;
    step_ = wire::kNoStep;
    step_left_ = 0;
    results_left_ = 0;
    sample_index_ = 0;
    guarded_ = 0;
    protecting_ = 0;
    bled_ = 0;
    first_label_ = true;
    starving_ = false;
    storing_ = false;
    due_ = 0;
    chosen_ = 0;
    label_known_ = false;
    owed_ = 0;
    armed_ = Armed::nothing;
    counting_ = false;
    edges_index_ = 0;
    complaint_ = Complaint();
    recorder_.restart();
    for (uint8_t r = 0; r < map::kRails; ++r) heating_[r] = Heating();
    sampler_.watch(0);
    sampler_.arm(0);
    sampler_.keep(0);
    outputs_.ready(now_us);
    started_us_ = now_us;
    tick_us_ = now_us;
    enter(Phase::master, now_us + kMasterUs, now_us);
  }
  void abort() {
    phase_ = Phase::stopped;
    sampler_.cancel_shot();
    hal_.close_capture();
    hal_.stop_counting();
    store_rest();
    owed_ = 0;
    recorder_.finish(room_for_curve());
  }
  bool recording() const { return recorder_.busy(); }
  // On every pass, after a fault too: the curve's last points are still to be stored.
  void record(uint32_t now_us) {
    if (recorder_.busy()) recorder_.poll(now_us, room_for_curve());
  }

  bool running() const { return phase_ != Phase::stopped; }
  // Op::end was reached: the owner lets everything fall.
  bool ended() const { return phase_ == Phase::ended; }
  bool waiting_at_label() const { return phase_ == Phase::label_wait; }
  uint16_t step() const { return step_; }
  uint8_t protecting() const { return protecting_; }
  const Complaint& complaint() const { return complaint_; }
  // True after the master contactor has had its time: the coil supply must be there.
  bool powered() const { return running() && phase_ != Phase::master; }

  // Nothing will happen for kNapUs: the processor may sleep until the next interrupt.
  bool may_nap(uint32_t now_us) const {
    switch (phase_) {
      case Phase::next:
        return false;
      case Phase::stopped:
      case Phase::ended:
      case Phase::label_wait:
      case Phase::sample:
      case Phase::rail_until:
      case Phase::curve:
      case Phase::watched:  // whatever ends it is an interrupt, or a gap that the next one finds passed
        return phase_ != Phase::sample || !ends_soon(now_us);
      default:
        return !reached(now_us + kNapUs, until_us_);
    }
  }
  // When poll() is needed next for the clock's sake alone; natively time jumps there.
  bool has_deadline() const {
    return phase_ == Phase::master || phase_ == Phase::relays || phase_ == Phase::wait ||
           phase_ == Phase::relay_wait || phase_ == Phase::rail || phase_ == Phase::arm;
  }
  uint32_t deadline_us() const { return until_us_; }
  bool sampling() const { return phase_ == Phase::sample; }
  bool watching() const { return phase_ == Phase::watched; }  // a pulse, by comparator or converter
  bool busy_now() const {
    return storing_ || (phase_ == Phase::next && !starving_) ||
           (phase_ == Phase::sample && sampler_.sample_done());
  }

  void poll(uint32_t now_us) {
    if (!running() || ended()) return;
    if (now_us - tick_us_ >= 1000) tick(now_us);
    for (uint8_t i = 0; i < kOpsPerPass; ++i) {
      if (!watch(now_us)) {
        // While relays settle or pulses run there is time to store what the last sample gave.
        if (!ends_within(now_us, kStoreUs)) use_the_time();
        return;
      }
      if (phase_ != Phase::next) continue;
      if (complaint_.fault != wire::Fault::none || sampler_.tripped()) return;
      if (!next_op(now_us)) {
        if (storing_) store_part();
        return;
      }
      now_us = hal_.now_us();  // each operation begins when the one before it ended
    }
  }

  // After the fall that follows `end`.
  void emit_ended(uint32_t now_us) { emit(wire::EventKind::ended, counters_->starvations, now_us); }
  uint32_t started_us() const { return started_us_; }

 private:
  enum class Phase : uint8_t {
    stopped, master, next, label_wait, relays, wait, relay_wait, pulse, sample, rail,
    rail_until, curve, arm, watched, ended,
  };
  enum class Armed : uint8_t { nothing, crossing, delayed };
  enum class RailStep : uint8_t { series, bridge, opened };
  struct Heating {
    uint32_t limit = 0;
    uint32_t used = 0;
    uint16_t base = 0;
    uint8_t needs = 0;
  };

  void enter(Phase phase, uint32_t until_us, uint32_t now_us) {
    phase_ = phase;
    looked_ahead_ = false;
    until_us_ = until_us;
    entered_us_ = now_us;
  }
  bool complain(wire::Fault fault, uint8_t channel, uint16_t value) {
    if (complaint_.fault == wire::Fault::none) {
      complaint_.fault = fault;
      complaint_.channel = channel;
      complaint_.value = value;
    }
    phase_ = Phase::next;
    return false;
  }
  bool bad(wire::Op op) {
    return complain(wire::Fault::bad_program, static_cast<uint8_t>(op), program_.place());
  }
  bool wrong_order(wire::Op op) {
    return complain(wire::Fault::wrong_order, static_cast<uint8_t>(128 + static_cast<uint8_t>(op)),
                    program_.place());
  }

  bool emit(wire::EventKind kind, uint32_t value, uint32_t now_us) {
    store_rest();
    wire::Event event;
    event.kind = kind;
    event.step = step_;
    event.value = value;
    event.time_us = now_us;
    uint8_t bytes[wire::kEventBytes];
    wire::encode(event, bytes, sizeof bytes);
    if (!store_.open(static_cast<uint8_t>(wire::Type::event), wire::kEventBytes)) return false;
    store_.put(bytes, wire::kEventBytes);
    stored(wire::kEventResultBytes);
    return true;
  }
  // Results of this step that have come into the store: no longer owed to it.
  void stored(uint16_t bytes) {
    owed_ = owed_ > bytes ? static_cast<uint16_t>(owed_ - bytes) : static_cast<uint16_t>(0);
  }
  // Takes from what the label declared for results.
  bool spend(uint16_t bytes) {
    if (bytes > results_left_) return false;
    results_left_ = static_cast<uint16_t>(results_left_ - bytes);
    return true;
  }

  // Whether the phase under way ends by the clock, and so soon.
  bool ends_within(uint32_t now_us, uint16_t us) const {
    return (has_deadline() || phase_ == Phase::pulse) && reached(now_us + us, until_us_);
  }
  bool ends_soon(uint32_t now_us) const {
    if (Hal::kWatchUs == 0) return false;
    return phase_ == Phase::sample ? sampler_.sample_ends_soon() : ends_within(now_us, Hal::kWatchUs);
  }
  // Carries the phase under way on; stays with it when its end is near, so that the next operation
  // begins at once.
  bool watch(uint32_t& now_us) {
    for (uint8_t i = 0; i < kLooksMost; ++i) {
      if (advance(now_us)) return true;
      if (!ends_soon(now_us) || sampler_.tripped()) return false;
      now_us = hal_.now_us();
    }
    return false;
  }

  // Carries the phase under way on. False: it still waits.
  bool advance(uint32_t now_us) {
    switch (phase_) {
      case Phase::next:
        return true;
      case Phase::stopped:
      case Phase::ended:
        return false;
      case Phase::master:
        if (!reached(now_us, until_us_)) return false;
        uint32_t since;
        outputs_.take_moved(since);
        emit(wire::EventKind::started, 0, now_us);
        break;
      case Phase::label_wait:
        if (!label_ready()) return starve(now_us);
        counters_->time_starved_us += now_us - entered_us_;
        take_label();
        break;
      case Phase::relays:
        if (!reached(now_us, until_us_)) return false;
        outputs_.finish();
        counters_->time_relay_us += now_us - entered_us_;
        break;
      case Phase::wait:
        if (!reached(now_us, until_us_)) return false;
        counters_->time_wait_us += now_us - entered_us_;
        break;
      case Phase::relay_wait:
        if (!reached(now_us, until_us_)) return false;
        counters_->time_relay_us += now_us - entered_us_;
        break;
      case Phase::pulse:
        if (hal_.pulsing()) return false;
        counters_->time_pulse_us += now_us - entered_us_;
        if (hal_.pulses_late() != 0) return complain(wire::Fault::pulses, pulse_.channel, hal_.pulses_late());
        break;
      case Phase::arm:
        if (!reached(now_us, until_us_)) return false;
        counters_->time_wait_us += now_us - entered_us_;
        if (counting_) begin_counting();
        break;
      case Phase::watched:
        if (!advance_watched(now_us)) return false;
        break;
      case Phase::sample:
        if (!sampler_.sample_done()) return false;
        sampled(now_us);
        break;
      case Phase::rail:
        if (!reached(now_us, until_us_)) return false;
        return advance_rail(now_us);
      case Phase::rail_until:
        return advance_rail_until(now_us);
      case Phase::curve:
        if (!arm_curve()) return false;
        break;
    }
    phase_ = Phase::next;
    return true;
  }

  // ---- while something is awaited ----

  // Stores what the last sample gave; then prepares what comes next, so that it costs no time when its
  // moment comes: the channels of this step's next sample, and behind the last one the next step's relays.
  void use_the_time() {
    if (storing_) {
      store_part();
      return;
    }
    if (looked_ahead_ || phase_ == Phase::label_wait || phase_ == Phase::watched) return;
    if (phase_ == Phase::sample) {
      looked_ahead_ = step_left_ == 0 && stage_next_step();
      return;
    }
    looked_ahead_ = true;
    uint16_t at = 0;
    for (uint8_t i = 0; i < kOpsAhead && at < step_left_; ++i) {
      const wire::Op op = static_cast<wire::Op>(program_.peek(at));
      if (op == wire::Op::sample) {
        choose(at);
        return;
      }
      const uint8_t size = wire::op_bytes(op);
      if (size == 0) return;
      at = static_cast<uint16_t>(at + size);
    }
  }
  void choose(uint16_t at) {
    uint8_t scratch[16];
    const uint8_t* masks = program_.view(static_cast<uint16_t>(at + 1), 16, scratch);
    if (!may_sample(masks)) return;
    chosen_ = sampler_.choose(masks);
    sample_bytes_ = wire::sample_result_bytes(chosen_);
    chosen_place_ = static_cast<uint16_t>(program_.place() + at);
  }
  // The label at the head of the program. False: it asks for what nobody may.
  bool read_label() {
    uint8_t scratch[wire::kOpBytesMax];
    wire::PlainReader r(program_.view(1, wire::op_bytes(wire::Op::label) - 1, scratch));
    wire::get(r, label_);
    return label_.bytes <= wire::kStepBytesMax && label_.results <= wire::kStepResultBytesMax &&
           label_.step != wire::kNoStep;
  }
  // False: not all of it is here yet.
  bool stage_next_step() {
    constexpr uint8_t kLabel = wire::op_bytes(wire::Op::label);
    constexpr uint8_t kDrive = wire::op_bytes(wire::Op::drive);
    if (program_.loaded() < kLabel + kDrive) return false;
    if (static_cast<wire::Op>(program_.peek(0)) != wire::Op::label || !read_label()) return true;
    label_known_ = true;
    if (static_cast<wire::Op>(program_.peek(kLabel)) != wire::Op::drive) return true;
    uint8_t scratch[kDrive];
    wire::PlainReader r(program_.view(kLabel + 1, kDrive - 1, scratch));
    wire::DriveOp o;
    wire::get(r, o);
    outputs_.stage(o.connect, o.high);
    return true;
  }

  // ---- labels ----

  // Room in the store beyond what the last sample still has to put there.
  uint16_t room() const {
    const uint16_t whole = store_.room();
    return whole > due_ ? static_cast<uint16_t>(whole - due_) : static_cast<uint16_t>(0);
  }
  // What neither the last sample nor the step under way needs.
  uint16_t room_for_curve() const {
    return store_.room() > owed_ ? static_cast<uint16_t>(store_.room() - owed_) : static_cast<uint16_t>(0);
  }
  bool label_ready() const {
    return program_.loaded() >= wire::op_bytes(wire::Op::label) + label_.bytes &&
           room() >= label_.results;
  }
  bool starve(uint32_t now_us) {
    if ((label_.flags & wire::kLabelPatient) == 0 && room() >= label_.results &&
        now_us - entered_us_ >= 1000UL * wire::kStarvedMs) {
      return complain(wire::Fault::starved, static_cast<uint8_t>(step_), 0);
    }
    return false;
  }
  void take_label() {
    program_.drop(wire::op_bytes(wire::Op::label));
    step_ = label_.step;
    step_left_ = label_.bytes;
    results_left_ = label_.results;
    owed_ = static_cast<uint16_t>(label_.results + due_);
    sample_index_ = 0;
    edges_index_ = 0;
    first_label_ = false;
  }
  // Between steps: the next thing in the stream is a label or the end, or has yet to come.
  bool between_steps(uint32_t now_us) {
    if (label_known_) {
      label_known_ = false;
      if (label_ready()) {
        take_label();
        return true;
      }
    }
    if (program_.loaded() == 0) return wait_for_program(now_us);
    const wire::Op op = static_cast<wire::Op>(program_.peek(0));
    if (op == wire::Op::end) {
      store_rest();
      if (!recorder_.finish(room_for_curve()) || room() < wire::kEventResultBytes) return false;
      program_.drop(1);
      counters_->time_total_us = now_us - started_us_;
      phase_ = Phase::ended;
      return false;
    }
    if (op != wire::Op::label) return bad(op);
    if (program_.loaded() < wire::op_bytes(op)) return wait_for_program(now_us);
    if (!read_label()) return bad(op);
    if (label_ready()) {
      if (starving_) {
        starving_ = false;
        counters_->time_starved_us += now_us - starved_us_;
      }
      take_label();
      return true;
    }
    const bool patient = (label_.flags & wire::kLabelPatient) != 0;
    if (room() < label_.results) {
      ++counters_->store_waits;
    } else if (!patient && !first_label_ && !starving_) {
      ++counters_->starvations;
    }
    enter(Phase::label_wait, 0, starving_ ? starved_us_ : now_us);
    starving_ = false;
    return false;
  }
  // Not even the next label is here.
  bool wait_for_program(uint32_t now_us) {
    if (!starving_) {
      starving_ = true;
      starved_us_ = now_us;
      if (!first_label_) ++counters_->starvations;
    } else if (now_us - starved_us_ >= 1000UL * wire::kStarvedMs) {
      return complain(wire::Fault::starved, static_cast<uint8_t>(step_), 0);
    }
    return false;
  }

  // ---- operations ----

  bool next_op(uint32_t now_us) {
    if (step_left_ == 0) {
      if (armed_ != Armed::nothing) return bad(armed_op());
      return between_steps(now_us);
    }
    const wire::Op op = static_cast<wire::Op>(program_.peek(0));
    const uint8_t size = wire::op_bytes(op);
    if (size == 0 || size > step_left_ || op == wire::Op::label || op == wire::Op::end) return bad(op);
    uint8_t scratch[wire::kOpBytesMax];
    const uint8_t* bytes = program_.view(0, size, scratch);
    program_.drop(size);
    step_left_ = static_cast<uint16_t>(step_left_ - size);
    wire::PlainReader r(bytes + 1);
    return execute(op, r, bytes, now_us);
  }

  bool execute(wire::Op op, wire::PlainReader& r, const uint8_t* bytes, uint32_t now_us) {
    if (armed_ != Armed::nothing && op != wire::Op::pulse && op != wire::Op::pulse_pair) return bad(armed_op());
    switch (op) {
      case wire::Op::crossing: return do_crossing(r, now_us);
      case wire::Op::delayed_sample: return do_delayed_sample(r);
      case wire::Op::edge_count: return do_edge_count(r, now_us);
      case wire::Op::drive: return do_drive(r, now_us);
      case wire::Op::fast: return do_fast(r, now_us);
      case wire::Op::pulse: return do_pulse(r, now_us);
      case wire::Op::pulse_pair: return do_pulse_pair(r, now_us);
      case wire::Op::wait: return do_wait(r, now_us);
      case wire::Op::relay_wait: return do_relay_wait(r, now_us);
      case wire::Op::route: return do_route(r, now_us);
      case wire::Op::bus: return do_bus(bytes, now_us);
      case wire::Op::trigger:
        outputs_.wanted().set(map::kBitTrigger, r.u8() != 0);
        return relays(now_us);
      case wire::Op::sample: return do_sample(bytes, now_us);
      case wire::Op::mark: {
        const uint32_t id = r.u32();
        if (!spend(wire::kEventResultBytes)) return bad(op);
        return emit(wire::EventKind::mark, id, now_us) || bad(op);
      }
      case wire::Op::guard: return do_guard(r);
      case wire::Op::rail: return do_rail(r, now_us);
      case wire::Op::arm: return do_arm(r);
      case wire::Op::rail_until: return do_rail_until(r, now_us);
      case wire::Op::bleed:
        bled_ = r.u8();
        for (uint8_t i = 0; i < map::kRails; ++i) hold_bleeder(i);
        return relays(now_us);
      case wire::Op::curve: {
        const uint8_t rail = r.u8();
        if (rail >= map::kRails && rail != wire::kCurveStop) return bad(op);
        curve_rail_ = rail;
        enter(Phase::curve, 0, now_us);
        return true;
      }
      default: return bad(op);
    }
  }
  bool arm_curve() {
    const bool on = curve_rail_ < map::kRails && (outputs_.rails_powered() >> curve_rail_ & 1) != 0;
    return recorder_.arm(curve_rail_, on, room_for_curve());
  }

  // Commands the chain; waits when contacts must open first.
  bool relays(uint32_t now_us) {
    if (!outputs_.apply()) enter(Phase::relays, hal_.now_us() + wire::kBreakUs, now_us);
    return true;
  }
  bool may_connect() const { return (guarded_ & ~sampler_.armed()) == 0; }

  bool do_drive(wire::PlainReader& r, uint32_t now_us) {
    wire::DriveOp o;
    wire::get(r, o);
    if (o.connect != 0 && !may_connect()) return wrong_order(wire::Op::drive);
    outputs_.wanted().set16(map::kBitDriveConnect, o.connect);
    outputs_.wanted().set16(map::kBitDriveHigh, o.high);
    return relays(now_us);
  }
  bool do_fast(wire::PlainReader& r, uint32_t now_us) {
    wire::FastOp o;
    wire::get(r, o);
    if (o.channel >= map::kFasts) return bad(wire::Op::fast);
    if (o.connect != 0 && !may_connect()) return wrong_order(wire::Op::fast);
    hal_.fast_level(o.channel, o.level != 0);
    fast_high_[o.channel] = o.level != 0;
    outputs_.wanted().set(static_cast<uint8_t>(map::kBitFastConnect + o.channel), o.connect != 0);
    return relays(now_us);
  }
  bool do_pulse(wire::PlainReader& r, uint32_t now_us) {
    wire::PulseOp& o = pulse_;
    wire::get(r, o);
    if (o.count == 1 && o.gap_ticks < wire::kGapTicksMin) o.gap_ticks = wire::kGapTicksMin;
    if (o.channel >= map::kFasts || o.count == 0 || o.width_ticks < wire::kPulseTicksMin ||
        o.width_ticks > wire::kPulseTicksMax || o.gap_ticks > wire::kPulseTicksMax ||
        fast_high_[o.channel] == (o.active != 0) || (o.gap_ticks < wire::kGapTicksMin && !fits_a_burst(o))) {
      return bad(wire::Op::pulse);
    }
    paired_ = false;
    if (armed_ != Armed::nothing) return watch_pulses(now_us, o.count == 1, wire::kDelayTicksMax);
    set_up(false);
    hal_.go();
    // About when they will be over: the hardware says when they are.
    const uint32_t period_us = (o.width_ticks + o.gap_ticks) / map::kTicksPerMicrosecond;
    const bool brief = o.count <= 0xFFFF && period_us <= 0x7FFF;
    enter(Phase::pulse, now_us + (brief ? static_cast<uint32_t>(o.count * period_us) : uint32_t{0x7FFFFFFF}), now_us);
    return true;
  }
  static bool fits_a_burst(const wire::PulseOp& o) {
    if (o.gap_ticks < wire::kBurstGapTicksMin || o.width_ticks > wire::kBurstWidthTicksMax) return false;
    return o.count <= wire::kBurstTicksMax / (o.width_ticks + o.gap_ticks);
  }
  bool do_pulse_pair(wire::PlainReader& r, uint32_t now_us) {
    wire::PulsePairOp& o = pair_;
    wire::get(r, o);
    bool fits = o.offset_ticks >= -wire::kPairOffsetMax && o.offset_ticks <= wire::kPairOffsetMax;
    for (uint8_t i = 0; i < map::kFasts; ++i) {
      fits = fits && o.width_ticks[i] >= wire::kPairTicksMin && o.width_ticks[i] <= wire::kPairTicksMax &&
             fast_high_[i] != (o.active[i] != 0);
    }
    if (!fits) return bad(wire::Op::pulse_pair);
    paired_ = true;
    // What comes before the leading edge of fast.0 is time without safety conversions too.
    const int16_t before = o.offset_ticks < 0 ? static_cast<int16_t>(-o.offset_ticks) : int16_t{0};
    if (armed_ != Armed::nothing) {
      return watch_pulses(now_us, true, static_cast<int16_t>(wire::kDelayTicksMax - before));
    }
    set_up(false);
    hal_.go();
    // Its end is known only by the hardware; at most 3.1 ms.
    enter(Phase::pulse, now_us + wire::kPairTicksMin / map::kTicksPerMicrosecond, now_us);
    return true;
  }
  void set_up(bool shot) {
    if (paired_) {
      hal_.set_up_pair(pair_, shot);
    } else {
      hal_.set_up_pulses(pulse_.channel, pulse_.active != 0, pulse_.count, pulse_.width_ticks, pulse_.gap_ticks, shot);
    }
  }

  // ---- pulses that are watched ----

  wire::Op armed_op() const { return armed_ == Armed::crossing ? wire::Op::crossing : wire::Op::delayed_sample; }
  // The comparator looks at this lead against this threshold from kComparatorUs on.
  void look_at(uint8_t sense, uint16_t threshold, uint32_t now_us) {
    outputs_.comparator(static_cast<uint8_t>(sense / 16), threshold);
    hal_.sense_mux(static_cast<uint8_t>(sense & 15));
    watched_us_ = now_us;
    enter(Phase::arm, hal_.now_us() + wire::kComparatorUs, now_us);
  }
  TENTERHOOK_RARE bool do_crossing(wire::PlainReader& r, uint32_t now_us) {
    wire::CrossingOp& o = crossing_;
    wire::get(r, o);
    if (counting_ || o.sense >= map::kSenses || o.edges == 0 || o.edges > 3 || o.most == 0 ||
        o.most > wire::kCrossingsMax || o.threshold > wire::kThresholdMax || o.window_ticks == 0 ||
        o.window_ticks > wire::kWindowTicksMax || !spend(wire::edges_result_bytes(o.most))) {
      return bad(wire::Op::crossing);
    }
    armed_ = Armed::crossing;
    look_at(o.sense, o.threshold, now_us);
    return true;
  }
  TENTERHOOK_RARE bool do_edge_count(wire::PlainReader& r, uint32_t now_us) {
    wire::EdgeCountOp o;
    wire::get(r, o);
    const bool stop = o.sense == wire::kCountStop;
    if (counting_ != stop) return bad(wire::Op::edge_count);
    if (stop) {
      const bool high = hal_.comparator_high();
      hal_.stop_counting();
      counting_ = false;
      return (spend(wire::edges_result_bytes(0)) && emit_edges(high, nullptr)) || bad(wire::Op::edge_count);
    }
    if (o.sense >= map::kSenses || o.threshold > wire::kThresholdMax) return bad(wire::Op::edge_count);
    crossing_.sense = o.sense;
    counting_ = true;
    look_at(o.sense, o.threshold, now_us);
    return true;
  }
  TENTERHOOK_RARE bool do_delayed_sample(wire::PlainReader& r) {
    wire::DelayedSampleOp& o = delayed_;
    wire::get(r, o);
    if (counting_ || o.sense >= map::kSenses || o.delay_ticks < wire::kDelayTicksMin ||
        o.delay_ticks > wire::kDelayTicksMax || o.shots == 0 || o.shots > wire::kConversionsMax ||
        !spend(wire::sample_result_bytes(1))) {
      return bad(wire::Op::delayed_sample);
    }
    armed_ = Armed::delayed;
    return true;
  }

  // The pulses just asked for, watched. `single`: there is one leading edge; `latest`: how long after it the
  // converter may be away.
  TENTERHOOK_RARE bool watch_pulses(uint32_t now_us, bool single, int16_t latest) {
    shot_by_trigger_ = single;
    if (armed_ == Armed::delayed) {
      if (!single || delayed_.delay_ticks > latest) return bad(wire::Op::delayed_sample);
      store_rest();
      chosen_ = 0;
      sampler_.choose_shots(delayed_.sense, delayed_.shots);
      shots_left_ = delayed_.shots;
      watched_us_ = now_us;
    } else {
      if (crossing_.window_ticks > static_cast<uint32_t>(latest)) shot_by_trigger_ = false;
      shots_left_ = 1;
      begin_counting();
    }
    enter(Phase::watched, 0, now_us);
    start_watched();
    return true;
  }
  void start_watched() {
    set_up(shot_by_trigger_);
    if (armed_ == Armed::crossing) hal_.open_capture(crossing_.edges, crossing_.most, crossing_.window_ticks);
    if (!shot_by_trigger_) {
      hal_.go();
      return;
    }
    // A crossing's window ends with a conversion that nobody keeps: it brings the converter back.
    const bool kept = armed_ == Armed::delayed;
    hal_.set_trigger(kept ? delayed_.delay_ticks : static_cast<int16_t>(crossing_.window_ticks));
    sampler_.shoot(kept ? delayed_.sense : crossing_.sense, kept);
  }
  TENTERHOOK_RARE bool advance_watched(uint32_t now_us) {
    if (sampler_.shooting() || hal_.pulsing()) return false;
    if (armed_ == Armed::crossing && hal_.capturing()) return false;
    if (hal_.pulses_late() != 0) return complain(wire::Fault::pulses, pulse_.channel, hal_.pulses_late());
    if (--shots_left_ != 0) {
      start_watched();
      return false;
    }
    if (armed_ == Armed::crossing) {
      counters_->time_pulse_us += now_us - entered_us_;
      armed_ = Armed::nothing;
      const Captured& caught = hal_.captured();
      hal_.stop_counting();
      return emit_edges(caught.high, &caught) || bad(wire::Op::crossing);
    }
    armed_ = Armed::nothing;
    sample_bytes_ = wire::sample_result_bytes(1);
    sampled(now_us);
    return true;
  }
  TENTERHOOK_RARE void begin_counting() {
    high_before_ = hal_.comparator_high();
    hal_.count_edges();
  }
  // `caught`: of a crossing; none: edges were only counted.
  TENTERHOOK_RARE bool emit_edges(bool high, const Captured* caught) {
    store_rest();
    wire::EdgesHead head;
    head.step = step_;
    head.index = edges_index_++;
    head.sense = crossing_.sense;
    head.count = caught == nullptr ? static_cast<uint8_t>(0) : caught->count;
    head.rises = hal_.rises();
    head.falls = head.rises + (high_before_ ? 1 : 0) - (high ? 1 : 0);
    head.time_us = watched_us_;
    head.flags = static_cast<uint8_t>((high_before_ ? wire::kEdgesHighBefore : 0) | (high ? wire::kEdgesHighAfter : 0));
    if (caught != nullptr) {
      uint32_t wanted = (crossing_.edges & wire::kEdgeRising) != 0 ? head.rises : 0;
      if ((crossing_.edges & wire::kEdgeFalling) != 0) wanted += head.falls;
      const bool missed = caught->missed || (!caught->more && wanted != caught->count);
      head.flags = static_cast<uint8_t>(head.flags | wire::kEdgesCrossing | (missed ? wire::kEdgesMissed : 0) |
                                        (caught->more ? wire::kEdgesMore : 0));
    }
    const uint8_t size = static_cast<uint8_t>(wire::kEdgesHeadBytes + head.count * wire::kCrossingBytes);
    if (!store_.open(static_cast<uint8_t>(wire::Type::edges), size)) return false;
    uint8_t bytes[wire::kEdgesHeadBytes];
    wire::encode(head, bytes, sizeof bytes);
    store_.put(bytes, wire::kEdgesHeadBytes);
    for (uint8_t i = 0; i < head.count; ++i) {
      wire::Crossing crossing;
      crossing.ticks = caught->ticks[i];
      crossing.rising = (caught->rising >> i & 1) != 0;
      wire::encode(crossing, bytes, sizeof bytes);
      store_.put(bytes, wire::kCrossingBytes);
    }
    stored(wire::edges_result_bytes(caught == nullptr ? 0 : crossing_.most));
    return true;
  }
  bool do_wait(wire::PlainReader& r, uint32_t now_us) {
    wire::WaitOp o;
    wire::get(r, o);
    if (o.us > wire::kWaitUsMax) return bad(wire::Op::wait);
    enter(Phase::wait, now_us + o.us, now_us);
    return true;
  }
  bool do_relay_wait(wire::PlainReader& r, uint32_t now_us) {
    wire::RelayWaitOp o;
    wire::get(r, o);
    if (o.us > wire::kWaitUsMax) return bad(wire::Op::relay_wait);
    uint32_t since = 0;
    if (!outputs_.take_moved(since)) return true;
    enter(Phase::relay_wait, since + o.us, now_us);
    return true;
  }
  bool do_route(wire::PlainReader& r, uint32_t now_us) {
    const uint16_t drives = r.u16();
    if (drives != 0 && !may_connect()) return wrong_order(wire::Op::route);
    outputs_.wanted().set16(map::kBitRoute, drives);
    return relays(now_us);
  }
  bool do_bus(const uint8_t* bytes, uint32_t now_us) {
    const uint8_t mode = bytes[1];
    for (uint8_t i = 0; i < 8; ++i) {
      const uint8_t leads = bytes[2 + i];
      if (i < map::kSenses / 8) {
        outputs_.wanted().bytes[map::kBitTestBus / 8 + i] = leads;
      } else if (leads != 0) {
        return bad(wire::Op::bus);
      }
    }
    if (mode > 0x0F) return bad(wire::Op::bus);
    for (uint8_t i = 0; i < 4; ++i) {
      outputs_.wanted().set(static_cast<uint8_t>(map::kBitBusLoad22k + i), (mode >> i & 1) != 0);
    }
    return relays(now_us);
  }

  // ---- sampling ----

  bool do_sample(const uint8_t* bytes, uint32_t now_us) {
    const uint8_t* masks = bytes + 1;
    const uint16_t n = static_cast<uint16_t>(bytes[17] | static_cast<uint16_t>(bytes[18]) << 8);
    const uint16_t place = static_cast<uint16_t>(program_.place() - wire::op_bytes(wire::Op::sample));
    if (chosen_ == 0 || chosen_place_ != place) {
      if (!may_sample(masks)) return bad(wire::Op::sample);
      store_rest();
      chosen_ = sampler_.choose(masks);
      sample_bytes_ = wire::sample_result_bytes(chosen_);
    }
    const uint8_t channels = chosen_;
    chosen_ = 0;
    // A lead that the comparator watches keeps its multiplexer.
    if (counting_ && (masks[0] | masks[1] | masks[2] | masks[3]) != 0) return bad(wire::Op::sample);
    if (channels == 0 || n == 0 || n > wire::kConversionsMax ||
        !spend(sample_bytes_)) {
      return bad(wire::Op::sample);
    }
    sampler_.begin(n);
    enter(Phase::sample, 0, now_us);
    return true;
  }

  // Every channel asked for exists.
  static bool may_sample(const uint8_t* masks) {
    bool beyond = (masks[8 + wire::kAuxCount / 8] >> (wire::kAuxCount % 8)) != 0;
    for (uint8_t i = map::kSenses / 8; i < 8; ++i) beyond = beyond || masks[i] != 0;
    for (uint8_t i = 8 + wire::kAuxCount / 8 + 1; i < 16; ++i) beyond = beyond || masks[i] != 0;
    return !beyond;
  }

  // The accumulators are full: their results go to the store when there is time.
  void sampled(uint32_t now_us) {
    counters_->time_convert_us += now_us - entered_us_;
    part_ = 0;
    sampled_step_ = step_;
    sampled_index_ = sample_index_++;
    sampled_us_ = entered_us_;
    storing_ = true;
    due_ = sample_bytes_;
  }
  // Before anything else may follow in the order of results, or the accumulators are used again.
  void store_rest() {
    for (uint8_t i = 0; i < kPartsMax && storing_; ++i) store_part();
  }
  static void put16(uint8_t* into, uint16_t v) {
    into[0] = static_cast<uint8_t>(v);
    into[1] = static_cast<uint8_t>(v >> 8);
  }
  static void put32(uint8_t* into, uint32_t v) {
    put16(into, static_cast<uint16_t>(v));
    put16(into + 2, static_cast<uint16_t>(v >> 16));
  }
  // One frame of results.
  bool store_part() {
    const uint8_t first = static_cast<uint8_t>(part_ * wire::kChannelsPerFrame);
    const uint8_t left = static_cast<uint8_t>(sampler_.channels() - first);
    const bool last = left <= wire::kChannelsPerFrame;
    wire::SamplesHead head;
    head.step = sampled_step_;
    head.index = sampled_index_;
    head.part = static_cast<uint8_t>(last ? part_ | wire::kLastPart : part_);
    head.n = sampler_.conversions();
    head.time_us = sampled_us_;
    head.channels = last ? left : wire::kChannelsPerFrame;
    const uint8_t size = static_cast<uint8_t>(wire::kSamplesHeadBytes +
                                              head.channels * wire::kChannelCountsBytes);
    if (!store_.open(static_cast<uint8_t>(wire::Type::samples), size)) return bad(wire::Op::sample);
    uint8_t bytes[wire::kChannelCountsBytes];
    wire::encode(head, bytes, sizeof bytes);
    store_.put(bytes, wire::kSamplesHeadBytes);
    for (uint8_t i = 0; i < head.channels; ++i) {
      const Accumulator& a = sampler_.channel(static_cast<uint8_t>(first + i));
      // wire::ChannelCounts, spelled out: its encoder costs a millisecond a frame on the AVR.
      bytes[0] = a.source;
      put32(bytes + 1, a.sum);
      put16(bytes + 5, a.min);
      put16(bytes + 7, a.max);
      put32(bytes + 9, a.squares);
      store_.put(bytes, wire::kChannelCountsBytes);
    }
    stored(static_cast<uint16_t>(size + wire::kStoreSlotBytes));
    due_ = last ? static_cast<uint16_t>(0) : static_cast<uint16_t>(due_ - size - wire::kStoreSlotBytes);
    ++part_;
    if (last) storing_ = false;
    return true;
  }

  // ---- rails ----

  bool do_guard(wire::PlainReader& r) {
    wire::GuardOp o;
    wire::get(r, o);
    if (o.rail >= map::kRails || o.limit == 0 || o.limit >= 1023 || o.min > o.max ||
        (o.needs >> o.rail & 1) != 0) {
      return bad(wire::Op::guard);
    }
    sampler_.guard(o.rail, o.min, o.max, o.limit);
    Heating& h = heating_[o.rail];
    h.limit = o.heating;
    h.base = o.base;
    h.needs = o.needs;
    const uint8_t bit = static_cast<uint8_t>(1 << o.rail);
    guarded_ |= bit;
    protecting_ = static_cast<uint8_t>((o.flags & wire::kGuardProtects) != 0 ? protecting_ | bit
                                                                             : protecting_ & ~bit);
    keep_protecting();
    return true;
  }
  bool do_arm(wire::PlainReader& r) {
    const uint8_t rails = r.u8();
    if ((rails & ~outputs_.rails_on()) != 0 || (rails & ~guarded_) != 0) {
      return wrong_order(wire::Op::arm);
    }
    sampler_.arm(rails);
    return true;
  }
  void hold_bleeder(uint8_t rail) {
    const bool powered = outputs_.wanted().get(static_cast<uint8_t>(map::kBitRailSeries + rail));
    outputs_.wanted().set(static_cast<uint8_t>(map::kBitRailHold + rail),
                          powered && (bled_ >> rail & 1) == 0);
  }
  // At a trip the conversion interrupt cuts every switch but those of protecting rails that are on.
  void keep_protecting() {
    sampler_.keep(static_cast<uint8_t>(protecting_ & outputs_.rails_on()));
  }
  void rail_bit(uint8_t first_bit, bool on) {
    outputs_.wanted().set(static_cast<uint8_t>(first_bit + rail_.rail), on);
  }

  // Off: switch and pre-charge open, then, without current, the series relay; the bleeder closes.
  // On: the series relay closes without current, then the switch or the pre-charge path.
  bool do_rail(wire::PlainReader& r, uint32_t now_us) {
    wire::get(r, rail_);
    if (rail_.rail >= map::kRails || static_cast<uint8_t>(rail_.mode) > 2) return bad(wire::Op::rail);
    const uint8_t bit = static_cast<uint8_t>(1 << rail_.rail);
    if (rail_.mode == wire::RailMode::off) {
      sampler_.arm(static_cast<uint8_t>(sampler_.armed() & ~bit));
      outputs_.switch_rail(rail_.rail, false);
      keep_protecting();
      rail_bit(map::kBitRailPreCharge, false);
      outputs_.apply();
      recorder_.switched(rail_.rail, false);
      rail_step_ = RailStep::opened;
      enter(Phase::rail, hal_.now_us() + wire::kBreakUs, now_us);
      return true;
    }
    const uint8_t needs = heating_[rail_.rail].needs;
    if ((guarded_ & bit) == 0 || (needs & ~sampler_.armed()) != 0) {
      return complain(wire::Fault::wrong_order, rail_.rail, needs);
    }
    sampler_.watch(static_cast<uint8_t>(sampler_.watched() | bit));
    const bool closed = outputs_.wanted().get(static_cast<uint8_t>(map::kBitRailSeries + rail_.rail));
    rail_bit(map::kBitRailSeries, true);
    hold_bleeder(rail_.rail);
    outputs_.apply();
    rail_step_ = RailStep::series;
    enter(Phase::rail, closed ? now_us : hal_.now_us() + wire::kRailRelayUs, now_us);
    return true;
  }
  bool advance_rail(uint32_t now_us) {
    counters_->time_relay_us += now_us - entered_us_;
    if (rail_step_ == RailStep::series) {
      const bool bridge = rail_.mode == wire::RailMode::pre_charge;
      if (!bridge) outputs_.switch_rail(rail_.rail, true);
      const bool was = outputs_.wanted().get(static_cast<uint8_t>(map::kBitRailPreCharge + rail_.rail));
      rail_bit(map::kBitRailPreCharge, bridge);
      if (bridge) outputs_.switch_rail(rail_.rail, false);
      keep_protecting();
      recorder_.switched(rail_.rail, true);
      if (was == bridge) return rail_done();
      outputs_.apply();
      rail_step_ = RailStep::bridge;
      enter(Phase::rail, hal_.now_us() + wire::kRailRelayUs, now_us);
      return false;
    }
    if (rail_step_ == RailStep::opened) {
      rail_bit(map::kBitRailSeries, false);
      hold_bleeder(rail_.rail);
      outputs_.apply();
      sampler_.watch(static_cast<uint8_t>(sampler_.watched() & ~(1 << rail_.rail)));
    }
    return rail_done();
  }
  bool rail_done() {
    phase_ = Phase::next;
    return true;
  }

  bool do_rail_until(wire::PlainReader& r, uint32_t now_us) {
    wire::get(r, until_);
    if (until_.rail >= map::kRails || (sampler_.watched() >> until_.rail & 1) == 0 ||
        until_.within_ms > wire::kWaitUsMax / 1000 || !spend(wire::kEventResultBytes)) {
      return bad(wire::Op::rail_until);
    }
    held_since_us_ = now_us;
    enter(Phase::rail_until, now_us + 1000, now_us);
    return true;
  }
  bool advance_rail_until(uint32_t now_us) {
    if (!reached(now_us, until_us_)) return false;
    until_us_ = now_us + 1000;
    const uint16_t volts = sampler_.volts(until_.rail);
    const uint16_t current = sampler_.current(until_.rail);
    const bool up = volts >= until_.min && volts <= until_.max;
    const bool met = up && current >= until_.current_min && current <= until_.current_max;
    if (!met) held_since_us_ = now_us;
    const uint32_t ms = (now_us - entered_us_) / 1000;
    if (met && now_us - held_since_us_ >= 1000UL * until_.hold_ms) {
      counters_->time_wait_us += now_us - entered_us_;
      emit(wire::EventKind::rail_up, until_.rail | ms << 8, now_us);
      phase_ = Phase::next;
      return true;
    }
    if (ms >= until_.within_ms) {
      return complain(wire::Fault::rail_late, until_.rail, up ? current : volts);
    }
    return false;
  }

  // Once a millisecond: heating of the rails.
  void tick(uint32_t now_us) {
    uint8_t ms = 0;
    for (; ms < kTickMsMost && now_us - tick_us_ >= 1000; ++ms) tick_us_ += 1000;
    for (uint8_t r = 0; r < map::kRails; ++r) {
      Heating& h = heating_[r];
      if (h.limit == 0) continue;
      const uint16_t current = (sampler_.watched() >> r & 1) != 0 ? sampler_.current(r) : 0;
      const uint32_t square = static_cast<uint32_t>(current) * current;
      const uint32_t base = static_cast<uint32_t>(h.base) * h.base;
      if (square > base) {
        const uint32_t more = (square - base) * ms;
        h.used = h.used > 0xFFFFFFFFUL - more ? 0xFFFFFFFFUL : h.used + more;
      } else {
        const uint32_t less = (base - square) * ms;
        h.used = h.used > less ? h.used - less : 0;
      }
      if (h.used > h.limit) {
        complain(wire::Fault::heating, r, static_cast<uint16_t>(h.used >> 16));
      }
    }
  }

  Hal& hal_;
  Outputs<Hal>& outputs_;
  Sampler<Hal>& sampler_;
  ProgramRing& program_;
  ResultStore& store_;
  Recorder<Hal> recorder_;
  wire::Counters* counters_ = nullptr;
  Complaint complaint_;
  Heating heating_[map::kRails];
  wire::LabelOp label_;
  wire::RailOp rail_;
  wire::RailUntilOp until_;
  wire::PulseOp pulse_;
  wire::PulsePairOp pair_;
  wire::CrossingOp crossing_;
  wire::DelayedSampleOp delayed_;
  uint32_t until_us_ = 0;
  uint32_t entered_us_ = 0;
  uint32_t started_us_ = 0;
  uint32_t starved_us_ = 0;
  uint32_t held_since_us_ = 0;
  uint32_t tick_us_ = 0;
  uint16_t step_ = wire::kNoStep;
  uint16_t step_left_ = 0;
  uint16_t results_left_ = 0;
  uint16_t sample_bytes_ = 0;  // of the results of the sample chosen last
  uint16_t due_ = 0;  // of the last sample's results, not yet in the store
  uint16_t owed_ = 0;  // declared by the label, not yet in the store
  Phase phase_ = Phase::stopped;
  RailStep rail_step_ = RailStep::series;
  uint8_t part_ = 0;
  uint8_t sample_index_ = 0;
  uint8_t guarded_ = 0;
  uint8_t protecting_ = 0;
  uint8_t bled_ = 0;
  uint8_t curve_rail_ = 0;
  bool fast_high_[map::kFasts] = {false, false};
  bool first_label_ = true;
  bool starving_ = false;
  bool looked_ahead_ = false;  // in this phase
  bool label_known_ = false;   // label_ is the one at the head of the program
  uint8_t chosen_ = 0;         // channels of the sample at chosen_place_ that the sampler knows already
  uint16_t chosen_place_ = 0;
  bool storing_ = false;  // results of the last sample are still to be stored
  uint16_t sampled_step_ = 0;
  uint8_t sampled_index_ = 0;
  uint32_t sampled_us_ = 0;
  uint32_t watched_us_ = 0;
  uint16_t shots_left_ = 0;
  Armed armed_ = Armed::nothing;
  uint8_t edges_index_ = 0;
  bool paired_ = false;
  bool shot_by_trigger_ = false;
  bool counting_ = false;     // Op::edge_count
  bool high_before_ = false;  // the comparator, when counting began
};

#undef TENTERHOOK_RARE

}  // namespace core
}  // namespace tenterhook
