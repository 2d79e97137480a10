// A small host for tests of the firmware: the rules of firmware/wire/frame.h from the other side, written
// apart from host/link, with a line that can lose, double, damage and shuffle frames.
#pragma once

#include <gtest/gtest.h>

#include <algorithm>
#include <functional>
#include <vector>

#include "firmware/native/controller.h"
#include "firmware/wire/fault.h"
#include "firmware/wire/frame.h"
#include "firmware/wire/message.h"
#include "firmware/wire/program.h"
#include "tests/unit/firmware/fake_circuit.h"

namespace tenterhook::test {

using Bytes = std::vector<std::uint8_t>;

// A step program under construction; label() is patched when the step is closed.
class Program {
 public:
  template <class Op>
  Program& add(const Op& op) {
    std::uint8_t bytes[wire::kOpBytesMax];
    wire::Writer w(bytes, sizeof bytes);
    wire::put(w, op);
    body_.insert(body_.end(), bytes, bytes + w.size());
    return *this;
  }
  Program& sample(std::uint64_t senses, std::uint64_t aux, std::uint16_t n) {
    results_ = static_cast<std::uint16_t>(
        results_ + wire::sample_result_bytes(static_cast<std::uint16_t>(
                       __builtin_popcountll(senses) + __builtin_popcountll(aux))));
    return add(wire::SampleOp{senses, aux, n});
  }
  Program& mark(std::uint32_t id) {
    results_ = static_cast<std::uint16_t>(results_ + wire::kEventResultBytes);
    return add(wire::MarkOp{id});
  }
  Program& delayed(const wire::DelayedSampleOp& op) {
    results_ = static_cast<std::uint16_t>(results_ + wire::sample_result_bytes(1));
    return add(op);
  }
  Program& crossing(const wire::CrossingOp& op) {
    results_ = static_cast<std::uint16_t>(results_ + wire::edges_result_bytes(op.most));
    return add(op);
  }
  Program& rail_until(const wire::RailUntilOp& op) {
    results_ = static_cast<std::uint16_t>(results_ + wire::kEventResultBytes);
    return add(op);
  }
  // Closes the step under construction under this number.
  Program& step(std::uint16_t number, std::uint8_t flags = 0) {
    std::uint8_t bytes[wire::kOpBytesMax];
    wire::Writer w(bytes, sizeof bytes);
    wire::put(w, wire::LabelOp{number, static_cast<std::uint16_t>(body_.size()), results_, flags});
    whole_.insert(whole_.end(), bytes, bytes + w.size());
    whole_.insert(whole_.end(), body_.begin(), body_.end());
    body_.clear();
    results_ = 0;
    return *this;
  }
  Program& end() {
    whole_.push_back(static_cast<std::uint8_t>(wire::Op::end));
    return *this;
  }
  Program& raw(const Bytes& bytes) {
    whole_.insert(whole_.end(), bytes.begin(), bytes.end());
    return *this;
  }
  const Bytes& bytes() const { return whole_; }

 private:
  Bytes whole_;
  Bytes body_;
  std::uint16_t results_ = 0;
};

class Bench {
 public:
  using Mangle = std::function<std::vector<Bytes>(const Bytes&)>;
  struct Result {
    wire::Type type;
    Bytes payload;
  };

  explicit Bench(const native::NativeOptions& options = {})
      : baud(options.baud), firmware(circuit, options) {}

  // ---- one frame ----
  void send(wire::Type type, const Bytes& payload, std::uint16_t sequence = 0) {
    wire::Header h;
    h.type = type;
    h.epoch = epoch;
    h.sequence = sequence;
    h.ack = expected;
    std::uint8_t line[wire::kLineBytesMax];
    const auto size = wire::make_frame(h, payload.data(), static_cast<std::uint16_t>(payload.size()), line);
    write(Bytes(line, line + size));
  }
  template <class M>
  void send_message(wire::Type type, const M& message, std::uint16_t sequence = 0) {
    std::uint8_t bytes[wire::kPayloadBytesMax];
    const auto size = wire::encode(message, bytes, sizeof bytes);
    send(type, Bytes(bytes, bytes + size), sequence);
  }
  void write(const Bytes& frame) {
    for (const Bytes& f : to_device ? to_device(frame) : std::vector<Bytes>{frame}) firmware.feed(f);
    last_sent = firmware.now();
  }
  void stop() { firmware.feed(Bytes(wire::kStopZeros, 0)); }

  // ---- sessions ----
  bool hello() {
    got_hello = false;
    for (int i = 0; i < 20 && !got_hello; ++i) {
      send_message(wire::Type::hello, wire::Hello{1, 0, 0xC0FFEE});
      pump(20 * kMs);
    }
    return got_hello;
  }
  bool begin(std::uint16_t session) {
    for (int i = 0; i < 20 && status.session != session; ++i) {
      send_message(wire::Type::begin, wire::Begin{session});
      pump(20 * kMs);
    }
    expected = 0;
    base_ = next_ = 0;
    queue_.clear();
    window_limit_ = 1024;
    return status.session == session && status.state == wire::State::loaded;
  }
  // Cuts the program into chunks of so many bytes; `run` sends Run after the first of them.
  void load(const Bytes& program, bool run = true, std::size_t chunk = wire::kChunkBytesMax) {
    for (std::size_t at = 0; at < program.size(); at += chunk) {
      const std::size_t size = std::min(chunk, program.size() - at);
      queue_.push_back({wire::Type::chunk, Bytes(program.begin() + at, program.begin() + at + size)});
      if (at == 0 && run) queue_.push_back({wire::Type::run, Bytes{0}});
    }
  }
  bool start(const Program& program, std::uint16_t session = 1) {
    if (!hello() || !begin(session)) return false;
    load(program.bytes());
    return true;
  }

  // Lets time pass, keeping the link's rules; returns early when `until` holds.
  bool pump(Picoseconds duration, const std::function<bool()>& until = {}) {
    const Picoseconds deadline = firmware.now() + duration;
    while (firmware.now() < deadline) {
      if (until && until()) return true;
      service();
      Picoseconds next = deadline;
      if (heartbeats) next = std::min(next, last_sent + wire::kHeartbeatMs * kMs);
      if (base_ < next_) next = std::min(next, progress_ + resend_after_);
      if (ack_due_at_ >= 0) next = std::min(next, ack_due_at_);
      Bytes in;
      firmware.run(std::max(next, firmware.now() + 1), in);
      take(in);
    }
    return until ? until() : true;
  }
  bool ended() const {
    return !events.empty() && events.back().kind == wire::EventKind::ended;
  }
  bool run_to_end(Picoseconds within) {
    return pump(within, [this] { return ended() || status.state == wire::State::faulted; }) && ended();
  }
  void ask(wire::Ask what) { send_message(wire::Type::query, wire::Query{what}); }

  FakeCircuit circuit;
  std::uint32_t baud;
  native::NativeController firmware;
  Mangle to_device, to_host;
  bool heartbeats = true;
  bool acknowledges = true;

  std::uint16_t epoch = 0;
  std::uint16_t expected = 0;
  Picoseconds last_sent = 0;
  bool got_hello = false;
  wire::HelloReply hello_reply;
  wire::Status status;
  wire::Counters counters;
  wire::Rails rails;
  std::vector<Result> results;  // sequenced frames in order, each once
  std::vector<wire::Event> events;
  long frames_in = 0, acks_in = 0, duplicates_in = 0, damaged_in = 0;

  struct Sample {
    wire::SamplesHead head;
    std::vector<wire::ChannelCounts> channels;
  };
  std::vector<Sample> samples() const {
    std::vector<Sample> all;
    for (const Result& r : results) {
      if (r.type != wire::Type::samples) continue;
      Sample s;
      EXPECT_TRUE(wire::decode(r.payload.data(), static_cast<std::uint16_t>(r.payload.size()), s.head));
      for (int i = 0; i < s.head.channels; ++i) {
        wire::ChannelCounts c;
        EXPECT_TRUE(wire::decode(
            r.payload.data() + wire::kSamplesHeadBytes + i * wire::kChannelCountsBytes,
            wire::kChannelCountsBytes, c));
        s.channels.push_back(c);
      }
      all.push_back(s);
    }
    return all;
  }

 private:
  void service() {
    const Picoseconds now = firmware.now();
    if (base_ < queue_.size() && base_ < next_ && now - progress_ >= resend_after_) {
      next_ = base_;
      progress_ = now;
      resend_after_ = std::min<Picoseconds>(2 * resend_after_, wire::kHostResendMsMax * kMs);
    }
    std::size_t bytes = 0;
    std::size_t line = 0;
    for (std::size_t i = base_; i < next_; ++i) {
      bytes += queue_[i].type == wire::Type::chunk ? queue_[i].payload.size() : 0;
      line += queue_[i].payload.size() + 12;
    }
    while (status.state != wire::State::faulted && next_ < queue_.size()) {
      const Result& f = queue_[next_];
      const std::size_t more = f.type == wire::Type::chunk ? f.payload.size() : 0;
      const std::size_t more_line = f.payload.size() + 12;
      if (bytes + more > window_limit_) break;
      if (line + more_line > wire::kReceiveRingBytes - wire::kReceiveReserve) break;
      send(f.type, f.payload, static_cast<std::uint16_t>(next_));
      if (next_ == base_) progress_ = now;
      ++next_;
      bytes += more;
      line += more_line;
      ack_due_at_ = -1;
    }
    if ((heartbeats && now - last_sent >= wire::kHeartbeatMs * kMs) ||
        (ack_due_at_ >= 0 && now >= ack_due_at_)) {
      beat(0);
    }
  }
  void beat(std::uint8_t flags) {
    send_message(wire::Type::heartbeat, wire::Heartbeat{flags, ++stamp_});
    ack_due_at_ = -1;
  }
  void take(const Bytes& in) {
    for (std::uint8_t byte : in) {
      incoming_.push_back(byte);
      if (byte != 0) continue;
      for (const Bytes& f : to_host ? to_host(incoming_) : std::vector<Bytes>{incoming_}) {
        for (std::uint8_t b : f) {
          const auto got = reader_.put(b);
          if (got == wire::FrameReader::Got::damaged) ++damaged_in;
          if (got == wire::FrameReader::Got::frame) take_frame();
        }
      }
      incoming_.clear();
    }
  }
  void take_frame() {
    const wire::Header h = reader_.header();
    const std::uint8_t* p = reader_.payload();
    const std::uint16_t size = reader_.payload_size();
    ++frames_in;
    if (h.type == wire::Type::status || h.type == wire::Type::hello_reply) {
      if (h.epoch != epoch && !wire::before(h.epoch, epoch)) epoch = h.epoch;
    }
    if (h.epoch != epoch) return;
    switch (h.type) {
      case wire::Type::hello_reply: got_hello = wire::decode(p, size, hello_reply); break;
      case wire::Type::status: wire::decode(p, size, status); break;
      case wire::Type::counters: wire::decode(p, size, counters); break;
      case wire::Type::rails: wire::decode(p, size, rails); break;
      case wire::Type::ack: ++acks_in; break;
      default: break;
    }
    // What it acknowledges, and how much more it can take.
    if (h.ack > base_ && h.ack <= queue_.size()) {
      base_ = h.ack;
      if (next_ < base_) next_ = base_;
      progress_ = firmware.now();
      resend_after_ = wire::kHostResendMs * kMs;
    }
    window_limit_ = std::size_t{h.credit} * wire::kCreditUnit;
    if (!wire::is_sequenced(h.type) || !acknowledges) return;
    if (h.sequence == expected) {
      ++expected;
      results.push_back({h.type, Bytes(p, p + size)});
      wire::Event e;
      if (h.type == wire::Type::event && wire::decode(p, size, e)) events.push_back(e);
      if (ack_due_at_ < 0) ack_due_at_ = firmware.now() + wire::kAckWithinMs * kMs / 2;
    } else if (wire::before(h.sequence, expected)) {
      ++duplicates_in;
      if (ack_due_at_ < 0) ack_due_at_ = firmware.now();
    } else {
      beat(wire::kHeartbeatGap);
    }
  }

  wire::FrameReader reader_;
  Bytes incoming_;
  std::vector<Result> queue_;
  std::size_t base_ = 0, next_ = 0;
  std::size_t window_limit_ = wire::kProgramBytes;
  Picoseconds progress_ = 0;
  Picoseconds resend_after_ = wire::kHostResendMs * kMs;
  Picoseconds ack_due_at_ = -1;
  std::uint16_t stamp_ = 0;
};

}  // namespace tenterhook::test
