// Shots at a powered board: a state made again, one stimulus of the timer, and what the comparator, the counter or
// the converter saw of it. Builds step programs, runs them over the session, brings results into seconds and volts.
//
// Instants are in seconds from the leading edge at the controller's pin. Volts are those of the channel models.
// Errors: the session's. A trip ends everything: the call fails (Trouble::fixture) and fault() tells it.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "firmware/wire/program.h"
#include "host/link/session.h"
#include "host/measure/uncertainty.h"
#include "host/plan/plan.h"
#include "host/timing/paths.h"
#include "host/timing/search.h"
#include "host/timing/waveform.h"

namespace tenterhook::timing {

inline constexpr Seconds kSettleLeast{50e-6};   // after a change, before the next one
inline constexpr Seconds kPulseUsual{100e-6};
inline constexpr int kShotsMost = 4096;

// What the comparator saw in one shot.
struct Shot {
  struct Edge {
    double t_s = 0.0;
    bool rising = false;
  };
  std::vector<Edge> edges;   // caught ones, in order
  std::uint32_t rises = 0, falls = 0;
  bool missed = false, high_before = false;
  // The first one of a direction at or after an instant.
  std::optional<double> first(bool rising, double from_s) const;
};

// A stimulus of a trial, in ticks of the fixture's clock.
struct Stimulus {
  enum class Kind { pulse, burst, pair } kind = Kind::pulse;
  std::string line;            // pulse, burst: the clock; pair: the clock on fast.0
  std::uint32_t width = 0, gap = 0, count = 1;
  std::string data;            // pair: routed to fast.1
  std::uint32_t data_width = 0;
  std::int32_t offset = 0;     // pair: data's leading edge after the clock's
  // Outputs are looked at so long after the (clock's) leading edge, by a delayed sample: single pulses and pairs.
  // 0: when they have had the time that the board file gives them.
  Seconds look{};
};

class Stand {
 public:
  // All outlive it. sense: channel models by index.
  Stand(link::Session& session, const plan::Plan& plan, std::vector<measure::ChannelModel> sense);

  double tick_s() const { return 1.0 / session_.identity().clock_hz; }
  long ticks(double seconds) const;
  const std::optional<link::FaultReport>& fault() const { return fault_; }
  long relay_moves() const { return relay_moves_; }
  long shots() const { return shots_; }
  Seconds settle() const { return settle_; }

  // Settled volts of a line in the state before a path's edge and after it; the stimulus is held as a level.
  struct Settled {
    double before_v = 0.0, after_v = 0.0, u_v = 0.0;
  };
  Result<Settled> settled(const Path& path, int sense);
  // The width of a path's pulse: long enough for its outputs to settle.
  Seconds pulse_of(const std::string& line) const;
  // The comparator on `sense` at `threshold_v`, its hysteresis made up for in the direction asked for.
  Result<std::vector<Shot>> crossings(const Path& path, int sense, double threshold_v, bool rising, int shots);
  // The converter on `sense` at each delay, `shots` each; the mean of each. u_v: of one mean.
  Result<Waveform> waveform(const Path& path, int sense, const std::vector<long>& delays, int shots);
  // Counted edges on `sense` over a train of `count` pulses.
  struct Counted {
    long rises = 0, falls = 0;
  };
  Result<Counted> count(const Start& start, const std::string& clock, std::uint32_t count, std::uint32_t width, std::uint32_t gap, int sense,
                        double threshold_v);
  // Makes the start, the stimulus, and looks whether the outputs are as expected; unknown ones are not judged.
  Result<Tally> trial(const Start& start, const Stimulus& stimulus, const Levels3& expected, int repeats);
  // Every line back on its own channel and at rest, as the power-up left it.
  Status rest();
  // What trials judge by: measured settled levels of an output.
  void know(const std::string& output, double low_v, double high_v);

 private:
  class Script;
  int sense_of(const std::string& line) const;
  bool rests_high(const Start& start, const std::string& line) const;
  int channel(const std::string& line) const { return fast_of(plan_, line); }
  Status configure(const Start& start);
  Status again(const Start& start, Script& script);
  void set_fast(Script& script, const std::string& line, bool high);
  wire::PulseOp pulse(const Start& start, const std::string& line, Seconds width) const;
  Status run(Script& script);
  void stimulate(const Start& start, const Stimulus& stimulus, Script& script) const;
  int verdict_of(const link::SampleBlock& block, const std::map<int, std::pair<std::string, files::Bit>>& judged, int so_far) const;
  int judge(const std::string& output, files::Bit expected, double volts) const;  // 1 as expected, 0 not, -1 neither

  link::Session& session_;
  const plan::Plan& plan_;
  std::vector<measure::ChannelModel> sense_;
  Seconds settle_{};
  std::optional<Start> now_;     // configured
  plan::Contacts contacts_;
  std::map<std::string, std::pair<double, double>> levels_;
  std::vector<link::SampleBlock> samples_;
  std::vector<link::EdgesBlock> edges_;
  std::optional<link::FaultReport> fault_;
  long relay_moves_ = 0, shots_ = 0;
};

}  // namespace tenterhook::timing
