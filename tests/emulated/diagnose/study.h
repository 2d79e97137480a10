// Boards with faults, as a study draws them: which fault, on which board, and whether a diagnosis names
// what was spoilt. What is drawn never looks at the host's model of the circuit beyond the names of its
// nets and parts.
#pragma once

#include <set>
#include <string>
#include <vector>

#include "fixtures/emulated/boards/description.h"
#include "host/diagnose/diagnose.h"
#include "tests/emulated/boards_on_bench/on_bench.h"

namespace tenterhook::commands {

// Small, fixed generator: the sample must be the same on every machine.
class StudyDraw {
 public:
  explicit StudyDraw(std::uint64_t seed) : state_(seed * 2 + 1) {}
  std::size_t below(std::size_t n) {
    state_ = state_ * 6364136223846793005ull + 1442695040888963407ull;
    return static_cast<std::size_t>((state_ >> 33) % n);
  }
  template <class T>
  const T& of(const std::vector<T>& items) {
    return items[below(items.size())];
  }

 private:
  std::uint64_t state_;
};

struct StudyBoard {
  std::string file;
  unsigned share = 1;  // of the draws
  std::string name;
  plan::Plan plan;
};
// The four demo boards and the two larger ones.
Result<std::vector<StudyBoard>> study_boards();

struct StudyCase {
  const StudyBoard* board = nullptr;
  std::vector<std::string> faults;  // one, or two for a pair
  std::set<std::string> truth;      // parts and nets that were spoilt; any of them is right
  std::string kind;                 // for the table
  std::uint64_t seed = 1;           // of board and fixture
};
StudyCase draw_single(const StudyBoard& board, StudyDraw& draw);

// One power-up of a board: the same parts for the same seed, other chances for another moment.
struct PowerUp {
  std::uint64_t seed = 1, moment = 0;
  std::vector<std::string> faults;
  std::function<void(emulated::BoardDescription&)> rebuilt = {};  // another board than its file says
  bool part_tests = false;  // of all lines, also when nothing failed
};
Result<record::RunRecord> power_up(const StudyBoard& board, const PowerUp& how);

// Two faults at once on parts or nets of different gates; a part of another kind, or a wire elsewhere, than
// the board file says.
StudyCase draw_pair(const StudyBoard& board, StudyDraw& draw);
std::function<void(emulated::BoardDescription&)> draw_wrong_part(const StudyBoard& board, StudyDraw& draw,
                                                                 StudyCase& c);
std::function<void(emulated::BoardDescription&)> draw_wrong_netlist(const StudyBoard& board, StudyDraw& draw,
                                                                    StudyCase& c);

// A person with a meter: the board powered, its rails at their volts, held at a step of its vectors.
class Meter {
 public:
  static Result<Meter> make(const StudyBoard& board, const StudyCase& c);
  // Volts of a net after that step, from power-up; an error for what the board does not have.
  Result<double> read(const std::string& net, int step);

 private:
  const StudyBoard* board_ = nullptr;
  const StudyCase* case_ = nullptr;
  emulated::BoardDescription description_;
};

// Touches of plain back-tracing: from a wrong output to the inputs of its gate, in their order, on to the
// first one that is wrong, until a gate has a wrong output and right inputs. `good` is the same board
// without the fault.
Result<int> back_trace(const StudyBoard& board, const record::RunRecord& run, Meter& meter, Meter& good);

// The largest change of a reading, in units of its U; infinity when something else than a reading tells
// (a stop, a warning before power).
double change_in_U(const record::RunRecord& good, const record::RunRecord& bad);

struct Named {
  int group = 0;             // that names the truth, from 1; 0: none
  bool by_stop = false;      // the run was stopped and its message names the place
  std::size_t first = 0;     // parts in the first group, and in the first three; wiring counts as one
  std::size_t three = 0;
  std::string parts;  // of the first group
};
Named named(const record::RunRecord& run, const diagnose::Diagnosis& d, const StudyCase& c);

}  // namespace tenterhook::commands
