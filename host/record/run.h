// One run as it is recorded, shown and reported: value types only, no database.
//
// host/report renders it, host/record keeps it, commands/run.cpp fills it step by step.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "host/files/board.h"
#include "host/measure/reading.h"
#include "host/record/process.h"

namespace tenterhook::record {

struct StepRecord {
  int index = 0;
  std::string source;  // "acceptance.vectors.yaml:6"
  std::string say;
  std::vector<std::pair<std::string, files::Bit>> set;
  std::vector<std::pair<std::string, int>> pulse;  // clock line, count
  double time_s = 0.0;                             // since the first set
  std::vector<measure::Reading> readings;
};

struct MarginRecord {
  std::string to;  // receiving family
  double low_v = 0.0, high_v = 0.0, U_v = 0.0;
};

struct LevelRecord {
  struct Side {
    double min_v = 0.0, max_v = 0.0, mean_v = 0.0, U_v = 0.0;
    int n = 0;
    int worst_step = -1;
  };
  std::string line;
  std::optional<Side> low, high;
  std::vector<MarginRecord> margins;
  std::optional<double> margin_low_v, margin_high_v;  // worst over all receivers
};

// A reading that was told when it came and is another now: looked at again, or of a lead that showed only
// afterwards that it was open. The last amendment of a reading holds.
struct Amendment {
  int step = 0;  // StepRecord::index
  std::string line;
  measure::Verdict verdict = measure::Verdict::unsure;
  std::string why;
  measure::Reading reading;  // as it stands: volts, U, p and counts of all looks
};

// cause: "over-current", "rail-out-of-window", "stop", "lid", "deadman", "link", ...
struct Aborted {
  std::string cause;
  std::string where;
  std::string blame;  // board | lead | fixture | link | person
  std::string message;
};

struct Times {
  double total_s = 0, relay_s = 0, settle_s = 0, convert_s = 0, pulse_s = 0, overhead_s = 0;
  double prepare_s = 0, discharge_s = 0;
};

struct RailRecord {
  std::string rail;
  double nominal_v = 0, measured_v = 0, U_v = 0, amps = 0;
  double window_min_v = 0, window_max_v = 0;
};

// A captured curve: current or volts of one rail over time since switch-on.
struct CurveRecord {
  std::string rail;
  std::string quantity;  // "amps" or "volts"
  std::vector<double> time_s, value;
};

struct PowerRecord {
  std::vector<RailRecord> rails;
  std::vector<CurveRecord> curves;
  std::optional<double> warm_up_s;
  std::optional<double> discharged_below_v;
};

// One time that was measured on the board.
struct TimingRecord {
  std::string kind;  // "delay", "rise", "fall", "set-up", "hold", "period"
  std::string from;  // the line that starts it; may be empty
  std::string line;  // the line that ends it
  std::string edge;  // of that line: "rising", "falling" or ""
  double seconds = 0.0, U_s = 0.0;  // expanded, 95 %; NaN when not known
  std::optional<double> limit_s;
  int n = 0;  // measurements it is made of
  measure::Verdict verdict = measure::Verdict::none;
};

struct Counters {  // of the link, both ends
  long frames_sent = 0, frames_received = 0, crc_errors = 0, overruns = 0, timeouts = 0, resent = 0;
  long starvations = 0, resets = 0;
};

struct RunRecord {
  long number = 0;           // assigned by the store
  std::string uid;           // assigned by the store
  std::string started;       // UTC, ISO 8601
  std::string kind = "run";  // the command that made it
  std::string board, board_serial;
  std::string vectors;
  std::string fixture, fixture_serial, firmware_build;
  std::string calibration;  // hash, or "nominal"
  std::string operator_name, notes;
  std::optional<unsigned long long> seed;  // emulated only
  std::vector<std::string> faults;         // emulated only
  std::vector<files::SourceFile> sources;
  measure::Verdict verdict = measure::Verdict::none;
  std::optional<Aborted> aborted;
  bool complete = false;  // false while running, and for ever if it was cut short
  RunState state = RunState::unknown;  // set by load(): whether a run without an end goes on
  std::string host;                    // the computer that recorded it; set by load()
  int steps_planned = 0;
  Times time;
  Counters link;
  long relay_operations = 0;
  // Channel ("drive.3") -> operations of its relay in this run. Store::relay_wear() adds them up.
  std::map<std::string, long> relay_wear;
  // How long any rail was up; without it the store counts prepare_s + total_s.
  std::optional<double> powered_s;
  std::vector<TimingRecord> timings;
  std::vector<StepRecord> steps;           // with the amendments applied
  std::vector<Amendment> amendments;  // given at finish(), since steps are stored as they happen
  std::vector<LevelRecord> levels;
  PowerRecord power;
  std::vector<std::string> warnings;
  // Results of other kinds as JSON text by name ("timing", "budget", "diagnosis"): kept as given
  // and placed under that name in the run's JSON.
  std::map<std::string, std::string> sections;
};

struct CountsOf {
  int steps = 0, readings = 0, pass = 0, fail = 0, unsure = 0;
};
// Readings that were judged; those with Verdict::none are counted nowhere.
CountsOf counts_of(const RunRecord& run);
std::string verdict_word(measure::Verdict verdict);  // "pass", "fail", "unsure", "none"

}  // namespace tenterhook::record
