#include "host/link/program_check.h"

#include <fmt/format.h>

#include <bit>

#include "firmware/wire/message.h"
#include "firmware/wire/program.h"

namespace tenterhook::link {
namespace {

struct Needed {
  std::uint32_t feature = 0;
  const char* name = "";
};

Needed feature_of(wire::Op op, std::span<const std::uint8_t> fields) {
  switch (op) {
    case wire::Op::bus: return {wire::kFeatureTestBus, "test-bus"};
    case wire::Op::route: return {wire::kFeatureRoute, "route"};
    case wire::Op::rail_until: return {wire::kFeatureRailUntil, "rail-until"};
    case wire::Op::edge_count: return {wire::kFeatureEdgeCount, "edge-count"};
    case wire::Op::delayed_sample: return {wire::kFeatureDelayedSample, "delayed-sample"};
    case wire::Op::curve: return {wire::kFeatureCurve, "curve"};
    case wire::Op::crossing: return {wire::kFeatureCrossing, "crossing"};
    case wire::Op::pulse_pair: return {wire::kFeaturePulsePair, "pulse-pair"};
    case wire::Op::pulse: {
      wire::Reader reader(fields.data(), static_cast<std::uint16_t>(fields.size()));
      wire::PulseOp pulse;
      wire::get(reader, pulse);
      if (pulse.count < 2 || pulse.gap_ticks >= wire::kGapTicksMin) return {};
      return {wire::kFeatureBurst, "burst"};
    }
    default: return {};
  }
}

// Store bytes of the results of one operation.
unsigned results_of(wire::Op op, std::span<const std::uint8_t> fields) {
  if (op == wire::Op::mark || op == wire::Op::rail_until) return wire::kEventResultBytes;
  wire::Reader reader(fields.data(), static_cast<std::uint16_t>(fields.size()));
  if (op == wire::Op::delayed_sample) return wire::sample_result_bytes(1);
  if (op == wire::Op::crossing) {
    wire::CrossingOp crossing;
    wire::get(reader, crossing);
    return wire::edges_result_bytes(crossing.most);
  }
  if (op == wire::Op::edge_count) {
    wire::EdgeCountOp count;
    wire::get(reader, count);
    return count.sense == wire::kCountStop ? wire::edges_result_bytes(0) : 0;
  }
  if (op != wire::Op::sample) return 0;
  wire::SampleOp sample;
  wire::get(reader, sample);
  return wire::sample_result_bytes(static_cast<std::uint16_t>(std::popcount(sample.senses) + std::popcount(sample.aux)));
}

class Walk {
 public:
  Walk(std::span<const std::uint8_t> program, const Identity& device) : program_(program), device_(device) {}

  Result<ProgramShape> run() {
    while (at_ < program_.size()) {  // bounded: every turn moves on by at least one byte
      if (shape_.ends) return wrong("something follows the end");
      const auto op = static_cast<wire::Op>(program_[at_]);
      const std::size_t size = wire::op_bytes(op);
      if (size == 0) return wrong("an unknown operation");
      if (at_ + size > program_.size()) return wrong("the last operation is cut off");
      const std::span<const std::uint8_t> fields = program_.subspan(at_ + 1, size - 1);
      if (const Needed needed = feature_of(op, fields); needed.feature != 0 && (device_.features & needed.feature) == 0) {
        return fixture_error("", fmt::format("this needs '{}', which the fixture's firmware {} does not have",
                                             needed.name, device_.firmware_build),
                             "`tenterhook fixture flash` brings the firmware up to date");
      }
      TH_TRY(step(op, fields, size));
      at_ += size;
    }
    TH_TRY(close_step());
    return shape_;
  }

 private:
  Error wrong(const char* what) const {
    return bug_error(fmt::format("step program, byte {} of {}: {}", at_, program_.size(), what));
  }

  Status step(wire::Op op, std::span<const std::uint8_t> fields, std::size_t size) {
    if (op == wire::Op::label || op == wire::Op::end) {
      TH_TRY(close_step());
      shape_.ends = op == wire::Op::end;
      if (op == wire::Op::end) return {};
      wire::Reader reader(fields.data(), static_cast<std::uint16_t>(fields.size()));
      wire::get(reader, label_);
      open_ = true;
      bytes_ = results_ = 0;
      ++shape_.steps;
      return {};
    }
    if (!open_) return wrong("an operation before the first label");
    bytes_ += static_cast<unsigned>(size);
    results_ += results_of(op, fields);
    return {};
  }

  Status close_step() {
    if (!open_) return {};
    open_ = false;
    if (label_.step == wire::kNoStep) return wrong("the step number is reserved");
    if (label_.bytes != bytes_) return wrong("the step before has other bytes than its label declares");
    if (label_.results < results_) return wrong("the step before has more results than its label declares");
    if (static_cast<int>(bytes_) > device_.step_bytes) return wrong("the step before is longer than the fixture's memory for one");
    if (static_cast<int>(label_.results) > device_.store_bytes) return wrong("the step before has more results than the fixture can keep");
    return {};
  }

  std::span<const std::uint8_t> program_;
  const Identity& device_;
  std::size_t at_ = 0;
  wire::LabelOp label_{};
  bool open_ = false;
  unsigned bytes_ = 0, results_ = 0;
  ProgramShape shape_{};
};

}  // namespace

Result<ProgramShape> check_program(std::span<const std::uint8_t> program, const Identity& device) {
  return Walk(program, device).run();
}

}  // namespace tenterhook::link
