#include "host/link/session.h"

#include <fmt/format.h>

#include <algorithm>
#include <utility>

#include "firmware/wire/program.h"
#include "host/link/session_impl.h"

namespace tenterhook::link {
namespace {

constexpr Seconds kTurnMax{0.02};           // a wait without looking at the cancellation
constexpr Seconds kTurnMin{1e-6};           // so that in lockstep every turn lets time pass, whatever is rounded
constexpr Seconds kAnswerPatience{0.1};     // then a request is repeated
constexpr Seconds kAckWithin{wire::kAckWithinMs * 1e-3};
constexpr Seconds kBeatSpacing{0.002};      // so that one is answered before the next
constexpr Seconds kGapQuiet{wire::kGapQuietMs * 1e-3};
constexpr Seconds kProbeQuiet{0.005};
constexpr Seconds kStopEvery{wire::kHeartbeatMs * 1e-3};
constexpr Seconds kIdleAskEvery{0.02};
constexpr Seconds kIdleMax{1.0};            // the fixture has then sent its last results nine times
constexpr Seconds kPaused{0.15};            // this thread did not run for so long: no proof of silence
constexpr Seconds kSlowRoundTrip{0.008};    // half of the usual bridge's latency timer
constexpr int kRoundTrips = 3;

std::uint32_t seed_of(const SessionOptions& options) {
  return options.seed != 0 ? options.seed : std::random_device{}();
}

}  // namespace

Session::Impl::Impl(std::unique_ptr<Port> port, const SessionOptions& options)
    : line_(std::move(port)), options_(options), random_(seed_of(options)) {
  last_heard_ = last_turn_ = line_.now();
}

Session::Impl::~Impl() {
  if (!in_session_) return;
  try {
    Status stopped = stop();  // best effort: the deadman does it otherwise
    static_cast<void>(stopped);
  } catch (...) {
    // Memory may have ended in it; nothing more can be said from here.
  }
}

// ---------------------------------------------------------------- greeting

Status Session::Impl::hello(Seconds patience) {
  hello_nonce_ = static_cast<std::uint32_t>(random_());
  hello_answered_ = false;
  wire::Hello message;
  message.nonce = hello_nonce_;
  TH_TRY(line_.send(wire::Type::hello, message));
  const Seconds until = line_.now() + patience;
  while (!hello_answered_ && !reply_unreadable_ && line_.now() < until) TH_TRY(turn(until - line_.now()));
  return {};
}

Status Session::Impl::greet() {
  const Seconds until = line_.now() + Seconds{wire::kHelloForMs * 1e-3};
  while (!hello_answered_ && line_.now() < until) {
    TH_TRY(check_cancelled());
    TH_TRY(hello(Seconds{wire::kHelloEveryMs * 1e-3}));
    if (reply_unreadable_) break;
  }
  if (!hello_answered_ && !reply_unreadable_) return no_greeting(line_.bytes_in(), line_.damaged());
  TH_TRY(check_reply());
  identity_ = identity_of(hello_);
  if (hello_.reset_cause == wire::ResetCause::watchdog || hello_.reset_cause == wire::ResetCause::brown_out) {
    warnings_.push_back(fmt::format("the fixture's controller was last reset by its {}; {}", identity_.last_reset,
                                    hello_.reset_cause == wire::ResetCause::brown_out ? "check its supply" : "its firmware had hung"));
  }
  TH_TRY(measure_round_trip());
  TH_TRY(settle_earlier_user());
  return ask(wire::Ask::counters);
}

Status Session::Impl::check_reply() {
  const std::string remedy = "`tenterhook fixture flash` puts the matching firmware on it";
  if (reply_unreadable_ || hello_.protocol_major != wire::kProtocolMajor) {
    return fixture_error(line_.describe(),
                         fmt::format("the fixture's firmware speaks version {} of the protocol, this program version {}",
                                     reply_major_, int{wire::kProtocolMajor}), remedy);
  }
  const bool window = hello_.receive_bytes >= wire::kReceiveReserve + wire::kLineBytesMax &&
                      hello_.program_bytes >= 2 * wire::kChunkBytesMax && hello_.store_bytes >= wire::kFrameBytesMax &&
                      hello_.step_bytes >= wire::kOpBytesMax;
  if (!window) {
    return fixture_error(line_.describe(),
                         fmt::format("the fixture offers too little room: receive {}, program {}, results {} bytes",
                                     hello_.receive_bytes, hello_.program_bytes, hello_.store_bytes), remedy);
  }
  return {};
}

// Some USB bridges hold received bytes back for 16 ms. It works, but every answer waits for it.
Status Session::Impl::measure_round_trip() {
  for (int i = 0; i < kRoundTrips; ++i) {
    const Seconds start = line_.now();
    TH_TRY(hello(kAnswerPatience));
    if (hello_answered_) round_trip_ = std::min(round_trip_, line_.now() - start);
  }
  if (round_trip_ > kSlowRoundTrip) {
    warnings_.push_back(fmt::format("an answer of the fixture takes {}: the USB bridge or the network holds bytes back; "
                                    "set the bridge's latency timer to 1 ms", text(round_trip_)));
  }
  return {};
}

// A program that an earlier host left running would be fed by our frames: stop it.
Status Session::Impl::settle_earlier_user() {
  TH_TRY(ask(wire::Ask::status));
  if (status_.state != wire::State::running) return {};
  warnings_.push_back("a program of an earlier session was still running on the fixture; it was stopped");
  return stop();
}

Error Session::Impl::no_greeting(std::uint64_t bytes, std::uint64_t damaged) const {
  const std::string where = line_.describe();
  const double seconds = wire::kHelloForMs * 1e-3;
  if (bytes == 0) {
    return fixture_error(where, fmt::format("no answer within {} s, not one byte", seconds),
                         "is the fixture powered, is this its port, does its firmware run? `tenterhook fixture flash` installs it");
  }
  if (damaged == 0 || line_.received() == 0) {
    return fixture_error(where, fmt::format("{} bytes came within {} s, but no valid frame", bytes, seconds),
                         "another baud rate, or another device or firmware on this port");
  }
  return fixture_error(where, fmt::format("frames came within {} s, but no answer to the greeting ({} frames damaged)", seconds, damaged),
                       "is another program using the fixture? else check the cable");
}

// ---------------------------------------------------------------- asking

Status Session::Impl::request(const std::function<Status()>& send, const std::function<bool()>& answered, const std::string& what) {
  for (int i = 0; i <= wire::kRetriesMax; ++i) {
    TH_TRY(send());
    const Seconds until = line_.now() + kAnswerPatience;
    const std::uint16_t epoch = line_.epoch();
    while (line_.now() < until && line_.epoch() == epoch) {  // a new epoch: what was sent was stale
      if (answered()) return {};
      TH_TRY(check_cancelled());
      TH_TRY(turn(until - line_.now()));
    }
    if (answered()) return {};
  }
  return lost("no answer to " + what);
}

Status Session::Impl::ask(wire::Ask what) {
  const std::uint64_t statuses = statuses_, device = device_heard_, rails = rails_heard_;
  return request([&] { return line_.send(wire::Type::query, wire::Query{what}); },
                 [&, this] {
                   switch (what) {
                     case wire::Ask::counters: return device_heard_ != device;
                     case wire::Ask::rails: return rails_heard_ != rails;
                     case wire::Ask::status: break;
                   }
                   return statuses_ != statuses;
                 },
                 "a question");
}

Result<DeviceStatus> Session::Impl::status() {
  TH_TRY(ask(wire::Ask::status));
  DeviceStatus answer;
  answer.state = static_cast<DeviceStatus::State>(std::min<std::uint8_t>(static_cast<std::uint8_t>(status_.state), 3));
  answer.step = status_.step == wire::kNoStep ? -1 : status_.step;
  answer.rails_on = status_.rails_on;
  answer.waiting = status_.waiting;
  answer.time = clock_.at(status_.time_us);
  if (status_.first.fault != wire::Fault::none) answer.fault = fault_report(status_.first, clock_);
  return answer;
}

Result<LiveRails> Session::Impl::rails() {
  TH_TRY(ask(wire::Ask::rails));
  return live_rails(rails_);
}

LinkCounters Session::Impl::counters() {
  Status asked = ask(wire::Ask::counters);  // what is known stays known when it fails
  static_cast<void>(asked);
  LinkCounters c;
  c.sent = line_.sent();
  c.received = line_.received();
  c.resent = sender_.resent();
  c.damaged = line_.damaged();
  c.stale = stale_;
  c.duplicate = duplicate_;
  c.gaps = gaps_;
  c.timeouts = sender_.timeouts();
  c.device_known = device_heard_ != 0;
  c.device_received = device_.frames_received;
  c.device_damaged = device_.frames_damaged;
  c.device_stale = device_.frames_stale;
  c.device_duplicate = device_.frames_duplicate;
  c.device_gaps = device_.frames_gap;
  c.device_refused = device_.frames_refused;
  c.device_overrun = device_.bytes_overrun;
  c.device_framing = device_.bytes_framing;
  c.device_sent = device_.frames_sent;
  c.device_resent = device_.frames_resent;
  c.device_starvations = device_.starvations;
  c.device_store_waits = device_.store_waits;
  c.device_faults = device_.faults;
  c.device_loop_us_max = device_.loop_us_max;
  return c;
}

// ---------------------------------------------------------------- one turn

Status Session::Impl::turn(Seconds patience) {
  TH_TRY(send_due());
  const Seconds now = line_.now();
  if (now - last_turn_ > kPaused) last_heard_ = std::max(last_heard_, now - kPaused);
  Seconds wait = std::min(patience, kTurnMax);
  if (in_session_) wait = std::min(wait, line_.beat_due() - now);
  if (const auto due = sender_.deadline()) wait = std::min(wait, *due - now);
  if (const auto due = line_.acknowledge_due()) wait = std::min(wait, std::max(*due, last_ack_ + kBeatSpacing) - now);
  frames_.clear();
  TH_TRY(line_.poll(std::max(wait, kTurnMin), frames_));
  last_turn_ = line_.now();
  for (const Frame& frame : frames_) TH_TRY(take(frame));
  if (foreign_status_) TH_TRY(check_reset());
  TH_TRY(check_idle());
  TH_TRY(send_due());
  return check_silence();
}

Status Session::Impl::send_due() {
  if (!in_session_) return {};
  const Seconds now = line_.now();
  if (!sender_.tick(now)) return lost("the fixture does not acknowledge");
  line_.set_sent(sender_.sent_next(), sender_.generation());
  while (auto ready = sender_.next(now)) {  // bounded by the window
    TH_TRY(line_.send(ready->type, ready->payload, ready->sequence));
    line_.set_sent(sender_.sent_next(), sender_.generation());
  }
  if (const auto due = line_.acknowledge_due(); due && now >= *due) TH_TRY(acknowledge(0, last_ack_, kBeatSpacing));
  return line_.lockstep() ? line_.beat_when_due() : Status{};
}

// A heartbeat, which acknowledges; not more often than `quiet`.
Status Session::Impl::acknowledge(std::uint8_t flags, Seconds& last, Seconds quiet) {
  if (line_.now() - last < quiet) return {};
  last = last_ack_ = line_.now();
  unacknowledged_bytes_ = 0;
  return line_.beat(flags);
}

Status Session::Impl::check_silence() {
  if (!in_session_ || stopping_ || line_.now() - last_heard_ <= kSilenceMax) return {};
  const std::string what = fmt::format("nothing came from the fixture for {}", text(kSilenceMax));
  return lost(what);
}

Status Session::Impl::check_cancelled() {
  if (!cancelled() || stopping_) return {};
  if (in_session_) TH_TRY(stop());
  return Error{Trouble::interrupted, "stopped by the person; the fixture has opened everything", "", ""};
}

// ---------------------------------------------------------------- receiving

Status Session::Impl::take(const Frame& frame) {
  last_heard_ = line_.now();
  const wire::Header& header = frame.header;
  if (header.type == wire::Type::hello_reply) {
    reply_major_ = frame.size > 0 ? frame.payload[0] : -1;
    wire::HelloReply reply;
    if (!wire::decode(frame.payload.data(), frame.size, reply)) {
      reply_unreadable_ = true;
    } else if (reply.nonce == hello_nonce_) {
      hello_ = reply;
      hello_answered_ = true;
      line_.set_epoch(header.epoch);
    }
    return {};
  }
  if (header.type == wire::Type::status) return take_status(frame);
  if (header.epoch != line_.epoch()) {
    ++stale_;
    return {};
  }
  switch (header.type) {
    case wire::Type::counters:
      if (wire::decode(frame.payload.data(), frame.size, device_)) ++device_heard_;
      break;
    case wire::Type::rails:
      if (wire::decode(frame.payload.data(), frame.size, rails_)) ++rails_heard_;
      break;
    case wire::Type::ack:
      take_ack(frame);
      break;
    case wire::Type::samples:
    case wire::Type::event:
    case wire::Type::curve:
    case wire::Type::edges:
      if (in_session_) return take_result(frame);
      break;
    default:
      break;
  }
  if (in_session_) sender_.acknowledged(header.ack, header.credit, line_.now());
  return {};
}

Status Session::Impl::take_status(const Frame& frame) {
  wire::Status heard;
  if (!wire::decode(frame.payload.data(), frame.size, heard)) return {};
  line_.set_epoch(frame.header.epoch);
  status_ = heard;
  ++statuses_;
  if (!in_session_) return {};
  if (heard.session != session_) {
    foreign_status_ = true;
    return {};
  }
  if (heard.state == wire::State::faulted) {
    if (!fault_) fault_ = fault_report(heard.first, clock_);
    fault_->others = heard.first.others;
    sender_.clear();
    return {};
  }
  sender_.acknowledged(frame.header.ack, frame.header.credit, line_.now());
  return {};
}

void Session::Impl::take_ack(const Frame& frame) {
  wire::Ack ack;
  if (!in_session_ || !wire::decode(frame.payload.data(), frame.size, ack)) return;
  // Idle though nothing has ended: reset, and by chance with an epoch like ours. Its Status will tell.
  if (ack.state == wire::State::idle && !ended_ && !idle_since_) idle_since_ = line_.now();
  if (!sender_.under_way()) return;
  const bool progress = wire::before(sender_.base(), frame.header.ack);
  if (progress) return;
  if (line_.proves_loss(ack.stamp, frame.header.ack)) {
    sender_.go_back(line_.now());  // exhausted retries are found by the next tick
    return;
  }
  // No progress though something is under way: lost, or only later than this answer? Ask.
  Status asked = acknowledge(0, last_probe_, kProbeQuiet);
  static_cast<void>(asked);  // a port error comes back with the next read
}

Status Session::Impl::take_result(const Frame& frame) {
  const wire::Header& header = frame.header;
  sender_.acknowledged(header.ack, header.credit, line_.now());
  if (header.sequence != expected_) {
    if (wire::before(header.sequence, expected_)) {
      ++duplicate_;
      line_.acknowledge_by(line_.now());
      return {};
    }
    ++gaps_;
    return acknowledge(wire::kHeartbeatGap, last_gap_, kGapQuiet);
  }
  ++expected_;
  idle_since_.reset();
  line_.set_expected(expected_);
  unacknowledged_bytes_ += frame.size;
  line_.acknowledge_by(line_.now() + (unacknowledged_bytes_ >= wire::kAckBytes ? Seconds{0.0} : kAckWithin));
  return deliver(frame);
}

Status Session::Impl::deliver(const Frame& frame) {
  const std::span<const std::uint8_t> payload(frame.payload.data(), frame.size);
  if (frame.header.type == wire::Type::samples) {
    auto block = assembler_.take(payload, clock_);
    if (!block) return block.error();
    if (*block && sink_ != nullptr && sink_->sample) sink_->sample(**block);
    return {};
  }
  if (frame.header.type == wire::Type::curve) {
    const auto block = curve_block(payload, clock_);
    if (block && sink_ != nullptr && sink_->curve) sink_->curve(*block);
    return {};
  }
  if (frame.header.type == wire::Type::edges) {
    const auto block = edges_block(payload, clock_);
    if (block && sink_ != nullptr && sink_->edges) sink_->edges(*block);
    return {};
  }
  wire::Event event;
  if (!wire::decode(payload.data(), static_cast<std::uint16_t>(payload.size()), event)) return {};
  const Milestone milestone = milestone_of(event, clock_);
  if (milestone.kind == Milestone::Kind::ended) ended_ = true;
  const bool ours = milestone.kind == Milestone::Kind::mark && milestone.step == kOwnStep;
  if (ours && awaited_mark_ == milestone.id) awaited_mark_.reset();
  if (!ours && sink_ != nullptr && sink_->milestone) sink_->milestone(milestone);
  return {};
}

// The fixture says idle in the middle: it was reset (its Status will tell), or its last results are on
// their way, for a bounded time.
Status Session::Impl::check_idle() {
  if (ended_ || stopping_ || !in_session_) idle_since_.reset();
  if (!idle_since_) return {};
  const Seconds now = line_.now();
  if (now - *idle_since_ > kIdleMax) return lost("the fixture is done, but its last results do not arrive");
  if (now - last_idle_ask_ < kIdleAskEvery) return {};
  last_idle_ask_ = now;
  return line_.send(wire::Type::query, wire::Query{wire::Ask::status});
}

// A Status of another session: left over from before, or the fixture has forgotten ours.
Status Session::Impl::check_reset() {
  foreign_status_ = false;
  const bool was_stopping = std::exchange(stopping_, true);
  for (int i = 0; i < wire::kRetriesMax; ++i) {
    TH_TRY(hello(kAnswerPatience));
    if (hello_answered_) break;
  }
  stopping_ = was_stopping;
  foreign_status_ = false;
  if (!hello_answered_) return lost("the fixture does not answer any more");
  if (hello_.boot_nonce == identity_.boot_nonce) return {};
  identity_ = identity_of(hello_);
  abandon();
  std::string remedy = "check the controller's supply and cable";
  if (hello_.reset_cause == wire::ResetCause::watchdog) remedy = "its firmware hung: report it with the run's record";
  if (hello_.reset_cause == wire::ResetCause::external) remedy = "another program opened its port, or its reset button was pressed";
  return fixture_error(line_.describe(),
                       fmt::format("the fixture's controller was reset in the middle ({}); everything is open", identity_.last_reset),
                       remedy);
}

// ---------------------------------------------------------------- trouble

void Session::Impl::abandon() {
  in_session_ = false;
  sender_.clear();
  line_.keep_alive(false);
}

std::string Session::Impl::likely_cause() {
  if (silent()) return "the cable is gone, the controller has no power, or its firmware hangs";
  if (device_.bytes_overrun > at_start_.bytes_overrun) return "the fixture's receiver lost bytes: a slower baud rate helps";
  if (device_.bytes_framing > at_start_.bytes_framing) return "the fixture saw broken bytes: check the cable and the baud rate";
  if (line_.damaged() > 0 || device_.frames_damaged > at_start_.frames_damaged) {
    return fmt::format("{} frames came damaged: a poor cable, noise from relays or motors, or a missing ground", line_.damaged());
  }
  return "bytes are lost on the way: check the cable, hubs and the computer's load";
}

Error Session::Impl::lost(const std::string& what) {
  std::string cause = likely_cause();
  if (silent() || stopping_) {
    Status zeros = line_.send_zeros();  // perhaps they get through
    static_cast<void>(zeros);
  } else {
    Status stopped = in_session_ ? stop() : Status{};
    if (stopped.ok()) stopped = ask_once_for_counters();
    static_cast<void>(stopped);
    cause = likely_cause();
  }
  abandon();
  return fixture_error(line_.describe(),
                       fmt::format("the link to the fixture is lost: {} ({} frames sent, {} of them again; {} received, {} damaged)", what,
                                   line_.sent(), sender_.resent(), line_.received(), line_.damaged()),
                       "likely: " + cause);
}

// What the fixture's end has seen, for the likely cause; not insisted on.
Status Session::Impl::ask_once_for_counters() {
  const std::uint64_t before = device_heard_;
  const bool was_stopping = std::exchange(stopping_, true);
  Status sent = line_.send(wire::Type::query, wire::Query{wire::Ask::counters});
  const Seconds until = line_.now() + kAnswerPatience;
  while (sent.ok() && device_heard_ == before && line_.now() < until) sent = turn(until - line_.now());
  stopping_ = was_stopping;
  return sent;
}

bool Session::Impl::opened() const {
  return status_.state != wire::State::running && (!in_session_ || status_.session == session_);
}

Status Session::Impl::wait_until_opened(Status so_far, std::uint64_t statuses, Seconds patience) {
  const Seconds until = line_.now() + patience;
  while (so_far.ok() && (statuses_ == statuses || !opened()) && line_.now() < until) so_far = turn(until - line_.now());
  return so_far;
}

Status Session::Impl::stop() {
  if (stopping_) return {};
  stopping_ = true;
  sender_.clear();
  Status outcome = fixture_error(line_.describe(), "the stop was not confirmed",
                                 "press the fixture's stop; its deadman opens everything within 250 ms");
  for (int i = 0; i < wire::kRetriesMax; ++i) {
    const std::uint64_t before = statuses_;
    Status sent = line_.send_zeros();  // and nothing behind them: the fixture drops what it has received
    sent = wait_until_opened(sent, before, kStopEvery / 2);
    // Zeros that follow zeros are one stop to the fixture and answered once: ask.
    if (sent.ok() && statuses_ == before) sent = line_.send(wire::Type::query, wire::Query{wire::Ask::status});
    sent = wait_until_opened(sent, before, kStopEvery / 2);
    if (!sent.ok() || (statuses_ != before && opened())) {
      outcome = sent;
      break;
    }
  }
  if (outcome.ok() && in_session_) outcome = drain();
  stopping_ = false;
  abandon();
  return outcome;
}

Result<std::optional<FaultReport>> Session::Impl::reset_faults() {
  TH_TRY(ask(wire::Ask::status));
  if (status_.state != wire::State::faulted) return std::optional<FaultReport>{};
  const FaultReport latched = fault_report(status_.first, clock_);
  if (!in_session_ && session_ == 0) warnings_.push_back(fmt::format("the fixture still held what stopped an earlier run: {}", latched.text));
  if (in_session_) abandon();
  TH_TRY(request([this] { return line_.send(wire::Type::reset_faults, wire::ResetFaults{status_.fault_count}); },
                 [this] { return status_.state != wire::State::faulted; }, "the reset of its faults"));
  return std::optional<FaultReport>{latched};
}

Result<std::optional<FaultReport>> Session::Impl::idle(Seconds duration) {
  const Seconds until = line_.now() + duration;
  line_.caller_lives();
  while (line_.now() < until) {
    TH_TRY(check_cancelled());
    TH_TRY(turn(until - line_.now()));
    if (fault_ && in_session_) {
      TH_TRY(drain());
      abandon();
      return fault_;
    }
  }
  return std::optional<FaultReport>{};
}

// ---------------------------------------------------------------- the public face

Session::Session(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
Session::~Session() = default;

Result<std::unique_ptr<Session>> Session::open(std::unique_ptr<Port> port, const SessionOptions& options) {
  auto impl = std::make_unique<Impl>(std::move(port), options);
  TH_TRY(impl->greet());
  return std::unique_ptr<Session>(new Session(std::move(impl)));
}

const Identity& Session::identity() const { return impl_->identity_; }
const std::vector<std::string>& Session::warnings() const { return impl_->warnings_; }
Seconds Session::round_trip() const { return impl_->round_trip_; }
Result<ExecuteReport> Session::execute(std::span<const std::uint8_t> program, const Sink& sink, Seconds at_most) {
  return impl_->execute(program, sink, at_most);
}
void Session::watch(Watch watch) { impl_->watch_ = std::move(watch); }
Result<ExecuteReport> Session::finish(const Sink& sink) { return impl_->finish(sink); }
Result<std::optional<FaultReport>> Session::idle(Seconds duration) { return impl_->idle(duration); }
Status Session::stop() { return impl_->stop(); }
Result<std::optional<FaultReport>> Session::reset_faults() { return impl_->reset_faults(); }
Result<DeviceStatus> Session::status() { return impl_->status(); }
Result<LiveRails> Session::rails() { return impl_->rails(); }
LinkCounters Session::counters() { return impl_->counters(); }

}  // namespace tenterhook::link
