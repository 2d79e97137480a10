// Which part is it? Every cause in the circuit model weighed against the readings of one recorded
// run, and the next point to touch.
//
// The likelihood of a cause is the product over the readings of the probability that volts +- U
// fall below, between or above the run's windows given what the cause would show there, with a
// floor for odd readings (observed.h). Weights before the readings are flat. Bayes' rule does the
// rest.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/vectors.h"
#include "host/record/run.h"

namespace tenterhook::diagnose {

// A voltage that a person read with the board held at a step (-1: the step that diagnosis names).
struct Touched {
  std::string net;
  double volts = 0.0;
  int step = -1;
};
// "d1=23.8V", "d1=23.8V@17" (at step 17). Errors: anything else.
Result<Touched> parse_touch(const std::string& text);

struct Suspect {
  std::vector<std::string> parts;  // references; empty: wiring or lead, nothing that has a name
  std::string net;
  std::string fault;  // "stuck-low", "missing input", "weak high", ...; " and " for two at once
  double probability = 0.0;
  int group = 0;  // from 1, by probability; equal: nothing seen tells them apart
  std::string why;
};

struct Expected {
  std::vector<int> groups;
  std::vector<std::string> parts;
  double from = 0.0, to = 0.0;  // V
  std::string level;            // "low" or "high"
};

struct NextTouch {
  std::string at;
  int step = 0;  // hold here
  std::string why;
  std::vector<Expected> expect;
};

// What is known beyond the run itself.
struct Known {
  // An earlier good run of the same board on the same fixture; null: none.
  const record::RunRecord* baseline = nullptr;
  // How often each part was found bad or swapped on boards of this kind, by reference. Empty: all parts
  // are as likely beforehand.
  std::map<std::string, double> found_bad;
};

struct Diagnosis {
  std::vector<Suspect> suspects;  // most probable first; none when nothing is wrong
  int groups = 0;
  double healthy = 0.0;  // nothing is wrong but odd readings
  double none = 0.0;     // none of the causes that the model knows
  bool sure = false;     // one single cause, or group, that accounts for all that was seen
  std::string doubt;     // why not, in words; empty when sure or when nobody is accused
  std::optional<NextTouch> touch;
  std::string say;  // one sentence
};

// `vectors`: those of the run (commands::vectors_of). Errors (input): a board without a circuit, a
// run without readings, touches of unknown nets or steps.
Result<Diagnosis> diagnose(const record::RunRecord& run, const files::Vectors& vectors,
                           const std::vector<Touched>& touched, const Known& known = {});

inline constexpr std::size_t kMaxSuspects = 24;  // told; the rest is too improbable to matter
inline constexpr std::size_t kMaxTouches = 256;

}  // namespace tenterhook::diagnose
