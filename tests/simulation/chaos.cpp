#include "tests/simulation/chaos.h"

#include <algorithm>
#include <cmath>

#include "firmware/wire/frame.h"
#include "tests/simulation/scarce.h"

namespace tenterhook::simulation {

namespace {

using emulated::Picoseconds;

constexpr double kPicosecondsPerSecond = 1e12;
constexpr Picoseconds kByte = 20'000'000;  // ten bits at 500,000 baud
constexpr Picoseconds kHungLook = 5'000'000'000;
constexpr std::uint64_t kCallsMost = 3'000'000;
constexpr double kAllocationsAhead = 3000.0;
constexpr double kVirtualMostS = 900.0;
constexpr const char* kNames[kHarms] = {"flip",  "drop",      "duplicate", "truncate", "delay",       "swap",   "noise",
                                        "merge", "pause",     "stall",     "reset",    "hang",        "power-cut",
                                        "unplug", "vanish",   "stop-button", "cancel", "clock", "memory", "kill",        "board-fault",
                                        "fixture-fault", "glitch"};

Picoseconds ps(double seconds) { return static_cast<Picoseconds>(seconds * kPicosecondsPerSecond); }

}  // namespace

const char* name(Harm harm) { return kNames[harm]; }

std::optional<Harm> harm_named(const std::string& text) {
  for (std::uint32_t i = 0; i < kHarms; ++i) {
    if (text == kNames[i]) return static_cast<Harm>(i);
  }
  return std::nullopt;
}

bool Chaos::of_line() const { return (harms & ((1U << kBoardFault) - 1)) != 0; }  // the host's own troubles too

Chaos draw_chaos(std::uint64_t seed, std::uint32_t allowed, double length_s) {
  std::mt19937_64 random(seed * 0x9E3779B97F4A7C15ULL + 1);
  const auto uniform = [&](double a, double b) { return std::uniform_real_distribution<>(a, b)(random); };
  Chaos chaos;
  chaos.seed = seed;
  // Everything is drawn whether allowed or not, so that narrowing changes nothing else.
  std::uint32_t swarm = 0;
  for (std::uint32_t i = 0; i < kHarms; ++i) {
    const double often = is_event(static_cast<Harm>(i)) ? 0.12 : 0.4;
    if (uniform(0.0, 1.0) < often) swarm |= 1U << i;
  }
  if (uniform(0.0, 1.0) < 0.1) swarm &= ~((1U << kBoardFault) - 1);  // a quiet line now and then
  chaos.harms = swarm & allowed;
  for (std::uint32_t i = 0; i < kPause; ++i) {
    const double rate = std::pow(10.0, uniform(-3.5, -1.0));
    chaos.rate[i] = (chaos.harms >> i & 1U) != 0 ? rate : 0.0;
  }
  for (std::uint32_t i = kPause; i <= kKill; ++i) {
    const int count = uniform(0.0, 1.0) < 0.25 ? 2 : 1;
    for (int n = 0; n < count; ++n) {
      Event event;
      event.harm = static_cast<Harm>(i);
      event.at_s = uniform(0.0, 1.1 * length_s);
      const double shape = uniform(0.0, 1.0);
      event.duration_s = i == kPause || i == kClock ? 0.1 * std::pow(300.0, shape) : 0.05 * std::pow(10.0, shape);
      event.number = 1 + static_cast<std::uint64_t>(kAllocationsAhead * shape);
      if ((chaos.harms >> i & 1U) != 0) chaos.events.push_back(event);
    }
  }
  std::sort(chaos.events.begin(), chaos.events.end(), [](const Event& a, const Event& b) { return a.at_s < b.at_s; });
  return chaos;
}

ChaosPort::ChaosPort(emulated::Controller& controller, Chaos chaos, link::Cancellation& cancel, Watch& watch)
    : controller_(controller), chaos_(std::move(chaos)), cancel_(cancel), watch_(watch), random_(chaos_.seed) {}

Error ChaosPort::gone() { return fixture_error("simulated line", "the port is gone", "plug it in again"); }

Seconds ChaosPort::fixture_time() const { return Seconds{static_cast<double>(controller_.now()) / kPicosecondsPerSecond}; }

Seconds ChaosPort::now() { return fixture_time() + Seconds{clock_ahead_s_}; }

// A host that never comes to an end is a violation, not a test that never comes to an end.
Status ChaosPort::bound() {
  if (!vanished_ && (++watch_.calls > kCallsMost || fixture_time().value > kVirtualMostS)) {
    watch_.violations.push_back("hang: the host still asks after " + std::to_string(fixture_time().value) + " s");
    vanished_ = true;
  }
  return vanished_ ? Status(gone()) : Status();
}

void ChaosPort::look() {
  const auto truth = controller_.circuit().truth(controller_.now());
  if (hung_at_ != INT64_MAX && !truth.any_contact_closed && !truth.any_rail_on) {
    hung_at_ = INT64_MAX;  // it has let go; what the watchdog wakes up may be used again
    return;
  }
  const Picoseconds since = std::min(hung_at_, last_whole_);
  if (looked_ || controller_.now() - since < ps(kAllowedS)) return;
  looked_ = true;
  if (truth.any_contact_closed || truth.any_rail_on) {
    watch_.violations.push_back(std::string("left on: ") + (truth.any_contact_closed ? "a contact is closed" : "a rail is on") + " " +
                                std::to_string(static_cast<double>(controller_.now() - since) / 1e9) + " ms after the last " +
                                (hung_at_ < last_whole_ ? "sign of the firmware" : "whole frame"));
  }
}

void ChaosPort::collect() {
  for (const std::uint8_t byte : controller_.take_output()) {
    if (unplugged_) continue;
    partial_.push_back(byte);
    if (byte != 0) continue;
    ++watch_.frames;
    for (const Bytes& kept : harm(std::exchange(partial_, {}), 1)) ready_.insert(ready_.end(), kept.begin(), kept.end());
  }
}

void ChaosPort::deliver(const Bytes& bytes) {
  if (unplugged_ || bytes.empty()) return;
  controller_.feed(bytes, controller_.now());
  line_free_ = std::max(line_free_, controller_.now());
  for (const std::uint8_t byte : bytes) {
    line_free_ += kByte;
    if (monitor_.put(byte) != wire::FrameReader::Got::frame) continue;
    last_whole_ = line_free_;
    if (hung_at_ == INT64_MAX) looked_ = false;
  }
}

void ChaosPort::advance(Picoseconds until, bool stop_on_output) {
  while (controller_.now() < until) {
    Picoseconds next = until;
    for (const auto& held : held_) {
      if (!held.empty()) next = std::min(next, std::max(held.front().when, controller_.now() + 1));
    }
    const Picoseconds due = std::min(hung_at_, last_whole_) + ps(kAllowedS);
    if (!looked_ && due > controller_.now()) next = std::min(next, due);
    if (hung_at_ != INT64_MAX) next = std::min(next, controller_.now() + kHungLook);
    controller_.run_until(next, stop_on_output && controller_.now() >= stalled_until_);
    look();
    collect();
    for (int d = 0; d < 2; ++d) {
      while (!held_[d].empty() && held_[d].front().when <= controller_.now()) {
        const Bytes bytes = std::move(held_[d].front().bytes);
        held_[d].pop_front();
        if (d == 0) deliver(bytes);
        else ready_.insert(ready_.end(), bytes.begin(), bytes.end());
      }
    }
    if (stop_on_output && !ready_.empty() && controller_.now() >= stalled_until_) return;
  }
}

std::vector<ChaosPort::Bytes> ChaosPort::harm(const Bytes& frame, int direction) {
  std::vector<Bytes> out;
  Bytes f = frame;
  const auto pick = [&](std::size_t n) { return std::uniform_int_distribution<std::size_t>(0, n - 1)(random_); };
  bool kept = true, harmed = true;
  if (chance(kFlip)) f[pick(f.size())] ^= static_cast<std::uint8_t>(1U << pick(8));
  else if (chance(kTruncate)) f.erase(f.begin() + static_cast<std::ptrdiff_t>(pick(f.size())), f.end() - 1);
  else if (chance(kMerge)) f.pop_back();
  else harmed = false;
  if (chance(kDrop)) kept = false, harmed = true;
  if (chance(kNoise)) {
    Bytes noise(1 + pick(12));
    for (std::uint8_t& b : noise) b = static_cast<std::uint8_t>(random_());
    out.push_back(noise);
    harmed = true;
  }
  if (kept && chance(kDelay)) {
    const auto when = controller_.now() + ps(std::uniform_real_distribution<>(0.0005, 0.15)(random_));
    held_[direction].push_back({when, f});
    std::sort(held_[direction].begin(), held_[direction].end(), [](const Held& a, const Held& b) { return a.when < b.when; });
    kept = false;
    harmed = true;
  }
  if (kept && !swapped_[direction] && chance(kSwap)) {
    swapped_[direction] = f;
    kept = false;
    harmed = true;
  }
  if (kept) {
    out.push_back(f);
    if (chance(kDuplicate)) out.push_back(f), harmed = true;
    if (swapped_[direction]) out.push_back(*std::exchange(swapped_[direction], std::nullopt));
  }
  watch_.harmed += harmed;
  return out;
}

Status ChaosPort::happen(const Event& event) {
  ++watch_.events;
  const Picoseconds now = controller_.now();
  switch (event.harm) {
    case kPause: advance(now + ps(event.duration_s), false); break;
    case kStall: stalled_until_ = now + ps(event.duration_s); break;
    case kReset: controller_.inject(emulated::Injection::reset_line); break;
    case kHang:
      controller_.inject(emulated::Injection::hang);
      hung_at_ = std::min(hung_at_, now);
      looked_ = false;
      break;
    case kPowerCut: controller_.inject(emulated::Injection::power_cut); break;
    case kUnplug: unplugged_ = true; break;
    case kVanish: vanished_ = true; return gone();
    case kStopButton:
      controller_.circuit().press_stop(now, true);
      watch_.stop_pressed = true;
      break;
    case kCancel:
      cancel_.request();
      watch_.cancelled = true;
      break;
    case kClock: clock_ahead_s_ += event.duration_s; break;
    case kMemory: scarce::fail_allocation(event.number); break;
    default:  // killed: nothing of the host's runs any more, not even its way out
      watch_.killed = true;
      vanished_ = true;
      return gone();
  }
  return {};
}

Result<std::size_t> ChaosPort::read(std::span<std::uint8_t> into, Seconds patience) {
  const scarce::Plenty world;
  TH_TRY(bound());
  const Picoseconds until = controller_.now() + std::max<Picoseconds>(1, ps(patience.value));
  while (next_event_ < chaos_.events.size() && chaos_.events[next_event_].at_s <= fixture_time().value) {
    TH_TRY(happen(chaos_.events[next_event_++]));
  }
  collect();
  if (ready_.empty() || controller_.now() < stalled_until_) {
    Picoseconds stop = until;
    if (next_event_ < chaos_.events.size()) {
      stop = std::min(stop, std::max(controller_.now() + 1, ps(chaos_.events[next_event_].at_s) + 1));
    }
    advance(stop, true);
  }
  if (controller_.now() < stalled_until_) return std::size_t{0};
  const std::size_t n = std::min(into.size(), ready_.size());
  std::copy_n(ready_.begin(), n, into.begin());
  ready_.erase(ready_.begin(), ready_.begin() + static_cast<std::ptrdiff_t>(n));
  return n;
}

Status ChaosPort::write(std::span<const std::uint8_t> bytes) {
  const scarce::Plenty world;
  TH_TRY(bound());
  const Bytes frame(bytes.begin(), bytes.end());
  if (frame.size() <= wire::kStopZeros) {  // the stop is no frame; it keeps nothing alive
    deliver(frame);
    return {};
  }
  ++watch_.frames;
  for (const Bytes& sent : harm(frame, 0)) deliver(sent);
  return {};
}

void look_after_the_end(emulated::Controller& controller, ChaosPort::Watch& watch) {
  constexpr Picoseconds kOnTheLine = 40'000'000'000;  // what the host wrote last still arrives
  controller.run_until(controller.now() + ps(ChaosPort::kAllowedS) + kOnTheLine, false);
  const auto truth = controller.circuit().truth(controller.now());
  if (truth.any_contact_closed) watch.violations.push_back("left on: a contact is closed after the end");
  if (truth.any_rail_on) watch.violations.push_back("left on: a rail is on after the end");
}

}  // namespace tenterhook::simulation
