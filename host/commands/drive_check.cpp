#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "host/commands/checks.h"
#include "host/measure/nominal.h"
#include "host/plan/program.h"

namespace tenterhook::commands {

namespace {

using plan::Contacts;

constexpr std::uint16_t kConversions = 8;
// Of the way from one level to the other: what does not go so far is not driven, what is let go and goes so
// far all the same is not let go.
constexpr double kDriven = 0.3, kLetGo = 0.7;
constexpr Volts kSwingLeast{2.0};  // between two levels that can be told apart here
// A line that does not follow, and takes more than this share of what its series resistance lets through, is
// shorted; through an open relay nothing flows.
constexpr double kShortedShare = 0.5;
constexpr Amps kCurrentLeast{0.02};

struct Feeds {
  std::optional<double> low, high;  // volts; nothing: that side is open
};

// Share of the way from `low` to `high` that a lead went; nothing when the two cannot be told apart.
std::optional<double> followed(double high, double low, const Feeds& feeds) {
  const double swing = feeds.high.value_or(high) - feeds.low.value_or(low);
  if (std::fabs(swing) < kSwingLeast.value) return std::nullopt;
  return (high - low) / swing;
}

class DriveCheck {
 public:
  DriveCheck(const plan::Plan& plan, const Execute& execute) : plan_(plan), execute_(execute) {
    for (const auto& [key, channel] : plan.hookup) {
      if (channel.kind != "drive") continue;
      const std::string name = key.substr(0, key.find(' '));
      const files::Line* line = plan.vectors.board.line(name);
      if (!line) continue;
      used_[channel.index] = name;
    }
  }

  Result<CheckReport> run() {
    if (used_.empty()) return CheckReport{};
    plan_flips();
    auto shared = look_at_shared();
    TH_TRY(shared);
    if (!*shared || report_.aborted) return std::move(report_);
    auto ended = look();
    TH_TRY(ended);
    if (*ended) judge();
    return std::move(report_);
  }

 private:
  struct Seen {
    std::map<int, double> lead, rail, amps;  // volts by drive, volts and amperes by rail channel
  };

  // The contacts that give each line its other level, from rest.
  void plan_flips() {
    for (const auto& [drive, name] : used_) {
      const files::Line& line = *plan_.vectors.board.line(name);
      const bool rests_open = line.kind == files::LineKind::both && !(plan_.rest.drive_connect >> drive & 1u);
      if (rests_open || line.rest == files::Bit::undriven) continue;
      files::Step step;
      step.set.emplace_back(name, line.rest == files::Bit::one ? files::Bit::zero : files::Bit::one);
      flips_[drive] = plan::plan_single(plan_, plan_.rest, step).contacts;
    }
  }

  Status append(int label, std::uint32_t connect, std::uint32_t high, bool sampled) {
    plan::ProgramStep step;
    step.label = static_cast<std::uint16_t>(plan::kLabelContact + label);
    step.patient = true;
    step.ops.push_back(wire::DriveOp{static_cast<std::uint16_t>(connect), static_cast<std::uint16_t>(high)});
    step.ops.push_back(wire::RelayWaitOp{static_cast<std::uint32_t>(plan_.fixture.drive.settle.value * 1e6)});
    if (sampled) {
      std::uint64_t aux = 0;
      for (const auto& [drive, line] : used_) aux |= wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxDrive + drive));
      for (const plan::RailPlan& rail : plan_.rails) {
        aux |= wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRail + rail.channel)) |
               wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxCurrent + rail.channel));
      }
      step.ops.push_back(wire::SampleOp{0, aux, kConversions});
    }
    auto bytes = plan::encode(step);
    TH_TRY(bytes);
    program_.insert(program_.end(), bytes->begin(), bytes->end());
    return {};
  }

  // Lines that rest let go, with everything else at rest, so that nothing on the board drives them either: a drive
  // that sticks there would meet the board's own driver later on.
  Result<bool> look_at_shared() {
    std::uint32_t mask = 0;
    for (const auto& [drive, line] : used_) {
      if (!flips_.count(drive)) mask |= 1u << drive;
    }
    if (mask == 0) return true;
    TH_TRY(append(kFreeHigh, plan_.rest.drive_connect, plan_.rest.drive_high | mask, true));
    TH_TRY(append(kFreeLow, plan_.rest.drive_connect, plan_.rest.drive_high & ~mask, true));
    auto ended = execute_(program_, sink());
    program_.clear();
    TH_TRY(ended);
    if (!*ended) return false;
    std::string closed;
    for (const auto& [drive, line] : used_) {
      if (!flips_.count(drive) && sticks_closed(drive)) closed += (closed.empty() ? "" : ", ") + fmt::format("drive.{} ({})", drive, line);
    }
    if (!closed.empty()) tell_closed(closed);
    return true;
  }
  void tell_closed(const std::string& closed) {
    report_.aborted =
        record::Aborted{"self-test", closed, "fixture", fmt::format("{} does not let go of its line: replace its relay", closed)};
  }

  static constexpr int kFreeHigh = 0x100, kFreeLow = 0x101, kRest = 0x102, kLast = 0x103;

  Result<bool> look() {
    std::uint32_t mask = 0;
    for (const auto& [drive, line] : used_) mask |= 1u << drive;
    TH_TRY(append(kFreeHigh, 0, mask, true));
    TH_TRY(append(kFreeLow, 0, 0, true));
    TH_TRY(append(kRest, plan_.rest.drive_connect, plan_.rest.drive_high, true));
    for (const auto& [drive, contacts] : flips_) TH_TRY(append(drive, contacts.drive_connect, contacts.drive_high, true));
    TH_TRY(append(kLast, plan_.rest.drive_connect, plan_.rest.drive_high, false));
    return execute_(program_, sink());
  }

  link::Sink sink() {
    link::Sink reads;
    reads.sample = [this](const link::SampleBlock& block) {
      Seen& seen = seen_[block.step - plan::kLabelContact];
      for (const link::ChannelSample& c : block.channels) {
        const double mean = static_cast<double>(c.counts.sum) / std::max<int>(1, c.counts.n);
        const auto& sense = plan_.fixture.sense;
        if (c.kind == link::ChannelKind::drive) seen.lead[c.index] = (sense.offset + sense.per_count * mean).value;
        if (c.kind == link::ChannelKind::rail) {
          const auto& rail = plan_.fixture.rails.at(static_cast<std::size_t>(c.index));
          seen.rail[c.index] = (rail.volts_offset + rail.volts_per_count * mean).value;
        }
        if (c.kind == link::ChannelKind::current) {
          seen.amps[c.index] = plan_.fixture.rails.at(static_cast<std::size_t>(c.index)).per_count.value * mean;
        }
      }
    };
    return reads;
  }

  std::optional<double> volts_of(const plan::Feed& feed, const Seen& seen) const {
    if (feed.kind == plan::Feed::Kind::ground) return 0.0;
    if (feed.kind != plan::Feed::Kind::rail) return std::nullopt;
    const auto found = seen.rail.find(feed.rail);
    return found == seen.rail.end() ? std::nullopt : std::optional<double>(found->second);
  }
  Feeds feeds_of(int drive, const Seen& seen) const {
    const plan::Supplied& bank = plan_.banks.at(static_cast<std::size_t>(drive / plan::kDrivesPerBank));
    return {volts_of(bank.low, seen), volts_of(bank.high, seen)};
  }

  bool sticks_closed(int drive) const {
    const double high = seen_.at(kFreeHigh).lead.at(drive), low = seen_.at(kFreeLow).lead.at(drive);
    const auto share = followed(high, low, feeds_of(drive, seen_.at(kFreeHigh)));
    return share && *share > kLetGo;
  }

  // The lead at rest and at its other level, each with whether it is driven there.
  bool sticks_open(int drive, bool& shorted) const {
    const Contacts& flip = flips_.at(drive);
    const Seen &rest = seen_.at(kRest), &other = seen_.at(drive);
    const auto on = [&](const Contacts& c) { return (c.drive_connect >> drive & 1u) != 0; };
    const auto high = [&](const Contacts& c) { return (c.drive_high >> drive & 1u) != 0; };
    const Feeds feeds = feeds_of(drive, other);
    const bool rest_high = on(plan_.rest) ? high(plan_.rest) : !high(flip);
    Feeds driven;
    (rest_high ? driven.high : driven.low) = on(plan_.rest) ? (rest_high ? feeds.high : feeds.low) : std::nullopt;
    (rest_high ? driven.low : driven.high) = on(flip) ? (rest_high ? feeds.low : feeds.high) : std::nullopt;
    if (!driven.low && !driven.high) return false;
    const double at_rest = rest.lead.at(drive), at_other = other.lead.at(drive);
    const auto share = followed(rest_high ? at_rest : at_other, rest_high ? at_other : at_rest, driven);
    if (!share || *share >= kDriven) return false;
    // What flows that did not flow at rest, against what the series resistance would let through.
    double more = 0.0;
    for (const auto& [rail, amps] : other.amps) more = std::max(more, std::fabs(amps - rest.amps.at(rail)));
    const double missing = std::fabs((rest_high ? driven.low : driven.high).value_or(at_rest) - at_other);
    shorted = more > std::max(kCurrentLeast.value, kShortedShare * missing / plan_.fixture.drive.series.value);
    return true;
  }

  void judge() {
    std::string open, closed, shorted;
    int count = 0;
    const auto name = [](std::string& all, const std::string& one) { all += (all.empty() ? "" : ", ") + one; };
    for (const auto& [drive, line] : used_) {
      const std::string who = fmt::format("drive.{} ({})", drive, line);
      if (sticks_closed(drive)) name(closed, who);
      bool is_shorted = false;
      if (!flips_.count(drive) || !sticks_open(drive, is_shorted)) continue;
      name(is_shorted ? shorted : open, who);
      ++count;
    }
    if (!open.empty()) {
      const bool all = count == static_cast<int>(flips_.size()) && count > 1;
      report_.aborted = record::Aborted{
          "self-test", open, "fixture",
          all ? fmt::format("none of the drives takes its line to a level ({}): check the banks' low and high terminals and the coil supply", open)
              : fmt::format("{} does not take its line to its levels, read back at its lead: replace its relay; check the bank's terminals", open)};
    } else if (!closed.empty()) {
      tell_closed(closed);
    } else if (!shorted.empty()) {
      report_.aborted = record::Aborted{"shorted-lines", shorted, "board",
                                        fmt::format("{} is held where it is, and takes current: look for a short of the line", shorted)};
    }
  }

  const plan::Plan& plan_;
  const Execute& execute_;
  std::map<int, std::string> used_;    // drive channel, line
  std::map<int, Contacts> flips_;      // of those that can be taken to their other level
  std::map<int, Seen> seen_;           // by label: a drive's number, or kFree...
  std::vector<std::uint8_t> program_;
  CheckReport report_;
};

}  // namespace

Result<CheckReport> check_drives(const plan::Plan& plan, const Execute& execute) { return DriveCheck(plan, execute).run(); }

}  // namespace tenterhook::commands
