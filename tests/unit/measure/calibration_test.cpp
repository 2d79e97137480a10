#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <random>

#include "host/files/reader.h"
#include "host/measure/calibration.h"
#include "host/measure/explain.h"
#include "host/measure/fit.h"

namespace tenterhook::measure {
namespace {

using testing::HasSubstr;

files::Fixture description() {
  auto fixture = files::read_fixture(std::string(TH_SOURCE_DIR) + "/fixtures/mega2560/fixture.yaml");
  EXPECT_TRUE(fixture.ok());
  return fixture.take();
}

std::vector<Point> points(double per_count, double noise = 0.0, int sense = 3) {
  std::vector<Point> all;
  std::mt19937 draws(5);
  std::normal_distribution<double> bell(0.0, 1.0);
  for (double counts = 20.0; counts < 1000.0; counts += 100.0) {
    all.push_back({"sense", sense, Volts{-14.9 + per_count * counts + noise * bell(draws)}, counts});
  }
  return all;
}

TEST(FitChannels, FindsTheLineThatMadeThePoints) {
  const auto fitted = fit_channels(description(), points(0.0733));
  ASSERT_TRUE(fitted.ok()) << fitted.error().text();
  ASSERT_EQ(fitted->channels.size(), 1u);
  EXPECT_NEAR(fitted->channels[0].offset.value, -14.9, 1e-9);
  EXPECT_NEAR(fitted->channels[0].per_count.value, 0.0733, 1e-12);
  EXPECT_TRUE(fitted->warnings.empty());
}

TEST(FitChannels, NamesAnOutlier) {
  auto all = points(0.0733, 0.005);
  all[4].volts += Volts{0.2};
  const auto fitted = fit_channels(description(), all);
  ASSERT_TRUE(fitted.ok());
  ASSERT_EQ(fitted->warnings.size(), 1u);
  EXPECT_THAT(fitted->warnings[0], HasSubstr("sense.3: the point at 16.0"));
}

TEST(FitChannels, SaysWhenALineIsNotEnough) {
  std::vector<Point> all;
  for (const double counts : {100.0, 300.0, 500.0, 700.0, 900.0}) {
    for (const double repeat : {-0.001, 0.001}) {
      const double bent = 0.02 * std::pow((counts - 500.0) / 400.0, 2);
      all.push_back({"sense", 0, Volts{-14.9 + 0.0733 * counts + bent + repeat}, counts});
    }
  }
  const auto fitted = fit_channels(description(), all);
  ASSERT_TRUE(fitted.ok());
  ASSERT_EQ(fitted->warnings.size(), 1u);
  EXPECT_THAT(fitted->warnings[0], HasSubstr("a line does not describe it"));
}

TEST(FitChannels, RefusesWhatCannotBeThisFixture) {
  EXPECT_FALSE(fit_channels(description(), points(0.090)).ok());
  EXPECT_FALSE(fit_channels(description(), points(0.0733, 0.0, 99)).ok());
  auto few = points(0.0733);
  few.resize(3);
  EXPECT_THAT(fit_channels(description(), few).error().text(), HasSubstr("needs 4"));
  few = points(0.0733);
  few.resize(4);  // 300 counts: 22 V of 75 V
  EXPECT_THAT(fit_channels(description(), few).error().text(), HasSubstr("span"));
}

Calibration some() {
  Calibration c;
  c.serial = "TH \"one\"";
  c.made = "2026-01-10";
  c.expires = "2027-01-10";
  c.instrument = {"bench meter: 4 1/2 digits", Volts{0.01}, 0.0005};
  c.operator_name = "Ada";
  c.temperature_c = 21.5;
  c.reference_counts = 511.75;
  c.ground_counts = 204.0;
  c.channels = fit_channels(description(), points(0.0733, 0.005))->channels;
  return c;
}

TEST(CalibrationFile, ReadsBackWhatWasWritten) {
  const Calibration c = some();
  const std::string text = write_calibration(c);
  const auto back = parse_calibration("c.yaml", text);
  ASSERT_TRUE(back.ok()) << back.error().text();
  EXPECT_EQ(write_calibration(*back), text);
  EXPECT_EQ(back->serial, c.serial);
  EXPECT_EQ(back->channels[0].doubt.c01, c.channels[0].doubt.c01);
  EXPECT_EQ(back->hash.size(), 64u);
}

TEST(CalibrationFile, DamagedOnesAreRefusedWithTheirPlace) {
  std::string text = write_calibration(some());
  text.replace(text.find("2027-01-10"), 10, "2027-13-10");
  EXPECT_THAT(parse_calibration("c.yaml", text).error().text(), HasSubstr("a date like"));
  text = write_calibration(some());
  text.replace(text.find("residual"), 8, "residues");
  EXPECT_THAT(parse_calibration("c.yaml", text).error().text(), HasSubstr("c.yaml:"));
}

TEST(CalibrationFile, ExpiresAtItsDate) {
  const Calibration c = some();
  EXPECT_FALSE(c.valid_on("2026-01-09"));
  EXPECT_TRUE(c.valid_on("2027-01-09"));
  EXPECT_FALSE(c.valid_on("2027-01-10"));
  EXPECT_EQ(days_after("2026-02-27", 3), "2026-03-02");
}

TEST(Models, AnOldCalibrationIsLessCertain) {
  const Calibration c = some();
  Counts counts;
  counts.n = 24;
  for (int i = 0; i < 24; ++i) {
    const auto code = static_cast<std::uint32_t>(700 + i % 2);
    counts.sum += code;
    counts.sum_of_squares += code * code;
  }
  counts.min = 700;
  counts.max = 701;
  const auto fresh = estimate(counts, models_of(description(), &c, "2026-01-11").sense[3]);
  const auto old = estimate(counts, models_of(description(), &c, "2027-01-01").sense[3]);
  const auto never = estimate(counts, models_of(description(), &c, "2026-01-11").sense[4]);
  EXPECT_GT(old.U, fresh.U);
  EXPECT_GT(never.U, old.U * 3.0);
  // The record keeps enough to work the same budget out again.
  const auto kept = model_from_json(models_json(models_of(description(), &c, "2026-01-11").sense, {3}), 3);
  ASSERT_TRUE(kept.has_value());
  EXPECT_EQ(estimate(counts, *kept).U, fresh.U);
  EXPECT_THAT(budget_table(fresh), HasSubstr("calibration line"));
}

TEST(SelfTrouble, SeesAReferenceThatMoved) {
  const files::Fixture f = description();
  const Calibration c = some();
  EXPECT_EQ(self_trouble(f, {511.75 * 1.002, 204.0}, &c), "");
  EXPECT_THAT(self_trouble(f, {511.75 * 1.004, 204.0}, &c), HasSubstr("disagree"));
  EXPECT_THAT(self_trouble(f, {512.0 * 0.99, 204.0}, nullptr), HasSubstr("disagree"));
  EXPECT_THAT(self_trouble(f, {511.75, 208.0}, &c), HasSubstr("0 V"));
  EXPECT_THAT(self_drift(f, {511.0, 204.0}, {509.0, 204.0}), HasSubstr("moved"));
  EXPECT_EQ(self_drift(f, {511.0, 204.0}, {510.9, 204.1}), "");
}

}  // namespace
}  // namespace tenterhook::measure
