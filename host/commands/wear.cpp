#include "host/commands/wear.h"

#include <fmt/format.h>

#include "firmware/wire/program.h"

namespace tenterhook::commands {

namespace {

std::string name_of(int bit) {
  const struct {
    int first, count;
    const char *before, *after;
  } groups[] = {{map::kBitDriveHigh, map::kDrives, "drive.", " level"}, {map::kBitDriveConnect, map::kDrives, "drive.", ""},
                {map::kBitRoute, map::kDrives, "route.", ""},           {map::kBitTestBus, map::kSenses, "test-bus.", ""},
                {map::kBitFastConnect, map::kFasts, "fast.", ""},       {map::kBitRailSeries, map::kRails, "rail.", ""},
                {map::kBitRailPreCharge, map::kRails, "rail.", " pre-charge"}, {map::kBitRailHold, map::kRails, "rail.", " bleeder"}};
  for (const auto& g : groups) {
    if (bit >= g.first && bit < g.first + g.count) return fmt::format("{}{}{}", g.before, bit - g.first, g.after);
  }
  switch (bit) {
    case map::kBitBusLoad22k: return "bus load 22k";
    case map::kBitBusLoad220k: return "bus load 220k";
    case map::kBitBusPull10k: return "bus pull 10k";
    case map::kBitBusPull1M: return "bus pull 1M";
    case map::kBitMaster: return "master";
    default: return "";
  }
}

}  // namespace

void Wear::set(int bit, bool on) {
  const auto at = static_cast<std::size_t>(bit);
  if (on && !on_[at]) ++counts_[bit];
  on_[at] = on;
}

void Wear::set_bits(int first, int count, std::uint64_t bits) {
  for (int i = 0; i < count; ++i) set(first + i, (bits >> i & 1u) != 0);
}

void Wear::rail(int r, int mode) {
  const bool powered = mode != static_cast<int>(wire::RailMode::off);
  set(map::kBitRailSeries + r, powered);
  set(map::kBitRailHold + r, powered && (bled_ >> r & 1u) == 0);
  set(map::kBitRailPreCharge + r, mode == static_cast<int>(wire::RailMode::pre_charge));
}

void Wear::take(std::span<const std::uint8_t> program) {
  if (program.empty()) return;
  set(map::kBitMaster, true);
  for (std::size_t at = 0; at < program.size();) {
    const auto op = static_cast<wire::Op>(program[at]);
    const std::size_t size = wire::op_bytes(op);
    if (size == 0 || at + size > program.size()) return;
    wire::Reader reader(program.data() + at + 1, static_cast<std::uint16_t>(size - 1));
    at += size;
    if (op == wire::Op::drive) {
      wire::DriveOp o;
      wire::get(reader, o);
      set_bits(map::kBitDriveConnect, map::kDrives, o.connect);
      set_bits(map::kBitDriveHigh, map::kDrives, o.high);
    } else if (op == wire::Op::fast) {
      wire::FastOp o;
      wire::get(reader, o);
      if (o.channel < map::kFasts) set(map::kBitFastConnect + o.channel, o.connect != 0);
    } else if (op == wire::Op::route) {
      wire::RouteOp o;
      wire::get(reader, o);
      set_bits(map::kBitRoute, map::kDrives, o.drives);
    } else if (op == wire::Op::bus) {
      wire::BusOp o;
      wire::get(reader, o);
      set_bits(map::kBitTestBus, map::kSenses, o.senses);
      set_bits(map::kBitBusLoad22k, 4, o.mode);
    } else if (op == wire::Op::rail) {
      wire::RailOp o;
      wire::get(reader, o);
      if (o.rail < map::kRails) rail(o.rail, static_cast<int>(o.mode));
    } else if (op == wire::Op::bleed) {
      wire::BleedOp o;
      wire::get(reader, o);
      bled_ = o.rails;
      for (int r = 0; r < map::kRails; ++r) {
        set(map::kBitRailHold + r, on_[static_cast<std::size_t>(map::kBitRailSeries + r)] && (bled_ >> r & 1u) == 0);
      }
    } else if (op == wire::Op::end) {
      all_off();
    }
  }
}

std::map<std::string, long> Wear::operations() const {
  std::map<std::string, long> all;
  for (int bit = 0; bit < map::kChainBits; ++bit) {
    const std::string name = name_of(bit);
    if (counts_[bit] > 0 && !name.empty()) all[name] = counts_[bit];
  }
  return all;
}

}  // namespace tenterhook::commands
