// What a repeated run tells about faults that come and go: how often, where, and with what they go together.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "host/record/run.h"
#include "host/repeat/order.h"
#include "host/repeat/statistics.h"

namespace tenterhook::repeat {

// Failures of one line at one step of the file.
struct Spot {
  std::string line;
  int step = -1;       // of the file; -1: the line over all its steps
  std::string source;  // of the step
  long wrong = 0, unsure = 0, of = 0;
  double rate = 0.0;
  Interval interval;   // 95 %
};

// Something that goes together with a line's failures beyond chance.
struct Link {
  std::string line;
  std::string with;  // "previous step", "time since power-on", "rail plate", "inputs switched"
  std::string say;   // one sentence with its figures
  double p = 1.0;    // by chance, after allowing for how many things were looked at
};
// Told below this; and no line with fewer failures is looked at.
constexpr double kBeyondChance = 0.01;
constexpr long kFailuresToLink = 4;

struct Outcome {
  int passes = 0;           // completed
  int wrong = 0, unsure = 0;  // passes with such a reading (a pass with both is wrong)
  double rate = 0.0;        // of passes
  Interval interval;        // 95 %
  double excluded = 1.0;    // with no pass wrong: with 95 % confidence fewer than this share of passes fail
  std::vector<Spot> lines;  // lines that failed, over all their steps; most failures first
  std::vector<Spot> spots;  // line and step, likewise
  std::vector<Link> links;  // by p
};

// Rail volts while a step was sampled, by the run's step and the rail's name.
using RailVolts = std::map<int, std::map<std::string, double>>;

// `run`: the steps of all passes in the order of `order`, amendments applied; a run cut short counts its whole
// passes. `steps`: of the file. `powered_s`: how long the board was on when the first step began.
Outcome outcome_of(const record::RunRecord& run, const Order& order, int steps, const RailVolts& rails, double powered_s);

struct Asked {
  double confidence = 0.0, catches = 0.0;  // 0: a number of passes was asked for
  std::string condition;                   // "as it is", "cold", "warm", "tapped"
  std::string series;                      // uid of the first run of the same series; empty: this is the first
};
// The record's section of this name (docs/schemas/run.schema.json has its shape).
constexpr const char* kSection = "repeats";
std::string json_of(const Outcome& outcome, const Order& order, int steps, const Asked& asked, double powered_s);

// The steps that a repeated run was made of, read back from its section; empty when it has none. Errors (input): a section
// that is none.
Result<std::vector<int>> steps_of(const record::RunRecord& run);
// Steps of one pass; 0 when it was not repeated. Precondition: steps_of() succeeded.
int steps_each_of(const record::RunRecord& run);

}  // namespace tenterhook::repeat
