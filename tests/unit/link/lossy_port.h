// A port between the session and a lockstep fixture that does to chosen frames what bad lines do.
#pragma once

#include <algorithm>
#include <deque>
#include <functional>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "firmware/wire/frame.h"
#include "host/link/port.h"

namespace tenterhook::link {

// overrun: the receiver loses the frame's last bytes, its end too, so that two become one.
// reset: the fixture's controller is reset as the frame passes.
enum class Harm { drop, duplicate, flip, truncate, delay, overrun, reset };
inline const char* name(Harm harm) {
  constexpr const char* kNames[] = {"drop", "duplicate", "flip", "truncate", "delay", "overrun", "reset"};
  return kNames[static_cast<int>(harm)];
}

enum class Direction { to_fixture, to_host };

// Harms frame number `first` of its direction (counted from when it was armed), and with `for_ever`
// all that follow.
struct Fault {
  Harm harm = Harm::drop;
  Direction direction = Direction::to_fixture;
  int first = 0;
  bool for_ever = false;
};

using Bytes = std::vector<std::uint8_t>;

class LossyPort final : public Port {
 public:
  static constexpr Seconds kDelay{0.03};
  static constexpr std::size_t kOverrunBytes = 3;

  explicit LossyPort(std::unique_ptr<Port> inner) : inner_(std::move(inner)) {}

  // --- the test's side ---
  void arm(std::optional<Fault> fault) {
    fault_ = fault;
    frames_[0] = frames_[1] = 0;
  }
  int frames(Direction direction) const { return frames_[static_cast<int>(direction)]; }
  // From this moment on every call fails as if the cable had been pulled.
  void pull_at(Seconds when) { pulled_at_ = when; }
  // Changes whole frames on their way to the host.
  std::function<void(wire::Header&, Bytes&)> rewrite;
  std::function<void()> reset_fixture;  // for Harm::reset
  // Called before every read, with the fixture's world standing still.
  std::function<void(Seconds)> before_read;

  // --- Port ---
  Result<std::size_t> read(std::span<std::uint8_t> into, Seconds patience) override {
    if (before_read) before_read(inner_->now());
    if (pulled()) return gone();
    const Seconds until = inner_->now() + patience;
    while (ready_.empty()) {
      TH_TRY(release_due());
      Bytes buffer(4096);
      const Seconds left = std::max(Seconds{1e-9}, std::min(until, next_release()) - inner_->now());
      auto got = inner_->read(buffer, left);
      if (!got) return got.error();
      for (std::size_t i = 0; i < *got; ++i) heard(buffer[i]);
      release_due_to_host();
      if (inner_->now() >= until) break;
    }
    const std::size_t n = std::min(into.size(), ready_.size());
    std::copy_n(ready_.begin(), n, into.begin());
    ready_.erase(ready_.begin(), ready_.begin() + static_cast<std::ptrdiff_t>(n));
    return n;
  }
  Status write(std::span<const std::uint8_t> bytes) override {
    if (pulled()) return gone();
    const Bytes frame(bytes.begin(), bytes.end());
    if (frame.size() <= wire::kStopZeros) return inner_->write(frame);  // a stop is no frame
    for (const Bytes& sent : harmed(Direction::to_fixture, frame)) TH_TRY(inner_->write(sent));
    return {};
  }
  Seconds now() override { return inner_->now(); }
  bool lockstep() const override { return true; }
  std::string describe() const override { return "lossy"; }

 private:
  struct Held {
    Seconds when;
    Bytes bytes;
  };

  bool pulled() { return pulled_at_ && inner_->now() >= *pulled_at_; }
  static Error gone() { return fixture_error("lossy", "the cable is gone", "plug it in again"); }

  // What becomes of one frame: nothing, itself, or more; delayed ones are kept.
  std::vector<Bytes> harmed(Direction direction, const Bytes& frame) {
    const int number = frames_[static_cast<int>(direction)]++;
    const bool hit = fault_ && fault_->direction == direction &&
                     (number == fault_->first || (fault_->for_ever && number > fault_->first));
    if (!hit) return {frame};
    Bytes changed = frame;
    switch (fault_->harm) {
      case Harm::drop: return {};
      case Harm::duplicate: return {frame, frame};
      case Harm::flip: changed[changed.size() / 2] ^= 0x10; return {changed};
      case Harm::truncate: changed.resize(changed.size() / 2); changed.push_back(0); return {changed};
      case Harm::overrun: changed.resize(changed.size() - std::min<std::size_t>(changed.size(), kOverrunBytes)); return {changed};
      case Harm::reset: reset_fixture(); return {frame};
      case Harm::delay: held_[static_cast<int>(direction)].push_back({inner_->now() + kDelay, frame}); return {};
    }
    return {frame};
  }

  void heard(std::uint8_t byte) {
    partial_.push_back(byte);
    if (byte != 0) return;
    Bytes frame = std::exchange(partial_, {});
    if (rewrite) frame = rewritten(frame);
    for (const Bytes& kept : harmed(Direction::to_host, frame)) ready_.insert(ready_.end(), kept.begin(), kept.end());
  }

  Bytes rewritten(const Bytes& line) {
    wire::FrameReader reader;
    bool whole = false;
    for (std::uint8_t byte : line) whole = reader.put(byte) == wire::FrameReader::Got::frame;
    if (!whole) return line;
    wire::Header header = reader.header();
    Bytes payload(reader.payload(), reader.payload() + reader.payload_size());
    rewrite(header, payload);
    Bytes made(wire::kLineBytesMax);
    made.resize(wire::make_frame(header, payload.data(), static_cast<std::uint16_t>(payload.size()), made.data()));
    return made;
  }

  Seconds next_release() const {
    Seconds next{1e18};
    for (const auto& held : held_) {
      for (const Held& h : held) next = std::min(next, h.when);
    }
    return next;
  }
  Status release_due() {
    auto& held = held_[static_cast<int>(Direction::to_fixture)];
    while (!held.empty() && held.front().when <= inner_->now()) {
      TH_TRY(inner_->write(held.front().bytes));
      held.pop_front();
    }
    return {};
  }
  void release_due_to_host() {
    auto& held = held_[static_cast<int>(Direction::to_host)];
    while (!held.empty() && held.front().when <= inner_->now()) {
      ready_.insert(ready_.end(), held.front().bytes.begin(), held.front().bytes.end());
      held.pop_front();
    }
  }

  std::unique_ptr<Port> inner_;
  std::optional<Fault> fault_;
  int frames_[2] = {0, 0};
  std::optional<Seconds> pulled_at_;
  std::deque<Held> held_[2];
  std::deque<std::uint8_t> ready_;
  Bytes partial_;
};

}  // namespace tenterhook::link
