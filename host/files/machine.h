// A whole machine, as machine.yaml declares it: boards, the wires that join them, and what feeds
// them.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "host/base/result.h"
#include "host/files/board.h"

namespace tenterhook::files {

struct MachineBoard {
  std::string name;  // in this machine; one board file may serve several
  Mark mark;
  std::string serial;  // of the board built, may be empty
  Board board;
};

// A line or a rail of one of the machine's boards.
struct Terminal {
  std::string board;
  std::string name;
};

struct Join {  // one wire from a driver to a receiver; ranges and lists are expanded
  Mark mark;
  Terminal from;
  Terminal to;
};

struct Supply {
  std::string name;
  Mark mark;
  std::vector<Terminal> feeds;  // rails
  Amps limit{};
  std::optional<Volts> volts;  // where it differs from the rails' nominal
  std::optional<Wire> wire;
};

struct Machine {
  std::string name;
  std::string about;
  std::string path;
  std::vector<SourceFile> sources;  // the machine file, then every file it names
  std::vector<MachineBoard> boards;
  std::vector<Join> joins;
  std::vector<Supply> supplies;

  const MachineBoard* board(const std::string& name) const;
};

// Reads the machine file and every board it names. Errors as in reader.h: unknown boards, lines and
// rails, a receiver driven twice, a driver that cannot drive, a rail fed twice.
Result<Machine> read_machine(const std::string& path);
Result<Machine> parse_machine(const std::string& path, const std::string& text);

}  // namespace tenterhook::files
