#include "host/commands/merge.h"

#include <fmt/format.h>

#include "host/commands/output.h"
#include "host/commands/review.h"

namespace tenterhook::commands {

int merge(const MergeOptions& options) {
  Result<record::Store> store = open_store(options.store);
  if (!store.ok()) return tell(store.error());
  const Result<record::MergeCount> count = store->merge(options.from);
  if (!count.ok()) return tell(count.error());
  const std::string json = fmt::format("{{\"added\": {}, \"completed\": {}, \"known\": {}}}",
                                       count->added, count->completed, count->known);
  return answer(options.json, json, [&] {
    return fmt::format("{} runs joined, {} completed, {} were here already\n", count->added,
                       count->completed, count->known);
  });
}

}  // namespace tenterhook::commands
