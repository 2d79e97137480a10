// A session with a fixture: greet it, run step programs on it, take its samples, stop it.
//
// Everything that makes a serial line trustworthy is in here: framing, window and credits, cumulative
// acknowledgement both ways, retransmission, epochs, heartbeats, and the likely cause when it fails.
// Callers see programs going in (bytes, made with firmware/wire/program.h) and samples coming out,
// each exactly once and in order.
//
// Use: open(), then execute() as often as wanted. A program that ends with Op::end leaves the
// fixture open and unpowered; any other leaves it as it is, powered and waiting, until the next
// execute() or stop(). While it waits the session keeps it alive by itself on real ports (a thread
// that touches nothing but the port); in lockstep nothing happens between calls, not even time.
// Keeping alive ends when the caller has not called for kCallerSilenceMax: a program that hangs must
// not keep a board powered.
//
// Every wait is bounded. Not thread-safe: one thread calls; only Cancellation may come from elsewhere.
// Source of the rules: firmware/wire/frame.h and message.h.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/base/units.h"
#include "host/link/cancel.h"
#include "host/link/port.h"
#include "host/measure/reading.h"

namespace tenterhook::link {

// Nothing at all from the fixture for so long while the host keeps asking: the cable is gone.
inline constexpr Seconds kSilenceMax{0.8};
// The heartbeat thread gives up when no call was made for so long.
inline constexpr Seconds kCallerSilenceMax{10.0};
// After a fault or a stop, results already taken are fetched for at most so long.
inline constexpr Seconds kDrainMax{3.0};

// What a sample was taken from.
enum class ChannelKind : std::uint8_t {
  sense,         // sense lead
  drive,         // lead of a drive channel, sensed
  rail,          // rail's first board-side sense wire
  rail_second,   // its second
  supply,        // rail's supply side
  current,       // rail's current
  coil_supply, five_volts, reference, ground, probe,
  unknown,       // a later firmware's source
};
std::string name(ChannelKind kind);

struct ChannelSample {
  ChannelKind kind = ChannelKind::unknown;
  int index = 0;  // 0 where there is only one
  measure::Counts counts{};
};

// The result of one sample operation, complete.
struct SampleBlock {
  int step = 0;      // the label's number
  int index = 0;     // among the samples of its step, from 0
  Seconds time{};    // fixture's clock at the first conversion; does not wrap within a session
  std::vector<ChannelSample> channels;  // in the fixture's order: senses first, ascending
};

struct Milestone {
  enum class Kind : std::uint8_t { mark, started, ended, rail_up } kind = Kind::mark;
  int step = -1;           // -1: before the first label
  std::uint32_t id = 0;    // mark
  int rail = -1;           // rail_up
  Seconds elapsed{};       // rail_up: from the start of its wait
  Seconds time{};          // fixture's clock
};

// A part of the curve that Op::curve records; parts follow each other without a gap. In counts of the rail's
// current and volts.
struct CurveBlock {
  struct Point {
    Seconds time{};      // fixture's clock at its beginning
    Seconds duration{};
    double current = 0.0, volts = 0.0;  // means
    int peak = 0;        // greatest current
  };
  int rail = 0;
  bool first = false;  // its first point begins when the rail is switched
  bool last = false;
  double i2t = 0.0;    // counts^2 s, from the switch to the end of this part
  std::vector<Point> points;
};

// What the comparator saw on one sense lead: the result of one crossing or of one edge count.
struct EdgesBlock {
  struct Crossing {
    std::int32_t ticks = 0;  // of Identity::clock_hz, from the leading edge of the pulse; negative: before it
    bool rising = false;
  };
  int step = 0;    // the label's number
  int index = 0;   // among the edge results of its step, from 0
  int sense = 0;
  bool crossing = false;     // of a crossing; else of an edge count
  bool missed = false;       // edges passed uncaught between those listed: too close to each other
  bool more = false;         // edges came after the last one listed
  bool high_before = false, high_after = false;  // the comparator at start and end
  std::uint32_t rises = 0, falls = 0;            // by hardware counter: none is passed over
  Seconds time{};            // fixture's clock at the start
  std::vector<Crossing> crossings;               // in order of time
};

struct Sink {
  std::function<void(const SampleBlock&)> sample;      // may be empty
  std::function<void(const Milestone&)> milestone;     // may be empty
  std::function<void(const CurveBlock&)> curve{};      // may be empty
  std::function<void(const EdgesBlock&)> edges{};      // may be empty
};

// Why the fixture opened everything.
struct FaultReport {
  std::string cause;   // "over-current", "deadman", ...: names of firmware/wire/fault.h
  std::string where;   // "rail.2", "chain byte 3", ...; may be empty
  int rail = -1;       // rail channel, where the fault has one
  int value = 0;       // meaning by cause
  Seconds time{};      // fixture's clock
  int step = -1;       // label under execution
  std::string blame;   // "board", "lead", "fixture", "link", "person"
  std::string text;    // one sentence for people
  std::string remedy;
  int others = 0;      // further faults after this one
};

// What the fixture's own clock says, of one execute(); starved and total with the pause before it, when
// the program was left waiting. Instructions between operations are in the operation that follows.
struct DeviceTimes {
  Seconds relay{}, wait{}, convert{}, pulse{}, starved{}, total{};
};

struct ExecuteReport {
  bool finished = false;             // every operation was executed
  std::optional<FaultReport> fault;  // else why not
  int starvations = 0;               // waits for program inside this execute()
  int store_waits = 0;
  std::uint32_t relay_moves = 0;
  DeviceTimes times{};
};

// Counted by both ends since they were started or opened.
struct LinkCounters {
  // this end
  std::uint64_t sent = 0, received = 0, resent = 0, damaged = 0, stale = 0, duplicate = 0, gaps = 0, timeouts = 0;
  // the fixture's end, as last heard
  bool device_known = false;
  int device_received = 0, device_damaged = 0, device_stale = 0, device_duplicate = 0, device_gaps = 0,
      device_refused = 0, device_overrun = 0, device_framing = 0, device_sent = 0, device_resent = 0,
      device_starvations = 0, device_store_waits = 0, device_faults = 0;
  int device_loop_us_max = 0;
};

struct Identity {
  std::string fixture;         // "mega2560"
  std::string serial;          // of the fixture
  std::string firmware_build;  // hexadecimal
  int protocol_major = 0, protocol_minor = 0;
  std::uint32_t features = 0;  // wire::Feature bits
  std::uint32_t boot_nonce = 0;
  int program_bytes = 0, store_bytes = 0, receive_bytes = 0, step_bytes = 0;
  double clock_hz = 0.0;
  std::string last_reset;      // "power-on", "watchdog", ...
};

struct DeviceStatus {
  enum class State : std::uint8_t { idle, loaded, running, faulted } state = State::idle;
  std::optional<FaultReport> fault;  // latched
  int step = -1;                     // label under execution
  std::uint8_t rails_on = 0;         // bit a rail channel
  bool waiting = false;
  Seconds time{};
};

// The last safety conversions, counts; and the inputs that a person works.
struct LiveRails {
  int volts[4] = {};
  int current[4] = {};
  int reference = 0, ground = 0;
  std::uint8_t on = 0, armed = 0;  // bit a rail channel
  bool stop_pressed = false, lid_open = false, hold_to_run = false, coil_supply = false;
};

struct SessionOptions {
  const Cancellation* cancel = nullptr;  // outlives the session; may be null
  std::uint32_t seed = 0;                // of session numbers and nonces; 0: random
};

class Session {
 public:
  // Greets the fixture for up to 4 s (opening a port may have reset it). Errors: Trouble::fixture
  // with the likely cause when it does not answer or speaks another version.
  static Result<std::unique_ptr<Session>> open(std::unique_ptr<Port> port, const SessionOptions& options = {});
  // Stops a session that still runs.
  ~Session();
  Session(const Session&) = delete;
  Session& operator=(const Session&) = delete;

  const Identity& identity() const;
  // What the person should know though it works: a slow bridge, a reset by the watchdog.
  const std::vector<std::string>& warnings() const;
  Seconds round_trip() const;

  // Runs a step program (labels, operations, optionally a last `end`; the first operation is a label).
  // Samples and milestones go to the sink, which must not block for long and must not call back.
  // A fault of the fixture is a report; an Error is: the program is malformed (bug), the firmware
  // lacks a feature it uses, the link is lost, the fixture was reset (fixture), the person cancelled
  // (interrupted; stopped first), `at_most` has passed. After an Error everything is open or
  // opening, and the next execute() starts a new session.
  Result<ExecuteReport> execute(std::span<const std::uint8_t> program, const Sink& sink, Seconds at_most = Seconds{3600.0});

  // Told of each program as it begins, and whether everything was open until then. Must not call back.
  using Watch = std::function<void(std::span<const std::uint8_t> program, bool from_rest)>;
  void watch(Watch watch);

  // Ends a program that was left waiting, in the safe order. Nothing to do when none is.
  Result<ExecuteReport> finish(const Sink& sink = {});
  // Keeps the link alive for so long (in lockstep: lets that much time pass). Error: lost, reset or
  // cancelled; a fault of the fixture is returned as the report.
  Result<std::optional<FaultReport>> idle(Seconds duration);

  // Opens everything at once, whatever is queued. Idempotent; works without a running program. Results
  // already taken still go to the sink of the execute() that was cut short.
  Status stop();
  // The deliberate reset after a fault; returns what was latched, if anything was.
  Result<std::optional<FaultReport>> reset_faults();

  Result<DeviceStatus> status();
  Result<LiveRails> rails();
  // Asks the fixture for its counters; this end's are valid even when it does not answer.
  LinkCounters counters();

 private:
  class Impl;
  explicit Session(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace tenterhook::link
