#include "host/plan/hookup.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

namespace tenterhook::plan {

namespace {

using files::Board;
using files::Channel;
using files::DriveLevel;
using files::Line;
using files::LineKind;

bool is_driven(const Line& line) {
  return line.kind == LineKind::input || line.kind == LineKind::clock || line.kind == LineKind::both;
}

bool is_sensed(const Line& line) {
  return line.kind == LineKind::output || line.kind == LineKind::both || line.kind == LineKind::probe;
}

int channels_of(const files::Fixture& fixture, const std::string& kind) {
  if (kind == "drive") return fixture.drive.channels;
  if (kind == "fast") return fixture.fast.channels;
  if (kind == "sense") return fixture.sense.channels;
  if (kind == "rail") return static_cast<int>(fixture.rails.size());
  return 0;
}

bool is_off(const Board& board, const std::string& name) {
  return std::count(board.not_built.begin(), board.not_built.end(), name) > 0;
}

// --- channels -----------------------------------------------------------------------------------

// Keeps track of what is taken and hands out the lowest free channel of a kind.
class Allocator {
 public:
  explicit Allocator(const files::Fixture& fixture) : fixture_(fixture) {}

  Status take(const std::string& user, const Channel& channel, const std::string& where) {
    const int there = channels_of(fixture_, channel.kind);
    if (channel.index < 0 || channel.index >= there) {
      return input_error(where, fmt::format("{} is hooked to {}, but fixture '{}' has {}", user,
                                            channel.text(), fixture_.name,
                                            there == 0 ? "no such channels"
                                                       : fmt::format("{}.0..{}", channel.kind, there - 1)));
    }
    if (!taken_.insert(channel.text()).second) {
      return input_error(where, fmt::format("{} is hooked to {}, which another lead uses already", user,
                                            channel.text()),
                         "give each lead a channel of its own");
    }
    return {};
  }

  std::optional<Channel> next(const std::string& kind, int first = 0, int last = -1) {
    if (last < 0) last = channels_of(fixture_, kind) - 1;
    for (int i = first; i <= last; ++i) {
      Channel channel{kind, i};
      if (taken_.insert(channel.text()).second) return channel;
    }
    return std::nullopt;
  }

 private:
  const files::Fixture& fixture_;
  std::set<std::string> taken_;
};

std::string where_of(const Board& board) { return board.path; }

Error too_many(const Board& board, const files::Fixture& fixture, const std::string& what,
               const std::string& kind) {
  return input_error(where_of(board),
                     fmt::format("{} has no free {} channel: fixture '{}' has {}", what, kind, fixture.name,
                                 channels_of(fixture, kind)),
                     "write a hookup for the part to be tested now, or use a larger fixture");
}

// The sense channel of a line that is both driven and sensed is kept under "LINE sense".
std::string sense_key(const Line& line) {
  return line.kind == LineKind::both ? line.name + " sense" : line.name;
}

Status use_written(Plan& plan, Allocator& free) {
  const Board& board = plan.vectors.board;
  for (const auto& [name, channel] : board.hookup) {
    TH_TRY(free.take(name, channel, where_of(board)));
    if (name == "hand") {
      plan.hand = channel.index;  // hangs on nothing: no line of the board
      continue;
    }
    plan.hookup[name] = channel;
  }
  for (const Line& line : board.lines) {
    if (line.kind == LineKind::probe || is_off(board, line.name)) continue;
    if (!plan.hookup.count(line.name)) {
      return input_error(line.mark.text(), fmt::format("line {} has no place in the hookup", line.name),
                         "add it, or leave the whole hookup out to have channels assigned");
    }
    const Channel& channel = plan.hookup[line.name];
    const bool drives = channel.kind == "drive" || channel.kind == "fast";
    if (is_driven(line) && !drives) {
      return input_error(line.mark.text(), fmt::format("line {} must be driven, but is hooked to {}",
                                                       line.name, channel.text()),
                         "use a drive or fast channel");
    }
    if (line.kind == LineKind::output && channel.kind != "sense") {
      return input_error(line.mark.text(), fmt::format("output {} is hooked to {}", line.name, channel.text()),
                         "outputs go to sense channels");
    }
    if (const auto own = board.hookup_sense.find(line.name); own != board.hookup_sense.end()) {
      TH_TRY(free.take(line.name, own->second, line.mark.text()));
      plan.hookup[sense_key(line)] = own->second;
    } else if (line.kind == LineKind::both) {
      const auto sense = free.next("sense");
      if (!sense) return too_many(board, plan.fixture, "line " + line.name, "sense");
      plan.hookup[sense_key(line)] = *sense;
    }
  }
  for (const files::Rail& rail : board.rails) {
    if (plan.hookup.count(rail.name)) continue;
    return input_error(rail.mark.text(), fmt::format("rail {} has no place in the hookup", rail.name),
                       "add it, or leave the whole hookup out to have channels assigned");
  }
  return {};
}

Status assign(Plan& plan, Allocator& free) {
  const Board& board = plan.vectors.board;
  // Large currents first: a rail gets the smallest channel that can carry it, so that its current is
  // read with the finest step.
  std::vector<const files::Rail*> rails;
  for (const files::Rail& rail : board.rails) rails.push_back(&rail);
  std::stable_sort(rails.begin(), rails.end(), [](auto* a, auto* b) { return a->limit > b->limit; });
  std::set<int> used;
  for (const files::Rail* rail : rails) {
    int best = -1;
    for (int i = 0; i < static_cast<int>(plan.fixture.rails.size()); ++i) {
      const auto& channel = plan.fixture.rails[i];
      if (used.count(i) || channel.max < rail->limit) continue;
      if (rail->soft_start && !channel.pre_charge) continue;
      const bool better = best < 0 || channel.max < plan.fixture.rails[best].max;
      if (better) best = i;
    }
    if (best < 0) {
      return input_error(rail->mark.text(),
                         fmt::format("no free rail channel of fixture '{}' can carry rail {} ({}{})",
                                     plan.fixture.name, rail->name, text(rail->limit),
                                     rail->soft_start ? ", with a pre-charge path" : ""),
                         "lower its limit, or feed it by another fixture");
    }
    used.insert(best);
    plan.hookup[rail->name] = Channel{"rail", best};
  }
  // Drives: lines that are fed alike share a bank.
  std::map<std::string, int> bank_of;
  for (const Line& line : board.lines) {
    if (is_off(board, line.name)) continue;
    const files::Family* family = board.family_of(line);
    std::optional<Channel> channel;
    if (line.kind == LineKind::clock) channel = free.next("fast");
    if (is_driven(line) && !channel) {
      const std::string feed = family ? fmt::format("{}/{}/{} {}/{}/{}", int(family->drive_low.kind),
                                                    family->drive_low.rail, family->drive_low.volts.value,
                                                    int(family->drive_high.kind), family->drive_high.rail,
                                                    family->drive_high.volts.value)
                                      : "";
      const auto [place, fresh] = bank_of.try_emplace(feed, static_cast<int>(bank_of.size()));
      const int bank = place->second;
      channel = bank < kBanks ? free.next("drive", bank * kDrivesPerBank, (bank + 1) * kDrivesPerBank - 1)
                              : std::nullopt;
      // A single feed may run on into the other banks while nobody else needs them.
      if (!channel) channel = free.next("drive");
    }
    if (is_driven(line)) {
      if (!channel) return too_many(board, plan.fixture, "line " + line.name, "drive");
      plan.hookup[line.name] = *channel;
    }
    if (is_sensed(line) && line.kind != LineKind::probe) {
      const auto sense = free.next("sense");
      if (!sense) return too_many(board, plan.fixture, "line " + line.name, "sense");
      plan.hookup[sense_key(line)] = *sense;
    }
  }
  return {};
}

// --- feeds --------------------------------------------------------------------------------------

Result<Feed> feed_of(const Plan& plan, const DriveLevel& level, const Line& line) {
  constexpr double kSameVolts = 0.05;  // a rail within 5 % of the family's volts feeds it
  const Board& board = plan.vectors.board;
  switch (level.kind) {
    case DriveLevel::Kind::open: return Feed{};
    case DriveLevel::Kind::ground: return Feed{Feed::Kind::ground, -1};
    case DriveLevel::Kind::rail: return Feed{Feed::Kind::rail, plan.hookup.at(level.rail).index};
    case DriveLevel::Kind::volts: break;
  }
  if (level.volts.value == 0.0) return Feed{Feed::Kind::ground, -1};
  for (const files::Rail& rail : board.rails) {
    if (abs(rail.nominal - level.volts) <= abs(level.volts) * kSameVolts) {
      return Feed{Feed::Kind::rail, plan.hookup.at(rail.name).index};
    }
  }
  return input_error(line.mark.text(),
                     fmt::format("line {} is to be driven to {}, but no rail of the board has that voltage",
                                 line.name, text(level.volts)),
                     "name the rail that shall feed it: drive: {high: RAIL}");
}

Status join_feed(Feed& bank, const Feed& wanted, const Line& line, const Channel& channel,
                 const char* side) {
  if (wanted.kind == Feed::Kind::none) return {};
  if (bank.kind == Feed::Kind::none) {
    bank = wanted;
    return {};
  }
  if (bank == wanted) return {};
  return input_error(line.mark.text(),
                     fmt::format("{} ({}) needs another {} level than the lines that share its bank", line.name,
                                 channel.text(), side),
                     fmt::format("move it to the other bank of {} drives", kDrivesPerBank));
}

Status make_feeds(Plan& plan) {
  const Board& board = plan.vectors.board;
  for (const Line& line : board.lines) {
    if (!is_driven(line) || is_off(board, line.name)) continue;
    const files::Family* family = board.family_of(line);
    if (!family) return bug_error(fmt::format("driven line {} has no family", line.name));
    const Channel& channel = plan.hookup.at(line.name);
    Supplied& supplied = channel.kind == "fast" ? plan.fasts.at(channel.index)
                                                : plan.banks.at(channel.index / kDrivesPerBank);
    auto low = feed_of(plan, family->drive_low, line);
    auto high = feed_of(plan, family->drive_high, line);
    TH_TRY(low);
    TH_TRY(high);
    TH_TRY(join_feed(supplied.low, *low, line, channel, "low"));
    TH_TRY(join_feed(supplied.high, *high, line, channel, "high"));
    if (line.kind == LineKind::clock && channel.kind == "drive") {
      plan.warnings.push_back(fmt::format(
          "clock {} goes through a relay contact ({}): contacts bounce and may clock the board twice; "
          "use a fast channel", line.name, channel.text()));
    }
  }
  return {};
}

// --- rails --------------------------------------------------------------------------------------

// Fewer steps of the current sensor below a limit leave the trip to chance.
constexpr double kLimitSteps = 20.0;

void warn_of_coarse_limit(Plan& plan, const files::Rail& rail, int channel) {
  const auto& there = plan.fixture.rails.at(channel);
  const double steps = rail.limit / there.per_count;
  if (steps >= kLimitSteps) return;
  plan.warnings.push_back(fmt::format("the limit of rail {}, {}, is {:.0f} step{} of the current sensor of rail.{} ({} each): the trip may come "
                                      "that much early or late; a rail channel for smaller currents knows better",
                                      rail.name, text(rail.limit), std::floor(steps), steps < 2.0 ? "" : "s", channel, text(there.per_count)));
}

Status check_rail(const Plan& plan, const files::Rail& rail, int channel) {
  const auto& there = plan.fixture.rails.at(channel);
  if (rail.limit > there.max) {
    return input_error(rail.mark.text(), fmt::format("rail {} may draw {}, but rail.{} of the fixture carries {}",
                                                     rail.name, text(rail.limit), channel, text(there.max)));
  }
  if (rail.soft_start && !there.pre_charge) {
    return input_error(rail.mark.text(), fmt::format("rail {} asks for a soft start, but rail.{} has no "
                                                     "pre-charge path", rail.name, channel));
  }
  for (const Volts v : {rail.window.min, rail.window.max}) {
    if (v < plan.fixture.sense.span_min || v > plan.fixture.sense.span_max) {
      return input_error(rail.mark.text(),
                         fmt::format("rail {} may reach {}, outside the fixture's span of {} to {}", rail.name,
                                     text(v), text(plan.fixture.sense.span_min),
                                     text(plan.fixture.sense.span_max)),
                         "`tenterhook fixture design` proposes parts for another span");
    }
  }
  return {};
}

// Between any two rails, 0 V included: the fixture's rating is for what can meet on adjacent contacts.
Status check_differences(const Plan& plan) {
  Volts least{0.0}, most{0.0};
  const files::Rail *lowest = nullptr, *highest = nullptr;
  for (const files::Rail& rail : plan.vectors.board.rails) {
    if (rail.window.min < least) { least = rail.window.min; lowest = &rail; }
    if (rail.window.max > most) { most = rail.window.max; highest = &rail; }
  }
  if (most - least <= plan.fixture.max_difference) return {};
  const files::Rail& at = highest ? *highest : *lowest;
  return input_error(at.mark.text(),
                     fmt::format("{} and {} can differ by {:.3g} V; the fixture is rated for {:.3g} V DC and refuses more",
                                 lowest ? "rail " + lowest->name : "0 V", highest ? "rail " + highest->name : "0 V",
                                 (most - least).value, plan.fixture.max_difference.value));
}

Status order_rails(Plan& plan) {
  const Board& board = plan.vectors.board;
  std::set<std::string> up;
  while (up.size() < board.rails.size()) {
    bool moved = false;
    for (const files::Rail& rail : board.rails) {
      if (up.count(rail.name)) continue;
      const bool ready = std::all_of(rail.after.begin(), rail.after.end(),
                                     [&](const std::string& name) { return up.count(name) > 0; });
      if (!ready) continue;
      RailPlan planned;
      planned.rail = rail;
      planned.channel = plan.hookup.at(rail.name).index;
      planned.order = static_cast<int>(plan.rails.size());
      for (const files::Rail& other : board.rails) {
        planned.protecting |= std::count(other.after.begin(), other.after.end(), rail.name) > 0;
      }
      TH_TRY(check_rail(plan, rail, planned.channel));
      warn_of_coarse_limit(plan, planned.rail, planned.channel);
      plan.rails.push_back(planned);
      up.insert(rail.name);
      moved = true;
    }
    if (moved) continue;
    for (const files::Rail& rail : board.rails) {
      if (!up.count(rail.name)) {
        return input_error(rail.mark.text(), fmt::format("rail {} waits for itself: its `after` goes in a circle",
                                                         rail.name));
      }
    }
  }
  // A heater is a load, not a protection: what comes after it need not outlive it.
  for (RailPlan& rail : plan.rails) {
    if (rail.rail.soft_start) rail.protecting = false;
  }
  return check_differences(plan);
}

// --- the wiring list ----------------------------------------------------------------------------

std::string feed_text(const Plan& plan, const Feed& feed) {
  if (feed.kind == Feed::Kind::ground) return "0 V";
  for (const RailPlan& rail : plan.rails) {
    if (rail.channel == feed.rail) return fmt::format("rail.{} ({})", feed.rail, rail.rail.name);
  }
  return "nothing";
}

void write_wiring(Plan& plan) {
  const Board& board = plan.vectors.board;
  for (const RailPlan& rail : plan.rails) {
    plan.wiring.push_back(fmt::format("{:<9} {:<10} {}, at most {}", fmt::format("rail.{}", rail.channel),
                                      rail.rail.name, text(rail.rail.nominal), text(rail.rail.limit)));
  }
  auto feeds = [&](const char* what, int index, const Supplied& s) {
    if (s == Supplied{}) return;
    plan.wiring.push_back(fmt::format("{} {}: low terminal to {}, high terminal to {}", what, index,
                                      feed_text(plan, s.low), feed_text(plan, s.high)));
  };
  for (int i = 0; i < kBanks; ++i) feeds("drive bank", i, plan.banks[i]);
  for (int i = 0; i < kBanks; ++i) feeds("fast line", i, plan.fasts[i]);
  for (const Line& line : board.lines) {
    for (const std::string& key : {line.name, line.name + " sense"}) {
      const auto found = plan.hookup.find(key);
      if (found == plan.hookup.end()) continue;
      std::string more;
      for (const auto& resistor : {line.pull, line.load}) {
        if (resistor && found->second.kind == "sense") more += fmt::format(", with {} to {}", text(resistor->ohms), resistor->to);
      }
      plan.wiring.push_back(fmt::format("{:<9} {:<10} {}{}", found->second.text(), line.name, line.family, more));
    }
  }
  if (plan.hand >= 0) plan.wiring.push_back(fmt::format("{:<9} {:<10} an insulated probe, for your hand", fmt::format("sense.{}", plan.hand), "hand"));
}

}  // namespace

Status make_hookup(Plan& plan) {
  Allocator free(plan.fixture);
  TH_TRY(plan.vectors.board.has_hookup ? use_written(plan, free) : assign(plan, free));
  TH_TRY(order_rails(plan));
  TH_TRY(make_feeds(plan));
  write_wiring(plan);
  return {};
}

}  // namespace tenterhook::plan
