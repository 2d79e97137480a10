#include "host/commands/show.h"

#include <fmt/format.h>

#include "host/commands/output.h"
#include "host/commands/review.h"
#include "host/report/json.h"
#include "host/report/tables.h"
#include "host/report/terminal.h"

namespace tenterhook::commands {

int show(const ShowOptions& options) {
  const auto run = load_run(options.store, options.run);
  if (!run.ok()) return tell(run.error());
  if (!options.explain.empty()) {
    const std::string json = report::explanation_json(*run, options.explain);
    if (json.empty()) {
      return tell(input_error("run " + std::to_string(run->number),
                              "no line '" + options.explain + "' was measured in this run",
                              fmt::format("`tenterhook show {}` lists its lines", run->number)));
    }
    const report::Screen screen = people_screen(options.json);
    return answer(options.json, json,
                  [&] { return report::explanation(*run, options.explain, screen); });
  }
  if (const int code = write_exports(options.junit, options.tap, options.csv, *run); code != 0) {
    return code;
  }
  // One machine text may take standard output; people's text then stays away.
  for (const std::string* path : {&options.junit, &options.tap, &options.csv}) {
    if (*path == "-") return kExitPass;
  }
  const report::Screen screen = people_screen(options.json);
  return answer(options.json, options.json.empty() ? "" : report::run_json(*run), [&] {
    return options.quiet ? report::quiet_line(*run) : report::whole_run(*run, screen);
  });
}

}  // namespace tenterhook::commands
