// Brings a board's rails up in their order, waits until its outputs are steady, takes it down again and
// follows the rails while they discharge. All of it as step programs: the fixture keeps the time
// and its trips guard every moment, the host only decides when to go on.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/link/session.h"
#include "host/measure/uncertainty.h"
#include "host/plan/plan.h"
#include "host/power/curves.h"
#include "host/power/discharge.h"
#include "host/record/run.h"

namespace tenterhook::power {

// Told to a person while they wait: "plate coming up", and how far it is (0..1; below 0: unknown).
using Progress = std::function<void(const std::string& what, double fraction)>;

struct WarmUp {
  bool steady = true;
  Seconds took{};
  std::string line;  // the last to move
  Volts drift{};     // its movement over the last window
};

struct Discharge {
  bool below = false;  // both sense wires of every rail were measured below `limit`
  Volts limit{};
  Volts highest{};     // the largest |volts| of the last look
  std::string rail;    // whose
  Seconds took{};
  std::optional<Seconds> predicted;  // from half way down: how long the whole would take
  std::string message;               // for people: sentence() of discharge.h
};

// A rail counts as down when it is read below this.
constexpr Volts kDownBelow{5.0};

class Sequence {
 public:
  // Both outlive it. `rails`: a model for each of the fixture's rail channels; empty: nominal ones.
  Sequence(link::Session& session, const plan::Plan& plan, Progress progress, std::vector<measure::ChannelModel> rails = {});

  // Rails in order, each in its window before the next; then every line at rest. A fault of the fixture
  // (trip, rail not up) is a value: everything is open then.
  // `book`, when given, gets the curves of the rails as they come up (curves.h).
  Result<std::optional<link::FaultReport>> up(CurveBook* book = nullptr, Curves curves = Curves::rising);
  // Looks at all outputs until none has moved more than warm_up.drift for warm_up.hold. Costs nothing
  // on a board without `warm-up`. Not steady after at_most: said in the result, not an error.
  Result<WarmUp> warm_up(std::optional<link::FaultReport>& fault);
  // Volts and amperes of every rail now, volts with U. Precondition: up() succeeded.
  Result<std::vector<record::RailRecord>> rails(std::optional<link::FaultReport>& fault);
  // Opens everything in the safe order and follows the rails until they are down, at most `at_most`. After
  // a trip the latched fault is cleared once everything is open, so that the second sense wires can be read.
  Result<Discharge> down(Seconds at_most);

 private:
  Result<std::vector<RailLook>> first_wires();
  Result<std::vector<RailLook>> both_wires();
  const measure::ChannelModel& model(int channel) const { return models_.at(static_cast<std::size_t>(channel)); }

  link::Session& session_;
  const plan::Plan& plan_;
  Progress progress_;
  std::vector<measure::ChannelModel> models_;
};

// Names the rail, lead or cause of a fault by the board's own words, for the record.
record::Aborted aborted_by(const link::FaultReport& fault, const plan::Plan& plan);

}  // namespace tenterhook::power
