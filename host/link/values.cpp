#include "host/link/values.h"

#include <fmt/format.h>

#include <algorithm>

namespace tenterhook::link {
namespace {

struct Place {
  ChannelKind kind;
  int index;
};

Place place_of(std::uint8_t source) {
  if (source < wire::kSourceAux) return {ChannelKind::sense, source};
  const int aux = source - wire::kSourceAux;
  if (aux < wire::kAuxRail) return {ChannelKind::drive, aux};
  if (aux < wire::kAuxRailSecond) return {ChannelKind::rail, aux - wire::kAuxRail};
  if (aux < wire::kAuxSupply) return {ChannelKind::rail_second, aux - wire::kAuxRailSecond};
  if (aux < wire::kAuxCurrent) return {ChannelKind::supply, aux - wire::kAuxSupply};
  if (aux < wire::kAuxCoilSupply) return {ChannelKind::current, aux - wire::kAuxCurrent};
  switch (aux) {
    case wire::kAuxCoilSupply: return {ChannelKind::coil_supply, 0};
    case wire::kAuxFiveVolts: return {ChannelKind::five_volts, 0};
    case wire::kAuxReference: return {ChannelKind::reference, 0};
    case wire::kAuxGround: return {ChannelKind::ground, 0};
    case wire::kAuxProbe: return {ChannelKind::probe, 0};
    default: return {ChannelKind::unknown, source};
  }
}

const char* reset_name(wire::ResetCause cause) {
  switch (cause) {
    case wire::ResetCause::power_on: return "power-on";
    case wire::ResetCause::external: return "reset line";
    case wire::ResetCause::brown_out: return "brown-out";
    case wire::ResetCause::watchdog: return "watchdog";
    case wire::ResetCause::other: break;
  }
  return "unknown";
}

int step_number(std::uint16_t step) { return step == wire::kNoStep ? -1 : step; }

}  // namespace

std::string name(ChannelKind kind) {
  switch (kind) {
    case ChannelKind::sense: return "sense";
    case ChannelKind::drive: return "drive";
    case ChannelKind::rail: return "rail";
    case ChannelKind::rail_second: return "rail second sense";
    case ChannelKind::supply: return "supply";
    case ChannelKind::current: return "current";
    case ChannelKind::coil_supply: return "coil supply";
    case ChannelKind::five_volts: return "+5 V";
    case ChannelKind::reference: return "second reference";
    case ChannelKind::ground: return "ground";
    case ChannelKind::probe: return "probe";
    case ChannelKind::unknown: break;
  }
  return "unknown";
}

Seconds DeviceClock::at(std::uint32_t microseconds) {
  if (!begun_) latest_ = microseconds;
  begun_ = true;
  const auto ahead = static_cast<std::int32_t>(microseconds - static_cast<std::uint32_t>(latest_));
  const std::int64_t t = latest_ + ahead;
  latest_ = std::max(latest_, t);
  return Seconds{static_cast<double>(t) * 1e-6};
}

FaultReport fault_report(const wire::FaultRecord& record, DeviceClock& clock) {
  FaultReport report;
  report.cause = wire::name_of(record.fault);
  report.value = record.value;
  report.time = clock.at(record.time_us);
  report.step = step_number(record.step);
  report.blame = wire::name_of(record.blame);
  report.text = wire::text_of(record.fault);
  report.remedy = wire::remedy_of(record.fault);
  report.others = record.others;
  switch (record.fault) {
    case wire::Fault::over_current:
    case wire::Fault::over_current_latch:
    case wire::Fault::heating:
    case wire::Fault::rail_window:
    case wire::Fault::rail_late:
      report.rail = record.channel;
      break;
    case wire::Fault::wrong_order:
      if (record.channel < 128) {
        report.rail = record.channel;
      } else {
        report.where = fmt::format("operation 0x{:02x}", record.channel - 128);
      }
      break;
    case wire::Fault::relay_chain: report.where = fmt::format("relay chain byte {}", record.channel); break;
    case wire::Fault::bad_program: report.where = fmt::format("operation 0x{:02x}", record.channel); break;
    default: break;
  }
  if (report.rail >= 0) report.where = fmt::format("rail.{}", report.rail);
  return report;
}

Identity identity_of(const wire::HelloReply& reply) {
  Identity identity;
  identity.fixture = reply.fixture;
  identity.serial = reply.serial;
  identity.firmware_build = fmt::format("{:08x}", reply.firmware_build);
  identity.protocol_major = reply.protocol_major;
  identity.protocol_minor = reply.protocol_minor;
  identity.features = reply.features;
  identity.boot_nonce = reply.boot_nonce;
  identity.program_bytes = reply.program_bytes;
  identity.store_bytes = reply.store_bytes;
  identity.receive_bytes = reply.receive_bytes;
  identity.step_bytes = reply.step_bytes;
  identity.clock_hz = reply.clock_hz;
  identity.last_reset = reset_name(reply.reset_cause);
  return identity;
}

LiveRails live_rails(const wire::Rails& rails) {
  LiveRails live;
  std::copy_n(rails.volts, 4, live.volts);
  std::copy_n(rails.current, 4, live.current);
  live.reference = rails.reference;
  live.ground = rails.ground;
  live.on = rails.on;
  live.armed = rails.armed;
  live.stop_pressed = (rails.inputs & wire::kInputStop) != 0;
  live.lid_open = (rails.inputs & wire::kInputLid) != 0;
  live.hold_to_run = (rails.inputs & wire::kInputHoldToRun) != 0;
  live.coil_supply = (rails.inputs & wire::kInputCoilSupply) != 0;
  return live;
}

Milestone milestone_of(const wire::Event& event, DeviceClock& clock) {
  Milestone milestone;
  milestone.step = step_number(event.step);
  milestone.time = clock.at(event.time_us);
  switch (event.kind) {
    case wire::EventKind::started: milestone.kind = Milestone::Kind::started; break;
    case wire::EventKind::ended: milestone.kind = Milestone::Kind::ended; break;
    case wire::EventKind::rail_up:
      milestone.kind = Milestone::Kind::rail_up;
      milestone.rail = static_cast<int>(event.value & 0xFF);
      milestone.elapsed = Seconds{static_cast<double>(event.value >> 8) * 1e-3};
      break;
    case wire::EventKind::mark:
    default: milestone.id = event.value; break;
  }
  return milestone;
}

std::optional<CurveBlock> curve_block(std::span<const std::uint8_t> payload, DeviceClock& clock) {
  wire::CurveHead head;
  if (!wire::decode(payload.data(), static_cast<std::uint16_t>(payload.size()), head)) return {};
  CurveBlock block;
  block.rail = head.rail;
  block.first = (head.flags & wire::kCurveFirst) != 0;
  block.last = (head.flags & wire::kCurveLast) != 0;
  block.i2t = head.i2t * 65536.0 * 1e-6;
  Seconds time = clock.at(head.time_us);
  for (int i = 0; i < head.points; ++i) {
    wire::CurvePoint p;
    wire::decode(payload.data() + wire::kCurveHeadBytes + i * wire::kCurvePointBytes, wire::kCurvePointBytes, p);
    CurveBlock::Point point;
    point.time = time;
    point.duration = Seconds{p.ticks * wire::kCurveTickUs * 1e-6};
    point.current = static_cast<double>(p.current) / wire::kCurveScale;
    point.volts = static_cast<double>(p.volts) / wire::kCurveScale;
    point.peak = p.peak;
    time += point.duration;
    block.points.push_back(point);
  }
  return block;
}

std::optional<EdgesBlock> edges_block(std::span<const std::uint8_t> payload, DeviceClock& clock) {
  wire::EdgesHead head;
  if (!wire::decode(payload.data(), static_cast<std::uint16_t>(payload.size()), head)) return {};
  EdgesBlock block;
  block.step = head.step;
  block.index = head.index;
  block.sense = head.sense;
  block.crossing = (head.flags & wire::kEdgesCrossing) != 0;
  block.missed = (head.flags & wire::kEdgesMissed) != 0;
  block.more = (head.flags & wire::kEdgesMore) != 0;
  block.high_before = (head.flags & wire::kEdgesHighBefore) != 0;
  block.high_after = (head.flags & wire::kEdgesHighAfter) != 0;
  block.rises = head.rises;
  block.falls = head.falls;
  block.time = clock.at(head.time_us);
  for (std::size_t i = 0; i < head.count; ++i) {
    wire::Crossing crossing;
    wire::decode(payload.data() + wire::kEdgesHeadBytes + i * wire::kCrossingBytes, wire::kCrossingBytes, crossing);
    block.crossings.push_back({crossing.ticks, crossing.rising});
  }
  return block;
}

Result<std::optional<SampleBlock>> Assembler::take(std::span<const std::uint8_t> payload, DeviceClock& clock) {
  const Error contradiction =
      fixture_error("", "a result of the fixture contradicts the protocol", "host and firmware disagree; use matching versions");
  wire::SamplesHead head;
  if (!wire::decode(payload.data(), static_cast<std::uint16_t>(payload.size()), head)) return contradiction;
  const std::uint8_t part = head.part & static_cast<std::uint8_t>(~wire::kLastPart);
  if (part != part_) return contradiction;
  if (part == 0) block_ = SampleBlock{head.step, head.index, clock.at(head.time_us), {}};
  if (block_.step != head.step || block_.index != head.index) return contradiction;
  constexpr std::size_t kChannelsMost = wire::kSampleChannelsMax + wire::kAuxCount;
  if (block_.channels.size() + head.channels > kChannelsMost) return contradiction;
  for (std::size_t i = 0; i < head.channels; ++i) {
    wire::ChannelCounts counts;
    const std::size_t at = wire::kSamplesHeadBytes + i * wire::kChannelCountsBytes;
    wire::decode(payload.data() + at, wire::kChannelCountsBytes, counts);
    const Place place = place_of(counts.source);
    block_.channels.push_back({place.kind, place.index, {head.n, counts.sum, counts.min, counts.max, counts.sum_of_squares}});
  }
  if ((head.part & wire::kLastPart) == 0) {
    part_ = static_cast<std::uint8_t>(part + 1);
    return std::optional<SampleBlock>{};
  }
  part_ = 0;
  return std::optional<SampleBlock>{std::move(block_)};
}

}  // namespace tenterhook::link
