// Reads `steps:` into one Step a vector. Internal to host/files.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "host/files/board_reader.h"
#include "host/files/vectors.h"

namespace tenterhook::files {

inline constexpr std::size_t kMaxSteps = 100'000;  // after everything is expanded
inline constexpr std::size_t kMaxAssignments =
    2'000'000;  // sets and expectations in all steps together
inline constexpr long kMaxRepeat = 100'000;
inline constexpr long kMaxPulses = 1'000'000;  // in one step

class StepsReader {
 public:
  StepsReader(Vectors& vectors, Sink& sink)
      : vectors_(vectors), board_(vectors.board), sink_(sink) {}
  void read(const yaml::Node& steps);

 private:
  using Bits = std::vector<std::pair<std::string, Bit>>;
  // What one line or bus is given, for one step or for each repetition.
  struct Assignment {
    std::vector<std::string> lines;
    std::vector<std::vector<Bit>> values;  // one, or one a repetition
    std::string other;                     // expect: another line or bus
    yaml::Place place;
  };
  struct Column {
    enum class Kind { set, expect, pulse, say, settle } kind = Kind::set;
    const yaml::Node* node = nullptr;
    yaml::Node name;  // the line or bus, without "set" or "expect"
  };
  struct Pattern {
    std::vector<std::string> lines;
    std::vector<std::vector<Bit>> values;
  };

  void read_step(const yaml::Node& node);
  void read_common(Map& map, Step& step);
  void read_plain(Map& map, Step step);
  void read_every(Map& map, const yaml::Node& every, Step step);
  bool read_column(const yaml::Node& item, const Step& step, Column& column);
  void read_table(Map& map, const yaml::Node& columns, const Step& step);
  void read_row(const yaml::Node& row, const std::vector<Column>& plan, Step step);
  std::vector<Assignment> read_assignments(const yaml::Node& node, bool expecting,
                                           std::size_t repeat);
  std::optional<Assignment> read_assignment(const yaml::Node& key, const yaml::Node& value,
                                            bool expecting, std::size_t repeat);
  bool may(const yaml::Node& key, const std::string& line, bool expecting);
  void apply(const std::vector<Assignment>& all, std::size_t index, bool expecting, Step& step);
  void read_expect(Map& map, std::size_t repeat, Step& step, std::vector<Assignment>& expects);
  std::vector<Pulse> read_pulses(const yaml::Node& node);
  void add_pulse(const yaml::Node& name, long count, std::vector<Pulse>& out);
  std::optional<Pattern> read_pattern(const yaml::Node::Entry& entry);
  std::vector<std::vector<Bit>> expand_pattern(const yaml::Node& node, const std::string& name,
                                               int width);
  void read_random(const yaml::Node& node, int width, std::vector<std::vector<Bit>>& out);
  void add(Step step);
  void check_contention(const Step& step);
  bool room(const yaml::Node& node, std::size_t more_steps, std::size_t assignments_each);

  Vectors& vectors_;
  const Board& board_;
  Sink& sink_;
  std::size_t assignments_ = 0;
  std::map<std::string, Mark>
      held_;  // lines of kind both that the fixture drives now -> where it was set
};

}  // namespace tenterhook::files
