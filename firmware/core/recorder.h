// Records the curve of one rail (wire::CurveOp): the conversion interrupt adds up, the main loop closes one
// point after the other and puts them into the store, a frame at a time. Memory: one frame of points.
#pragma once

#include <stdint.h>

#include "firmware/core/buffers.h"
#include "firmware/core/hal.h"
#include "firmware/core/sampler.h"
#include "firmware/wire/message.h"
#include "firmware/wire/program.h"

namespace tenterhook {
namespace core {

template <class Hal>
class Recorder {
 public:
  Recorder(Hal& hal, Sampler<Hal>& sampler, ResultStore& store)
      : hal_(hal), sampler_(sampler), store_(store) {}

  bool busy() const { return state_ == State::recording || state_ == State::closing; }
  // A session begins: what was not stored is gone with the last one's results.
  void restart() {
    state_ = State::idle;
    sampler_.record(kNobody);
  }
  // False: the curve before it is not stored yet; ask again. `on`: the rail is on already.
  bool arm(uint8_t rail, bool on, uint16_t room) {
    if (!finish(room)) return false;
    if (rail == wire::kCurveStop) return true;
    rail_ = rail;
    state_ = State::armed;
    if (on) switched(rail, true);
    return true;
  }
  // The rail's switch or pre-charge path has moved.
  void switched(uint8_t rail, bool on) {
    if (rail != rail_) return;
    if (!on && state_ == State::recording) close_last();
    if (!on || state_ != State::armed) return;
    state_ = State::recording;
    points_ = 0;
    in_step_ = 0;
    stretch_us_ = wire::kCurveFastUs;
    i2t_ = 0;
    i2t_rest_ = 0;
    flags_ = wire::kCurveFirst;
    since_us_ = hal_.now_us();
    head_us_ = since_us_;
    sampler_.record(rail);
  }
  // Ends what is under way. True: all of it is stored. `room`: of the store, for curves.
  bool finish(uint16_t room) {
    if (state_ == State::armed) state_ = State::idle;
    if (state_ == State::recording) close_last();
    if (state_ == State::closing && !store(room)) return false;
    state_ = State::idle;
    return true;
  }
  // On every pass of the main loop.
  void poll(uint32_t now_us, uint16_t room) {
    if (state_ == State::closing) {
      if (store(room)) state_ = State::idle;
      return;
    }
    // The pass may have begun before the switch that began the curve.
    if (state_ != State::recording || !reached(now_us, since_us_ + stretch_us_)) return;
    if (points_ == wire::kCurvePointsPerFrame && !store(room)) return;
    if (!take(now_us)) return;
    if (++in_step_ < wire::kCurvePointsEach) return;
    in_step_ = 0;
    if (stretch_us_ < wire::kCurveSlowUs) stretch_us_ *= 2;
  }

 private:
  enum class State : uint8_t { idle, armed, recording, closing };

  // Closes the stretch under way. False: nothing was converted in it.
  bool take(uint32_t now_us) {
    CurveSums s;
    if (!sampler_.take_record(s)) return false;
    const uint32_t us = now_us - since_us_;
    uint32_t ticks = us / wire::kCurveTickUs;
    if (ticks > 0xFFFF) ticks = 0xFFFF;
    since_us_ += ticks * wire::kCurveTickUs;
    wire::CurvePoint p;
    p.ticks = static_cast<uint16_t>(ticks);
    p.current = static_cast<uint16_t>((s.sum * wire::kCurveScale + s.n / 2) / s.n);
    p.peak = s.max;
    // A short stretch may lie between two conversions of the volts: then the last one stands.
    p.volts = s.volts_n == 0 ? static_cast<uint16_t>(sampler_.volts(rail_) * wire::kCurveScale)
                             : static_cast<uint16_t>((s.volts * wire::kCurveScale + s.volts_n / 2) / s.volts_n);
    wire::encode(p, bytes_ + points_ * wire::kCurvePointBytes, wire::kCurvePointBytes);
    ++points_;
    // counts^2 / 16 * 16 us / 256 = 65,536 counts^2 us / 65,536.
    const uint32_t more = s.squares / s.n / 16 * ticks;
    const uint32_t rest = i2t_rest_ + (more & 0xFF);
    i2t_rest_ = static_cast<uint8_t>(rest);
    const uint32_t sum = i2t_ + (more >> 8) + (rest >> 8);
    i2t_ = sum < i2t_ ? 0xFFFFFFFFUL : sum;
    return true;
  }
  void close_last() {
    if (points_ < wire::kCurvePointsPerFrame) take(hal_.now_us());
    sampler_.record(kNobody);
    flags_ |= wire::kCurveLast;
    state_ = State::closing;
  }
  bool store(uint16_t room) {
    const uint8_t size = static_cast<uint8_t>(wire::kCurveHeadBytes + points_ * wire::kCurvePointBytes);
    if (room < size + wire::kStoreSlotBytes || !store_.open(static_cast<uint8_t>(wire::Type::curve), size)) {
      return false;
    }
    wire::CurveHead head;
    head.rail = rail_;
    head.flags = flags_;
    head.points = points_;
    head.time_us = head_us_;
    head.i2t = i2t_;
    uint8_t bytes[wire::kCurveHeadBytes];
    wire::encode(head, bytes, sizeof bytes);
    store_.put(bytes, wire::kCurveHeadBytes);
    store_.put(bytes_, static_cast<uint8_t>(points_ * wire::kCurvePointBytes));
    points_ = 0;
    flags_ = 0;
    head_us_ = since_us_;
    return true;
  }

  Hal& hal_;
  Sampler<Hal>& sampler_;
  ResultStore& store_;
  uint8_t bytes_[wire::kCurvePointsPerFrame * wire::kCurvePointBytes];
  uint32_t since_us_ = 0;
  uint32_t head_us_ = 0;
  uint32_t stretch_us_ = 0;
  uint32_t i2t_ = 0;
  uint8_t i2t_rest_ = 0;
  uint8_t rail_ = 0;
  uint8_t points_ = 0;
  uint8_t in_step_ = 0;
  uint8_t flags_ = 0;
  State state_ = State::idle;
};

}  // namespace core
}  // namespace tenterhook
