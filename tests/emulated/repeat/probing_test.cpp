// Held, looped and touched on the emulated fixture, in one process: what the fixture truly does meanwhile.
#include <gtest/gtest.h>

#include "firmware/core/fixture_map.h"
#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/emulated_bench.h"
#include "host/commands/emulated_hand.h"
#include "host/commands/holding.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

const std::string kTree = TH_SOURCE_DIR;

// Notes when the trigger output and the clock's pin were high.
class Scope : public emulated::Controller {
 public:
  explicit Scope(std::unique_ptr<emulated::Controller> inner) : inner_(std::move(inner)) { inner_->record_edges(true); }
  std::vector<emulated::Picoseconds> rises, falls;  // of the trigger output

  emulated::Picoseconds now() const override { return inner_->now(); }
  void feed(std::span<const std::uint8_t> bytes, emulated::Picoseconds t) override { inner_->feed(bytes, t); }
  emulated::Picoseconds run_until(emulated::Picoseconds deadline, bool stop_on_output) override {
    constexpr emulated::Picoseconds kLook = 20'000'000;  // 20 us
    while (inner_->now() < deadline) {
      inner_->run_until(std::min(deadline, inner_->now() + kLook), stop_on_output);
      const bool high = inner_->circuit().truth(inner_->now()).trigger_high;
      if (high != high_) (high ? rises : falls).push_back(inner_->now());
      high_ = high;
      if (stop_on_output && inner_->has_output()) break;
    }
    return inner_->now();
  }
  std::vector<std::uint8_t> take_output() override { return inner_->take_output(); }
  bool has_output() const override { return inner_->has_output(); }
  void set_host_baud(int baud) override { inner_->set_host_baud(baud); }
  void inject(emulated::Injection what) override { inner_->inject(what); }
  void record_edges(bool on) override { inner_->record_edges(on); }
  const std::vector<emulated::PinEdge>& edges() const override { return inner_->edges(); }
  emulated::FixtureCircuit& circuit() override { return inner_->circuit(); }
  std::string describe() const override { return inner_->describe(); }

 private:
  std::unique_ptr<emulated::Controller> inner_;
  bool high_ = false;
};

struct Table {
  std::unique_ptr<Holding> holding;
  Scope* scope = nullptr;
  EmulatedHand* hand = nullptr;
};

plan::Plan plan_of_counter(bool with_hand) {
  auto vectors = files::read_vectors(kTree + "/vectors/pick-counter/acceptance.vectors.yaml");
  EXPECT_TRUE(vectors.ok()) << vectors.error().text();
  if (with_hand) vectors->board.hookup["hand"] = {"sense", 8};
  BenchOptions options;
  options.fixture = "emulated";
  auto plan = plan_on(options, vectors.take());
  EXPECT_TRUE(plan.ok()) << plan.error().text();
  return plan.take();
}

Table set_up(Firmware firmware = Firmware::native) {
  Table table;
  plan::Plan plan = plan_of_counter(true);
  Reach reach;
  Adjust adjust;
  adjust.parts = [&](emulated::FixtureOptions&, emulated::BoardDescription& board) { reach = reach_every_net(board, plan.hand); };
  adjust.board = [&](std::unique_ptr<emulated::Board> board) {
    auto hand = std::make_unique<EmulatedHand>(std::move(board), reach.nets, reach.hand);
    table.hand = hand.get();
    return hand;
  };
  auto controller = make_emulated(plan, 1, {}, firmware, adjust);
  EXPECT_TRUE(controller.ok()) << controller.error().text();
  auto scope = std::make_unique<Scope>(controller.take());
  table.scope = scope.get();
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(std::move(scope)));
  EXPECT_TRUE(session.ok()) << session.error().text();
  Bench bench;
  bench.session = session.take();
  bench.emulated = table.scope;
  auto holding = Holding::make(std::move(plan), std::move(bench));
  EXPECT_TRUE(holding.ok());
  table.holding = holding.take();
  return table;
}

double measured(const Table& table, const std::string& line) {
  for (const report::HeldLine& held : table.holding->screen().lines) {
    if (held.name == line && held.reading) return held.reading->volts.value;
  }
  return -99.0;
}

TEST(Looping, TheTriggerRisesBeforeThePulseOfTheLastStepOnly) {
  Table table = set_up(Firmware::elf);  // the chip's own pins, to the cycle
  ASSERT_TRUE(*table.holding->power_up());
  // Steps that end with a pulse: the third count after a clear.
  const auto& steps = table.holding->plan().vectors.steps;
  int last = -1;
  for (std::size_t i = 2; i < steps.size() && last < 0; ++i) {
    if (!steps[i].pulse.empty()) last = static_cast<int>(i);
  }
  ASSERT_GT(last, 0);
  int pulses = 0;  // of one time round
  for (int i = 0; i <= last; ++i) {
    for (const files::Pulse& p : steps[static_cast<std::size_t>(i)].pulse) pulses += p.count;
  }
  table.scope->rises.clear();
  table.scope->falls.clear();
  const std::size_t before = table.scope->edges().size();
  constexpr int kTimes = 5;
  for (int i = 0; i < kTimes; ++i) {
    auto looped = table.holding->loop(0, last);
    ASSERT_TRUE(looped.ok()) << looped.error().text();
    ASSERT_TRUE(*looped);
  }
  ASSERT_EQ(table.scope->rises.size(), static_cast<std::size_t>(kTimes));
  ASSERT_EQ(table.scope->falls.size(), static_cast<std::size_t>(kTimes));
  std::vector<emulated::Picoseconds> clock;
  for (std::size_t i = before; i < table.scope->edges().size(); ++i) {
    if (table.scope->edges()[i].level) clock.push_back(table.scope->edges()[i].t);
  }
  ASSERT_EQ(clock.size(), static_cast<std::size_t>(kTimes * pulses));
  const auto own = static_cast<std::size_t>(steps[static_cast<std::size_t>(last)].pulse[0].count);
  for (int i = 0; i < kTimes; ++i) {
    const auto rise = table.scope->rises[static_cast<std::size_t>(i)], fall = table.scope->falls[static_cast<std::size_t>(i)];
    std::size_t inside = 0;
    for (const auto t : clock) inside += t > rise && t < fall;
    EXPECT_EQ(inside, own);
    const auto first = std::find_if(clock.begin(), clock.end(), [&](auto t) { return t > rise; });
    ASSERT_NE(first, clock.end());
    EXPECT_LT(*first - rise, 1'000'000'000) << "the pulse comes within a millisecond of the trigger";
  }
}

TEST(Looping, EveryTimeRoundTheLastStepIsTheSame) {
  Table table = set_up();
  ASSERT_TRUE(*table.holding->power_up());
  ASSERT_TRUE(table.holding->reach(7).ok());
  ASSERT_TRUE(*table.holding->look());
  std::map<std::string, double> held;
  for (const char* line : {"N0", "N1", "N2"}) held[line] = measured(table, line);
  for (int i = 0; i < 4; ++i) {
    ASSERT_TRUE(*table.holding->loop(0, 7));
    for (const auto& [line, volts] : held) EXPECT_NEAR(measured(table, line), volts, 0.2) << line;
  }
  EXPECT_EQ(table.holding->down(), kExitPass);
  EXPECT_FALSE(table.scope->circuit().truth(table.scope->now()).any_rail_on);
}

TEST(HandLead, ReadsWhatItTouchesAndKnowsWhenItTouchesNothing) {
  Table table = set_up();
  ASSERT_TRUE(*table.holding->power_up());
  ASSERT_TRUE(table.holding->reach(7).ok());
  auto free = table.holding->hand();
  ASSERT_TRUE(free.ok());
  EXPECT_FALSE(free->touching);
  // Lines are measured by leads of their own: the hand must agree, low or high. A low lies where an open lead would.
  ASSERT_TRUE(*table.holding->look());
  bool low = false, high = false;
  for (const char* line : {"N0", "N1", "N2"}) {
    const double volts = measured(table, line);
    (volts < 3.0 ? low : high) = true;
    ASSERT_TRUE(table.hand->touch(line).ok());
    auto reading = table.holding->hand();
    ASSERT_TRUE(reading.ok());
    EXPECT_TRUE(reading->touching) << line;
    EXPECT_NEAR(reading->volts.value, volts, reading->U.value + 0.3) << line;
  }
  EXPECT_TRUE(low && high) << "this step must show both";
  // Inner nets, which no lead of the fixture reaches: the true volts are the judge.
  for (const char* net : {"k2", "c1", "c2", "Nn0", "Nn1", "Nn2"}) {
    ASSERT_TRUE(table.hand->touch(net).ok());
    auto reading = table.holding->hand();
    ASSERT_TRUE(reading.ok());
    EXPECT_TRUE(reading->touching) << net;
    const double truth = table.scope->circuit().lead_volts(table.scope->now(), 8);
    EXPECT_NEAR(reading->volts.value, truth, reading->U.value) << net;
  }
  table.hand->lift();
  free = table.holding->hand();
  ASSERT_TRUE(free.ok());
  EXPECT_FALSE(free->touching);
  EXPECT_FALSE(table.hand->touch("no-such-net").ok());
  // Being touched has not disturbed the count.
  for (const char* line : {"N0", "N1", "N2"}) {
    const double volts = measured(table, line);
    ASSERT_TRUE(*table.holding->look());
    EXPECT_NEAR(measured(table, line), volts, 0.2);
  }
}

}  // namespace
}  // namespace tenterhook::commands
