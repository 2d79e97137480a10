#include "host/commands/report.h"

#include <fmt/format.h>

#include <cctype>

#include "host/commands/output.h"
#include "host/commands/review.h"
#include "host/report/html.h"

namespace tenterhook::commands {
namespace {

// Letters, digits, '-' and '_' only: a board's name must not choose the folder.
std::string file_name(const record::RunRecord& run) {
  std::string name = run.board;
  if (!run.board_serial.empty()) name += "-" + run.board_serial;
  for (char& c : name) {
    if (std::isalnum(static_cast<unsigned char>(c)) == 0 && c != '-' && c != '_') c = '_';
  }
  return fmt::format("{}-run-{}.html", name, run.number);
}

}  // namespace

int report(const ReportOptions& options) {
  const Result<record::RunRecord> run = load_run(options.store, options.run);
  if (!run.ok()) return tell(run.error());
  const std::string path = options.out.empty() ? file_name(*run) : options.out;
  const Status written = write_text(path, tenterhook::report::html_page(*run));
  if (!written.ok()) return tell(written.error());
  if (path != "-" && !options.quiet) fmt::print("{}\n", path);
  return kExitPass;
}

}  // namespace tenterhook::commands
