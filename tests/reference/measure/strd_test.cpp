// The straight line and the scatter against the certified values of NIST's Statistical Reference
// Datasets (tests/data/strd; sources in its README).
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <sstream>

#include "host/measure/fit.h"

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
