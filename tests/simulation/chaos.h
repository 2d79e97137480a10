// What can go wrong between a host and a board, drawn from one seed, and the line that does it.
#pragma once

#include <array>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "firmware/wire/frame.h"
#include "fixtures/emulated/fixture/controller.h"
#include "host/link/cancel.h"
#include "host/link/port.h"

namespace tenterhook::simulation {

// Kinds of harm. Each seed switches some of them off (a swarm): combinations that a mixture of
// everything would hide come up.
enum Harm : std::uint32_t {
  // to single frames
  kFlip,       // one bit
  kDrop,
  kDuplicate,
  kTruncate,
  kDelay,      // up to 150 ms, others overtake it
  kSwap,       // two neighbours change places
  kNoise,      // bytes that nobody sent
  kMerge,      // the end of a frame is lost: two become one
  // once or twice in a run
  kPause,      // the host sleeps, 0.1 to 30 s
  kStall,      // nothing reaches the host for 50 to 500 ms, then everything at once
  kReset,      // the controller's reset line
  kHang,       // the firmware stops
  kPowerCut,   // the controller's supply, for good
  kUnplug,     // bytes vanish both ways, the port says nothing
  kVanish,     // the port fails
  kStopButton, // pressed by the person at the fixture
  kCancel,     // Ctrl-C
  kClock,      // the host's clock jumps ahead, 0.1 to 30 s, while nothing else does
  kMemory,     // one of the host's next allocations fails
  kKill,       // the host is gone from one moment to the next
  // of the parts
  kBoardFault,
  kFixtureFault,
  kGlitch,     // spikes of up to 40 V for up to 0.3 ms on lines of the board
  kHarms
};
const char* name(Harm harm);
std::optional<Harm> harm_named(const std::string& text);
constexpr std::uint32_t kEveryHarm = (1U << kHarms) - 1;
// Unless asked for: memory that ends inside a library which cannot say so ends the program, and this one with it.
constexpr std::uint32_t kAllHarms = kEveryHarm & ~(1U << kMemory);
constexpr bool is_event(Harm harm) { return harm >= kPause && harm <= kKill; }

struct Event {
  Harm harm = kPause;
  double at_s = 0.0;        // of virtual time after the session was opened
  double duration_s = 0.0;  // pause, stall, clock
  std::uint64_t number = 0; // memory: which allocation
};

struct Chaos {
  std::uint64_t seed = 0;
  std::uint32_t harms = 0;  // bits that this run may use
  std::array<double, kPause> rate{};  // of each frame harm, a frame
  std::vector<Event> events;
  bool of_line() const;     // any harm but those of the parts
};
// Draws what happens in a run of about `length_s`; `allowed` narrows it (for shrinking).
Chaos draw_chaos(std::uint64_t seed, std::uint32_t allowed, double length_s);

// The lockstep line with that chaos on it. Besides harming, it watches the fixture's truth: whatever
// happens, everything must be open and off 250 ms after the last whole frame, or after a hang.
class ChaosPort : public link::Port {
 public:
  static constexpr double kAllowedS = 0.250;

  struct Watch {
    std::vector<std::string> violations;
    std::uint64_t frames = 0, harmed = 0, events = 0;
    std::uint64_t calls = 0;
    bool killed = false, cancelled = false, stop_pressed = false, memory_failed = false;
  };
  // `watch`, `cancel` and the controller outlive it.
  ChaosPort(emulated::Controller& controller, Chaos chaos, link::Cancellation& cancel, Watch& watch);

  Result<std::size_t> read(std::span<std::uint8_t> into, Seconds patience) override;
  Status write(std::span<const std::uint8_t> bytes) override;
  Seconds now() override;
  bool lockstep() const override { return true; }
  std::string describe() const override { return "simulated line"; }

 private:
  using Bytes = std::vector<std::uint8_t>;
  struct Held {
    emulated::Picoseconds when;
    Bytes bytes;
  };
  bool chance(Harm harm) { return std::uniform_real_distribution<>(0.0, 1.0)(random_) < chaos_.rate[harm]; }
  // A frame on its way: what arrives at the other end now; later ones go to `held`.
  std::vector<Bytes> harm(const Bytes& frame, int direction);
  Status bound();
  Status happen(const Event& event);
  // Lets the world go on to `until`, looking at the truth in between; stops at bytes for the host if told so.
  void advance(emulated::Picoseconds until, bool stop_on_output);
  void deliver(const Bytes& bytes);
  void collect();
  void look();
  static Error gone();
  Seconds fixture_time() const;

  emulated::Controller& controller_;
  Chaos chaos_;
  link::Cancellation& cancel_;
  Watch& watch_;
  std::mt19937_64 random_;
  std::size_t next_event_ = 0;
  emulated::Picoseconds stalled_until_ = 0;
  emulated::Picoseconds last_whole_ = 0;  // arrival of the last whole frame at the fixture
  emulated::Picoseconds line_free_ = 0;
  emulated::Picoseconds hung_at_ = INT64_MAX;
  double clock_ahead_s_ = 0.0;
  bool vanished_ = false, unplugged_ = false, looked_ = false;
  std::deque<Held> held_[2];
  std::optional<Bytes> swapped_[2];
  wire::FrameReader monitor_;  // what the fixture takes for whole
  Bytes partial_;
  std::deque<std::uint8_t> ready_;
};

// Lets the fixture run alone for the allowed time after the host has gone, then looks once more.
void look_after_the_end(emulated::Controller& controller, ChaosPort::Watch& watch);

}  // namespace tenterhook::simulation
