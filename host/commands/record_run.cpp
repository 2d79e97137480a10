#include "host/commands/record_run.h"

#include <optional>

namespace tenterhook::commands {

Status record_run(BenchRun& run, Bench& bench, const BenchOptions& options, record::Store& store, const std::string& kind,
                  const std::function<void(record::RunRecord&)>& add) {
  run.identify(bench, options);
  record::RunRecord& record = run.record();
  record.kind = kind;
  auto number = store.begin(record);
  TH_TRY(number);
  std::optional<Error> trouble;
  if (auto performed = run.perform(*bench.session); !performed) trouble = performed.error();
  run.finish(bench.session.get(), trouble);
  if (add) add(record);
  for (const record::StepRecord& step : record.steps) TH_TRY(store.add_step(record.number, step));
  TH_TRY(store.finish(record));
  if (trouble) return *trouble;
  return {};
}

}  // namespace tenterhook::commands
