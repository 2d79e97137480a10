// tenterhook parts BOARD: what sits in each place of one board, how long, and how often it was replaced.
// tenterhook note RUN: remarks and pictures of a run.
#pragma once

#include <optional>
#include <set>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/record/store.h"

namespace tenterhook::commands {

struct PartsOptions {
  std::string board;           // recorded name, or a board file
  std::string serial;          // of the board
  std::string store;           // "" = the default place
  std::string json;            // "" = none, "-" = standard output
  std::string swapped;         // a place whose part was just replaced
  std::string fitted;          // a place whose part is told for the record; nothing was changed
  std::string type;            // of that part
  std::string part_serial;
  std::optional<double> hours; // that it had before it came here
  std::optional<long> cycles;
  bool new_socket = false;     // the socket was replaced as well
  std::optional<double> ran;   // hours that the board worked away from the bench since
  std::string note;            // kept with any of these
};
int parts(const PartsOptions& options);

struct NoteOptions {
  std::string run;  // as for show
  std::string text;
  std::vector<std::string> photos;
  std::string store;
  std::string json;
};
int note(const NoteOptions& options);

// The board as the newest run of it that holds its files was made with; nothing when none can be read.
Result<std::optional<files::Board>> recorded_board(const record::Store& store, const std::string& board,
                                                   const std::string& serial);

// The lines whose volts a part has a hand in: outputs of the gates that hold it and, where such an output is an inner
// net, the first lines that it leads to. "V3" also names its halves, "V3a". Nothing when the circuit does not name
// the part: then every line is concerned.
std::optional<std::set<std::string>> lines_of_part(const files::Board& board, const std::string& part);

}  // namespace tenterhook::commands
