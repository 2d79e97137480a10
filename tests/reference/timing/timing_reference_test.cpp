// Measures and searches against values that are known from outside.
#include <gtest/gtest.h>
#include <stdlib.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <functional>
#include <map>
#include <regex>
#include <sstream>

#include "host/timing/search.h"
#include "host/timing/waveform.h"

namespace tenterhook::timing {
namespace {

Waveform sampled(const std::function<double(double)>& f, double from, double to, int n) {
  Waveform w;
  for (int i = 0; i <= n; ++i) {
    w.t_s.push_back(from + (to - from) * i / n);
    w.v.push_back(f(w.t_s.back()));
  }
  return w;
}

// Closed form: v = 1 - exp(-t / tau) passes 10 % at tau ln(10/9), 50 % at tau ln 2, 90 % at tau ln 10;
// 10-90 % = tau ln 9 = 2.1972 tau. Transition duration and 50 % instant as IEEE Std 181 defines them.
TEST(Ieee181, Exponential) {
  auto m = measure_edge(sampled([](double t) { return t < 0.0 ? 0.0 : 1.0 - std::exp(-t); }, -10.0, 25.0, 3500));
  ASSERT_TRUE(m.ok());
  EXPECT_NEAR(m->transition_s, 2.197, 0.002);
  EXPECT_NEAR(m->at_50.t_s, std::log(2.0), 0.001);
  EXPECT_NEAR(m->at_10.t_s, std::log(10.0 / 9.0), 0.001);
  EXPECT_NEAR(m->overshoot_percent, 0.0, 0.1);
}

// Closed form: an ideal ramp of duration T lasts 0.8 T from 10 % to 90 % and passes 50 % at T / 2.
TEST(Ieee181, Ramp) {
  auto m = measure_edge(sampled([](double t) { return std::clamp(t / 4.0, 0.0, 1.0) * -12.0; }, -6.0, 12.0, 1800));
  ASSERT_TRUE(m.ok());
  EXPECT_FALSE(m->rising);
  EXPECT_NEAR(m->transition_s, 0.8 * 4.0, 1e-9 * 4.0);
  EXPECT_NEAR(m->at_50.t_s, 2.0, 1e-9);
  EXPECT_LT(m->u_transition_s, 1e-6);
}

// Closed form: a trapezoid's two transitions are 0.8 of its ramps; between its 50 % instants lies its top and
// half of each ramp.
TEST(Ieee181, Trapezoid) {
  const double rise = 3.0, top = 10.0, fall = 5.0;
  auto shape = [&](double t) { return std::clamp(std::min(t / rise, (rise + top + fall - t) / fall), 0.0, 1.0) * 5.0; };
  auto up = measure_edge(sampled(shape, -8.0, rise + top / 2, 1600));
  auto down = measure_edge(sampled(shape, rise + top / 2, rise + top + fall + 8.0, 1800));
  ASSERT_TRUE(up.ok() && down.ok());
  EXPECT_NEAR(up->transition_s, 0.8 * rise, 1e-6);
  EXPECT_NEAR(down->transition_s, 0.8 * fall, 1e-6);
  EXPECT_NEAR(down->at_50.t_s - up->at_50.t_s, top + 0.5 * (rise + fall), 1e-6);
}

// Closed form: a second-order step response overshoots by exp(-pi zeta / sqrt(1 - zeta^2)).
TEST(Ieee181, OvershootOfASecondOrderStep) {
  const double zeta = 0.3, root = std::sqrt(1.0 - zeta * zeta);
  auto step = [&](double t) {
    return t < 0.0 ? 0.0 : 1.0 - std::exp(-zeta * t) * (std::cos(root * t) + zeta / root * std::sin(root * t));
  };
  auto m = measure_edge(sampled(step, -20.0, 60.0, 8000));
  ASSERT_TRUE(m.ok());
  EXPECT_NEAR(m->overshoot_percent, 100.0 * std::exp(-M_PI * zeta / root), 0.2);
}

// One gate of the set through ngspice, measured by this code and by ngspice's own `meas` (Berkeley-style
// simulators' manual, "meas tran": trig/targ, when). The circuit is the inverter of fixtures/emulated/spice.
TEST(Ngspice, InverterAgreesWithItsOwnMeas) {
  char folder[] = "/tmp/tenterhook-meas-XXXXXX";
  ASSERT_NE(mkdtemp(folder), nullptr);
  const std::filesystem::path at(folder), source(TH_SOURCE_DIR);
  std::ifstream gate(source / "fixtures/emulated/spice/triode-inverter.cir"), library(source / "host/predict/library.sp");
  std::string line;
  {
    std::ofstream deck(at / "deck.cir");
    while (std::getline(gate, line)) {
      if (line.rfind("Va ", 0) == 0) line = "Va a 0 pulse(5 24.6 20u 0.5u 0.5u 60u 200u)";
      if (line == ".op" || line == ".end") continue;
      deck << line << "\n";
    }
    std::getline(library, line);  // its title
    deck << library.rdbuf();
    // Levels as they stand where nothing moves; then the same reference levels for both.
    deck << "\n.control\nset wr_vecnames\nset numdgt=12\noption reltol=1e-5\ntran 10n 160u 0 20n\n"
            "meas tran vhigh find v(y) at=19u\nmeas tran vlow find v(y) at=79u\n"
            "let l10=vlow+0.1*(vhigh-vlow)\nlet l50=vlow+0.5*(vhigh-vlow)\nlet l90=vlow+0.9*(vhigh-vlow)\n"
            "meas tran tfall trig v(y) val=l90 fall=1 targ v(y) val=l10 fall=1\n"
            "meas tran trise trig v(y) val=l10 rise=1 targ v(y) val=l90 rise=1\n"
            "meas tran dfall trig v(a) val=14.8 rise=1 targ v(y) val=l50 fall=1\n"
            "meas tran drise trig v(a) val=14.8 fall=1 targ v(y) val=l50 rise=1\n"
            "linearize v(a) v(y)\nwrdata wave.txt v(a) v(y)\nquit\n.endc\n.end\n";
  }
  const std::string command = "cd " + at.string() + " && HOME=" + at.string() + " ngspice -b deck.cir >log 2>&1";
  const int code = std::system(command.c_str());
  std::stringstream log;
  log << std::ifstream(at / "log").rdbuf();
  std::map<std::string, double> meas;
  const std::regex said(R"(^(\w+)\s+=\s+([-+0-9.e]+))");
  while (std::getline(log, line)) {
    if (std::smatch m; std::regex_search(line, m, said)) meas[m[1]] = std::stod(m[2]);
  }
  for (const char* name : {"vhigh", "vlow", "tfall", "trise", "dfall", "drise"}) ASSERT_TRUE(meas.count(name)) << name << " exit " << code << "\n" << log.str();
  std::map<bool, Waveform> a, y;  // before and after the middle
  std::ifstream wave(at / "wave.txt");
  std::getline(wave, line);
  for (double t, va, t2, vy; wave >> t >> va >> t2 >> vy;) {
    const bool late = t > 50e-6;
    a[late].t_s.push_back(t);
    a[late].v.push_back(va);
    y[late].t_s.push_back(t);
    y[late].v.push_back(vy);
  }
  std::filesystem::remove_all(at);
  ASSERT_GT(y[false].v.size(), 1000u);
  const Levels levels{meas["vlow"], meas["vhigh"], 0.0, 0.0};
  for (const bool late : {false, true}) {
    auto in = measure_edge(a[late]);
    auto given = measure_edge(y[late], levels);
    auto found = measure_edge(y[late]);
    ASSERT_TRUE(in.ok() && given.ok() && found.ok());
    EXPECT_EQ(given->rising, late);
    const double transition = meas[late ? "trise" : "tfall"], delay = meas[late ? "drise" : "dfall"];
    // Same levels: only the interpolation differs.
    EXPECT_NEAR(given->transition_s, transition, 0.005 * transition + 2e-9);
    EXPECT_NEAR(given->at_50.t_s - in->at_50.t_s, delay, 0.005 * delay + 2e-9);
    // Levels by the histogram's modes.
    EXPECT_NEAR(found->transition_s, transition, 0.02 * transition);
    EXPECT_NEAR(found->at_50.t_s - in->at_50.t_s, delay, 0.02 * delay);
  }
}

// Halvings by arithmetic: 20 V to 0.1 V is 8 steps (200 of them), 100 ms to 10 us is 14 (10,000).
TEST(Bisection, TakesTheKnownNumberOfSteps) {
  EXPECT_EQ(halvings(200), 8);
  EXPECT_EQ(halvings(10'000), 14);
  EXPECT_EQ(halvings(1), 0);
  for (const auto& [steps, most] : {std::pair{200L, 8}, std::pair{10'000L, 14}}) {
    int worst = 0;
    for (long edge = 1; edge < steps; edge += std::max(1L, steps / 97)) {
      SearchOptions o;
      o.bad = steps;
      o.sweeps = 0;
      o.scan = 0;
      auto r = search([edge](long x, int n) -> Result<Tally> { return x < edge ? Tally{n, 0, 0} : Tally{0, n, 0}; }, o);
      ASSERT_TRUE(r.ok());
      EXPECT_EQ(r->edge, edge - 1);
      worst = std::max(worst, r->bisect);
      EXPECT_LE(r->bracket + r->bisect + r->repeat, 2 + most + o.repeats);
    }
    EXPECT_LE(worst, most);
    EXPECT_GE(worst, most - 1);
  }
}

// Arithmetic: no failure in n proves at most 1 - 0.05^(1/n) at 95 %: 59 for 5 %, 299 for 1 %. With failures,
// Clopper and Pearson 1934 by the beta quantile: it must solve the binomial sum it stands for.
TEST(Confidence, IsTheBinomialBound) {
  EXPECT_NEAR(rate_at_most(0, 59, 0.95), 1.0 - std::pow(0.05, 1.0 / 59.0), 1e-9);
  EXPECT_LE(rate_at_most(0, 59, 0.95), 0.05);
  EXPECT_GT(rate_at_most(0, 58, 0.95), 0.05);
  EXPECT_LE(rate_at_most(0, 299, 0.95), 0.01);
  EXPECT_GT(rate_at_most(0, 298, 0.95), 0.01);
  EXPECT_LE(rate_at_most(0, 90, 0.99), 0.05);
  const double p = rate_at_most(1, 59, 0.95);
  EXPECT_NEAR(std::pow(1.0 - p, 59) + 59.0 * p * std::pow(1.0 - p, 58), 0.05, 1e-9);
  EXPECT_EQ(rate_at_most(5, 5, 0.95), 1.0);
}

}  // namespace
}  // namespace tenterhook::timing
