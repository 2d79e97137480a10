// Wiring faults that show without power, on the demo boards: found before any rail comes up, by name; and
// no alarm on good boards. TENTERHOOK_SEEDS=N for more seeds of each board (default 6).
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdlib>

#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/bench_run.h"
#include "host/commands/emulated_bench.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

using testing::HasSubstr;

record::RunRecord run_of(const std::string& vectors, std::uint64_t seed, const std::vector<std::string>& faults) {
  auto read = files::read_vectors(std::string(TH_SOURCE_DIR) + "/vectors/" + vectors);
  auto fixture = files::read_fixture(std::string(TH_SOURCE_DIR) + "/fixtures/mega2560/fixture.yaml");
  EXPECT_TRUE(read.ok() && fixture.ok());
  auto plan = plan::make_plan(read.take(), fixture.take(), {});
  EXPECT_TRUE(plan.ok());
  plan->steps.resize(1);  // what is looked at here comes before the vectors
  auto controller = make_emulated(*plan, seed, faults, Firmware::native);
  EXPECT_TRUE(controller.ok()) << (controller.ok() ? "" : controller.error().text());
  Bench bench;
  bench.emulated = controller->get();
  bench.seed = seed;
  link::SessionOptions options;
  options.seed = static_cast<std::uint32_t>(seed);
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(controller.take()), options);
  EXPECT_TRUE(session.ok());
  bench.session = session.take();
  BenchRun run(plan.take(), measure::Decision::guarded, {});
  run.identify(bench, {});
  std::optional<Error> trouble;
  if (auto performed = run.perform(*bench.session); !performed) trouble = performed.error();
  run.finish(bench.session.get(), trouble);
  return run.record();
}

std::string told_before_power(const record::RunRecord& run) {
  std::string text;
  for (const std::string& w : run.warnings) {
    if (w.rfind("before power", 0) == 0) text += w + "\n";
  }
  if (run.aborted && run.aborted->message.find("without power") != std::string::npos) text += run.aborted->message;
  return text;
}

struct Wiring {
  const char *vectors, *fault, *first, *second;
};
const char* const kLatch = "shed-latch/acceptance.vectors.yaml";
const char* const kCounter = "pick-counter/acceptance.vectors.yaml";
const char* const kOr = "or-follower/board.yaml";

class WiringFault : public testing::TestWithParam<Wiring> {};
TEST_P(WiringFault, IsToldBeforePowerByName) {
  const Wiring& w = GetParam();
  const std::string told = told_before_power(run_of(w.vectors, 31, {w.fault}));
  EXPECT_THAT(told, HasSubstr(w.first));
  EXPECT_THAT(told, HasSubstr(w.second));
}
INSTANTIATE_TEST_SUITE_P(
    Planted, WiringFault,
    testing::Values(Wiring{kOr, "fixture.sense.0 open", "Y (sense.0)", "not connected"},
                    Wiring{kLatch, "fixture.sense.0 open", "Q0 (sense.0)", "not connected"},
                    Wiring{kLatch, "fixture.sense.3 open", "Q3 (sense.3)", "not connected"},
                    Wiring{kLatch, "fixture.sense.6 open", "(sense.6)", "not connected"},
                    Wiring{kCounter, "fixture.sense.0 open", "N0 (sense.0)", "not connected"},
                    Wiring{kCounter, "fixture.sense.1 open", "N1 (sense.1)", "not connected"},
                    Wiring{kCounter, "fixture.sense.2 open", "N2 (sense.2)", "not connected"},
                    Wiring{kLatch, "Q0 shorted-to Q1", "Q0 (sense.0)", "Q1 (sense.1)"},
                    Wiring{kLatch, "Q2 shorted-to Q3", "Q2 (sense.2)", "Q3 (sense.3)"},
                    Wiring{kLatch, "Q0 shorted-to Qn1", "Q0 (sense.0)", "Qn1 (sense.5)"},
                    Wiring{kCounter, "N0 shorted-to N1", "N0 (sense.0)", "N1 (sense.1)"},
                    Wiring{kCounter, "N1 shorted-to N2", "N1 (sense.1)", "N2 (sense.2)"},
                    Wiring{kLatch, "Q0 shorted-to plate", "Q0 (sense.0)", "plate"},
                    Wiring{kLatch, "Q3 shorted-to plate", "Q3 (sense.3)", "plate"}));

TEST(Wiring, NoAlarmOnGoodBoards) {
  const char* wanted = std::getenv("TENTERHOOK_SEEDS");
  const int seeds = wanted ? std::atoi(wanted) : 6;
  for (int seed = 1; seed <= seeds; ++seed) {
    for (const char* vectors : {kOr, kCounter, "shuttle-guard/acceptance.vectors.yaml"}) {
      EXPECT_EQ(told_before_power(run_of(vectors, static_cast<std::uint64_t>(seed), {})), "") << vectors << " " << seed;
    }
  }
  EXPECT_EQ(told_before_power(run_of(kLatch, 1, {})), "");
}

}  // namespace
}  // namespace tenterhook::commands
