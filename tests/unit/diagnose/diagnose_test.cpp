// Diagnosis alone: readings made up from the logic of a faulty circuit with honest noise, so that
// what should be found is known.
#include "host/diagnose/diagnose.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <functional>
#include <random>

#include "host/circuit/machines.h"
#include "host/circuit/sequence.h"
#include "host/diagnose/part_tests.h"
#include "host/files/reader.h"

namespace tenterhook::diagnose {
namespace {

using circuit::Fault;
using circuit::FaultKind;
using files::Bit;

class DiagnoseTest : public ::testing::Test {
 protected:
  void SetUp() override { read("vectors/shed-latch/acceptance.vectors.yaml"); }

  void read(const std::string& file) {
    auto vectors = files::read_vectors(std::string(TH_SOURCE_DIR) + "/" + file);
    ASSERT_TRUE(vectors.ok()) << vectors.error().text();
    vectors_ = vectors.take();
    netlist_ = circuit::build_netlist(vectors_.board).take();
    steps_ = circuit::compile_sequence(netlist_, vectors_.steps)->steps;
  }

  circuit::NodeId net(const std::string& name) const {
    return netlist_.net_node[*netlist_.find_net(name)];
  }

  // A run of a board with these faults; `spoil` may change a reading before it is judged.
  record::RunRecord run_with(const std::vector<Fault>& faults,
                             const std::function<void(int step, measure::Reading&)>& spoil = {}) {
    circuit::Machines good(netlist_), bad(netlist_);
    good.power_up();
    bad.power_up();
    for (const Fault& f : faults) bad.inject(0, f);
    good.settle();
    bad.settle();
    std::mt19937 random(5);
    std::normal_distribution<double> noise(0.0, 0.03);
    record::RunRecord run;
    run.number = 3;
    run.verdict = measure::Verdict::pass;
    for (std::size_t i = 0; i < steps_.size(); ++i) {
      circuit::apply_step(good, steps_[i]);
      circuit::apply_step(bad, steps_[i]);
      record::StepRecord step;
      step.index = static_cast<int>(i);
      for (std::size_t o = 0; o < netlist_.outputs.size(); ++o) {
        const Bit want = good.read_output(o, 0);
        if (want == Bit::any) continue;
        measure::Reading r;
        r.line = netlist_.outputs[o].line;
        r.expected = want;
        r.volts = Volts{(bad.read_output(o, 0) == Bit::one ? 25.0 : 5.5) + noise(random)};
        r.U = Volts{0.09};
        const files::LevelWindows windows =
            vectors_.board.family_of(*vectors_.board.line(r.line))->judged();
        r.window = want == Bit::one ? *windows.high : *windows.low;
        if (spoil) spoil(step.index, r);
        r.verdict = r.window.contains(r.volts) ? measure::Verdict::pass : measure::Verdict::fail;
        if (r.verdict == measure::Verdict::fail) run.verdict = measure::Verdict::fail;
        step.readings.push_back(r);
      }
      run.steps.push_back(std::move(step));
    }
    return run;
  }

  Diagnosis take(const record::RunRecord& run, const std::vector<Touched>& touched = {}) {
    auto d = diagnose(run, vectors_, touched);
    EXPECT_TRUE(d.ok()) << d.error().text();
    double sum = d->healthy + d->none;
    for (std::size_t i = 0; i < d->suspects.size(); ++i) {
      sum += d->suspects[i].probability;
      if (i > 0) {
        EXPECT_LE(d->suspects[i].probability, d->suspects[i - 1].probability);
      }
    }
    EXPECT_LE(sum, 1.0 + 1e-9);
    return d.take();
  }

  static int group_naming(const Diagnosis& d, const std::string& part) {
    int best = 0;
    for (const Suspect& s : d.suspects)
      if (std::find(s.parts.begin(), s.parts.end(), part) != s.parts.end() &&
          (best == 0 || s.group < best))
        best = s.group;
    return best;
  }

  files::Vectors vectors_;
  circuit::Netlist netlist_;
  std::vector<circuit::SequenceStep> steps_;
};

TEST_F(DiagnoseTest, AHealthyRunAccusesNobody) {
  const Diagnosis d = take(run_with({}));
  EXPECT_TRUE(d.suspects.empty());
  EXPECT_EQ(d.healthy, 1.0);
  EXPECT_FALSE(d.touch);
}

TEST_F(DiagnoseTest, EveryStuckNetIsInTheFirstThreeGroups) {
  for (const char* name : {"Q0", "Q3", "Qn1", "d2", "F1"}) {
    for (const FaultKind kind : {FaultKind::stuck_zero, FaultKind::stuck_one}) {
      const Diagnosis d = take(run_with({{net(name), kind, circuit::kNoNode}}));
      const bool named = std::any_of(d.suspects.begin(), d.suspects.end(), [&](const Suspect& s) {
        return s.net == name && s.group <= 3;
      });
      EXPECT_TRUE(named) << name;
      EXPECT_LT(d.none, 0.01) << name;
    }
  }
}

TEST_F(DiagnoseTest, IndistinguishableCausesShareAGroup) {
  const Diagnosis d = take(run_with({{net("d2"), FaultKind::stuck_zero, circuit::kNoNode}}));
  const int driver = group_naming(d, "V2a");
  ASSERT_GT(driver, 0);
  bool pin = false;  // the reader's own pin looks the same
  for (const Suspect& s : d.suspects)
    pin = pin || (s.net == "d2" && s.fault == "stuck-low at Q2" && s.group == driver);
  EXPECT_TRUE(pin);
}

TEST_F(DiagnoseTest, OneOddReadingCondemnsNobody) {
  const Diagnosis d = take(run_with({}, [](int step, measure::Reading& r) {
    if (step == 20 && r.line == "Q1") r.volts = Volts{r.expected == Bit::one ? 5.5 : 25.0};
  }));
  EXPECT_GT(d.healthy + d.none, 0.5);
  // Beside a true fault, an odd reading elsewhere changes nothing.
  const Diagnosis e = take(run_with({{net("Q3"), FaultKind::stuck_zero, circuit::kNoNode}},
                                    [](int step, measure::Reading& r) {
                                      if (step == 20 && r.line == "Q1")
                                        r.volts = Volts{r.expected == Bit::one ? 5.5 : 25.0};
                                    }));
  ASSERT_FALSE(e.suspects.empty());
  EXPECT_EQ(e.suspects.front().net, "Q3");
}

TEST_F(DiagnoseTest, AWeakHighIsNotAStuckOne) {
  const Diagnosis d = take(run_with({}, [](int, measure::Reading& r) {
    if (r.line == "Q2" && r.expected == Bit::one) r.volts = Volts{18.0};
  }));
  ASSERT_FALSE(d.suspects.empty());
  EXPECT_EQ(d.suspects.front().net, "Q2");
  EXPECT_EQ(d.suspects.front().fault, "weak high");
  EXPECT_GT(d.suspects.front().probability, 0.8);
  EXPECT_THAT(d.suspects.front().why, ::testing::HasSubstr("although d2 and PICK ask for a 1"));
}

TEST_F(DiagnoseTest, ADeadClockIsTriedInEveryPowerUpState) {
  for (const char digit : {'1', '2'}) {  // of the line that woke up high
    const Diagnosis d = take(run_with(
        {{net("PICK"), FaultKind::stuck_zero, circuit::kNoNode}}, [&](int, measure::Reading& r) {
          const bool inverse = r.line.size() == 3;
          r.volts = Volts{((r.line.back() == digit) != inverse) ? 25.0 : 5.5};
        }));
    ASSERT_FALSE(d.suspects.empty());
    EXPECT_EQ(d.suspects.front().net, "PICK");
  }
}

TEST_F(DiagnoseTest, TwoAtOnceOnlyWhenNoSingleOneFits) {
  const Diagnosis d = take(run_with({{net("Q0"), FaultKind::stuck_zero, circuit::kNoNode},
                                     {net("Qn3"), FaultKind::stuck_one, circuit::kNoNode}}));
  ASSERT_FALSE(d.suspects.empty());
  EXPECT_THAT(d.suspects.front().net, ::testing::AnyOf("Q0 and Qn3", "Qn3 and Q0"));
  EXPECT_THAT(d.suspects.front().parts, ::testing::IsSupersetOf({"V0d", "V3e"}));
  const Diagnosis single = take(run_with({{net("Q0"), FaultKind::stuck_zero, circuit::kNoNode}}));
  for (const Suspect& s : single.suspects)
    EXPECT_THAT(s.net, ::testing::Not(::testing::HasSubstr(" and ")));
}

TEST_F(DiagnoseTest, NoiseOnEveryLineIsNoneOfThese) {
  std::mt19937 random(9);
  const Diagnosis d = take(run_with({}, [&](int, measure::Reading& r) {
    if (random() % 5 == 0) r.volts = Volts{r.expected == Bit::one ? 5.5 : 25.0};
  }));
  EXPECT_GT(d.none, 0.9);
  EXPECT_THAT(d.say, ::testing::HasSubstr("None of the causes"));
}

TEST_F(DiagnoseTest, ATouchSplitsWhatTheOutputsCannot) {
  const record::RunRecord run = run_with({{net("d2"), FaultKind::stuck_zero, circuit::kNoNode}});
  const Diagnosis before = take(run);
  ASSERT_TRUE(before.touch);
  EXPECT_EQ(before.touch->at, "d2");
  ASSERT_EQ(before.touch->expect.size(), 2u);
  EXPECT_NEAR(before.touch->expect[0].from, 5.5, 0.3);  // the levels of this run
  EXPECT_NEAR(before.touch->expect[1].to, 25.0, 0.3);
  const Diagnosis low = take(run, {{"d2", 5.4, -1}}), high = take(run, {{"d2", 24.8, -1}});
  EXPECT_EQ(group_naming(low, "V2a"), 1);
  EXPECT_NE(group_naming(high, "V2a"), 1);
  EXPECT_EQ(group_naming(high, "V2b"), 1);
  if (low.touch) {
    EXPECT_NE(low.touch->at, "d2");
  }
}

TEST_F(DiagnoseTest, RefusesWhatItCannotUse) {
  const record::RunRecord run = run_with({{net("d2"), FaultKind::stuck_zero, circuit::kNoNode}});
  EXPECT_FALSE(diagnose(run, vectors_, {{"d9", 5.0, -1}}).ok());
  EXPECT_FALSE(diagnose(run, vectors_, {{"d2", 5.0, 9999}}).ok());
  EXPECT_FALSE(diagnose(record::RunRecord{}, vectors_, {}).ok());
  files::Vectors bare = vectors_;
  bare.board.circuit.clear();
  EXPECT_FALSE(diagnose(run, bare, {}).ok());
}

TEST_F(DiagnoseTest, PartsFoundBadBeforeWeighMore) {
  const record::RunRecord run = run_with({{net("d2"), FaultKind::stuck_zero, circuit::kNoNode}});
  Known known;
  known.found_bad["V2b"] = 5;
  const auto probability = [](const Diagnosis& d, const std::string& part) {
    double p = 0.0;
    for (const Suspect& s : d.suspects)
      if (s.parts == std::vector<std::string>{part}) p += s.probability;
    return p;
  };
  const Diagnosis flat = take(run);
  auto learned = diagnose(run, vectors_, {}, known);
  ASSERT_TRUE(learned.ok());
  EXPECT_GT(probability(*learned, "V2b"), 1.5 * probability(flat, "V2b"));
  EXPECT_LT(probability(*learned, "V2a"), probability(flat, "V2a"));
}

TEST_F(DiagnoseTest, ALevelThatMovedInsideItsWindowIsToldBesideTheBaseline) {
  const record::RunRecord good = run_with({});
  const record::RunRecord weak = run_with({}, [](int, measure::Reading& r) {
    if (r.line == "Q2" && r.expected == Bit::one) r.volts = Volts{23.9};  // 25.0 before; the window ends at 22
  });
  ASSERT_EQ(weak.verdict, measure::Verdict::pass);
  EXPECT_TRUE(take(weak).suspects.empty());  // nothing to hold it against
  Known known;
  known.baseline = &good;
  auto d = diagnose(weak, vectors_, {}, known);
  ASSERT_TRUE(d.ok());
  ASSERT_FALSE(d->suspects.empty());
  EXPECT_EQ(d->suspects.front().net, "Q2");
  EXPECT_THAT(d->suspects.front().fault, ::testing::HasSubstr("weak high"));
  auto same = diagnose(good, vectors_, {}, known);
  ASSERT_TRUE(same.ok());
  EXPECT_TRUE(same->suspects.empty());
}

TEST(PartTests, AreKeptInTheRecordAsTheyWere) {
  const std::vector<PartTest> tests{{diagnose::Test::cold, "Q0", "", false, -1, 3.8, 0.1, std::nullopt},
                                    {diagnose::Test::back_read, "F0", "SKIP", false, -1, 0.86, 0.06, std::nullopt},
                                    {diagnose::Test::load, "Q0", "", true, 12, 3.2, 0.06, 3100.0}};
  const auto back = parse_part_tests(part_tests_json(tests));
  ASSERT_TRUE(back.ok());
  EXPECT_EQ(*back, tests);
  EXPECT_FALSE(parse_part_tests("{}").ok());
}

TEST(ParseTouch, NetVoltsAndStep) {
  const auto t = parse_touch("d1=23.8V@17");
  ASSERT_TRUE(t.ok());
  EXPECT_EQ(t->net, "d1");
  EXPECT_DOUBLE_EQ(t->volts, 23.8);
  EXPECT_EQ(t->step, 17);
  EXPECT_EQ(parse_touch("d1=-0.5 V")->step, -1);
  for (const char* bad :
       {"", "d1", "=3V", "d1=", "d1=3", "d1=3mV", "d1=3V@", "d1=3V@-1", "d1=nanV", "d1=3V 7"})
    EXPECT_FALSE(parse_touch(bad).ok()) << bad;
}

}  // namespace
}  // namespace tenterhook::diagnose
