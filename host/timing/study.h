// The whole of `tenterhook timing` on a powered board: delays, edges, set-up and hold, shortest pulses, top
// rates, counted edges, a plot; judged against the board file's limits.
//
// In: what can be timed (paths.h) and a Stand. Out: a Study: figures in seconds with expanded uncertainty (95 %),
// what each rests on, and what was not measured with the reason. Errors: the Stand's.
//
// A delay runs from 50 % of the driven edge (seen through the loop-back lead, with the same comparator) to 50 % of
// the output's. Two methods measure it apart: threshold crossings by the comparator, and the converter's delayed
// samples; they must agree within their uncertainties.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "host/measure/reading.h"
#include "host/timing/shmoo.h"
#include "host/timing/stand.h"

namespace tenterhook::timing {

struct Figure {
  double value = 0.0, U = 0.0;  // SI; U expanded, 95 %
};

struct Judged {
  std::optional<double> limit;  // of the board file
  measure::Verdict verdict = measure::Verdict::none;
};

struct EdgeResult {
  std::string from, to;
  bool from_high = false, to_high = false, clocked = false, fast_start = true;
  double low_v = 0.0, high_v = 0.0;         // settled
  std::optional<Figure> delay;              // by the comparator
  std::optional<Figure> delay_converter;    // by delayed samples
  bool agree = true;                        // both within their joint uncertainty
  std::optional<Figure> transition;         // 10-90 %
  std::string transition_by;                // "converter", "comparator"
  double transition_below_s = 0.0;          // where it is faster than can be resolved
  std::string note;                         // why something is missing: "beyond the front end", ...
  double overshoot_percent = 0.0;
  int edges_a_shot = 1;                     // changes of the output in one shot; more: it bounces or rings
  double settles_s = 0.0;                   // its last change, where it makes several
  Waveform waveform;                        // corrected, from the driven edge on
  Judged delay_judged, transition_judged;
};

struct LimitResult {
  std::string kind;      // "set-up", "hold", "pulse width", "clock period"
  std::string what;      // "F0 rising to PICK", "PICK", "PICK with CLEARn=1"
  std::string clock, data;
  bool data_high = false;
  SearchResult search;
  Figure value;          // s
  double resolution_s = 0.0;
  double bracket_s[2] = {0.0, 0.0};  // good, bad
  std::string note;      // "the board takes the shortest pulse that the fixture makes", ...
  Judged judged;
};

struct CountResult {
  std::string clock, output;  // output empty: the clock itself, at its lead
  long pulses = 0, expected = 0, rises = 0;
  std::string finding;        // "as expected", "bouncing source", "double-stepping", "edges lost"
  bool good = true;
};

struct LoopBackResult {
  bool measured = false;
  std::string line;
  Figure rising, falling;  // from the pin to 50 % at the comparator
};

struct Study {
  LoopBackResult loop;
  double converter_transition_s = 0.0;  // the fastest edge that delayed samples are taken for
  std::vector<EdgeResult> edges;
  std::vector<LimitResult> limits;
  std::vector<CountResult> counts;
  std::optional<Shmoo> plot;
  std::vector<std::string> not_measured;
  long shots = 0, relay_moves = 0;
  measure::Verdict verdict = measure::Verdict::none;
};

struct StudyOptions {
  int repeats = 59;           // at the edge of a search
  int sweeps = 3, scan = 32;  // for memory and for holes; 0: not looked for
  std::uint32_t pulses = 1000;  // of a count
  bool edges = true, searches = true, counts = true;
  bool waveforms = true;      // by delayed samples, in addition to the comparator
  std::optional<std::pair<std::string, std::string>> plot;  // axes
  int plot_points = 24, plot_repeats = 3;
  // Something between the search and the board: for tests of holes and of memory. By kind and clock.
  std::function<Trial(const std::string& kind, Trial trial)> through{};
  std::function<void(const std::string& what, int done, int total)> told{};
};

Result<Study> study(Stand& stand, const plan::Plan& plan, const Found& found, const StudyOptions& options);

// For people, lines end in '\n'. For programs: the section "timing" of a run (docs/schemas/timing.schema.json).
std::string table(const Study& study);
std::string json(const Study& study);
// Every waveform with the driven edge as a bit.
std::string vcd(const Study& study, const std::string& comment, const std::string& date);

}  // namespace tenterhook::timing
