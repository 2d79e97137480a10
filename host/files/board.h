// The board under test, as its file describes it: a value with every name resolved and every
// quantity in SI units. read_board() in reader.h makes one; nothing else of the host sees YAML.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "host/base/units.h"

namespace tenterhook::files {

// Where an item stands, for messages. line and column count from 1; column in characters.
struct Mark {
  std::string file;
  int line = 0;
  int column = 0;
  std::string text() const;  // "file:line:column"
};

// Logic as files write it: '0', '1', 'x' (not judged), 'z' (undriven).
enum class Bit : std::uint8_t { zero, one, any, undriven };
char letter(Bit bit);

struct Window {
  Volts min{};
  Volts max{};
  bool contains(Volts v) const { return v >= min && v <= max; }
};

struct LevelWindows {
  std::optional<Window> low;
  std::optional<Window> high;
};

struct Span {
  Seconds min{};
  Seconds max{};
};

// What good parts are predicted to show on the bench: narrower than the windows, and no verdict hangs
// on it. Written by `tenterhook predict`.
struct Predicted {
  LevelWindows levels;
  std::optional<Span> rise, fall;  // 10 to 90 % of an output's edges
};

// How the fixture gives a level: by a named rail, by 0 V, by an explicit voltage, or by letting go.
struct DriveLevel {
  enum class Kind { ground, rail, volts, open } kind = Kind::ground;
  std::string rail;  // kind == rail
  Volts volts{};     // kind == volts
};

struct Family {
  std::string name;
  Mark mark;
  DriveLevel drive_low{};
  DriveLevel drive_high{};
  LevelWindows gives;         // what an output must show; falls back to `needs`
  LevelWindows needs;         // what an input must be given
  Predicted predicted;        // of an output; empty when nothing was predicted
  bool one_is_low = false;    // `one: low`: logic 1 is the low level
  std::optional<Amps> draws;  // an input's current when high (relay coils, type-1 inputs)
  std::string standard;       // the standard of a ready family, e.g. "IEC 61131-2 type 1"
  LevelWindows judged() const { return {gives.low ? gives.low : needs.low, gives.high ? gives.high : needs.high}; }
};

// A resistor that the fixture must put on an output so that it shows a level.
struct Load {
  Ohms ohms{};
  std::string to;  // "ground" or a rail
};

enum class LineKind { input, output, both, clock, probe };

struct Line {
  std::string name;
  Mark mark;
  LineKind kind = LineKind::input;
  std::string family;           // name in Board::families; empty for probe
  Bit rest = Bit::zero;         // level before the first `set`; undriven = let go
  std::optional<Seconds> pulse; // clock: default pulse width
  std::optional<Seconds> gap;   // clock: default time between pulses
  Seconds respond{};            // output: time to wait after set/pulse before sampling
  std::optional<Load> load;     // to ground or a rail
  std::optional<Load> pull;     // a pull-up or pull-down the fixture provides
  std::optional<Amps> draws;
  std::optional<Window> low, high;  // the line's own windows, before the family's
  std::string say;
};

// F3..F0: the bus F with F3 leftmost. lines holds full names, leftmost first.
struct Bus {
  std::string name;
  Mark mark;
  std::vector<std::string> lines;
};

struct SoftStart {
  Volts until{};                  // main contact closes when the rail has reached this
  std::optional<Amps> at_least;   // current that must flow, else the heater is open
  std::optional<Amps> below;      // current that it must have fallen below
  Seconds hold{};                 // for this long
  std::optional<Seconds> within;  // else give up
};

struct Inrush {
  Amps peak{};
  Seconds within{};
};

// Supply wiring: one conductor out and one back.
struct Wire {
  int awg = 0;       // gauge
  Metres length{};   // one way
  int contacts = 0;  // connectors in the path
};

// What draws current from a rail, by its ratings, for the budget before the first switch-on.
struct Draw {
  enum class Kind { steady, filament, coil } kind = Kind::steady;
  std::string what;  // "ECC82 filaments"
  int count = 1;
  Amps each{};       // rated; a filament's at the rail's nominal volts when hot
};

struct Rail {
  std::string name;
  Mark mark;
  Volts nominal{};
  Window window;
  Amps limit{};
  std::optional<Inrush> inrush;
  std::optional<SoftStart> soft_start;
  std::optional<Seconds> ramp;
  Seconds hold{};                  // wait after it is in its window before the next rail
  std::vector<std::string> after;  // rails that must be in their windows first
  std::optional<Farads> capacitance;
  std::vector<Draw> draws;         // empty: estimated from the circuit's `build:` names
  std::optional<Amps> supply;      // what the bench supply is limited to; else `limit`
  std::optional<Wire> wire;        // from the supply to the board
};

struct WarmUp {
  Volts drift{};     // outputs must drift less than this...
  Seconds hold{};    // ...for so long
  Seconds at_most{}; // else give up
};

// One gate after `each` and gate libraries are expanded. Pin roles by standard names.
struct Gate {
  std::string type;  // "and", "or", "nand", "nor", "xor", "xnor", "not", "buf", "d-latch", "d-flip-flop",
                     // "t-flip-flop", "jk-flip-flop", "sr-latch", "tri-state", "table"
  Mark mark;
  std::string path;  // instance path inside hierarchy, "" at the top
  std::vector<std::string> inputs;   // `in`: in order; for jk: J, K; for sr: S, R
  std::vector<std::string> outputs;  // `out`: one, or several for a table
  std::string inverse;               // net of the inverse output, may be empty
  // Control pins: net name, and whether `not NET` inverted it. Empty name = absent.
  struct Control { std::string net; bool inverted = false; };
  Control clock;    // flip-flops
  Control enable;   // latch, tri-state
  Control set;      // asynchronous
  Control clear;    // asynchronous
  bool falling_edge = false;  // `edge: falling`
  std::vector<bool> input_inverted;  // `not NET` on an input, same length as inputs
  std::vector<std::string> table;    // type "table": rows "inputs outputs", e.g. "01 10"
  std::vector<std::string> parts;    // part references
  // Part per pin where given: pin name ("in1", "in2", "out", "clock", …) -> part reference.
  std::map<std::string, std::string> pin_parts;
  std::string build;                 // "cathode-follower", "triode-latch", "relay", …; may be empty
};

// `wired: {net: BUS, kind: or|and|tri-state}`: how several drivers of one net resolve.
struct WiredNet {
  std::string net;
  Mark mark;
  enum class Kind { wired_or, wired_and, tri_state } kind = Kind::wired_or;
};

struct PathLimit {  // `limits: {PICK to Q0: 6 us}`
  Mark mark;
  std::string from;
  std::string to;
  Seconds at_most{};
};

// `timing:` what the board must be quick enough for; measured by `tenterhook timing`. Delays stand under `limits`.
struct TimingLimit {
  enum class Kind {
    setup,       // of `line` before `clock`: at most `value` seconds
    hold,        // of `line` after `clock`: at most `value` seconds; may be negative
    width,       // `line` takes pulses of `value` seconds
    rate,        // `line` takes a train of `value` hertz
    transition,  // of `line`, 10 to 90 %: at most `value` seconds
  } kind = Kind::setup;
  Mark mark;
  std::string line, clock;  // clock: set-up and hold only
  double value = 0.0;
};

// A channel of the fixture: kind "drive", "fast", "sense", "rail"; index from 0.
struct Channel {
  std::string kind;
  int index = -1;
  auto operator<=>(const Channel&) const = default;
  std::string text() const { return kind + "." + std::to_string(index); }
};

struct SourceFile {
  std::string path;    // as opened
  std::string text;    // whole content, as read
  std::string sha256;  // lower-case hex of the content
};

struct Board {
  std::string name;
  std::string about;
  std::string path;
  std::vector<SourceFile> sources;  // this file and every file it names
  std::vector<Rail> rails;          // in file order
  std::optional<WarmUp> warm_up;
  std::map<std::string, Family> families;
  std::vector<Line> lines;          // in file order, buses expanded
  std::vector<Bus> buses;
  std::vector<Gate> circuit;
  std::vector<WiredNet> wired;
  std::vector<std::string> probes;     // inner nets that a person can touch
  std::vector<std::string> not_built;  // outputs or nets whose parts are not on this board
  std::vector<PathLimit> limits;
  std::vector<TimingLimit> timing;
  // Line, rail or "hand" -> channels. Empty when the file has no hookup (the plan assigns them).
  std::map<std::string, Channel> hookup;
  // Lines of kind both whose hookup also names where they are sensed: `D: [drive.0, sense.0]`.
  std::map<std::string, Channel> hookup_sense;
  bool has_hookup = false;

  const Line* line(const std::string& name) const;
  const Bus* bus(const std::string& name) const;
  const Rail* rail(const std::string& name) const;
  // The family of a line; null for a probe.
  const Family* family_of(const Line& line) const;
};

}  // namespace tenterhook::files
