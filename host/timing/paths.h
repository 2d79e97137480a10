// Which edges of a board can be timed, and how the moment before each is made again and again.
//
// In: a plan (circuit, hookup, feeds) and a walk through the board's states (its vectors, or steps of our own).
// Out: paths from a driven line to an output, the apertures of clocked data, the clocks' trains, and what cannot
// be measured with the reason. Stimuli come from the timer alone: a clock on its fast line, any other input by the
// routing reed of fast.1. The circuit model is three-valued: a start state counts as re-created only when it
// follows from what is driven, whatever the board was in before.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/plan/plan.h"

namespace tenterhook::timing {

// A line's level, or one whole pulse of a clock.
struct Action {
  enum class Kind { set, pulse } kind = Kind::set;
  std::string line;
  files::Bit bit = files::Bit::zero;  // set
};

// How a state is made.
struct Start {
  std::vector<std::pair<std::string, files::Bit>> inputs;  // by relays, once; all driven lines
  std::string routed;           // the input that fast.1 drives through its routing reed; empty: none
  bool fast = false;            // `again` uses fast lines alone; else relays move for every shot
  std::vector<Action> again;    // makes the state from any other
};

using Levels3 = std::map<std::string, files::Bit>;  // outputs

struct Path {
  std::string from, to;
  bool from_high = false, to_high = false;  // the edge in volts
  bool clocked = false;   // `from` is a clock
  bool trailing = false;  // launched by the end of the pulse, not by its beginning
  Start start;            // just before the pulse of `from`
  Levels3 before, after;  // of all outputs, before the pulse and after it
};

// A clock's edge that takes `data`: set-up and hold.
struct Aperture {
  std::string clock, data;
  bool data_high = false;     // data's edge in volts, towards the level that is to be taken
  Start start;                // data routed, at the other level
  Levels3 taken, missed;      // outputs after a pulse with data in time, and without
  bool apart = true;          // what is taken does not stand there before the pulse already
};

// Trains of pulses whose outcomes show pulses that were lost: of a train alone a divider by two would hide every
// second one.
struct Train {
  std::string clock;
  std::string pattern;        // the inputs, for people: "CLEARn=1"
  Start start;
  struct Run {
    int pulses = 0;
    Levels3 after;            // outputs after so many
  };
  std::vector<Run> runs;
  std::map<std::string, long> rises;  // of each output over the first run, in volts
};

struct Found {
  std::vector<Path> paths;
  std::vector<Aperture> apertures;
  std::vector<Train> trains;
  std::vector<std::string> not_measured;  // "CLEAR: it is on ... : not measured"
};

struct FindOptions {
  std::vector<std::string> lines;  // only what begins or ends at one of these; empty: all
};

// Errors (Trouble::input): a board without a circuit.
Result<Found> find_paths(const plan::Plan& plan, const FindOptions& options);

// Gives fast.1 the feed that most inputs want where no clock uses it, and a second lead to the fast lines that
// are timed (loop-back), on the highest free sense channel; tells both in plan.wiring. Before the bench is
// built or the person wires it.
void prepare_wiring(plan::Plan& plan);
// The line whose driven edge is also sensed; empty: none. And where.
struct LoopBack {
  std::string line;
  int sense = -1;
};
LoopBack loop_back(const plan::Plan& plan);

// The channel of fast lines that can give this line its edges: 0, 1, or -1 with the reason.
int fast_of(const plan::Plan& plan, const std::string& line, std::string* why = nullptr);

}  // namespace tenterhook::timing
