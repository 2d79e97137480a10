// A person's points, read off the emulated leads by an ideal meter, through the calibrate command, into
// the judgement of a run.
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>

#include "host/commands/calibrate.h"
#include "host/commands/emulated_bench.h"
#include "host/measure/calibration.h"
#include "tests/emulated/measure/fixture_rig.h"

namespace tenterhook::commands {
namespace {

constexpr std::uint64_t kSeed = 21;

class Calibrate : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::temp_directory_path() / ("calibrate_test." + std::to_string(getpid()));
    std::filesystem::create_directories(folder_);
    setenv("XDG_DATA_HOME", folder_.c_str(), 1);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  // Mean counts and true lead volts of one channel, from a rig of the same seed.
  std::string points(const std::string& name, bool counts) {
    const std::string path = (folder_ / name).string();
    std::ofstream file(path);
    file << "channel,volts,counts\n";
    for (const int sense : {0, 7}) {
      emulated::SenseRig rig(kSeed, sense);
      for (const double volts : {-13.0, -5.0, 3.0, 12.0, 24.0, 36.0, 48.0, 58.0}) {
        rig.put(volts, 1.0);
        const auto c = rig.sample(192);
        file << "sense." << sense << "," << rig.true_volts();
        if (counts) file << "," << static_cast<double>(c.sum) / c.n;
        file << "\n";
      }
    }
    return path;
  }
  CalibrateOptions options(const std::string& file) {
    CalibrateOptions o;
    o.bench.fixture = "emulated";
    o.bench.seed = kSeed;
    o.bench.quiet = true;
    o.points = file;
    o.offset_v = 0.001;
    o.percent = 0.001;
    o.operator_name = "a test";
    return o;
  }
  std::filesystem::path folder_;
};

void expect_close(const measure::Calibration& c, int sense) {
  const auto* channel = c.find("sense", sense);
  ASSERT_NE(channel, nullptr);
  emulated::SenseRig rig(kSeed, sense);
  for (const double volts : {-10.0, 5.0, 30.0, 55.0}) {
    rig.put(volts, 1.0);
    const auto counts = rig.sample(192);
    const double read = channel->offset.value + channel->per_count.value * counts.sum / counts.n;
    EXPECT_NEAR(read, rig.true_volts(), 0.035) << "sense." << sense << " " << volts;
  }
}

TEST_F(Calibrate, PointsWithCountsNeedNoFixtureSample) {
  ASSERT_EQ(fixture_calibrate(options(points("given.csv", true))), 0);
  const auto kept = measure::find_calibration(emulated_serial(kSeed));
  ASSERT_TRUE(kept.ok() && *kept) << (kept.ok() ? "none" : kept.error().text());
  EXPECT_EQ((*kept)->channels.size(), 2u);
  EXPECT_EQ((*kept)->operator_name, "a test");
  expect_close(**kept, 0);
  expect_close(**kept, 7);
}

TEST_F(Calibrate, PointsAloneAreMeasuredByTheFixture) {
  ASSERT_EQ(fixture_calibrate(options(points("meter.csv", false))), 0);
  const auto kept = measure::find_calibration(emulated_serial(kSeed));
  ASSERT_TRUE(kept.ok() && *kept);
  expect_close(**kept, 7);
}

TEST_F(Calibrate, GuidedByAnEmulatedPersonCoversEveryChannel) {
  CalibrateOptions o = options("");
  o.offset_v = 0.01;
  o.percent = 0.05;
  ASSERT_EQ(fixture_calibrate(o), 0);
  const auto kept = measure::find_calibration(emulated_serial(kSeed));
  ASSERT_TRUE(kept.ok() && *kept);
  EXPECT_EQ((*kept)->channels.size(), 32u);
}

TEST_F(Calibrate, ADriftedReferenceIsNotCalibratedAway) {
  CalibrateOptions o = options("");
  o.bench.faults = {"fixture.reference drift 1"};
  EXPECT_EQ(fixture_calibrate(o), 3);
  EXPECT_EQ(fixture_calibrate([&] { auto bad = options((folder_ / "none.csv").string()); return bad; }()), 2);
}

}  // namespace
}  // namespace tenterhook::commands
