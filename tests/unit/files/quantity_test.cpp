#include <gtest/gtest.h>

#include "host/files/names.h"
#include "host/files/sink.h"

namespace tenterhook::files {
namespace {

yaml::Node scalar(const std::string& text) {
  yaml::Node node;
  node.text = text;
  node.place = {std::make_shared<const std::string>("f"), 1, 1};
  return node;
}

std::string read(const std::string& text, const char* symbol, double& value,
                 Sign sign = Sign::any) {
  Sink sink;
  const bool good = read_number_with_unit(scalar(text), symbol, sign, sink, value);
  EXPECT_EQ(good, !sink.failed());
  return good ? "" : sink.first().text();
}

struct Good {
  const char* text;
  const char* symbol;
  double value;
};

TEST(Quantity, PrefixesAndSpellingsReadExactly) {
  const Good kGood[] = {
      {"28.5 V", "V", 28.5},    {"28.5V", "V", 28.5},        {"-9 V", "V", -9.0},
      {"+5 V", "V", 5.0},       {"250 mA", "A", 0.25},       {"0.25A", "A", 0.25},
      {"200 us", "s", 200e-6},  {"200 µs", "s", 200e-6},     {"200 μs", "s", 200e-6},
      {"10 ns", "s", 10e-9},    {"4.7 kohm", "ohm", 4700.0}, {"1 MΩ", "ohm", 1e6},
      {"1 MΩ", "ohm", 1e6},     {"22 Ω", "ohm", 22.0},       {"10 uF", "F", 10e-6},
      {"350 kHz", "Hz", 350e3}, {"5 %", "%", 5.0},           {"20 AWG", "AWG", 20.0},
      {"1.2 m", "m", 1.2},      {"30 cm", "m", 0.3},         {"5 mm", "m", 0.005},
      {"1e3 V", "V", 1000.0},   {"1.5e-3 V", "V", 1.5e-3},   {".5 V", "V", 0.5},
      {"0 V", "V", 0.0},        {"5 m", "m", 5.0},           {"5 ms", "s", 0.005},
  };
  for (const Good& good : kGood) {
    double value = -1.0;
    EXPECT_EQ(read(good.text, good.symbol, value), "") << good.text;
    EXPECT_EQ(value, good.value) << good.text;  // the nearest double, not merely near
  }
}

TEST(Quantity, RefusalsSayWhatWasMeant) {
  const struct {
    const char* text;
    const char* symbol;
    const char* answer;
  } kBad[] = {
      {"28.5", "V", "f:1:1: '28.5' has no unit; did you mean '28.5 V'?"},
      {"0", "V", "f:1:1: '0' has no unit; did you mean '0 V'?"},
      {"30 v", "V", "f:1:1: '30 v' is not a quantity in V; did you mean '30 V'?"},
      {"5 MA", "V",
       "f:1:1: expected a quantity in V, found '5 MA' in A; write a number and a unit, as in '1.5 "
       "V'"},
      {"4k7", "ohm", "f:1:1: '4k7' is not a quantity in ohm; did you mean '4.7 kohm'?"},
      {"1R5", "ohm", "f:1:1: '1R5' is not a quantity in ohm; did you mean '1.5 ohm'?"},
      {"10k", "ohm", "f:1:1: '10k' is not a quantity in ohm; did you mean '10 kohm'?"},
      {"10 kΩm", "ohm",
       "f:1:1: '10 kΩm' is not a quantity in ohm; write a number and a unit, as in '1.5 ohm'"},
      {"2 seconds", "s", "f:1:1: '2 seconds' is not a quantity in s; did you mean '2 s'?"},
      {"20", "AWG", "f:1:1: '20' has no unit; did you mean '20 AWG'?"},
      {"V", "V", "f:1:1: 'V' is not a quantity in V; write a number and a unit, as in '1.5 V'"},
      {"1e400 V", "V",
       "f:1:1: '1e400 V' is out of range; write a number and a unit, as in '1.5 V'"},
      {"nan V", "V",
       "f:1:1: 'nan V' is not a quantity in V; write a number and a unit, as in '1.5 V'"},
      {"0x10 V", "V",
       "f:1:1: '0x10 V' is not a quantity in V; write a number and a unit, as in '1.5 V'"},
      {"1,5 V", "V", "f:1:1: '1,5 V' has a decimal comma; write a decimal point"},
      {"5 m%", "%",
       "f:1:1: '5 m%' is not a quantity in %; write a number and a unit, as in '1.5 %'"},
  };
  for (const auto& bad : kBad) {
    double value = 0.0;
    EXPECT_EQ(read(bad.text, bad.symbol, value), bad.answer);
  }
}

TEST(Quantity, SignsAreHeld) {
  double value = 0.0;
  EXPECT_EQ(read("-1 A", "A", value, Sign::not_negative), "f:1:1: '-1 A' must not be negative");
  EXPECT_EQ(read("0 A", "A", value, Sign::positive), "f:1:1: '0 A' must be above 0 A");
  EXPECT_EQ(read("0 A", "A", value, Sign::not_negative), "");
}

std::string bits(const std::string& text, int width) {
  Sink sink;
  std::vector<Bit> out;
  if (!read_bits(scalar(text), "F", width, sink, out)) return sink.first().text();
  std::string letters;
  for (const Bit bit : out) letters += letter(bit);
  return letters;
}

TEST(Bits, EveryForm) {
  EXPECT_EQ(bits("1010", 4), "1010");
  EXPECT_EQ(bits("0x10", 4), "0x10");  // bits, never a hexadecimal number
  EXPECT_EQ(bits("1z_x0", 4), "1zx0");
  EXPECT_EQ(bits("hex A", 4), "1010");
  EXPECT_EQ(bits("hex 1a", 8), "00011010");
  EXPECT_EQ(bits("dec 26", 5), "11010");
  EXPECT_EQ(bits("x", 3), "xxx");
  EXPECT_EQ(bits("z", 2), "zz");
  EXPECT_EQ(bits("hex " + std::string(16, 'F'), 64), std::string(64, '1'));
  EXPECT_EQ(bits("dec 18446744073709551616", 65), "1" + std::string(64, '0'));  // 2^64
}

TEST(Bits, WrongWidthsAndNumbersAreRefused) {
  EXPECT_EQ(
      bits("0", 4),
      "f:1:1: '0' has 1 bit, bus 'F' of 4 lines needs 4; write every bit, the leftmost line first");
  EXPECT_EQ(
      bits("10100", 4),
      "f:1:1: '10100' has 5 bits, bus 'F' of 4 lines needs 4; remove bits, or check the name");
  EXPECT_EQ(bits("dec 16", 4),
            "f:1:1: 'dec 16' does not fit bus 'F' of 4 lines; write 'hex 1A' or 'dec 26'");
  EXPECT_EQ(
      bits("12", 4),
      "f:1:1: '12' is not bits for bus 'F' of 4 lines; numbers are written 'dec 12' or 'hex 12'");
  EXPECT_EQ(bits("X", 1),
            "f:1:1: 'X' is not bits for line 'F'; bits are 0, 1, x and z; numbers are 'hex 1A' or "
            "'dec 26'");
}

TEST(Names, RangesRunEitherWay) {
  Sink sink;
  Range range;
  ASSERT_TRUE(read_range(scalar("F3..F0"), sink, range));
  EXPECT_EQ(range.names(), (std::vector<std::string>{"F3", "F2", "F1", "F0"}));
  ASSERT_TRUE(read_range(scalar("A8..11"), sink, range));
  EXPECT_EQ(range.names(), (std::vector<std::string>{"A8", "A9", "A10", "A11"}));
  EXPECT_FALSE(read_range(scalar("F03..F0"), sink, range));
}

TEST(Names, PercentCountsFromTheIndex) {
  Sink sink;
  EXPECT_EQ(with_index(scalar("Q%"), 3, sink).text, "Q3");
  EXPECT_EQ(with_index(scalar("Q%-1"), 3, sink).text, "Q2");
  EXPECT_EQ(with_index(scalar("Q%+10"), 3, sink).text, "Q13");
  EXPECT_EQ(with_index(scalar("V%a"), 0, sink).text, "V0a");
  EXPECT_FALSE(sink.failed());
  with_index(scalar("Q%-1"), 0, sink);
  EXPECT_TRUE(sink.failed());
}

}  // namespace
}  // namespace tenterhook::files
