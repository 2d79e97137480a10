// A reading: volts with their uncertainty, and the verdict on them. Value types only.
#pragma once

#include <cstdint>
#include <string>

#include "host/base/units.h"
#include "host/files/board.h"

namespace tenterhook::measure {

// What the fixture sent for one channel of one sample: n conversions, in ADC counts.
struct Counts {
  std::uint16_t n = 0;
  std::uint32_t sum = 0;
  std::uint16_t min = 0;
  std::uint16_t max = 0;
  std::uint32_t sum_of_squares = 0;
};

enum class Verdict : std::uint8_t { pass, fail, unsure, none };  // none: measured, not judged
std::string name(Verdict verdict);

struct Reading {
  std::string line;
  files::Bit expected = files::Bit::any;
  Volts volts{};           // at the board, corrected
  Volts U{};               // expanded uncertainty, 95 %
  double dof = 0.0;        // effective degrees of freedom; 0 = infinite
  double p = 1.0;          // probability that the true value lies inside the window
  files::Window window{};  // the one it was judged by
  Verdict verdict = Verdict::none;
  Counts counts{};
  int channel = -1;        // sense channel
  std::string why;         // when unsure or failed: what was seen and what would settle it
};

}  // namespace tenterhook::measure
