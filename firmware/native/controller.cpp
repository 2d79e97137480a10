#include "firmware/native/controller.h"

#include <algorithm>
#include <array>
#include <cstring>
#include <deque>
#include <limits>

#include "firmware/core/controller.h"

namespace tenterhook::native {
namespace {

constexpr Picoseconds kMicrosecond = 1'000'000;
constexpr Picoseconds kMillisecond = 1'000 * kMicrosecond;
constexpr Picoseconds kTick = kMicrosecond / map::kTicksPerMicrosecond;  // 62,500 ps
constexpr Picoseconds kConversion = 52 * kMicrosecond;
constexpr Picoseconds kFirstConversion = 100 * kMicrosecond;  // 25 converter clocks of 4 us
constexpr Picoseconds kWatchPeriod = 2 * kMillisecond;        // bursts of safety conversions in a session
constexpr Picoseconds kRestPeriod = 5 * kMillisecond;         // bursts at rest: only discharge is followed
constexpr Picoseconds kSampleAfter = 6 * kMicrosecond;        // 1.5 converter clocks
constexpr Picoseconds kNever = std::numeric_limits<Picoseconds>::max();
constexpr int kPollsMax = 4096;  // passes at one instant; far beyond what a full receive ring needs
// Passes without a byte in: an engine that waits for room in its store or line wants them for ever, and gets
// nowhere before time passes.
constexpr int kWaitingPollsMax = 64;
// The first edge comes so many ticks after start_pulses(), as on the AVR (avr/pulses.cpp).
constexpr std::uint32_t kWideLead = 41;
constexpr std::uint32_t kBurstLead = 20;
constexpr std::uint32_t kNarrow = wire::kGapTicksMin;
constexpr Picoseconds kHeld = wire::kHoldTicks * kTick;             // from a trigger to the input held...
constexpr Picoseconds kHeldToEnd = 46 * kMicrosecond;               // ...and from there to the result: 11.5 clocks

// What core/hal.h asks for, on a FixtureCircuit.
class Hal {
 public:
  Hal(emulated::FixtureCircuit& circuit, const NativeOptions& options)
      : circuit_(circuit), byte_ps_(10 * 1'000'000'000'000LL / options.baud), options_(options) {}

  // ---- core/hal.h ----
  static constexpr std::uint16_t kWatchUs = 0;  // time stands still while the core runs
  std::uint32_t now_us() const { return static_cast<std::uint32_t>((now - booted) / kMicrosecond); }

  bool take_byte(std::uint8_t& byte) {
    if (ring_.empty()) return false;
    byte = ring_.front();
    ring_.pop_front();
    return true;
  }
  void drop_received() { ring_.clear(); }
  bool take_stop() { return std::exchange(stop_, false); }
  bool sending() const { return now < send_end_; }
  void send(const std::uint8_t* bytes, std::uint8_t size) {
    outgoing_.assign(bytes, bytes + size);
    send_end_ = now + size * byte_ps_;
  }
  std::uint16_t overruns() const { return overruns_; }
  std::uint16_t framing_errors() const { return 0; }

  void shift_chain(const std::uint8_t* bits, std::uint8_t* back) {
    for (int i = map::kChainBytes - 1; i >= 0; --i) back[i] = circuit_.spi(now, bits[i]);
  }
  void latch_chain() {
    circuit_.pin(now, map::kPinChainLatch, true);
    circuit_.pin(now, map::kPinChainLatch, false);
  }
  void enable_outputs(bool on) { circuit_.pin(now, map::kPinOutputEnable, on); }

  void fast_level(std::uint8_t channel, bool high) {
    level_[channel] = high;
    circuit_.pin(now, fast_pin(channel), high);
  }
  void set_up_pulses(std::uint8_t channel, bool active, std::uint32_t count, std::uint32_t width,
                     std::uint32_t gap, bool shot) {
    pulse_channel_ = channel;
    pulse_active_ = active;
    pulses_left_ = count;
    width_ = width * kTick;
    gap_ = gap * kTick;
    at_active_ = false;
    pair_.clear();
    const bool burst = count > 1 && gap < wire::kGapTicksMin;
    lead_ = (shot             ? std::uint32_t{wire::kShotLeadTicks}
             : burst          ? kBurstLead
             : width < kNarrow ? width + kNarrow + 1
                               : kWideLead) *
            kTick;
    last_gap_ = burst ? wire::kGapTicksMin * kTick : gap_;
  }
  void set_up_pair(const wire::PulsePairOp& pair, bool shot) {
    lead_ = ((shot ? std::uint32_t{wire::kShotLeadTicks} : kWideLead) + std::max(0, -pair.offset_ticks)) * kTick;
    pair_.clear();
    for (std::uint8_t i = 0; i < map::kFasts; ++i) {
      const Picoseconds at = lead_ + (i == 0 ? 0 : pair.offset_ticks * kTick);
      const bool active = pair.active[i] != 0;
      pair_.push_back({at, i, active});
      pair_.push_back({at + pair.width_ticks[i] * kTick, i, !active});
    }
    std::stable_sort(pair_.begin(), pair_.end(), [](const PairEdge& a, const PairEdge& b) { return a.at > b.at; });
  }
  void go() {
    started_ = now;
    for (PairEdge& edge : pair_) edge.at += now;
    next_edge = pair_.empty() ? now + lead_ : pair_.back().at;
    pulse_end_ = kNever;
    if (capturing_) {
      circuit_.take_comparator_edges(now);
      window_end = now + lead_ + window_;
    }
  }
  bool pulsing() const { return next_edge != kNever || (pulse_end_ != kNever && now < pulse_end_); }
  std::uint16_t pulses_late() const { return 0; }

  void set_threshold(std::uint16_t code) {
    circuit_.pin(now, map::kPinDacSelect, false);
    circuit_.spi(now, static_cast<std::uint8_t>(code >> 4));
    circuit_.spi(now, static_cast<std::uint8_t>(code << 4));
    circuit_.pin(now, map::kPinDacSelect, true);
  }
  bool comparator_high() { return circuit_.input(now, map::kPinCapture); }
  void count_edges() {
    circuit_.follow_comparator(now, true);
    circuit_.take_comparator_edges(now);
    counting_ = true;
    rises_ = 0;
  }
  std::uint32_t rises() {
    take_edges();
    return rises_;
  }
  void stop_counting() {
    if (!counting_) return;
    take_edges();
    counting_ = false;
    circuit_.follow_comparator(now, false);
  }
  void open_capture(std::uint8_t edges, std::uint8_t most, std::uint32_t window) {
    captured_ = core::Captured{};
    capture_edges_ = edges;
    capture_most_ = most;
    window_ = window * kTick;
    capturing_ = true;
  }
  bool capturing() const { return capturing_; }
  void close_capture() {
    capturing_ = false;
    window_end = kNever;
  }
  const core::Captured& captured() const { return captured_; }

  void stop_pulses() {
    if (!pair_.empty()) {
      pair_.clear();
      for (std::uint8_t i = 0; i < map::kFasts; ++i) circuit_.pin(now, fast_pin(i), level_[i]);
      next_edge = kNever;
    }
    if (next_edge != kNever && at_active_) {
      circuit_.pin(now, fast_pin(pulse_channel_), level_[pulse_channel_]);
    }
    next_edge = kNever;
    pulse_end_ = kNever;
  }

  void switch_rails(std::uint8_t on) {
    for (int r = 0; r < map::kRails; ++r) {
      if (((on ^ rails_) >> r & 1) == 0) continue;
      circuit_.pin(now, {map::kPinRailSwitch.port, static_cast<std::uint8_t>(r)}, (on >> r & 1) != 0);
    }
    rails_ = on;
  }
  std::uint8_t over_current() {
    std::uint8_t latched = 0;
    for (std::uint8_t r = 0; r < map::kRails; ++r) {
      const map::Pin pin{map::kPinOverCurrent.port, static_cast<std::uint8_t>(map::kPinOverCurrent.bit + r)};
      if (circuit_.input(now, pin)) latched = static_cast<std::uint8_t>(latched | 1 << r);
    }
    return latched;
  }
  void reset_over_current() {
    circuit_.pin(now, map::kPinTripReset, true);
    circuit_.pin(now, map::kPinTripReset, false);
  }

  void start_converter(std::uint8_t first, std::uint8_t second) {
    converting = true;
    running_counts_ = circuit_.convert(now, first);
    channel_ = second;
    grid_ = now + kFirstConversion + kSampleAfter;
    next_conversion = converter_dead ? kNever : grid_;
    burst_ = 0;
  }
  void stop_converter() {
    converting = false;
    next_conversion = kNever;
    shot_event = kNever;
    stopping_ = false;
  }
  void set_trigger(std::int16_t delay_ticks) { hold_after_ = lead_ + delay_ticks * kTick; }
  void stop_after_this() { stopping_ = true; }
  void fire(std::uint8_t channel) {
    stopping_ = false;
    next_conversion = kNever;
    channel_ = channel;
    held_ = false;
    go();
    shot_event = now + hold_after_;
  }
  void resume(std::uint8_t channel) {
    stopping_ = false;
    running_counts_ = circuit_.convert(now, channel);
    channel_ = channel;
    grid_ = now + kConversion;
    next_conversion = converter_dead ? kNever : grid_;
    burst_ = 0;
  }
  void sense_mux(std::uint8_t address) { mux(map::kPinSenseMux, sense_address_, address); }
  void aux_mux(std::uint8_t address) { mux(map::kPinAuxMux, aux_address_, address); }

  std::uint8_t inputs() {
    std::uint8_t in = 0;
    if (!circuit_.input(now, map::kPinStop)) in |= wire::kInputStop;
    if (!circuit_.input(now, map::kPinLid)) in |= wire::kInputLid;
    if (!circuit_.input(now, map::kPinHoldToRun)) in |= wire::kInputHoldToRun;
    if (circuit_.input(now, map::kPinCoilSupply)) in |= wire::kInputCoilSupply;
    return in;
  }
  void alive() {
    alive_ = !alive_;
    circuit_.pin(now, map::kPinAlive, alive_);
  }
  void lock() {}
  void unlock() {}
  core::Identity identity() const {
    core::Identity id{};
    id.boot_nonce = boot_nonce;
    id.reset_cause = cause;
    std::strncpy(id.serial, options_.serial.c_str(), wire::kSerialText);
    return id;
  }

  // ---- the world's side ----

  // All outputs as a reset leaves them, then as the firmware's set-up does.
  void power_on_pins() {
    static constexpr map::Pin kOutputs[] = {
        {'A', 0}, {'A', 1}, {'A', 2}, {'A', 3}, map::kPinChainLatch, map::kPinOutputEnable,
        map::kPinTripReset, map::kPinAlive, {'C', 0}, {'C', 1}, {'C', 2}, {'C', 3}, {'C', 4},
        {'C', 5}, {'C', 6}, {'C', 7}};
    for (const map::Pin& pin : kOutputs) circuit_.pin_floats(now, pin);
    circuit_.pin_floats(now, map::kPinFast0);
    circuit_.pin_floats(now, map::kPinFast1);
    for (const map::Pin& pin : kOutputs) circuit_.pin(now, pin, false);
    circuit_.pin(now, map::kPinDacSelect, true);
  }
  // One byte has arrived: the receive interrupt.
  void receive(std::uint8_t byte) {
    zeros_ = byte == 0 ? zeros_ + 1 : 0;
    if (zeros_ == wire::kStopZerosSeen) stop_ = true;
    if (zeros_ >= wire::kStopZerosSeen) {
      zeros_ = wire::kStopZerosSeen;
      return;
    }
    if (ring_.size() + 1 >= wire::kReceiveRingBytes) {
      ++overruns_;
    } else {
      ring_.push_back(byte);
    }
  }
  bool received() const { return !ring_.empty() || stop_; }
  Picoseconds send_end() const { return outgoing_.empty() ? kNever : send_end_; }
  void deliver(std::vector<std::uint8_t>& out) {
    out.insert(out.end(), outgoing_.begin(), outgoing_.end());
    outgoing_.clear();
  }
  Picoseconds byte_ps() const { return byte_ps_; }

  // The edge that is due: exact, whatever the main loop does.
  void edge() {
    if (!pair_.empty()) {
      circuit_.pin(now, fast_pin(pair_.back().channel), pair_.back().level);
      pair_.pop_back();
      next_edge = pair_.empty() ? kNever : pair_.back().at;
      if (pair_.empty()) pulse_end_ = now + wire::kGapTicksMin * kTick;
      return;
    }
    at_active_ = !at_active_;
    circuit_.pin(now, fast_pin(pulse_channel_), at_active_ == pulse_active_);
    if (at_active_) {
      next_edge = now + width_;
    } else if (--pulses_left_ != 0) {
      next_edge = now + gap_;
    } else {
      next_edge = kNever;
      pulse_end_ = now + last_gap_;
    }
    if (counting_ && !capturing_) take_edges();  // before they become many
  }
  // The window of what is captured is over.
  void window_over() {
    take_edges();
    captured_.high = circuit_.input(now, map::kPinCapture);
    close_capture();
    stop_counting();
  }
  // A triggered conversion: first the input is held, then it has ended.
  template <class Controller>
  void shot(Controller& controller) {
    if (!held_) {
      held_ = true;
      running_counts_ = circuit_.convert(now, channel_);
      shot_event = now + kHeldToEnd;
      return;
    }
    shot_event = kNever;
    controller.conversion_done(running_counts_);
  }
  Picoseconds pulse_end() const {
    return pulse_end_ != kNever && now < pulse_end_ ? pulse_end_ : kNever;
  }

  // A conversion has ended and the next one has taken its sample.
  template <class Controller>
  void convert(Controller& controller) {
    const std::uint16_t ended = running_counts_;
    if (!stopping_) running_counts_ = circuit_.convert(now, channel_);
    const std::uint8_t next = controller.conversion_done(ended);
    if (next_conversion == kNever || next_conversion > now) return;  // a shot took the converter, or gave it back
    if (next != core::kKeepChannel) channel_ = next;
    if (controller.engine().sampling() || controller.engine().watching()) {
      burst_ = 0;
    } else if (++burst_ >= kSafetyBurst && !controller.suspicious()) {
      burst_ = 0;
      const Picoseconds period = !controller.awake()                ? kRestPeriod
                                 : controller.engine().recording() ? kMillisecond
                                                                    : kWatchPeriod;
      next_conversion += (period / kConversion - kSafetyBurst) * kConversion;
    }
    next_conversion += kConversion;
  }
  // A sample or a session begins inside a pause of the safety conversions: back onto the grid.
  void hurry() {
    if (!converting || next_conversion == kNever || next_conversion <= now + kConversion) return;
    next_conversion = grid_ + ((now - grid_) / kConversion + 1) * kConversion;
    burst_ = 0;
  }

  Picoseconds now = 0;
  Picoseconds booted = 0;
  Picoseconds next_edge = kNever;
  Picoseconds next_conversion = kNever;
  bool converter_dead = false;
  Picoseconds shot_event = kNever;  // the trigger's conversion: input held, then ended
  Picoseconds window_end = kNever;  // of what is captured
  bool converting = false;
  std::uint32_t boot_nonce = 1;
  wire::ResetCause cause = wire::ResetCause::power_on;

 private:
  // Counts and catches what the comparator did until now. An edge is seen at the next tick.
  void take_edges() {
    for (const auto& edge : circuit_.take_comparator_edges(now)) {
      if (counting_ && edge.level) ++rises_;
      if (!capturing_ || (capture_edges_ & (edge.level ? wire::kEdgeRising : wire::kEdgeFalling)) == 0) continue;
      if (captured_.count == capture_most_) {
        captured_.more = true;
        continue;
      }
      const Picoseconds ticks = (edge.t - started_ + kTick - 1) / kTick - 1 - lead_ / kTick;
      if (edge.level) captured_.rising = static_cast<std::uint16_t>(captured_.rising | 1U << captured_.count);
      captured_.ticks[captured_.count++] = static_cast<std::int32_t>(ticks);
    }
  }
  static map::Pin fast_pin(std::uint8_t channel) {
    return channel == 0 ? map::kPinFast0 : map::kPinFast1;
  }
  void mux(map::Pin first, std::uint8_t& address, std::uint8_t to) {
    for (std::uint8_t bit = 0; bit < 4; ++bit) {
      if (((address ^ to) >> bit & 1) == 0) continue;
      circuit_.pin(now, {first.port, static_cast<std::uint8_t>(first.bit + bit)}, (to >> bit & 1) != 0);
    }
    address = to;
  }

  emulated::FixtureCircuit& circuit_;
  Picoseconds byte_ps_;
  NativeOptions options_;
  std::deque<std::uint8_t> ring_;
  std::vector<std::uint8_t> outgoing_;
  Picoseconds send_end_ = 0;
  Picoseconds grid_ = 0;
  Picoseconds width_ = 0, gap_ = 0, last_gap_ = 0, pulse_end_ = kNever;
  Picoseconds lead_ = 0, started_ = 0, hold_after_ = 0, window_ = 0;
  core::Captured captured_{};
  std::uint32_t rises_ = 0;
  std::uint8_t capture_edges_ = 0, capture_most_ = 0;
  bool capturing_ = false, counting_ = false;
  bool stopping_ = false, held_ = false;
  std::uint32_t pulses_left_ = 0;
  std::uint16_t running_counts_ = 0;
  std::uint16_t overruns_ = 0;
  int zeros_ = 0;
  int burst_ = 0;
  std::uint8_t channel_ = 0;
  std::uint8_t rails_ = 0, sense_address_ = 0, aux_address_ = 0;
  std::uint8_t pulse_channel_ = 0;
  struct PairEdge {
    Picoseconds at;
    std::uint8_t channel;
    bool level;
  };
  std::vector<PairEdge> pair_;  // still to come, the next one last
  std::array<bool, map::kFasts> level_{};
  bool pulse_active_ = true, at_active_ = false;
  bool stop_ = false, alive_ = false;
};

}  // namespace

class NativeController::World {
 public:
  World(emulated::FixtureCircuit& circuit, const NativeOptions& options)
      : circuit_(circuit), options_(options) {
    boot(0, wire::ResetCause::power_on, options.boot_nonce);
  }

  void boot(Picoseconds now, wire::ResetCause cause, std::uint32_t nonce) {
    controller_.reset();
    hal_ = std::make_unique<Hal>(circuit_, options_);
    hal_->now = now;
    hal_->booted = now;
    hal_->cause = cause;
    hal_->boot_nonce = nonce;
    hal_->power_on_pins();
    controller_ = std::make_unique<core::Controller<Hal>>(*hal_);
    controller_->boot();
    stalled_until_ = 0;
    awake_ = false;
    next_tick_ = now + kMillisecond;
  }
  void reset(wire::ResetCause cause) { boot(hal_->now, cause, hal_->boot_nonce + 1); }

  Picoseconds now() const { return hal_->now; }
  void stop_conversions() {
    hal_->converter_dead = true;
    hal_->next_conversion = kNever;
  }
  void stall_until(Picoseconds time) {
    stalled_since_ = now();
    stalled_until_ = time;
  }

  void feed(std::span<const std::uint8_t> bytes) {
    Picoseconds at = line_free_at();
    for (std::uint8_t byte : bytes) {
      at += hal_->byte_ps();
      line_.push_back({at, byte});
    }
  }
  Picoseconds line_free_at() const { return line_.empty() ? now() : std::max(now(), line_.back().at); }

  std::size_t run(Picoseconds deadline, std::vector<std::uint8_t>& out) {
    const std::size_t before = out.size();
    passes();
    while (out.size() == before && now() < deadline) {
      const Picoseconds next = std::min(next_event(), deadline);
      hal_->now = std::max(now(), next);
      happen(out);
    }
    return out.size() - before;
  }

 private:
  struct Arrival {
    Picoseconds at;
    std::uint8_t byte;
  };

  bool stalled() const { return now() < stalled_until_; }

  Picoseconds next_event() {
    Picoseconds next = std::min(hal_->next_conversion, hal_->next_edge);
    next = std::min(next, hal_->send_end());
    next = std::min(next, hal_->pulse_end());
    next = std::min({next, hal_->shot_event, hal_->window_end});
    if (!line_.empty()) next = std::min(next, line_.front().at);
    if (stalled()) {
      next = std::min(next, stalled_until_);
      return std::min(next, stalled_since_ + wire::kWatchdogMs * kMillisecond);
    }
    if (controller_->awake() || controller_->results_kept()) next = std::min(next, next_tick_);
    const auto& engine = controller_->engine();
    if (engine.has_deadline()) {
      const auto left = static_cast<std::int32_t>(engine.deadline_us() - hal_->now_us());
      const Picoseconds whole = hal_->booted + (now() - hal_->booted) / kMicrosecond * kMicrosecond;
      next = std::min(next, whole + std::max(left, 0) * kMicrosecond);
    }
    return next;
  }

  // Everything that is due at now(), hardware first, then the main loop.
  void happen(std::vector<std::uint8_t>& out) {
    bool loop = false;
    for (int i = 0; i < 2 && hal_->next_edge <= now(); ++i) hal_->edge();  // both of a pair
    if (hal_->shot_event <= now()) {
      hal_->shot(*controller_);
      loop = true;
    }
    if (hal_->window_end <= now()) {
      hal_->window_over();
      loop = true;
    }
    if (hal_->next_conversion <= now()) {
      const bool sampling = controller_->engine().sampling();
      hal_->convert(*controller_);
      // Between ticks the main loop has something to do only when a trip or a sample's end shows.
      loop = controller_->tripped() || (sampling && controller_->engine().busy_now());
    }
    while (!line_.empty() && line_.front().at <= now()) {
      const std::uint8_t byte = line_.front().byte;
      line_.pop_front();
      hal_->receive(byte);
      loop = loop || byte == 0;  // nothing can come of a frame before its end
    }
    if (hal_->send_end() <= now()) {
      hal_->deliver(out);
      loop = true;
    }
    if (stalled()) {
      if (now() >= stalled_since_ + wire::kWatchdogMs * kMillisecond) {
        reset(wire::ResetCause::watchdog);
      }
      return;
    }
    if (stalled_until_ != 0) {  // the stall is over
      stalled_until_ = 0;
      loop = true;
    }
    if (next_tick_ <= now()) {
      next_tick_ = now() + kMillisecond;
      loop = true;
    }
    const auto& engine = controller_->engine();
    if (engine.has_deadline() && core::reached(hal_->now_us(), engine.deadline_us())) loop = true;
    const bool pulsing = hal_->pulsing();
    if (pulsing_ && !pulsing) loop = true;
    pulsing_ = pulsing;
    if (loop || hal_->received()) passes();
  }

  // The main loop, until it has nothing left to do at this instant.
  void passes() {
    if (stalled()) return;
    for (int i = 0, waiting = 0; i < kPollsMax && waiting < kWaitingPollsMax; ++i) {
      controller_->poll();
      if (hal_->received()) continue;
      if (!controller_->wants_poll()) break;
      ++waiting;
    }
    const bool awake = controller_->awake();
    if (controller_->engine().sampling() || controller_->engine().watching() || (awake && !awake_)) hal_->hurry();
    awake_ = awake;
    pulsing_ = hal_->pulsing();
    if (next_tick_ <= now()) next_tick_ = now() + kMillisecond;
  }

  emulated::FixtureCircuit& circuit_;
  NativeOptions options_;
  std::unique_ptr<Hal> hal_;
  std::unique_ptr<core::Controller<Hal>> controller_;
  std::deque<Arrival> line_;
  Picoseconds stalled_until_ = 0;
  Picoseconds stalled_since_ = 0;
  Picoseconds next_tick_ = 0;
  bool pulsing_ = false;
  bool awake_ = false;  // outputs were in use at the last pass
};

NativeController::NativeController(emulated::FixtureCircuit& circuit, const NativeOptions& options)
    : world_(std::make_unique<World>(circuit, options)) {}
NativeController::~NativeController() = default;
Picoseconds NativeController::now() const { return world_->now(); }
void NativeController::feed(std::span<const std::uint8_t> bytes) { world_->feed(bytes); }
Picoseconds NativeController::line_free_at() const { return world_->line_free_at(); }
std::size_t NativeController::run(Picoseconds deadline, std::vector<std::uint8_t>& out) {
  return world_->run(deadline, out);
}
void NativeController::reset(wire::ResetCause cause) { world_->reset(cause); }
void NativeController::stop_conversions() { world_->stop_conversions(); }
void NativeController::stall_until(Picoseconds time) { world_->stall_until(time); }

}  // namespace tenterhook::native
