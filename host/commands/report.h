// tenterhook report: a run, all runs of a board, or all boards as one self-contained page; a label for the board.
#pragma once

#include <functional>
#include <string>

#include "host/base/result.h"
#include "host/record/run.h"

namespace tenterhook::commands {

struct ReportOptions {
  std::string run;     // as for show; "" with board or fleet
  std::string store;   // "" = the default place
  std::string out;     // "-" = standard output; "" = a name made of what it shows, in this folder
  bool quiet = false;
  std::string board;   // all runs of this board: recorded name, or a board file
  std::string serial;  // of that board
  bool fleet = false;  // all boards
  std::string label;   // a label of the run instead of a page: FILE.svg or FILE.pdf
  // The suspects of a failed run as `diagnose --json` writes them; null: the page goes without.
  std::function<Result<std::string>(const record::RunRecord&)> suspects;
};
int report(const ReportOptions& options);

}  // namespace tenterhook::commands
