// The dump goes through a general-purpose converter and back with its values kept.
#include "host/timing/vcd.h"

#include <gtest/gtest.h>
#include <stdlib.h>

#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>

namespace tenterhook::timing {
namespace {

struct Dump {
  std::map<std::string, std::map<long long, std::string>> values;  // name -> instant -> value as last written there
  double seconds_a_tick = 0.0;
};

Dump parse(const std::string& text) {
  Dump dump;
  std::map<std::string, std::string> names;
  std::istringstream in(text);
  std::string word;
  long long now = 0;
  bool body = false;
  while (in >> word) {
    if (word == "$timescale") {
      double n = 1.0;
      std::string unit;
      in >> word;
      std::istringstream number(word);
      number >> n >> unit;
      if (unit.empty()) in >> unit;
      dump.seconds_a_tick = n * (unit == "ps" ? 1e-12 : unit == "ns" ? 1e-9 : 1.0);
    } else if (word == "$var") {
      std::string type, width, code, name;
      in >> type >> width >> code >> name;
      names[code] = name;
    } else if (word == "$enddefinitions") {
      body = true;
    } else if (body && word[0] == '#') {
      now = std::stoll(word.substr(1));
    } else if (body && word[0] == 'r') {
      std::string code;
      in >> code;
      dump.values[names[code]][now] = word.substr(1);
    } else if (body && std::string("01xz").find(word[0]) != std::string::npos && word.size() > 1) {
      dump.values[names[word.substr(1)]][now] = word.substr(0, 1);
    }
  }
  return dump;
}

std::string read(const std::filesystem::path& path) {
  std::ifstream in(path);
  std::stringstream all;
  all << in.rdbuf();
  return all.str();
}

Vcd example() {
  Vcd vcd("edges of one gate; $end", "2026-11-25T10:00:00Z");
  const int volts = vcd.real("PICK to Q0", "Q0 volts"), clock = vcd.bit("PICK to Q0", "PICK"), odd = vcd.bit("PICK to Q0", "odd");
  vcd.change_bit(clock, 0.0, '1');
  vcd.change_bit(clock, 20e-6, '0');
  for (int i = -40; i < 160; ++i) vcd.change(volts, i * 62.5e-9, 5.0 + 19.5 / 3.0 * std::exp(i / 100.0));
  vcd.change_bit(odd, 1e-6, 'z');
  vcd.change_bit(odd, 2e-6, 'x');
  return vcd;
}

TEST(Vcd, WritesInstantsInTicksFromTheFirstChange) {
  const Dump dump = parse(example().text());
  EXPECT_EQ(dump.seconds_a_tick, 1e-10);
  EXPECT_EQ(dump.values.at("Q0_volts").size(), 200u);
  EXPECT_EQ(dump.values.at("PICK").at(0), "x");       // before the pulse
  EXPECT_EQ(dump.values.at("PICK").at(25000), "1");   // 2.5 us after the first sample
  EXPECT_EQ(dump.values.at("PICK").at(225000), "0");
  EXPECT_EQ(dump.values.at("odd").at(35000), "z");
}

TEST(Vcd, SurvivesAConverterAndBack) {
  char folder[] = "/tmp/tenterhook-vcd-XXXXXX";
  ASSERT_NE(mkdtemp(folder), nullptr);
  const std::filesystem::path at(folder);
  std::ofstream(at / "a.vcd") << example().text();
  const std::string command = "cd " + at.string() + " && vcd2fst a.vcd a.fst >log 2>&1 && fst2vcd a.fst >b.vcd 2>>log";
  ASSERT_EQ(std::system(command.c_str()), 0) << read(at / "log") << "\nvcd2fst and fst2vcd come with gtkwave";
  const Dump a = parse(example().text()), b = parse(read(at / "b.vcd"));
  std::filesystem::remove_all(at);
  ASSERT_EQ(a.values.size(), b.values.size());
  for (const auto& [name, changes] : a.values) {
    const auto& back = b.values.at(name);
    for (const auto& [t, value] : changes) {
      const auto found = back.find(std::llround(static_cast<double>(t) * a.seconds_a_tick / b.seconds_a_tick));
      ASSERT_NE(found, back.end()) << name << " at " << t;
      if (name == "Q0_volts") {
        EXPECT_NEAR(std::stod(found->second), std::stod(value), 1e-14 * std::fabs(std::stod(value))) << t;
      } else {
        EXPECT_EQ(found->second, value) << name << " at " << t;
      }
    }
  }
}

}  // namespace
}  // namespace tenterhook::timing
