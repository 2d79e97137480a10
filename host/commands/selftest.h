// tenterhook fixture selftest: what the fixture can know of itself without a board. The board's leads
// hang free, or hang on a board without power that holds nothing.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/commands/options.h"
#include "host/commands/relay_times.h"
#include "host/files/fixture.h"
#include "host/link/session.h"
#include "host/measure/calibration.h"

namespace tenterhook::commands {

struct SelfTestFinding {
  std::string where;  // "drive.3", "test-bus.7", "reference"
  std::string kind;   // "stuck-open", "stuck-closed", "slow", "drift", "no-coil-supply"
  std::string text;   // what was seen, and what to do
};

struct SelfTest {
  std::vector<SelfTestFinding> faults;
  std::vector<std::string> not_tested;  // what, and what it would take
  measure::SelfReading self;
  std::vector<RelayTime> times;         // of the relays and reeds that move; of the whole test only
  bool good() const { return faults.empty(); }
};

// References and ground; each test-bus reed, each drive relay and routing reed: stuck, slow; each sense
// front end against its neighbours. An Error is the link's, or a fault that the fixture found by itself.
Result<SelfTest> self_test(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration);

// The same with the loop-back plug on the board connectors: each drive lead on the sense lead of its number, the fast
// lines on the two after those. What a lead carries is then seen at its far end. Front ends are not compared.
Result<SelfTest> self_test_plugged(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration);

// Its parts, for a fixture that is not finished (selftest_stages.h). Those that are asked for, in order;
// the session stays open.
enum class SelfTestPart { itself, at_rest, reeds, drives, routes, front_ends };
Result<SelfTest> self_test_parts(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration,
                                 const std::vector<SelfTestPart>& parts);

struct SelfTestOptions {
  BenchOptions bench;
  bool loop_back = false;  // the plug is on
  int stage = 0;  // of the assembly, 1..10; 0: the finished fixture
};
int fixture_selftest(const SelfTestOptions& options);

}  // namespace tenterhook::commands
