#include "host/record/run.h"

namespace tenterhook::record {

CountsOf counts_of(const RunRecord& run) {
  CountsOf counts;
  counts.steps = static_cast<int>(run.steps.size());
  for (const StepRecord& step : run.steps) {
    for (const measure::Reading& reading : step.readings) {
      switch (reading.verdict) {
        case measure::Verdict::pass:
          ++counts.pass;
          break;
        case measure::Verdict::fail:
          ++counts.fail;
          break;
        case measure::Verdict::unsure:
          ++counts.unsure;
          break;
        case measure::Verdict::none:
          continue;  // measured, not judged: counted nowhere
      }
      ++counts.readings;
    }
  }
  return counts;
}

std::string verdict_word(measure::Verdict verdict) {
  switch (verdict) {
    case measure::Verdict::pass:
      return "pass";
    case measure::Verdict::fail:
      return "fail";
    case measure::Verdict::unsure:
      return "unsure";
    case measure::Verdict::none:
      return "none";
  }
  return "none";
}

}  // namespace tenterhook::record
