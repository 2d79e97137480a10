#include "host/power/curves.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

namespace tenterhook::power {
namespace {

record::CurveRecord exponential(double peak, double steady, double tau, double end, int points) {
  record::CurveRecord c;
  c.rail = "heater";
  c.quantity = "amps";
  for (int i = 0; i <= points; ++i) {
    const double t = end * std::pow(static_cast<double>(i) / points, 3.0);  // dense first, thinning later
    c.time_s.push_back(t);
    c.value.push_back(steady + (peak - steady) * std::exp(-t / tau));
  }
  return c;
}

TEST(CurveFigures, AreThoseOfTheExponential) {
  const CurveFigures f = figures_of(exponential(8.0, 2.0, 1.0, 12.0, 200));
  EXPECT_NEAR(f.peak, 8.0, 1e-12);
  EXPECT_NEAR(f.steady, 2.0, 0.01);
  EXPECT_NEAR(f.half_s, std::log(2.0), 0.01);
  // Integral of (2 + 6 e^-t)^2 from 0 to 12: 4 * 12 + 24 + 18.
  EXPECT_NEAR(f.i2t, 90.0, 0.3);
}

TEST(CurveFigures, OnePointAndFlatCurvesHaveNoHalf) {
  record::CurveRecord c;
  c.time_s = {0.0};
  c.value = {0.02};
  EXPECT_EQ(figures_of(c).half_s, 0.0);
  EXPECT_EQ(figures_of(c).steady, 0.02);
}

TEST(CurveFigures, TimeToAVoltage) {
  record::CurveRecord c;
  c.time_s = {0.0, 1.0, 2.0};
  c.value = {0.0, -5.0, -9.0};
  EXPECT_EQ(time_to(c, -5.0), 1.0);
  EXPECT_FALSE(time_to(c, -10.0).has_value());
}

TEST(CurveDrawing, FitsItsWidthAndNamesItsScales) {
  for (const int width : {40, 80, 132}) {
    const std::string text = drawing(exponential(8.0, 2.0, 1.0, 12.0, 100), width, false);
    std::size_t from = 0;
    for (std::size_t end = text.find('\n'); end != std::string::npos; from = end + 1, end = text.find('\n', from)) {
      EXPECT_LE(end - from, static_cast<std::size_t>(width)) << text;
    }
    EXPECT_THAT(text, testing::HasSubstr("8 A"));
    EXPECT_THAT(text, testing::HasSubstr("12 s"));
  }
}

TEST(CurveCsv, HasARowAPoint) {
  record::CurveRecord c;
  c.rail = "plate";
  c.quantity = "volts";
  c.time_s = {0.0, 0.5};
  c.value = {0.0, 30.0};
  EXPECT_EQ(csv({c}), "rail,quantity,time_s,value\nplate,volts,0.000000,0\nplate,volts,0.500000,30\n");
}

}  // namespace
}  // namespace tenterhook::power
