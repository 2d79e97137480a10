#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "host/measure/contact.h"
#include "host/measure/uncertainty.h"
#include "host/measure/verdict.h"

namespace tenterhook::measure {
namespace {

ChannelModel channel() {
  ChannelModel c;
  c.offset = Volts{-14.948};
  c.per_count = Volts{0.07324};
  c.open_reads = Volts{0.864};
  return c;
}

Counts counts_of(std::initializer_list<int> values) {
  Counts c;
  c.min = 1023;
  for (int v : values) {
    ++c.n;
    c.sum += static_cast<std::uint32_t>(v);
    c.sum_of_squares += static_cast<std::uint32_t>(v * v);
    c.min = std::min<std::uint16_t>(c.min, static_cast<std::uint16_t>(v));
    c.max = std::max<std::uint16_t>(c.max, static_cast<std::uint16_t>(v));
  }
  return c;
}

const Component* find(const Estimate& e, const std::string& name) {
  for (const Component& c : e.budget) {
    if (c.name == name) return &c;
  }
  return nullptr;
}

TEST(Estimate, MeanOfCodesLiesOnTheChannelsLine) {
  const Estimate e = estimate(counts_of({300, 302}), channel());
  EXPECT_NEAR(e.volts.value, -14.948 + 0.07324 * 301.0, 1e-9);
}

TEST(Estimate, UndditheredCodeKeepsTheWholeQuantisation) {
  const Estimate e = estimate(counts_of({300, 300, 300, 300}), channel());
  EXPECT_NEAR(find(e, "quantisation")->u.value, 0.07324 / std::sqrt(12.0), 1e-9);
  EXPECT_EQ(find(e, "noise of the mean")->u.value, 0.0);
}

TEST(Estimate, DitheredCodesAverageTheQuantisation) {
  const Estimate e = estimate(counts_of({299, 300, 301, 300, 299, 301, 300, 300}), channel());
  // sd of these is sqrt(4/7), of the mean that over sqrt(8).
  EXPECT_NEAR(find(e, "noise of the mean")->u.value, 0.07324 * std::sqrt(4.0 / 7.0 / 8.0), 1e-9);
  // Half a step of noise leaves less than a hundredth of a step of the rounding.
  EXPECT_LT(find(e, "quantisation")->u.value, 0.07324 * 0.01);
  EXPECT_GT(find(e, "quantisation")->u.value, 0.0);
}

// By simulation: the mean of rounded noisy values against the true one, worst over the step.
TEST(Estimate, QuantisationLeftCoversTheRoundingOfNoisyLevels) {
  std::mt19937 draws(1);
  for (const double noise : {0.2, 0.3, 0.45}) {
    double squares = 0.0;
    constexpr int kPlaces = 16, kDraws = 100000;
    for (int place = 0; place < kPlaces; ++place) {
      const double level = static_cast<double>(place) / kPlaces;
      std::normal_distribution<double> bell(level, noise);
      double mean = 0.0;
      for (int i = 0; i < kDraws; ++i) mean += std::round(bell(draws)) / kDraws;
      squares += (mean - level) * (mean - level) / kPlaces;
    }
    const double wave = std::exp(-2.0 * 9.8696 * noise * noise) / 3.14159265 / std::sqrt(2.0);
    EXPECT_NEAR(std::sqrt(squares), wave, 0.15 * wave + 0.003) << noise;
  }
}

TEST(Estimate, EitherEndOfTheSpanIsSaturated) {
  EXPECT_TRUE(estimate(counts_of({0, 1}), channel()).saturated);
  EXPECT_TRUE(estimate(counts_of({1023, 1022}), channel()).saturated);
  EXPECT_FALSE(estimate(counts_of({1, 1022}), channel()).saturated);
}

TEST(Estimate, SharesGrowWithTheVolts) {
  ChannelModel c = channel();
  c.shares = {{"gain", 0.001}};
  const Estimate e = estimate(counts_of({700, 700}), c);
  EXPECT_NEAR(find(e, "gain")->u.value, e.volts.value * 0.001, 1e-9);
}

Estimate known(double volts, double U) {
  Estimate e;
  e.volts = Volts{volts};
  e.U = Volts{U};
  e.u = Volts{U / 1.96};
  return e;
}

TEST(Judge, GuardBandSplitsPassUnsureFail) {
  const files::Window window{Volts{22.0}, Volts{31.0}};
  EXPECT_EQ(judge(known(22.11, 0.1), window, Decision::guarded), Verdict::pass);
  EXPECT_EQ(judge(known(22.09, 0.1), window, Decision::guarded), Verdict::unsure);
  EXPECT_EQ(judge(known(21.91, 0.1), window, Decision::guarded), Verdict::unsure);
  EXPECT_EQ(judge(known(21.89, 0.1), window, Decision::guarded), Verdict::fail);
  EXPECT_EQ(judge(known(30.95, 0.1), window, Decision::guarded), Verdict::unsure);
  EXPECT_EQ(judge(known(31.11, 0.1), window, Decision::guarded), Verdict::fail);
}

TEST(Judge, SimpleDecisionHasNoGuardBand) {
  const files::Window window{Volts{22.0}, Volts{31.0}};
  EXPECT_EQ(judge(known(22.01, 0.1), window, Decision::simple), Verdict::pass);
  EXPECT_EQ(judge(known(21.99, 0.1), window, Decision::simple), Verdict::fail);
}

TEST(Judge, SaturatedReadingNeverPasses) {
  Estimate e = known(25.0, 0.1);
  e.saturated = true;
  const files::Window window{Volts{22.0}, Volts{31.0}};
  EXPECT_EQ(judge(e, window, Decision::guarded), Verdict::unsure);
  EXPECT_EQ(judge(e, window, Decision::simple), Verdict::unsure);
}

TEST(Worst, FailBeatsUnsureBeatsPass) {
  EXPECT_EQ(worst(Verdict::unsure, Verdict::fail), Verdict::fail);
  EXPECT_EQ(worst(Verdict::pass, Verdict::unsure), Verdict::unsure);
  EXPECT_EQ(worst(Verdict::none, Verdict::pass), Verdict::pass);
}

struct Lead {
  std::vector<Reading> readings;
  std::vector<Reading*> run;
  explicit Lead(std::initializer_list<double> volts) {
    for (double v : volts) {
      Reading r;
      r.line = "Q0";
      r.volts = Volts{v};
      r.U = Volts{0.1};
      r.verdict = Verdict::pass;
      readings.push_back(r);
    }
    for (Reading& r : readings) run.push_back(&r);
  }
};

TEST(OpenLead, LowBetweenTwoHighsCounts) {
  Lead lead{24.0, 0.9, 24.0};
  EXPECT_EQ(apply_open_lead_rule(lead.run, Volts{0.864}, false, false), 0);
}

TEST(OpenLead, LowsAfterTheLastHighDoNotCount) {
  Lead lead{24.0, 0.9, 24.0, 0.9, 0.9};
  EXPECT_EQ(apply_open_lead_rule(lead.run, Volts{0.864}, true, false), 2);
  EXPECT_EQ(lead.readings[1].verdict, Verdict::pass);
  EXPECT_EQ(lead.readings[3].verdict, Verdict::unsure);
  EXPECT_NE(lead.readings[3].why.find("after"), std::string::npos);
}

TEST(OpenLead, LeadThatNeverMovedNeverPasses) {
  Lead lead{0.9, 0.8, 0.9};
  EXPECT_EQ(apply_open_lead_rule(lead.run, Volts{0.864}, false, false), 3);
}

TEST(OpenLead, ProofOnBothSidesIsEnough) {
  Lead lead{0.9, 0.8, 0.9};
  EXPECT_EQ(apply_open_lead_rule(lead.run, Volts{0.864}, true, true), 0);
}

TEST(OpenLead, LevelsFarFromTheOpenVoltageNeedNoProof) {
  Lead lead{5.0, 5.1, 5.0};
  EXPECT_EQ(apply_open_lead_rule(lead.run, Volts{0.864}, false, false), 0);
}

TEST(OpenLead, FailsStayFails) {
  Lead lead{0.9};
  lead.readings[0].verdict = Verdict::fail;
  EXPECT_EQ(apply_open_lead_rule(lead.run, Volts{0.864}, false, false), 0);
  EXPECT_EQ(lead.readings[0].verdict, Verdict::fail);
}

TEST(Contact, PullTellsAnOpenLeadFromAConnectedOne) {
  const Volts open{0.864}, U{0.2};
  const Ohms divider{1.0578e6};
  EXPECT_NEAR(pulled_open_reads(open, divider).value, 4.961, 1e-3);
  EXPECT_EQ(contact_of(Volts{0.86}, Volts{4.95}, U, open, divider), Contact::open);
  // A low behind 1 kohm gives way by 0.4 V only.
  EXPECT_EQ(contact_of(Volts{0.1}, Volts{0.55}, U, open, divider), Contact::proven);
  EXPECT_EQ(contact_of(Volts{24.0}, Volts{19.0}, U, open, divider), Contact::proven);
  // A valve's low of 5 V sits where an open lead would be pulled: not proven, but not open either.
  EXPECT_EQ(contact_of(Volts{5.0}, Volts{5.0}, U, open, divider), Contact::unknown);
}

}  // namespace
}  // namespace tenterhook::measure
