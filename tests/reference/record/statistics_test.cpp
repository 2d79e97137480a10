// The statistics behind trends against published values.
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <sstream>

#include "host/record/trend.h"

namespace tenterhook::record {
namespace {

// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 "EWMA Control Charts": data, averages,
// limits. The handbook prints two decimals and truncates its lower limit (exact: 47.411568).
const std::vector<double> kEwmaData = {52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
                                       49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1};

TEST(Handbook, EwmaExample) {
  const std::vector<double> printed = {50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75,
                                       49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
                                       49.38, 49.92, 50.73, 51.23, 51.94, 51.99};
  const Ewma chart = ewma(kEwmaData, 50.0, 2.0539, 0.3, 3.0);
  ASSERT_EQ(chart.average.size(), printed.size());
  for (std::size_t i = 0; i < printed.size(); ++i) {
    EXPECT_NEAR(chart.average[i], printed[i], 0.0051) << i;
  }
  EXPECT_NEAR(chart.upper, 52.5884, 1e-4);
  EXPECT_NEAR(chart.lower, 47.411568, 1e-4);
  EXPECT_TRUE(chart.outside.empty());
}

// e-Handbook 6.3.2.3 "Cusum Control Charts": target 325, k = 0.3175, h = 4.1959 in data units;
// the first signal is at sample 14, and every later sample signals. The sums are recomputed.
TEST(Handbook, CusumExample) {
  const std::vector<double> data = {324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125,
                                    324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250,
                                    327.825, 328.500, 326.675, 327.775, 326.875, 328.350};
  const Cusum chart = cusum(data, 325.0, 0.3175, 4.1959);
  const std::vector<double> high = {3.0075,  4.9400,  7.4475,  10.6300,
                                    11.9875, 14.4450, 16.0025, 19.0350};
  for (std::size_t i = 0; i < high.size(); ++i) EXPECT_NEAR(chart.high[12 + i], high[i], 1e-9) << i;
  EXPECT_NEAR(*std::max_element(chart.low.begin(), chart.low.end()), 0.7150, 1e-9);
  EXPECT_EQ(chart.outside, (std::vector<int>{13, 14, 15, 16, 17, 18, 19}));
}

// e-Handbook 6.3.2.2 "Individuals Control Charts": the last ten values of the EWMA example.
TEST(Handbook, IndividualsExample) {
  const Individuals chart = individuals({kEwmaData.begin() + 10, kEwmaData.end()});
  EXPECT_NEAR(chart.mean, 50.81, 1e-9);
  EXPECT_NEAR(chart.moving_range, 1.8778, 5e-5);
  EXPECT_NEAR(chart.upper, 55.8041, 1e-4);
  EXPECT_NEAR(chart.lower, 45.8159, 1e-4);
  EXPECT_TRUE(chart.outside.empty());
}

// d2 of pairs is 1.128 in the tables of ISO 7870-2; by definition it is 2 / sqrt(pi).
TEST(Shewhart, ConstantOfPairs) {
  EXPECT_NEAR(2.0 / std::sqrt(M_PI), 1.128, 5e-4);
  const Individuals chart = individuals({0.0, 1.0, 0.0, 1.0});
  EXPECT_DOUBLE_EQ(chart.sigma, 1.0 / 1.128);
}

// NIST Statistical Reference Datasets; sources of the files in tests/data/strd/README.txt.
std::vector<double> univariate(const std::string& name) {
  std::ifstream file(std::string(TH_SOURCE_DIR) + "/tests/data/strd/" + name + ".txt");
  std::vector<double> values;
  std::string line;
  bool data = false, dashed = name == "Lew" || name == "Lottery";
  while (std::getline(file, line)) {
    if (!dashed) {  // data follow the dashes after "Data: Y"
      if (line.rfind("Data:", 0) == 0) data = true;
      if (data && line.rfind("---", 0) == 0) dashed = true;
      continue;
    }
    if (line.empty() || line[0] == '#') continue;
    std::istringstream in(line);
    double value = 0;
    while (in >> value) values.push_back(value);
  }
  return values;
}

struct Certified {
  const char* name;
  int n;
  double mean, s;
  double s_tolerance;  // relative
};

class Strd : public ::testing::TestWithParam<Certified> {};

// NumAcc4's decimals, rounded to doubles, have the exact deviation 0.10000000055879354, so 1e-8 is
// as near as any correct program can come; a naive sum of squares gives a negative variance.
INSTANTIATE_TEST_SUITE_P(
    Univariate, Strd,
    ::testing::Values(Certified{"PiDigits", 5000, 4.53480000000000, 2.86733906028871, 1e-13},
                      Certified{"Lottery", 218, 518.958715596330, 291.699727470969, 1e-13},
                      Certified{"Lew", 200, -177.435000000000, 277.332168044316, 1e-13},
                      Certified{"Mavro", 50, 2.00185600000000, 0.000429123454003053, 1e-11},
                      Certified{"Michelso", 100, 299.852400000000, 0.0790105478190518, 1e-12},
                      Certified{"NumAcc1", 3, 10000002, 1, 1e-15},
                      Certified{"NumAcc2", 1001, 1.2, 0.1, 1e-13},
                      Certified{"NumAcc3", 1001, 1000000.2, 0.1, 1e-8},
                      Certified{"NumAcc4", 1001, 10000000.2, 0.1, 1e-7}),
    [](const auto& instance) { return std::string(instance.param.name); });

TEST_P(Strd, MeanAndDeviation) {
  const Certified& c = GetParam();
  const Summary summary = summarize(univariate(c.name));
  EXPECT_EQ(summary.n, c.n);
  EXPECT_NEAR(summary.mean, c.mean, 1e-14 * std::fabs(c.mean) + 1e-15);
  EXPECT_NEAR(summary.s, c.s, c.s_tolerance * c.s);
}

LineFit norris() {
  std::ifstream file(std::string(TH_SOURCE_DIR) + "/tests/data/strd/Norris.dat");
  std::vector<double> x, y;
  std::string line;
  while (std::getline(file, line)) {
    if (line.empty() || line[0] == '#') continue;
    std::istringstream in(line);
    double a = 0, b = 0;
    in >> a >> b;  // columns: y x
    y.push_back(a);
    x.push_back(b);
  }
  return fit_line(x, y).take();
}

// StRD linear regression, Norris: coefficients, their deviations, residual sum of squares.
TEST(StrdNorris, RegressionIsAsCertified) {
  const LineFit fit = norris();
  EXPECT_EQ(fit.n, 36);
  EXPECT_NEAR(fit.b0, -0.262323073774029, 1e-11);
  EXPECT_NEAR(fit.b1, 1.00211681802045, 1e-13);
  EXPECT_NEAR(std::sqrt(fit.cov00), 0.232818234301152, 1e-11);
  EXPECT_NEAR(std::sqrt(fit.cov11), 0.429796848199937e-03, 1e-14);
  EXPECT_NEAR(fit.residual_ss, 26.6173985294224, 1e-9);
  EXPECT_NEAR(fit.s, 0.884796396144373, 1e-11);
}

// Computed from the certified values with multi-precision arithmetic: standard errors of the mean
// and of a new value at three places.
TEST(StrdNorris, PredictionErrors) {
  const LineFit fit = norris();
  const struct {
    double x, y, mean_se, prediction_se;
  } cases[] = {{0.0, -0.2623230737740295, 0.2328182343011525, 0.9149147462212945},
               {500.0, 500.7960859364532, 0.1515021758001907, 0.8976734216307517},
               {1000.0, 1001.85449494668, 0.2899381894172915, 0.9310901225513278}};
  for (const auto& c : cases) {
    EXPECT_NEAR(fit.at(c.x), c.y, 1e-9) << c.x;
    EXPECT_NEAR(fit.mean_se(c.x), c.mean_se, 1e-10) << c.x;
    EXPECT_NEAR(fit.prediction_se(c.x), c.prediction_se, 1e-10) << c.x;
  }
}

// At either end of Fieller's interval the limit lies exactly t standard errors off the line, by
// its definition; t.975 with 34 degrees of freedom is 2.03224450932.
TEST(Fieller, EndsLieTStandardErrorsFromTheLine) {
  const LineFit fit = norris();
  for (const double limit : {-50.0, 200.0, 1500.0}) {
    const std::optional<Crossing> found = crossing(fit, limit);
    ASSERT_TRUE(found.has_value());
    EXPECT_NEAR(fit.at(found->x), limit, 1e-9);
    EXPECT_LT(found->low, found->x);
    EXPECT_GT(found->high, found->x);
    for (const double end : {found->low, found->high}) {
      EXPECT_NEAR(std::fabs(fit.at(end) - limit) / fit.mean_se(end), 2.03224450932, 1e-6);
    }
  }
}

}  // namespace
}  // namespace tenterhook::record
