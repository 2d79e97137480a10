// The fixture between host and board, as fixture.yaml declares it: channels, limits, nominal values.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "host/files/board.h"

namespace tenterhook::files {

struct Fixture {
  std::string name;
  std::string path;
  std::vector<SourceFile> sources;
  int firmware = 1;                   // wire protocol major version accepted
  std::vector<std::string> features;  // e.g. "test-bus", "edge-count"

  struct Drive {
    int channels = 0;
    Seconds settle{};  // relay operate + release + bounce: how long after a change contacts are stable
    Ohms series{};
    Amps max{};
    Volts max_volts{};
  } drive;
  struct Fast {
    int channels = 0;
    Ohms series{};
    Seconds settle{};  // its reed
  } fast;
  struct Sense {
    int channels = 0;
    Volts span_min{};
    Volts span_max{};
    Ohms divider{};   // input resistance
    Volts open_reads{};  // what an unconnected lead reads
    Hertz bandwidth{};
    // Nominal straight line: volts = offset + per_count * counts.
    Volts offset{};
    Volts per_count{};
    Volts tolerance{};  // worst error of an uncalibrated channel at mid-span
  } sense;
  struct RailChannel {
    Amps max{};
    Volts max_volts{};
    std::optional<Ohms> pre_charge;
    Amps per_count{};
    Volts volts_offset{};
    Volts volts_per_count{};
  };
  std::vector<RailChannel> rails;
  Volts max_difference{60.0};  // between any two rails or lines
};

}  // namespace tenterhook::files
