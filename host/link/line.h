// Frames over a port: sending from two threads, receiving from one, and the heartbeat.
#pragma once

#include <array>
#include <condition_variable>
#include <cstdint>
#include <memory>
#include <mutex>
#include <optional>
#include <span>
#include <thread>
#include <vector>

#include "firmware/wire/frame.h"
#include "firmware/wire/message.h"
#include "host/base/result.h"
#include "host/link/port.h"

namespace tenterhook::link {

struct Frame {
  wire::Header header;
  std::array<std::uint8_t, wire::kPayloadBytesMax> payload{};
  std::uint8_t size = 0;
};

class Line {
 public:
  // Bytes taken from the port by one poll.
  static constexpr std::size_t kReadBytes = 4096;

  explicit Line(std::unique_ptr<Port> port);
  ~Line();
  Line(const Line&) = delete;
  Line& operator=(const Line&) = delete;

  Seconds now() { return port_->now(); }
  bool lockstep() const { return port_->lockstep(); }
  std::string describe() const { return port_->describe(); }

  // --- sending: any thread ---
  Status send(wire::Type type, std::span<const std::uint8_t> payload, std::uint16_t sequence = 0);
  template <class Message>
  Status send(wire::Type type, const Message& message) {
    std::array<std::uint8_t, wire::kPayloadBytesMax> payload{};
    const std::uint16_t size = wire::encode(message, payload.data(), payload.size());
    return send(type, std::span<const std::uint8_t>(payload.data(), size));
  }
  // The stop, outside all framing.
  Status send_zeros();
  // A heartbeat with a fresh stamp.
  Status beat(std::uint8_t flags = 0);
  // A heartbeat when nothing was sent for so long that one is due. For lockstep, where no thread may.
  Status beat_when_due();
  // From now on heartbeats go out by themselves: from a thread on real ports, in lockstep from poll().
  void keep_alive(bool on);
  // The caller lives: the thread goes on for another kCallerSilenceMax.
  void caller_lives();

  // --- what goes into every frame ---
  void set_epoch(std::uint16_t epoch);
  std::uint16_t epoch() const;
  void set_expected(std::uint16_t ack);
  // When an acknowledgement of results must have gone out; cleared by any frame that is sent.
  void acknowledge_by(Seconds when);
  std::optional<Seconds> acknowledge_due() const;
  // The sender's progress, for the proof below.
  void set_sent(std::uint16_t sent_next, unsigned generation);

  // True when an Ack with this stamp and ack proves that frames sent before that heartbeat are lost:
  // bytes do not overtake each other, and nothing was sent again since.
  bool proves_loss(std::uint16_t stamp, std::uint16_t ack) const;

  // --- receiving: the caller's thread ---
  // Waits at most `patience` for bytes and appends the good frames among them. Error: port, or the
  // thread's port error.
  Status poll(Seconds patience, std::vector<Frame>& into);
  // When the next heartbeat is due.
  Seconds beat_due() const;

  std::uint64_t sent() const;
  std::uint64_t received() const { return received_; }
  std::uint64_t damaged() const { return damaged_; }
  std::uint64_t bytes_in() const { return bytes_in_; }

 private:
  struct Beat {
    std::uint16_t stamp = 0;
    std::uint16_t sent_next = 0;
    unsigned generation = 0;
    Seconds at{};
  };
  static constexpr std::size_t kBeatsKept = 32;

  Status send_locked(wire::Type type, std::span<const std::uint8_t> payload, std::uint16_t sequence);
  Status beat_locked(std::uint8_t flags);
  void run_thread();

  std::unique_ptr<Port> port_;

  mutable std::mutex mutex_;  // guards what follows, down to the blank line, and writing to the port
  std::uint16_t epoch_ = 0;
  std::uint16_t expected_ = 0;
  std::uint16_t sent_next_ = 0;
  unsigned generation_ = 0;
  Seconds last_sent_{-1e9};
  std::optional<Seconds> acknowledge_by_;
  std::array<Beat, kBeatsKept> beats_{};
  std::uint16_t stamp_ = 0;
  bool alive_ = false;
  bool quit_ = false;
  Seconds caller_seen_{};
  std::uint64_t sent_ = 0;
  std::optional<Error> thread_error_;
  std::condition_variable changed_;

  wire::FrameReader reader_;
  std::uint64_t received_ = 0, damaged_ = 0, bytes_in_ = 0;
  std::vector<std::uint8_t> buffer_;
  std::thread thread_;  // last: it uses all of the above
};

}  // namespace tenterhook::link
