#include "host/link/sender.h"

#include <algorithm>

namespace tenterhook::link {
namespace {

// On the line a payload grows by header, CRC, one COBS byte and the delimiter.
unsigned line_bytes(std::size_t payload) {
  return static_cast<unsigned>(payload) + wire::kHeaderBytes + wire::kCrcBytes + 2;
}

unsigned program_bytes(wire::Type type, std::size_t payload) {
  return type == wire::Type::chunk ? static_cast<unsigned>(payload) : 0;
}

}  // namespace

void Sender::restart(unsigned line_room, unsigned program_room) {
  queue_.clear();
  base_ = next_ = highest_ = 0;
  line_room_ = line_room;
  program_room_ = program_room;
  line_used_ = program_used_ = 0;
  retries_ = 0;
  ++generation_;
}

void Sender::add(wire::Type type, std::vector<std::uint8_t> payload) {
  queue_.push_back({type, std::move(payload)});
}

void Sender::clear() { restart(0, 0); }

std::optional<Sender::Ready> Sender::next(Seconds now) {
  if (next_ == end()) return std::nullopt;
  const Entry& entry = at(next_);
  const unsigned line = line_bytes(entry.payload.size());
  const unsigned program = program_bytes(entry.type, entry.payload.size());
  if (line_used_ + line > line_room_ || program_used_ + program > program_room_) return std::nullopt;
  if (next_ == base_) timer_ = now;
  line_used_ += line;
  program_used_ += program;
  const bool again = next_ < highest_;
  if (again) ++resent_;
  const Ready ready{entry.type, static_cast<std::uint16_t>(next_), entry.payload, again};
  ++next_;
  highest_ = std::max(highest_, next_);
  return ready;
}

void Sender::acknowledged(std::uint16_t ack, std::uint8_t credit, Seconds now) {
  const std::uint64_t gained = static_cast<std::uint16_t>(ack - static_cast<std::uint16_t>(base_));
  if (gained > highest_ - base_) return;  // of the past, or nonsense
  const unsigned room = static_cast<unsigned>(credit) * wire::kCreditUnit;
  if (gained == 0) {
    program_room_ = std::max(program_room_, room);  // it only grows while nothing more is taken
    return;
  }
  for (std::uint64_t i = 0; i < gained; ++i) {
    const Entry& entry = queue_.front();
    if (base_ < next_) {
      line_used_ -= line_bytes(entry.payload.size());
      program_used_ -= program_bytes(entry.type, entry.payload.size());
    }
    queue_.pop_front();
    ++base_;
  }
  next_ = std::max(next_, base_);  // went back too far: the device had more than was thought
  program_room_ = room;
  timer_ = now;
  retries_ = 0;
}

bool Sender::go_back(Seconds now) {
  if (!under_way()) return true;
  if (++retries_ > wire::kRetriesMax) return false;
  next_ = base_;
  line_used_ = program_used_ = 0;
  timer_ = now;
  ++generation_;
  return true;
}

Seconds Sender::patience() const {
  const int doubled = static_cast<int>(wire::kHostResendMs) << std::min(retries_, 8);
  return Seconds{std::min(doubled, static_cast<int>(wire::kHostResendMsMax)) * 1e-3};
}

std::optional<Seconds> Sender::deadline() const {
  if (!under_way()) return std::nullopt;
  return timer_ + patience();
}

bool Sender::tick(Seconds now) {
  const auto due = deadline();
  if (!due || now < *due) return true;
  ++timeouts_;
  return go_back(now);
}

}  // namespace tenterhook::link
