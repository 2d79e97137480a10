// One run of a command that measures a board for its own ends: performed, judged and kept in the store under its kind.
#pragma once

#include <functional>
#include <string>

#include "host/commands/bench_run.h"
#include "host/record/store.h"

namespace tenterhook::commands {

// `add` puts what the command found out into the record (sections) before that is finished. The record is run.record(); what the
// board or a trip did is in it. Errors: the link's, the person's, the store's; the run is in the store, as stopped, all the same.
Status record_run(BenchRun& run, Bench& bench, const BenchOptions& options, record::Store& store, const std::string& kind,
                  const std::function<void(record::RunRecord&)>& add = {});

}  // namespace tenterhook::commands
