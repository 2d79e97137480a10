// Builds RunRecords in the story of the hand-built loom controller: the shed latch (four data
// lines, SKIP, PICK clock; outputs Q and Qn) as a bench would record it. Values come from a small
// seeded generator, so that no two readings are alike and every test can repeat them.
#pragma once

#include <cstdint>
#include <string>

#include "host/record/run.h"

namespace tenterhook::scenario {

struct LatchRun {
  std::uint64_t seed = 1;
  int steps = 38;  // the first six are the written vectors, the rest count through F
  std::string serial = "003";
  bool q1_stuck_low = false;  // a dead valve: Q1 stays low, Qn1 stays high
  bool q2_weak = false;       // Q2's high sits at the edge of its window: unsure
  double q2_high_v = 24.6;    // where Q2's high lies otherwise
};
record::RunRecord latch_run(const LatchRun& options = {});

// A run that a safety trip ended during power-up: no steps.
record::RunRecord tripped_run();

// 64 hexadecimal digits that differ for different text; not a real SHA-256.
std::string fake_hash(const std::string& text);

}  // namespace tenterhook::scenario
