// Tests of parts after a failure: what the fixture does to the lines concerned, beyond driving the
// vectors, and what came of it. In this order, which separates one component fault after the other
// (simulated on follower gates; docs/diagnosis.md):
//   cold       before any rail: each output pulled by 10 kohm to +5 V (sampled by the contact check)
//   levels     unloaded, held at steps in which neighbouring outputs are opposite
//   back-read  each input let go while the others of its gate are high, one after the other: its own
//              lead is read
//   load       22 kohm and 220 kohm to ground on an output, at its low and at its high
//   fall       a falling edge of an output that a fast line moves, by the comparator, where the fixture
//              has one
//
// A result alone says little: outputs of one kind differ by more than a fault moves them. Each is told
// against the same board's own baseline, a good run with the same tests.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/plan/plan.h"
#include "host/plan/program.h"

namespace tenterhook::diagnose {

enum class Test : std::uint8_t { cold, level, back_read, load, fall };
std::string name(Test test);  // "cold", "level", "back-read", "load", "fall"

struct PartTest {
  Test test = Test::level;
  std::string line;
  std::string other;   // back-read: the line that was high, or empty: none was
  bool high = false;   // level, load: which level
  int step = -1;       // held there; -1: none
  double value = 0.0;  // V; load: by how much 22 kohm pulls it; fall: s, 90 to 10 %
  double U = 0.0;      // expanded, 95 %, of a difference between two such values of one fixture
  std::optional<double> ohms;  // load: source resistance by the two loads
  friend bool operator==(const PartTest&, const PartTest&) = default;
};
// As the run's record keeps them: section "part_tests".
std::string part_tests_json(const std::vector<PartTest>& tests);
// Errors (bug): a section that this program did not write.
Result<std::vector<PartTest>> parse_part_tests(const std::string& json);

// Lines whose judged readings failed or stayed unsure, with the inputs of their gates; every line when
// `all`.
std::set<std::string> lines_concerned(const plan::Plan& plan, const std::set<std::string>& doubtful, bool all);

// The powered part: which program, and what its samples mean. Pure; the caller executes it. The
// program drives the vectors again from rest, without sampling them, and stops at a few steps.
class PartTests {
 public:
  PartTests(const plan::Plan& plan, const std::set<std::string>& lines);
  // In order; empty when no line can be tested.
  const std::vector<plan::ProgramStep>& steps() const { return steps_; }
  // What a sample of these steps read: by sense channel and by drive channel, in volts.
  struct Sample {
    int label = 0;  // of the program step
    int index = 0;  // among its samples
    std::map<int, double> sense, drive;
  };
  void take(const Sample& sample);
  std::vector<PartTest> results() const;

 private:
  struct Hold {
    int step = 0;
    std::map<int, bool> outputs;  // sense channel -> its level there
  };
  void choose_holds(const std::set<std::string>& lines);
  void drive_to_holds();
  void hold(const Hold& hold);
  void back_reads(const std::set<std::string>& lines);
  void ask(int label, int index, Test test, const std::string& line, const std::string& other, bool high, int step);

  struct Asked {
    Test test = Test::level;
    std::string line, other;
    bool high = false;
    int step = -1;
    int channel = -1;
    int phase = 0;  // load: 0 bare, 1 with 22 kohm, 2 with 220 kohm
  };
  const plan::Plan& plan_;
  std::vector<Hold> holds_;
  std::vector<plan::ProgramStep> steps_;
  std::map<std::pair<int, int>, std::vector<Asked>> asked_;  // by label and sample
  std::map<std::pair<int, int>, Sample> seen_;
};

inline constexpr std::size_t kHoldsMost = 24;
inline constexpr std::size_t kBackReadsMost = 96;

}  // namespace tenterhook::diagnose
