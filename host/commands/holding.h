// A board under power in the hand of a person: held at a step, looped up to it, its lines read again and again.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "host/circuit/simulator.h"
#include "host/commands/bench.h"
#include "host/plan/program.h"
#include "host/power/sequence.h"
#include "host/report/hold_screen.h"

namespace tenterhook::commands {

class Holding {
 public:
  // Error: the board's circuit cannot be built.
  static Result<std::unique_ptr<Holding>> make(plan::Plan plan, Bench bench);
  Holding(const Holding&) = delete;
  Holding& operator=(const Holding&) = delete;

  // False when a trip or a rail that does not come up has opened everything (screen().message says why).
  Result<bool> power_up();
  // Runs vectors up to and with `step`, without sampling. A step behind the present one starts from the first again.
  Status reach(int step);
  Status do_next();
  Status set(const std::string& line, files::Bit bit);
  Status pulse(const std::string& line, int count);
  // One look at every sensed line and rail; false when the fixture has opened everything.
  Result<bool> look();
  // Steps first..last once more, sampled at the last; while that one is set, pulsed and sampled the trigger output is high.
  // The first sets every line. False as for look().
  Result<bool> loop(int first, int last);

  // The lead for the hand (`hookup: {hand: sense.N}`), as it reads now.
  struct HandReading {
    bool touching = false;
    Volts volts{}, U{};
  };
  bool has_hand() const { return plan_.hand >= 0; }
  Result<HandReading> hand();

  bool over() const { return over_; }
  report::HeldScreen& screen() { return screen_; }
  const plan::Plan& plan() const { return plan_; }
  Bench& bench() { return bench_; }
  // Keeps the board as it is for so long.
  Status idle(Seconds t);
  // Powers down and says what the rails read, on standard output or (when JSON goes there) beside it; the exit code.
  int down(bool to_stderr = false);

 private:
  Holding(plan::Plan plan, Bench bench, std::optional<circuit::Simulator> model);
  bool report_fault(const std::optional<link::FaultReport>& fault);
  Status apply(const files::Step& step);
  void note(const files::Step& step);
  void take(const link::SampleBlock& block);
  void judge(report::HeldLine& held, const measure::Counts& counts);
  // What each bus shows as a whole: the bit whose window holds the volts, '?' where neither does.
  void read_buses();
  void by_hand();

  plan::Plan plan_;
  Bench bench_;
  std::optional<circuit::Simulator> model_;
  power::Sequence sequence_;
  report::HeldScreen screen_;
  std::optional<plan::Contacts> contacts_;
  int next_ = 0;
  bool over_ = false;
  double on_s_ = 0.0;
};

// Who must keep a board under power while it is probed: the person, by holding a key (or a foot switch that
// types one) or the fixture's own hold-to-run switch. What is let go of is off kReleasedAfter later. Away from
// a terminal nobody can hold a key: the time limit alone ends it.
class HoldToRun {
 public:
  static constexpr double kReleasedAfter = 1.0;  // s; keyboards repeat a held key within half a second
  static constexpr double kGrace = 3.0;          // s, to take hold of it once the board is up
  explicit HoldToRun(bool needed) : needed_(needed) {}

  bool needed() const { return needed_; }
  // The board is up; the person has kGrace from `now` to take hold.
  void begin(double now) { last_ = now + kGrace - kReleasedAfter; }
  void key(double now) { last_ = std::max(last_, now); }
  void fixture_switch(bool held, double now) {
    if (held) last_ = std::max(last_, now);
  }
  bool released(double now) const { return needed_ && now - last_ > kReleasedAfter; }

 private:
  bool needed_;
  double last_ = 0.0;
};

// When the reading on the hand lead is to be taken: the lead has been off since the last one, touches
// now, and kSteadyLooks looks agree within their uncertainty.
class HandWatch {
 public:
  static constexpr int kSteadyLooks = 4;
  static constexpr double kSteadyVolts = 0.1;  // or half of U, whichever is more

  // A reading to be taken, or nothing yet.
  std::optional<Volts> look(const Holding::HandReading& reading);
  // What to tell the person now.
  const char* say() const;
  bool wants_touch() const { return off_; }

 private:
  bool off_ = false;
  std::vector<double> volts_;
};

}  // namespace tenterhook::commands
