// The state of a session, shared by session.cpp (greeting, asking, stopping) and execute.cpp.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "firmware/wire/message.h"
#include "host/link/line.h"
#include "host/link/program_check.h"
#include "host/link/sender.h"
#include "host/link/session.h"
#include "host/link/values.h"

namespace tenterhook::link {

// Number of the steps that a session adds by itself; never handed to the caller's sink.
inline constexpr std::uint16_t kOwnStep = 0xFFFE;

class Session::Impl {
 public:
  Impl(std::unique_ptr<Port> port, const SessionOptions& options);
  ~Impl();

  Status greet();
  Result<ExecuteReport> execute(std::span<const std::uint8_t> program, const Sink& sink, Seconds at_most);
  Result<ExecuteReport> finish(const Sink& sink);
  Result<std::optional<FaultReport>> idle(Seconds duration);
  Status stop();
  Result<std::optional<FaultReport>> reset_faults();
  Result<DeviceStatus> status();
  Result<LiveRails> rails();
  LinkCounters counters();

  Identity identity_;
  std::vector<std::string> warnings_;
  Seconds round_trip_{1.0};
  Watch watch_;

 private:
  // --- session.cpp ---
  Status hello(Seconds patience);          // one Hello; answered_hello_ tells
  Status check_reply();                    // version, sizes
  Status measure_round_trip();
  Status settle_earlier_user();
  Status ask(wire::Ask what);              // repeats until answered
  Status request(const std::function<Status()>& send, const std::function<bool()>& answered, const std::string& what);
  Status turn(Seconds patience);           // sends what is due, receives once
  Status send_due();
  Status take(const Frame& frame);
  Status take_status(const Frame& frame);
  void take_ack(const Frame& frame);
  Status take_result(const Frame& frame);
  Status deliver(const Frame& frame);
  Status acknowledge(std::uint8_t flags, Seconds& last, Seconds quiet);
  Status check_silence();
  Status check_reset();                    // after a Status of another session
  Status check_idle();
  Status check_cancelled();
  Error no_greeting(std::uint64_t bytes, std::uint64_t damaged) const;
  Status ask_once_for_counters();
  Error lost(const std::string& what);     // with the likely cause; the session is given up
  std::string likely_cause();
  void abandon();                          // nothing more is expected of the fixture
  bool silent() { return line_.now() - last_heard_ > kSilenceMax / 2; }
  Status wait_until_opened(Status so_far, std::uint64_t statuses, Seconds patience);
  bool opened() const;                     // the last Status is ours and says that nothing is closed
  bool cancelled() const { return options_.cancel != nullptr && options_.cancel->requested(); }

  // --- execute.cpp ---
  Status begin();
  void queue_program(std::span<const std::uint8_t> program, const ProgramShape& shape, bool fresh);
  Result<ExecuteReport> stream(std::span<const std::uint8_t> program, const ProgramShape& shape, Seconds at_most);
  Status run_until_done(const ProgramShape& shape, Seconds at_most);
  Status drain();
  Result<ExecuteReport> report(bool finished);

  Line line_;
  SessionOptions options_;
  std::mt19937 random_;
  std::vector<Frame> frames_;

  // what was last heard
  Seconds last_heard_{};
  Seconds last_turn_{};
  bool asking_ = false;  // silence is judged
  std::uint32_t hello_nonce_ = 0;
  bool hello_answered_ = false;
  wire::HelloReply hello_{};
  bool reply_unreadable_ = false;
  int reply_major_ = -1;
  wire::Status status_{};
  std::uint64_t statuses_ = 0;  // heard
  wire::Counters device_{};
  std::uint64_t device_heard_ = 0;
  wire::Rails rails_{};
  std::uint64_t rails_heard_ = 0;

  // the session under way
  bool in_session_ = false;    // from Begin's confirmation until its end is known
  bool stopping_ = false;
  std::uint16_t session_ = 0;
  Sender sender_;
  std::uint16_t expected_ = 0;
  unsigned unacknowledged_bytes_ = 0;
  Seconds last_ack_{-1e9}, last_gap_{-1e9}, last_probe_{-1e9};
  DeviceClock clock_;
  Assembler assembler_;
  const Sink* sink_ = nullptr;
  std::optional<FaultReport> fault_;
  bool ended_ = false;
  std::uint32_t next_mark_ = 0;
  std::optional<std::uint32_t> awaited_mark_;
  bool foreign_status_ = false;  // a Status of another session came: was it reset?
  std::optional<Seconds> idle_since_;  // an Ack said idle in the middle, and nothing came since
  Seconds last_idle_ask_{-1e9};
  wire::Counters at_start_{};    // device's counters when this execute() began

  // counters of this end
  std::uint64_t stale_ = 0, duplicate_ = 0, gaps_ = 0;
};

}  // namespace tenterhook::link
