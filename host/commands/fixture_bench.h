// A bench without a board under test: the fixture alone, for its calibration and its self-test.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "fixtures/emulated/boards/calibrator.h"
#include "host/commands/bench.h"
#include "host/files/fixture.h"
#include "host/measure/calibration.h"
#include "host/plan/program.h"

namespace tenterhook::commands {

struct FixtureBench {
  Bench bench;
  emulated::Calibrator* source = nullptr;  // on the emulated fixture, when asked for; the port owns it
};

// `with_source`: on the emulated fixture, an adjustable source hangs on every sense lead; `supplies`: volts
// of its bench supplies by rail; `plugged`: the loop-back plug is on its board connectors.
Result<FixtureBench> open_fixture(const BenchOptions& options, const files::Fixture& fixture, bool with_source,
                                  const std::vector<double>& supplies = {}, bool plugged = false);

// One sample of sense channels and aux sources (bits of wire::kAux...), n conversions each; nothing else
// on the fixture is moved. A fault of the fixture is an Error here.
struct Seen {
  std::map<int, measure::Counts> sense, drive, rail, rail_second, supply, current;
  measure::SelfReading self;  // where asked for
};
Result<Seen> sample_once(link::Session& session, std::uint64_t senses, std::uint64_t aux, int n);
Result<Seen> run_and_sample(link::Session& session, const plan::ProgramStep& step);
double mean_of(const measure::Counts& counts);

}  // namespace tenterhook::commands
