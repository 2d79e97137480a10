// Why a suspect is one, in a builder's words.
#pragma once

#include <string>
#include <vector>

#include "host/circuit/sequence.h"
#include "host/diagnose/hypotheses.h"
#include "host/diagnose/observed.h"

namespace tenterhook::diagnose {

// What the run complains of: the first wrong reading of each wrong line, and what the inputs of the
// gate behind it ask for at that moment.
class Complaint {
 public:
  Complaint(const circuit::Netlist& netlist, const std::vector<circuit::SequenceStep>& steps,
            const Observed& seen);
  // One sentence for a cause (or two at once).
  std::string why(const std::vector<const Hypothesis*>& causes) const;

 private:
  struct WrongLine {
    std::string line, reads, asked;  // "4.9 V in step 3"; "d2 = 1 and PICK pulsed"
    std::size_t wrong = 0, judged = 0;
    bool one_wanted = false;
    bool always_same = true;  // every wrong reading missed the same level
  };
  std::string story() const;
  std::vector<WrongLine> lines_;
};

}  // namespace tenterhook::diagnose
