#include "host/link/line.h"

#include <algorithm>
#include <chrono>

#include "host/link/session.h"

namespace tenterhook::link {
namespace {

constexpr Seconds kBeatEvery{wire::kHeartbeatMs * 1e-3};

}  // namespace

Line::Line(std::unique_ptr<Port> port) : port_(std::move(port)), buffer_(kReadBytes) {
  caller_seen_ = port_->now();
  if (!port_->lockstep()) thread_ = std::thread([this] { run_thread(); });
}

Line::~Line() {
  {
    std::lock_guard lock(mutex_);
    quit_ = true;
  }
  changed_.notify_all();
  if (thread_.joinable()) thread_.join();
}

// Touches the port and nothing else: no disk, no allocation that matters, no lock that is held while
// the caller's thread waits.
void Line::run_thread() {
  std::unique_lock lock(mutex_);
  while (!quit_) {
    const Seconds now = port_->now();
    Seconds due = last_sent_ + kBeatEvery;
    const bool wanted = alive_ && !thread_error_ && now - caller_seen_ < kCallerSilenceMax;
    if (wanted && now >= due) {
      if (Status sent = beat_locked(0); !sent.ok()) thread_error_ = sent.error();
      due = port_->now() + kBeatEvery;
    }
    const double wait = wanted ? std::clamp((due - port_->now()).value, 0.0005, kBeatEvery.value) : kBeatEvery.value;
    changed_.wait_for(lock, std::chrono::duration<double>(wait));
  }
}

Status Line::send_locked(wire::Type type, std::span<const std::uint8_t> payload, std::uint16_t sequence) {
  std::array<std::uint8_t, wire::kLineBytesMax> line{};
  const wire::Header header{type, epoch_, sequence, expected_, 0};
  const std::uint16_t size = wire::make_frame(header, payload.data(), static_cast<std::uint16_t>(payload.size()), line.data());
  if (size == 0) return bug_error("a frame is larger than the protocol allows");
  ++sent_;
  last_sent_ = port_->now();
  acknowledge_by_.reset();
  return port_->write(std::span<const std::uint8_t>(line.data(), size));
}

Status Line::send(wire::Type type, std::span<const std::uint8_t> payload, std::uint16_t sequence) {
  std::lock_guard lock(mutex_);
  return send_locked(type, payload, sequence);
}

Status Line::send_zeros() {
  std::lock_guard lock(mutex_);
  const std::array<std::uint8_t, wire::kStopZeros> zeros{};
  return port_->write(zeros);
}

Status Line::beat_locked(std::uint8_t flags) {
  ++stamp_;
  beats_[stamp_ % kBeatsKept] = {stamp_, sent_next_, generation_, port_->now()};
  std::array<std::uint8_t, 8> payload{};
  const wire::Heartbeat heartbeat{flags, stamp_};
  const std::uint16_t size = wire::encode(heartbeat, payload.data(), payload.size());
  return send_locked(wire::Type::heartbeat, std::span<const std::uint8_t>(payload.data(), size), 0);
}

Status Line::beat(std::uint8_t flags) {
  std::lock_guard lock(mutex_);
  return beat_locked(flags);
}

Status Line::beat_when_due() {
  std::lock_guard lock(mutex_);
  if (!alive_ || port_->now() - last_sent_ < kBeatEvery) return {};
  return beat_locked(0);
}

void Line::keep_alive(bool on) {
  {
    std::lock_guard lock(mutex_);
    alive_ = on;
    caller_seen_ = port_->now();
  }
  changed_.notify_all();
}

void Line::caller_lives() {
  std::lock_guard lock(mutex_);
  caller_seen_ = port_->now();
}

void Line::set_epoch(std::uint16_t epoch) {
  std::lock_guard lock(mutex_);
  epoch_ = epoch;
}

std::uint16_t Line::epoch() const {
  std::lock_guard lock(mutex_);
  return epoch_;
}

void Line::set_expected(std::uint16_t ack) {
  std::lock_guard lock(mutex_);
  expected_ = ack;
}

void Line::acknowledge_by(Seconds when) {
  std::lock_guard lock(mutex_);
  if (!acknowledge_by_ || when < *acknowledge_by_) acknowledge_by_ = when;
}

std::optional<Seconds> Line::acknowledge_due() const {
  std::lock_guard lock(mutex_);
  return acknowledge_by_;
}

void Line::set_sent(std::uint16_t sent_next, unsigned generation) {
  std::lock_guard lock(mutex_);
  sent_next_ = sent_next;
  generation_ = generation;
}

bool Line::proves_loss(std::uint16_t stamp, std::uint16_t ack) const {
  std::lock_guard lock(mutex_);
  const Beat& beat = beats_[stamp % kBeatsKept];
  return stamp != 0 && beat.stamp == stamp && beat.generation == generation_ && wire::before(ack, beat.sent_next);
}

Status Line::poll(Seconds patience, std::vector<Frame>& into) {
  {
    std::lock_guard lock(mutex_);
    caller_seen_ = port_->now();
    if (thread_error_) return *thread_error_;
  }
  auto got = port_->read(buffer_, patience);
  if (!got) return got.error();
  bytes_in_ += *got;
  for (std::size_t i = 0; i < *got; ++i) {
    const wire::FrameReader::Got what = reader_.put(buffer_[i]);
    if (what == wire::FrameReader::Got::damaged) ++damaged_;
    if (what != wire::FrameReader::Got::frame) continue;
    ++received_;
    Frame frame;
    frame.header = reader_.header();
    frame.size = reader_.payload_size();
    std::copy_n(reader_.payload(), frame.size, frame.payload.begin());
    into.push_back(frame);
  }
  return {};
}

Seconds Line::beat_due() const {
  std::lock_guard lock(mutex_);
  return last_sent_ + kBeatEvery;
}

std::uint64_t Line::sent() const {
  std::lock_guard lock(mutex_);
  return sent_;
}

}  // namespace tenterhook::link
