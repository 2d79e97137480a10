// The sequenced half of the link from host to fixture: a go-back window over bytes and credits.
// Pure: times come in, frames to send come out. Rules: firmware/wire/frame.h.
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <span>
#include <vector>

#include "firmware/wire/frame.h"
#include "host/base/units.h"

namespace tenterhook::link {

class Sender {
 public:
  struct Ready {
    wire::Type type;
    std::uint16_t sequence;
    std::span<const std::uint8_t> payload;
    bool again;  // sent before
  };

  // A new session: numbers start at 0, nothing is under way. `line_room`: line bytes that may be
  // unacknowledged; `program_room`: program bytes that the device surely has free.
  void restart(unsigned line_room, unsigned program_room);
  void add(wire::Type type, std::vector<std::uint8_t> payload);
  // Nothing of what is queued is sent any more.
  void clear();

  // The next frame that the window lets go now.
  std::optional<Ready> next(Seconds now);
  // From any frame of the session under way. Numbers outside what was sent are ignored.
  void acknowledged(std::uint16_t ack, std::uint8_t credit, Seconds now);
  // What is under way is lost for certain: send it again. False: retries exhausted.
  bool go_back(Seconds now);
  // When the oldest unacknowledged frame times out; empty when nothing is under way.
  std::optional<Seconds> deadline() const;
  bool tick(Seconds now);  // goes back when the deadline has passed. False: retries exhausted

  bool idle() const { return base_ == end(); }  // all acknowledged
  bool under_way() const { return next_ != base_; }
  std::uint16_t sent_next() const { return static_cast<std::uint16_t>(next_); }
  std::uint16_t base() const { return static_cast<std::uint16_t>(base_); }
  unsigned generation() const { return generation_; }  // counts the times it went back
  int retries() const { return retries_; }
  std::uint64_t resent() const { return resent_; }
  std::uint64_t timeouts() const { return timeouts_; }

 private:
  struct Entry {
    wire::Type type;
    std::vector<std::uint8_t> payload;
  };
  std::uint64_t end() const { return base_ + queue_.size(); }
  const Entry& at(std::uint64_t number) const { return queue_[static_cast<std::size_t>(number - base_)]; }
  Seconds patience() const;

  std::deque<Entry> queue_;     // from base_ on
  std::uint64_t base_ = 0;      // oldest unacknowledged
  std::uint64_t next_ = 0;      // next to send
  std::uint64_t highest_ = 0;   // one past the last ever sent
  unsigned line_room_ = 0;
  unsigned program_room_ = 0;   // bytes beyond base_
  unsigned line_used_ = 0;      // of base_..next_
  unsigned program_used_ = 0;
  Seconds timer_{};             // when base_ was sent or last progressed
  int retries_ = 0;
  unsigned generation_ = 0;
  std::uint64_t resent_ = 0;
  std::uint64_t timeouts_ = 0;
};

}  // namespace tenterhook::link
