// tenterhook report RUN: one self-contained page.
#pragma once

#include <string>

namespace tenterhook::commands {

struct ReportOptions {
  std::string run;    // as for show
  std::string store;  // "" = the default place
  std::string out;    // "-" = standard output; "" = "BOARD-SERIAL-run-N.html" in this folder
  bool quiet = false;
};
int report(const ReportOptions& options);

}  // namespace tenterhook::commands
