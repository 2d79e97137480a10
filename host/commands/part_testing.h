// The tests of parts on an open bench: executes what host/diagnose/part_tests.h plans and returns what
// the fixture saw, for the run's record.
#pragma once

#include <map>
#include <set>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/diagnose/part_tests.h"
#include "host/link/session.h"
#include "host/measure/uncertainty.h"
#include "host/plan/plan.h"

namespace tenterhook::commands {

struct PartTesting {
  std::vector<diagnose::PartTest> tests;
  link::ExecuteReport report;  // its fault, when the fixture tripped under the tests
};
// The board is powered and has been driven. `models`: by sense channel.
Result<PartTesting> test_parts(link::Session& session, const plan::Plan& plan, const std::set<std::string>& lines,
                               const std::vector<measure::ChannelModel>& models);

// The pulls before power, by sense channel, as tests of the lines concerned.
std::vector<diagnose::PartTest> cold_tests(const plan::Plan& plan, const std::map<int, measure::Counts>& pulls,
                                           const std::set<std::string>& lines,
                                           const std::vector<measure::ChannelModel>& models);

}  // namespace tenterhook::commands
