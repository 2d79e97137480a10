// What will be done, before anything moves: which lead goes where, the rails in their order, and for
// every vector the relay contacts, pulses and samples with the windows that judge them.
//
// Pure: files in, Plan out. host/plan/program.h turns it into the fixture's step programs.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/fixture.h"
#include "host/files/vectors.h"
#include "host/measure/uncertainty.h"
#include "host/record/run.h"

namespace tenterhook::plan {

// Where one level of a drive bank or fast line comes from.
struct Feed {
  enum class Kind { none, ground, rail } kind = Kind::none;
  int rail = -1;  // fixture rail channel
  friend bool operator==(const Feed&, const Feed&) = default;
};

// The drives come in banks whose low and high terminals are jumpered once, before the first run.
constexpr int kDrivesPerBank = 8;
constexpr int kBanks = 2;
struct Supplied {
  Feed low, high;
  friend bool operator==(const Supplied&, const Supplied&) = default;
};

struct RailPlan {
  files::Rail rail;
  int channel = -1;
  int order = 0;            // power-up position
  bool protecting = false;  // others are `after` it: it falls last
};

struct Expectation {
  std::string line;
  int sense = -1;
  files::Bit expected = files::Bit::any;  // any: measured, not judged
  std::optional<files::Window> window;    // of the expected level; empty when not judged or `z`
};

struct PulseTrain {
  std::string line;
  int fast = -1, drive = -1;  // one of them
  std::uint32_t count = 1;
  Seconds width{}, gap{};
  bool active_high = true;    // volts, not logic
};

// The fixture's contacts, one bit a channel. `high` of an open channel keeps its last value, so that
// letting go costs no further coil operation.
struct Contacts {
  std::uint32_t drive_connect = 0, drive_high = 0, fast_connect = 0, fast_high = 0;
};

// Conversions a channel when a line is pulled up or down to see whether anything drives it.
constexpr int kPullConversions = 48;

struct PlannedStep {
  int index = 0;
  files::Mark mark;
  std::string say;
  std::vector<std::pair<std::string, files::Bit>> set;
  Contacts before, contacts;  // before the set, and after it (clocks at rest)
  int relay_moves = 0;        // coil operations this step makes
  std::vector<PulseTrain> pulses;
  Seconds respond{};                                // after the last set or pulse, before sampling
  std::vector<Expectation> expectations;            // in file order
  int conversions = 0;                              // a sense channel
  std::uint64_t aux = 0;                            // further sources sampled with them (wire::Aux bits)
};

struct Plan {
  files::Vectors vectors;  // with its board
  files::Fixture fixture;
  std::map<std::string, files::Channel> hookup;  // every line and rail
  int hand = -1;                                 // sense channel of the lead for the hand; -1: none
  std::array<Supplied, kBanks> banks{};          // drive banks
  std::array<Supplied, kBanks> fasts{};          // fast lines (as many as banks on this fixture)
  std::vector<RailPlan> rails;                   // in power-up order
  Contacts rest;                                 // before the first vector
  std::vector<PlannedStep> steps;
  record::Times predicted;                       // relay, settle, convert, pulse and their total
  long relay_operations = 0;
  std::vector<std::string> warnings;
  std::vector<std::string> wiring;               // the wiring list, a lead a line
  // What is known of the fixture that will execute it, by channel; empty: nominal values. Set once it has said who
  // it is (commands/bench.h, calibrate).
  std::vector<measure::ChannelModel> sense_models, rail_models;
};

// From counts to volts on this plan's fixture.
measure::ChannelModel sense_model(const Plan& plan, int sense);
measure::ChannelModel rail_model(const Plan& plan, int rail);

struct Options {
  int mains_hz = 50;  // every sample spans one period of it
};

// Errors (input): more lines than channels, a channel used twice, a rail or line beyond the fixture's
// or the 60 V limit, levels that the fixture cannot give, an expectation that the circuit contradicts.
Result<Plan> make_plan(files::Vectors vectors, files::Fixture fixture, const Options& options);

// The line that is sensed on a channel; empty when none is.
std::string line_on_sense(const Plan& plan, int sense);

// Every step samples the volts of every rail as well (PlannedStep::aux). Costs one conversion in so many.
void sample_rails(Plan& plan);

// One step made by hand, from the contacts as they stand; nothing is expected of it.
PlannedStep plan_single(const Plan& plan, const Contacts& before, const files::Step& step);

// The level in volts terms that a logic bit means on a line: true = high.
bool is_high(const files::Family& family, files::Bit bit);
// The window that an output must show for a bit; empty when its family does not say.
std::optional<files::Window> window_for(const files::Board& board, const files::Line& line,
                                        const files::Step& step, files::Bit bit);

}  // namespace tenterhook::plan
