// Measures of a sampled waveform with one transition, by the definitions of IEEE Std 181 (Standard on
// Transitions, Pulses, and Related Waveforms): state levels by histogram mode, reference levels in per
// cent of the amplitude between them, transition duration from 10 % to 90 %, instants at 50 %, aberrations
// in per cent of the amplitude. The standard's clauses are from memory; tests hold the arithmetic against
// waveforms whose measures are known exactly.
//
// In: instants (s, ascending) and volts. Out: seconds and volts with standard uncertainties (1 sd).
// Errors (Trouble::input): too few samples, no two levels, no transition inside the window.
#pragma once

#include <optional>
#include <vector>

#include "host/base/result.h"

namespace tenterhook::timing {

inline constexpr int kSamplesLeast = 8;
inline constexpr int kHistogramBins = 128;

struct Waveform {
  std::vector<double> t_s, v;  // of one length
  double u_v = 0.0;            // of each sample, independent (noise); what all samples share does not matter
  double u_t_s = 0.0;          // of the time base against the stimulus, shared by all samples
};

struct Levels {
  double low_v = 0.0, high_v = 0.0;
  double u_low_v = 0.0, u_high_v = 0.0;
  double amplitude() const { return high_v - low_v; }
};
// The two states that the waveform stays at most: modes of the lower and of the upper half of its histogram,
// each refined to the mean of those samples of the mode's bin that noise alone tells apart.
Result<Levels> state_levels(const Waveform& waveform);

struct Instant {
  double t_s = 0.0, u_s = 0.0;
};

struct EdgeMeasures {
  bool rising = true;
  Levels levels;
  Instant at_10, at_50, at_90;       // per cent of the way from the first state to the second one
  double transition_s = 0.0, u_transition_s = 0.0;
  double overshoot_percent = 0.0;    // beyond the state after the transition
  double undershoot_percent = 0.0;   // beyond the state before it, on the other side
  int crossings = 1;                 // of the 50 % level; more than one: it rang, or came back
  int samples_inside = 0;            // between 10 % and 90 %; below kInsideLeast the transition is only an upper bound
};
inline constexpr int kInsideLeast = 2;
// `levels`: where known better than by the histogram (a settled measurement).
Result<EdgeMeasures> measure_edge(const Waveform& waveform, const std::optional<Levels>& levels = {});

// 10-90 % of an exponential, and of a first-order lag: 2.197 time constants (ln 9).
inline constexpr double kLn9 = 2.1972245773362196;
// The fastest transition that a first-order front end of this bandwidth shows: ln 9 / (2 pi f), 0.35 / f.
double own_transition_s(double bandwidth_hz);

}  // namespace tenterhook::timing
