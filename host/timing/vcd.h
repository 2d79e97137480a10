// Value change dump for waveform viewers: reals for volts, bits for logic. Format: IEEE Std 1364 (the clause on
// value change dump files; syntax as read back by a general-purpose converter in the tests).
//
// In: changes in any order; instants in seconds, rounded to kVcdTick. Out: the file's text. Reals are written
// with 16 significant digits.
#pragma once

#include <string>
#include <vector>

namespace tenterhook::timing {

inline constexpr double kVcdTick = 1e-10;  // 100 ps; a timer tick of 62.5 ns is 625 of them

class Vcd {
 public:
  // `comment` and `date` as they stand; names may hold anything, what viewers do not take becomes '_'.
  Vcd(std::string comment, std::string date) : comment_(std::move(comment)), date_(std::move(date)) {}

  // A variable of a scope; changes refer to the number that is returned.
  int real(const std::string& scope, const std::string& name);
  int bit(const std::string& scope, const std::string& name);
  void change(int variable, double t_s, double volts);
  void change_bit(int variable, double t_s, char bit);  // '0', '1', 'x', 'z'

  // Instants count from the earliest change. Before its first change a variable is x, a real 0.
  std::string text() const;

 private:
  struct Variable {
    std::string scope, name;
    bool is_real = true;
  };
  struct Change {
    double t_s = 0.0;
    int variable = 0;
    double volts = 0.0;
    char bit = 'x';
  };
  std::string comment_, date_;
  std::vector<Variable> variables_;
  std::vector<Change> changes_;
};

}  // namespace tenterhook::timing
