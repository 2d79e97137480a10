// tenterhook show RUN: one recorded run, or how one of its lines was measured.
#pragma once

#include <string>

namespace tenterhook::commands {

struct ShowOptions {
  std::string run;      // a number, a prefix of the uid, last, last-good, BOARD@SERIAL
  std::string store;    // "" = the default place
  std::string json;     // "" = none, "-" = standard output
  std::string explain;  // a line: every reading of it with what the record holds on how it was made
  bool quiet = false;   // one line
  std::string junit, tap, csv;  // "" = none, "-" = standard output
  std::string vcd;              // the sampled edges of a timing study for waveform viewers, likewise
};
int show(const ShowOptions& options);

}  // namespace tenterhook::commands
