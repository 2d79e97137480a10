// What `run --repeat` adds to a run: the passes in their order, the person's part in them, and what they showed.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "host/commands/bench_run.h"
#include "host/commands/options.h"
#include "host/files/vectors.h"
#include "host/repeat/outcome.h"

namespace tenterhook::commands {

constexpr const char* kAsItIs = "as it is";
constexpr const char* kCold = "cold";
constexpr const char* kWarm = "warm";
constexpr const char* kTapped = "tapped";

struct Repeating {
  repeat::Order order;
  int steps_each = 0;
  repeat::Asked asked;
  bool interactive = false;  // a person is at the terminal

  // Asks how the board is, on the terminal; false: the person leaves.
  bool ask_condition();
  // After a run: again, and how? false: the person leaves.
  bool ask_next();
  // Sums a finished run up into its record's section.
  void conclude(BenchRun& run);
  // The runs of this series beside each other: "cold 0 of 59 passes wrong, warm 4 of 59"; empty after one.
  std::string series_text() const;

 private:
  struct Done {
    std::string condition;
    long wrong = 0, of = 0;
  };
  std::vector<Done> done_;
};

// From --repeat, or --confidence and --catch; nothing when neither is given. Replaces the steps of `vectors` by those
// of all passes. Errors (input): see repeat::order_of and passes_needed.
Result<std::optional<Repeating>> repeat_as_asked(const RunOptions& options, files::Vectors& vectors, bool interactive);

// "95%", "95 %", "0.95". Errors (input) name `option`.
Result<double> parse_share(const std::string& option, const std::string& text);

}  // namespace tenterhook::commands
