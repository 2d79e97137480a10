#include "host/commands/part_testing.h"

#include <algorithm>

#include "host/measure/nominal.h"
#include "host/plan/program.h"

namespace tenterhook::commands {

namespace {

constexpr Seconds kTestsAtMost{600.0};
// Of a pull before power, 95 %: the lead's own resistors at another temperature.
constexpr double kColdU = 0.1;

}  // namespace

Result<PartTesting> test_parts(link::Session& session, const plan::Plan& plan, const std::set<std::string>& lines,
                               const std::vector<measure::ChannelModel>& models) {
  PartTesting testing;
  diagnose::PartTests tests(plan, lines);
  if (tests.steps().empty()) return testing;
  std::vector<std::uint8_t> program;
  for (const plan::ProgramStep& step : tests.steps()) {
    auto bytes = plan::encode(step);
    TH_TRY(bytes);
    program.insert(program.end(), bytes->begin(), bytes->end());
  }
  const measure::ChannelModel nominal = measure::nominal_sense(plan.fixture);
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) {
    diagnose::PartTests::Sample sample;
    sample.label = block.step;
    sample.index = block.index;
    for (const link::ChannelSample& c : block.channels) {
      if (c.counts.n == 0) continue;
      const bool sense = c.kind == link::ChannelKind::sense;
      if (!sense && c.kind != link::ChannelKind::drive) continue;
      const auto index = static_cast<std::size_t>(c.index);
      const measure::ChannelModel& model = sense && index < models.size() ? models[index] : nominal;
      (sense ? sample.sense : sample.drive)[c.index] = measure::estimate(c.counts, model).volts.value;
    }
    tests.take(sample);
  };
  auto report = session.execute(program, sink, kTestsAtMost);
  TH_TRY(report);
  testing.report = report.take();
  testing.tests = tests.results();
  return testing;
}

std::vector<diagnose::PartTest> cold_tests(const plan::Plan& plan, const std::map<int, measure::Counts>& pulls,
                                           const std::set<std::string>& lines,
                                           const std::vector<measure::ChannelModel>& models) {
  std::vector<diagnose::PartTest> tests;
  for (const auto& [sense, counts] : pulls) {
    const std::string line = plan::line_on_sense(plan, sense);
    const auto index = static_cast<std::size_t>(sense);
    if (!lines.count(line) || index >= models.size() || counts.n == 0) continue;
    const double volts = measure::estimate(counts, models[index]).volts.value;
    tests.push_back({diagnose::Test::cold, line, "", false, -1, volts, kColdU, std::nullopt});
  }
  return tests;
}

}  // namespace tenterhook::commands
