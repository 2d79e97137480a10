// From what a vouched-for board showed to what shall be expected: pure arithmetic.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/vectors.h"
#include "host/files/writer.h"
#include "host/record/run.h"

namespace tenterhook::commands {

struct LineProposal {
  std::string line;
  files::LevelWindows windows;
  std::string why;         // the windows' reason, with its figures
  std::string undecided;   // "": nothing; else what is not known of this line
};

struct Proposal {
  std::vector<files::Step> steps;  // with expectations: measured bits, x where rounds differed
  std::vector<LineProposal> lines;
  std::vector<std::string> undecided;       // one sentence each
  std::vector<std::string> contradictions;  // measured against the circuit; likewise
};

// A window reaches further than what was measured by U and this share of the swing between low and high: other boards of
// the kind spread (common practice, no source). Never beyond what receivers need, nor the middle of the swing.
constexpr double kSpreadAllowed = 0.10;

// `rounds`: runs that measured every output at every step (Reading::volts, U), each after a power-up of its own. Volts
// fall into low and high by their widest gap; a line that never moved is told from its family's windows. With a circuit
// its known values are compared.
Result<Proposal> propose_from(const files::Board& board, std::vector<files::Step> steps, const std::vector<record::RunRecord>& rounds);

}  // namespace tenterhook::commands
