// One reading of a board description. Internal to host/files.
#pragma once

#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "host/files/board.h"
#include "host/files/names.h"
#include "host/files/sink.h"
#include "host/files/source_files.h"

namespace tenterhook::files {

inline constexpr std::size_t kMaxLines = 1024;    // of a board
inline constexpr std::size_t kMaxGates = 20'000;  // after `each` and libraries are expanded
inline constexpr long kMaxDraws = 10'000;         // parts in one entry of `draws`
inline constexpr double kMostVolts = 60.0;        // DC, between any two rails or lines

class BoardReader {
 public:
  BoardReader(Board& board, Sink& sink, const Fetch& fetch)
      : board_(board), sink_(sink), fetch_(fetch) {}

  // Reads everything but the keys of `map` that a vectors reader takes (steps, settle).
  void read(Map& map);

 private:
  struct Named {
    std::string kind;
    yaml::Place place;
  };
  // A gate of a library: its definition waits as text until it is used.
  struct Definition {
    const yaml::Node* body = nullptr;
    std::vector<std::string> inputs, outputs;
  };
  struct Scope {                               // names inside one use of a library gate
    std::string prefix;                        // "HA1." or empty
    std::string path;                          // "HA1" or empty
    std::map<std::string, std::string> ports;  // inner name -> outer net
    int depth = 0;
  };

  bool claim(const yaml::Node& node, const std::string& name, const std::string& kind);

  // board_reader.cpp
  void read_rails(const yaml::Node& node);
  void read_rail(const yaml::Node::Entry& entry);
  void read_soft_start(const yaml::Node& node, const std::string& thing, Rail& rail);
  void read_draws(const yaml::Node& node, const std::string& thing, Rail& rail);
  void check_rails();
  void read_warm_up(const yaml::Node& node);
  void read_families(const yaml::Node& node);
  void read_family(const yaml::Node::Entry& entry);
  DriveLevel read_drive(const yaml::Node& node);
  void tie_to_rails(Family& family) const;
  void check_family(const Family& family, const yaml::Node& node);
  void read_lines(const yaml::Node& node);
  void read_line(const yaml::Node::Entry& entry);
  void read_line_settings(Map& map, const yaml::Node& node, Line& line);
  std::optional<Load> read_load(const yaml::Node& node);
  void use_family(const yaml::Node& node);
  void read_hookup(const yaml::Node& node);
  void read_hookup_entry(const yaml::Node::Entry& entry, std::map<Channel, std::string>& taken);
  bool read_channels(const yaml::Node& node, std::vector<Channel>& out);
  void check_channel(const yaml::Node& node, const std::string& name, const Channel& channel);
  void read_limits(const yaml::Node& node);
  void read_timing(const yaml::Node& node);
  void read_timing_entry(const yaml::Node::Entry& entry, TimingLimit::Kind kind);

  // circuit_reader.cpp
  void read_libraries(const yaml::Node& node);
  void read_library(const yaml::Node& node);
  void define(const yaml::Node::Entry& entry);
  void read_circuit(const yaml::Node& list, const Scope& scope);
  void read_gate(const yaml::Node& node, const Scope& scope);
  void read_pins(Map& map, const Scope& scope, Gate& gate);
  void read_table(const yaml::Node& table, Gate& gate);
  void read_parts(Map& map, const Scope& scope, Gate& gate);
  void read_use(Map& map, const Scope& scope, const std::string& type);
  void check_arity(const yaml::Node& node, const Gate& gate);
  std::string net(const yaml::Node& node, const Scope& scope);
  Gate::Control control(const yaml::Node& node, const Scope& scope);
  void read_wired(const yaml::Node& node);
  void check_drivers();
  void check_inputs();
  void read_net_list(const yaml::Node& node, const std::string& what,
                     std::vector<std::string>& out);

  std::vector<std::string> rail_names() const;
  std::vector<std::string> net_names() const;
  // The lines that a line name, bus or range stands for; empty after a complaint.
  std::vector<std::string> lines_of(const yaml::Node& node);

  Board& board_;
  Sink& sink_;
  const Fetch& fetch_;
  std::map<std::string, Named> names_;
  std::map<std::string, std::size_t> line_index_;
  std::map<std::string, Definition> definitions_;
  std::vector<std::unique_ptr<yaml::Node>> libraries_;
  std::map<std::string, yaml::Place> nets_;  // every net that a gate drives -> where
  std::vector<std::pair<std::string, yaml::Place>> read_nets_;  // nets that gates read
  std::vector<yaml::Place> gate_places_;
  std::map<std::string, yaml::Place> output_places_;  // lines
};

// The lines that a name stands for on a finished board: a line, a bus, or a range of lines.
// Empty after a complaint that names the nearest known one.
std::vector<std::string> lines_named(const Board& board, const yaml::Node& node, Sink& sink);
std::vector<std::string> known_lines(const Board& board);

// "{gauge: 20 AWG, length: 1.2 m, contacts: 2}". `thing` as in "rail 'heater'".
Wire read_wire(const yaml::Node& node, const std::string& thing, Sink& sink);

// A window "[low, high]" in volts. False after a complaint.
bool read_window(const yaml::Node& node, Sink& sink, Window& window);
// "{low: [..], high: [..]}".
LevelWindows read_level_windows(const yaml::Node& node, Sink& sink, const std::string& thing);

}  // namespace tenterhook::files
