// Streaming a step program: begin, chunks through the window, results out, until it is done.
#include <fmt/format.h>

#include <algorithm>
#include <array>

#include "firmware/wire/program.h"
#include "host/link/session_impl.h"

namespace tenterhook::link {
namespace {

constexpr Seconds kTurn{0.02};
constexpr Seconds kDrainEvery{0.05};

template <class Operation>
void append(std::vector<std::uint8_t>& program, const Operation& operation) {
  std::array<std::uint8_t, wire::kOpBytesMax> bytes{};
  wire::Writer writer(bytes.data(), bytes.size());
  wire::put(writer, operation);
  program.insert(program.end(), bytes.begin(), bytes.begin() + writer.size());
}

Seconds microseconds(std::uint32_t later, std::uint32_t earlier) {
  return Seconds{static_cast<double>(static_cast<std::uint32_t>(later - earlier)) * 1e-6};
}

}  // namespace

Status Session::Impl::begin() {
  TH_TRY(ask(wire::Ask::status));
  if (status_.state == wire::State::faulted) {
    const FaultReport latched = fault_report(status_.first, clock_);
    return fixture_error(line_.describe(), fmt::format("the fixture has latched a fault: {} {}: {}", latched.cause, latched.where, latched.text),
                         latched.remedy);
  }
  TH_TRY(ask(wire::Ask::counters));
  const std::uint16_t before = status_.session;
  do {
    session_ = static_cast<std::uint16_t>(random_());
  } while (session_ == 0 || session_ == before);
  TH_TRY(request([this] { return line_.send(wire::Type::begin, wire::Begin{session_}); },
                 [this] { return status_.session == session_ && status_.state == wire::State::loaded; },
                 "the beginning of a session"));
  sender_.restart(static_cast<unsigned>(identity_.receive_bytes - wire::kReceiveReserve), static_cast<unsigned>(identity_.program_bytes));
  expected_ = 0;
  unacknowledged_bytes_ = 0;
  line_.set_expected(0);
  line_.set_sent(0, sender_.generation());
  assembler_.restart();
  fault_.reset();
  ended_ = foreign_status_ = false;
  idle_since_.reset();
  last_heard_ = line_.now();
  in_session_ = true;
  line_.keep_alive(true);
  return {};
}

// Behind a program that does not end comes a step of our own, whose mark says that all before it is
// done, and the label of the next one, patient, whose only operation stays here until the next call.
void Session::Impl::queue_program(std::span<const std::uint8_t> program, const ProgramShape& shape, bool fresh) {
  std::vector<std::uint8_t> bytes;
  bytes.reserve(program.size() + 32);
  if (!fresh) append(bytes, wire::MarkOp{++next_mark_});
  bytes.insert(bytes.end(), program.begin(), program.end());
  awaited_mark_.reset();
  if (!shape.ends) {
    const std::uint16_t size = wire::op_bytes(wire::Op::mark);
    awaited_mark_ = ++next_mark_;
    append(bytes, wire::LabelOp{kOwnStep, size, wire::kEventResultBytes, 0});
    append(bytes, wire::MarkOp{*awaited_mark_});
    append(bytes, wire::LabelOp{kOwnStep, size, wire::kEventResultBytes, wire::kLabelPatient});
  }
  // Run goes behind as much as surely fits, so that execution starts with a full memory.
  const std::size_t ahead = static_cast<std::size_t>(identity_.program_bytes) / wire::kChunkBytesMax - 1;
  bool armed = !fresh;
  std::size_t chunks = 0;
  for (std::size_t at = 0; at < bytes.size(); at += wire::kChunkBytesMax) {
    const auto first = bytes.begin() + static_cast<std::ptrdiff_t>(at);
    const std::size_t size = std::min<std::size_t>(wire::kChunkBytesMax, bytes.size() - at);
    sender_.add(wire::Type::chunk, std::vector<std::uint8_t>(first, first + static_cast<std::ptrdiff_t>(size)));
    if (++chunks == ahead && !armed) {
      sender_.add(wire::Type::run, {0});
      armed = true;
    }
  }
  if (!armed) sender_.add(wire::Type::run, {0});
}

Result<ExecuteReport> Session::Impl::execute(std::span<const std::uint8_t> program, const Sink& sink, Seconds at_most) {
  auto shape = check_program(program, identity_);
  if (!shape) return shape.error();
  line_.caller_lives();
  TH_TRY(check_cancelled());
  // Taken back on every way out: when memory ends, or the sink throws, what the destructor still drains must
  // not go to a sink that is gone.
  struct Lent {
    const Sink*& place;
    ~Lent() { place = nullptr; }
  } lent{sink_};
  sink_ = &sink;
  return stream(program, *shape, at_most);
}

Result<ExecuteReport> Session::Impl::stream(std::span<const std::uint8_t> program, const ProgramShape& shape, Seconds at_most) {
  const bool fresh = !in_session_;
  if (watch_ && !fault_) watch_(program, fresh);
  if (fresh) {
    TH_TRY(begin());
    at_start_ = device_;
    at_start_.time_relay_us = at_start_.time_wait_us = at_start_.time_convert_us = 0;
    at_start_.time_pulse_us = at_start_.time_starved_us = at_start_.time_total_us = 0;
  } else {
    at_start_ = device_;  // as the last execute() left them: asking again would cost a round trip
  }
  ended_ = false;
  if (!fault_) {
    queue_program(program, shape, fresh);
    TH_TRY(run_until_done(shape, at_most));
  }
  const bool finished = !fault_;
  if (!finished) {
    stopping_ = true;  // what it says from now on is the end of it
    Status drained = drain();
    stopping_ = false;
    if (!drained.ok()) {
      abandon();
      return drained.error();
    }
  }
  Result<ExecuteReport> done = report(finished);
  if (!finished || shape.ends) abandon();
  return done;
}

Status Session::Impl::run_until_done(const ProgramShape& shape, Seconds at_most) {
  const Seconds until = line_.now() + at_most;
  const auto done = [&] { return shape.ends ? ended_ : !awaited_mark_ && sender_.idle(); };
  while (!fault_ && !done()) {
    TH_TRY(check_cancelled());
    if (line_.now() >= until) {
      TH_TRY(stop());
      return fixture_error(line_.describe(), fmt::format("the step program was not done after {}; it was stopped", text(at_most)),
                           "the fixture executes slower than planned: report it with the run's record");
    }
    TH_TRY(turn(kTurn));
  }
  return {};
}

// Fetches the results that were taken before the fixture opened everything.
Status Session::Impl::drain() {
  const Seconds until = line_.now() + kDrainMax;
  while (line_.now() < until) {
    const std::uint64_t before = statuses_;
    TH_TRY(line_.send(wire::Type::query, wire::Query{wire::Ask::status}));
    const Seconds next = line_.now() + kDrainEvery;
    while (statuses_ == before && line_.now() < next) TH_TRY(turn(next - line_.now()));
    const bool fresh = statuses_ != before && status_.session == session_;
    if (fresh && status_.results_waiting == 0) return {};
  }
  return fixture_error(line_.describe(), fmt::format("results taken before the stop could not be fetched within {}", text(kDrainMax)),
                       "likely: " + likely_cause());
}

Result<ExecuteReport> Session::Impl::report(bool finished) {
  stopping_ = !finished;
  Status asked = ask(wire::Ask::counters);
  stopping_ = false;
  if (!asked.ok()) return asked.error();
  const auto since = [](std::uint16_t later, std::uint16_t earlier) { return static_cast<std::uint16_t>(later - earlier); };
  ExecuteReport r;
  r.finished = finished;
  r.fault = fault_;
  r.starvations = since(device_.starvations, at_start_.starvations);
  r.store_waits = since(device_.store_waits, at_start_.store_waits);
  r.relay_moves = device_.relay_moves - at_start_.relay_moves;
  r.times.relay = microseconds(device_.time_relay_us, at_start_.time_relay_us);
  r.times.wait = microseconds(device_.time_wait_us, at_start_.time_wait_us);
  r.times.convert = microseconds(device_.time_convert_us, at_start_.time_convert_us);
  r.times.pulse = microseconds(device_.time_pulse_us, at_start_.time_pulse_us);
  r.times.starved = microseconds(device_.time_starved_us, at_start_.time_starved_us);
  r.times.total = microseconds(device_.time_total_us, at_start_.time_total_us);
  return r;
}

Result<ExecuteReport> Session::Impl::finish(const Sink& sink) {
  if (!in_session_) {
    ExecuteReport nothing;
    nothing.finished = true;
    return nothing;
  }
  std::vector<std::uint8_t> end;
  append(end, wire::EndOp{});
  return execute(end, sink, Seconds{60.0});
}

}  // namespace tenterhook::link
