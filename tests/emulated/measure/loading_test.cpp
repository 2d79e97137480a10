// Source resistance by two loads: arithmetic on exact values, and the emulated fixture's test bus.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>

#include "host/files/reader.h"
#include "host/measure/calibration.h"
#include "host/measure/loading.h"
#include "tests/emulated/measure/fixture_rig.h"

namespace tenterhook {
namespace {

using measure::Estimate;

const measure::LoadingParts kParts{Ohms{1.05777e6}, Volts{0.8636}, Ohms{22e3}, Ohms{220e3}, 0.01};

// Node equation, apart from the module's own algebra.
Estimate exact(double e, double r, double load_siemens) {
  Estimate out;
  out.volts = Volts{(e / r + kParts.bias.value / kParts.divider.value) / (1.0 / r + 1.0 / kParts.divider.value + load_siemens)};
  out.u = Volts{0.01};
  out.U = Volts{0.02};
  return out;
}

measure::Source solved(double e, double r) {
  return measure::source_of(exact(e, r, 0.0), exact(e, r, 1.0 / 22e3), exact(e, r, 1.0 / 220e3), kParts);
}

TEST(Loading, ExactReadingsGiveTheSourceBack) {
  for (const double e : {-12.0, 20.0, 30.0, 55.0}) {
    for (const double r : {100.0, 4.7e3, 51e3, 220e3}) {
      const auto s = solved(e, r);
      ASSERT_TRUE(s.known) << e << " V " << r << ": " << s.why;
      EXPECT_NEAR(s.ohms.value, r, 1e-6 * r + 1e-3);
      EXPECT_NEAR(s.open_circuit.value, e, 1e-6);
    }
  }
}

TEST(Loading, RefusesWhatCannotBeKnown) {
  EXPECT_FALSE(solved(0.05, 220e3).known);   // nothing flows
  EXPECT_FALSE(solved(0.9, 1e6).known);
  const double r = 51e3;
  auto moved = exact(30.0, r, 1.0 / 220e3);
  moved.volts += Volts{1.5};                 // the node moved between the looks
  EXPECT_FALSE(measure::source_of(exact(30.0, r, 0.0), exact(30.0, r, 1.0 / 22e3), moved, kParts).known);
}

struct Looked { Estimate bare, heavy, light; };

Looked look(std::uint64_t seed, double e, double r) {
  emulated::SenseRig rig(seed, 5);
  rig.rig.feeding = true;
  rig.rig.start();
  auto fixture = files::read_fixture(std::string(TH_SOURCE_DIR) + "/fixtures/mega2560/fixture.yaml");
  EXPECT_TRUE(fixture.ok());
  std::vector<measure::Point> points;
  for (const double volts : {-14.0, 0.0, 7.0, 14.0, 28.0, 42.0, 56.0}) {
    rig.put(volts, 1.0);
    const auto c = rig.sample(96);
    points.push_back({"sense", 5, Volts{rig.true_volts()}, static_cast<double>(c.sum) / c.n});
  }
  measure::Calibration calibration;
  calibration.made = "2026-01-01";
  calibration.channels = measure::fit_channels(*fixture, points)->channels;
  const auto model = measure::models_of(*fixture, &calibration, "2026-01-01").sense[5];
  rig.put(e, r);
  auto sample = [&] {
    rig.rig.pass(30 * emulated::kMs);
    return measure::estimate(rig.sample(96), model);
  };
  Looked l;
  l.bare = sample();
  rig.rig.set(map::kBitTestBus + 5);
  rig.rig.set(map::kBitBusLoad22k);
  l.heavy = sample();
  rig.rig.set(map::kBitBusLoad22k, false);
  rig.rig.set(map::kBitBusLoad220k);
  l.light = sample();
  return l;
}

// Calibrated fixtures (TENTERHOOK_FIXTURES=N; default 40), sources of 51 and 220 kohm. At 51 kohm the correction adds
// at most 1 % of the reading to its U.
TEST(Loading, RecoversSourcesBehindTheEmulatedFrontEnd) {
  const char* wanted = std::getenv("TENTERHOOK_FIXTURES");
  const auto fixtures = static_cast<std::uint64_t>(wanted ? std::atoi(wanted) : 40);
  std::vector<double> worst_ohms(2), more_U, inside;
  for (std::uint64_t seed = 1; seed <= fixtures; ++seed) {
    for (const double e : {20.0, 30.0, 50.0}) {
      for (const auto& [r, within] : {std::pair{51e3, 0.02}, std::pair{220e3, 0.03}}) {
        const Looked l = look(seed, e, r);
        const auto s = measure::source_of(l.bare, l.heavy, l.light, kParts);
        ASSERT_TRUE(s.known) << seed << " " << e << " " << r << ": " << s.why;
        EXPECT_NEAR(s.ohms.value, r, within * r) << "seed " << seed << " " << e << " V";
        EXPECT_NEAR(s.open_circuit.value, e, s.U.value * 1.5) << "seed " << seed;
        double& worst = worst_ohms[r > 1e5];
        worst = std::max(worst, std::fabs(s.ohms.value / r - 1.0));
        inside.push_back(std::fabs(s.open_circuit.value - e) <= s.U.value);
        if (r < 1e5) more_U.push_back((s.U - l.bare.U).value / e);
      }
    }
  }
  const double most = *std::max_element(more_U.begin(), more_U.end());
  double held = 0.0;
  for (const double i : inside) held += i / static_cast<double>(inside.size());
  std::printf("%zu fixtures: 51 kohm within %.2f %%, 220 kohm within %.2f %%; at 51 kohm U grows by at most %.3f %% of the "
              "volts; %.1f %% of the open-circuit volts inside their U\n",
              static_cast<std::size_t>(fixtures), worst_ohms[0] * 100.0, worst_ohms[1] * 100.0, most * 100.0, held * 100.0);
  EXPECT_LE(most, 0.01);
  EXPECT_GE(held, 0.94);
}

}  // namespace
}  // namespace tenterhook
