// What the store keeps beside the runs: the parts of a board and their lives, hours of use, notes,
// photos, calibrations, self-tests of the fixture and the wear of its relays. Values only.
#pragma once

#include <string>
#include <vector>

namespace tenterhook::record {

// A part was put into its place on one board: at first, or in place of another.
struct Swap {
  std::string happened = {};  // UTC, ISO 8601; set by the store when empty
  std::string board = {}, board_serial = {};
  std::string part = {};         // the place: "V3", as board.yaml and the board call it
  std::string note = {};
  std::string type = {};         // what sits there now: "ECC82"; may be empty
  std::string part_serial = {};  // of the single part; may be empty
  bool new_socket = false;       // the socket was replaced as well
  bool replaces = true;          // false: told for the record, nothing was changed (no trend restarts)
  // What the part had behind it. Below zero: taken from the record of earlier places of the part
  // with this type and serial, zero when there is none.
  double hours_before = -1.0;
  long cycles_before = -1;
};

// A place of a board, and what sits there now.
struct PartLife {
  Swap fitted;         // how it came there
  double hours = 0.0;  // under power, with what it had before: recorded runs and told use
  long cycles = 0;     // power-ups, likewise
  double socket_hours = 0.0;  // since the socket was replaced, or since the first run
  int swaps = 0;              // how often something was replaced in this place
};

// How often the places of a kind of board needed a new part, over all its serials: what a
// diagnosis may take as its prior.
struct PlaceHistory {
  std::string part;    // the place
  int swaps = 0;       // on all boards of this name
  double hours = 0.0;  // under power of all boards of this name: the same for each place
};

// A board worked away from the bench: in the machine.
struct Use {
  std::string happened = {};  // UTC, at its end; set by the store when empty
  std::string board = {}, board_serial = {};
  double hours = 0.0;
  long cycles = 0;
  std::string note = {};
};

struct Photo {
  std::string added = {};
  std::string path = {}, sha256 = {};  // the file stays where it is: the hash tells whether it is the same
  std::string note = {};
};

// A note or a photo of one of a board's runs.
struct Remark {
  long run = 0;
  std::string written, text;
  std::string path, sha256;  // of a photo; empty for a note
};

struct CalibrationRecord {
  std::string hash, fixture_serial;
  std::string made, expires;  // dates
  std::string text;           // the whole file
};

struct SelfTestRecord {
  struct Finding {
    std::string where, kind, text;
  };
  std::string happened = {};  // set by the store when empty
  std::string fixture = {}, fixture_serial = {}, firmware_build = {}, calibration = {};
  bool good = false;
  double reference_counts = 0.0, ground_counts = 0.0;
  std::vector<Finding> findings = {};
  std::vector<std::pair<std::string, long>> relay_operations = {};  // channel, operations it took
};

// What one relay of a fixture has behind it, over all recorded runs and self-tests.
struct RelayWear {
  std::string channel;  // "drive.3"
  long operations = 0;
  std::string first, last;  // UTC: when it was first and last recorded
};

}  // namespace tenterhook::record
