// The straight line and the scatter against the certified values of NIST's Statistical Reference
// Datasets (tests/data/strd; sources in its README).
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <sstream>

#include "host/measure/fit.h"
#include "host/measure/uncertainty.h"

namespace tenterhook::measure {
namespace {

// Columns y x behind comment lines.
void read(const std::string& name, std::vector<double>& x, std::vector<double>& y) {
  std::ifstream file(std::string(TH_SOURCE_DIR) + "/tests/data/strd/" + name);
  ASSERT_TRUE(file.is_open());
  for (std::string line; std::getline(file, line);) {
    if (line.empty() || line[0] == '#') continue;
    std::istringstream cells(line);
    double a = 0.0, b = 0.0;
    cells >> a >> b;
    y.push_back(a);
    x.push_back(b);
  }
}

// Norris (linear, 36 points): certified coefficients, standard deviations and residual, from GSL 2.7.1
// fit/test.c; origin www.itl.nist.gov/div898/strd/lls/data/Norris.shtml. Covariance as printed there.
TEST(Strd, Norris) {
  std::vector<double> x, y;
  read("Norris.dat", x, y);
  ASSERT_EQ(x.size(), 36u);
  const auto fit = fit_line(x, y);
  ASSERT_TRUE(fit.ok());
  EXPECT_NEAR(fit->intercept, -0.262323073774029, 1e-11);
  EXPECT_NEAR(fit->slope, 1.00211681802045, 1e-13);
  EXPECT_NEAR(std::sqrt(fit->c00), 0.232818234301152, 1e-11);
  EXPECT_NEAR(std::sqrt(fit->c11), 0.429796848199937e-03, 1e-14);
  EXPECT_NEAR(fit->c01, -7.74327536339570e-05, 1e-13);
  EXPECT_NEAR(fit->residual_sd, 0.884796396144373, 1e-11);
  EXPECT_EQ(fit->dof, 34.0);
}

// Lack of fit on Norris, whose x repeat: by hand, F = (between / (groups - 2)) / (within / (n - groups)).
TEST(Strd, NorrisLackOfFitAddsUpToTheResidual) {
  std::vector<double> x, y;
  read("Norris.dat", x, y);
  const auto fit = fit_line(x, y, 0.05);
  ASSERT_TRUE(fit.ok());
  ASSERT_TRUE(fit->lack_of_fit.has_value());
  EXPECT_GT(fit->lack_of_fit->p, 0.001);
  EXPECT_LT(fit->lack_of_fit->p, 1.0);
}

// NoInt1 and NoInt2 (lines through 0): every point given with its mirror image makes the same line with an
// intercept, which must come out as 0. Residuals and their degrees of freedom both double, so the residual's
// standard deviation is the certified one; the slope's is smaller by the root of 2.
TEST(Strd, NoInterceptSets) {
  struct Certified { const char* file; std::size_t n; double slope, slope_sd, residual_sd; };
  for (const Certified& c : {Certified{"NoInt1.dat", 11, 2.07438016528926, 0.165289256198347e-01, 3.56753034006338},
                             Certified{"NoInt2.dat", 3, 0.727272727272727, 0.420827318078432e-01, 0.369274472937998}}) {
    std::vector<double> x, y;
    read(c.file, x, y);
    ASSERT_EQ(x.size(), c.n);
    for (std::size_t i = 0; i < c.n; ++i) {
      x.push_back(-x[i]);
      y.push_back(-y[i]);
    }
    const auto fit = fit_line(x, y);
    ASSERT_TRUE(fit.ok());
    EXPECT_NEAR(fit->slope, c.slope, 1e-13);
    EXPECT_NEAR(fit->intercept, 0.0, 1e-11);
    EXPECT_NEAR(fit->residual_sd, c.residual_sd, 1e-12);
    EXPECT_NEAR(std::sqrt(2.0 * fit->c11), c.slope_sd, 1e-13);
  }
}

// --- univariate: the scatter of conversions is taken from the fixture's exact sums ---

// The observations of a univariate set: what follows the last heading "Data", one number a line.
std::vector<double> observations(const std::string& name) {
  std::ifstream file(std::string(TH_SOURCE_DIR) + "/tests/data/strd/" + name);
  EXPECT_TRUE(file.is_open()) << name;
  std::vector<double> values;
  for (std::string line; std::getline(file, line);) {
    const auto text = line.find_first_not_of(" \t#");
    const bool heading = text != std::string::npos && line.compare(text, 4, "Data") == 0 &&
                         (line.find('#') != std::string::npos || line.find("Y") != std::string::npos);
    if (heading) values.clear();
    double value = 0.0;
    std::istringstream cells(line);
    std::string rest;
    if (cells >> value && !(cells >> rest)) values.push_back(value);
  }
  return values;
}

struct Univariate {
  const char* file;
  std::size_t n;
  double mean, s;
  double from, step;  // value = from + step * count, a whole count from 0 to 65535
};

// Certified mean and standard deviation (n - 1), from the files themselves.
class StrdUnivariate : public testing::TestWithParam<Univariate> {};
INSTANTIATE_TEST_SUITE_P(Nist, StrdUnivariate,
                         testing::Values(Univariate{"PiDigits.txt", 5000, 4.53480000000000, 2.86733906028871, 0.0, 1.0},
                                         Univariate{"Lottery.txt", 218, 518.958715596330, 291.699727470969, 0.0, 1.0},
                                         Univariate{"Lew.txt", 200, -177.435000000000, 277.332168044316, -600.0, 1.0},
                                         Univariate{"Mavro.txt", 50, 2.00185600000000, 0.000429123454003053, 2.0, 1e-5},
                                         Univariate{"Michelso.txt", 100, 299.852400000000, 0.0790105478190518, 299.0, 1e-3},
                                         Univariate{"NumAcc1.txt", 3, 10000002.0, 1.0, 10000000.0, 1.0},
                                         Univariate{"NumAcc2.txt", 1001, 1.2, 0.1, 1.0, 0.1},
                                         Univariate{"NumAcc3.txt", 1001, 1000000.2, 0.1, 1000000.0, 0.1},
                                         Univariate{"NumAcc4.txt", 1001, 10000000.2, 0.1, 10000000.0, 0.1}),
                         [](const auto& made) { return std::string(made.param.file).substr(0, std::string(made.param.file).find('.')); });

TEST_P(StrdUnivariate, MeanAndScatterOfTheMean) {
  const Univariate& u = GetParam();
  const std::vector<double> values = observations(u.file);
  ASSERT_EQ(values.size(), u.n);
  Counts counts;
  counts.min = 65535;
  for (const double v : values) {
    const auto code = static_cast<std::uint32_t>(std::lround((v - u.from) / u.step));
    ASSERT_NEAR(u.from + u.step * code, v, 1e-6 * u.step + 1e-9 * std::fabs(v));
    ++counts.n;
    counts.sum += code;
    counts.sum_of_squares += code * code;
    counts.min = std::min(counts.min, static_cast<std::uint16_t>(code));
    counts.max = std::max(counts.max, static_cast<std::uint16_t>(code));
  }
  ChannelModel line;
  line.offset = Volts{u.from};
  line.per_count = Volts{u.step};
  const Estimate e = estimate(counts, line);
  EXPECT_NEAR(e.volts.value, u.mean, 1e-14 * std::fabs(u.mean) + 1e-12);
  ASSERT_FALSE(e.budget.empty());
  const Component& noise = e.budget.back();
  EXPECT_EQ(noise.name, "noise of the mean");
  EXPECT_NEAR(noise.u.value * std::sqrt(static_cast<double>(u.n)), u.s, 1e-12 * u.s);
  EXPECT_EQ(noise.dof, static_cast<double>(u.n - 1));
}

// Pontius is a parabola: its line's lack of fit must be seen (the set's own model is quadratic).
TEST(Strd, PontiusIsNoLine) {
  std::vector<double> x, y;
  read("Pontius.dat", x, y);
  ASSERT_EQ(x.size(), 40u);
  const auto fit = fit_line(x, y, 1.0);
  ASSERT_TRUE(fit.ok());
  ASSERT_TRUE(fit->lack_of_fit.has_value());
  EXPECT_LT(fit->lack_of_fit->p, 1e-6);
}

}  // namespace
}  // namespace tenterhook::measure
