// What the writer writes, the reader reads back as the same.
#include "host/files/writer.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <filesystem>

#include "host/files/reader.h"
#include "host/files/yaml_tree.h"

namespace tenterhook::files {
namespace {

const std::string kBoard = TH_SOURCE_DIR "/tests/boards/yarn-bus.yaml";

void expect_same(const Step& a, const Step& b) {
  RC_ASSERT(a.say == b.say);
  RC_ASSERT(a.set == b.set);
  RC_ASSERT(a.expect == b.expect);
  RC_ASSERT(a.expect_line == b.expect_line);
  RC_ASSERT(a.expect_circuit == b.expect_circuit);
  RC_ASSERT(a.measure == b.measure);
  RC_ASSERT(a.settle == b.settle);
  RC_ASSERT(a.pulse_width == b.pulse_width);
  RC_ASSERT(a.pulse.size() == b.pulse.size());
  for (std::size_t i = 0; i < a.pulse.size(); ++i) {
    RC_ASSERT(a.pulse[i].line == b.pulse[i].line);
    RC_ASSERT(a.pulse[i].count == b.pulse[i].count);
  }
  RC_ASSERT(a.windows.size() == b.windows.size());
  for (const auto& [line, windows] : a.windows)
    RC_ASSERT(b.windows.at(line).low->max == windows.low->max);
}

Step any_step() {
  Step step;
  static const std::vector<std::string> kTexts{"",    "clear", "a, b: c", "it's \"so\"", "# no",
                                               "{x}", "0101",  "- one",   "null",        "~",
                                               "é Ω", "a\\b",  "true",    "x: y",        "trail "};
  step.say = *rc::gen::elementOf(kTexts);
  for (const char* name : {"A1", "A0", "ENA", "ENBn"}) {
    const int pick = *rc::gen::inRange(0, 4);
    if (pick < 3)
      step.set.emplace_back(name, pick == 0 ? Bit::zero : pick == 1 ? Bit::one : Bit::undriven);
  }
  if (*rc::gen::arbitrary<bool>()) step.pulse.push_back({"CATCH", *rc::gen::inRange(1, 500)});
  if (*rc::gen::inRange(0, 4) == 0) step.pulse.push_back({"CATCH", 1});
  const int kind = *rc::gen::inRange(0, 3);
  if (kind == 0) step.expect_circuit = true;
  for (const char* name : {"R1", "R0", "Y1"})
    if (kind == 1 && *rc::gen::arbitrary<bool>())
      step.expect.emplace_back(
          name, *rc::gen::elementOf(std::vector<Bit>{Bit::zero, Bit::one, Bit::undriven}));
  if (kind == 2) step.expect_line.emplace_back("R1", "A1");
  if (*rc::gen::arbitrary<bool>()) step.settle = Seconds{*rc::gen::inRange(0, 1'000'000) * 1e-7};
  if (*rc::gen::inRange(0, 4) == 0) step.pulse_width = Seconds{*rc::gen::inRange(1, 1000) * 1e-6};
  if (*rc::gen::arbitrary<bool>()) step.measure = {"Y1", "R0"};
  if (*rc::gen::inRange(0, 4) == 0)
    step.windows["R0"].low = Window{Volts{-1.0}, Volts{*rc::gen::inRange(1, 10'000) / 1000.0}};
  return step;
}

RC_GTEST_PROP(Writer, VectorsReadBackAsTheyWere, ()) {
  static const auto board = read_board(kBoard);
  RC_ASSERT(board.ok());
  std::vector<Step> steps;
  const int count = *rc::gen::inRange(1, 12);
  for (int i = 0; i < count; ++i) steps.push_back(any_step());
  const std::string text = write_vectors("made", "tests/boards/yarn-bus.yaml", *board, steps,
                                         "Made by a test.\nTwo lines.");
  const auto read = parse_vectors(TH_SOURCE_DIR "/made.vectors.yaml", text);
  if (!read.ok()) RC_FAIL(read.error().text() + "\n" + text);
  RC_ASSERT(read->steps.size() == steps.size());
  for (std::size_t i = 0; i < steps.size(); ++i) expect_same(steps[i], read->steps[i]);
}

RC_GTEST_PROP(Writer, QuantitiesReadBackToTheLastBit, ()) {
  const double value =
      *rc::gen::inRange(-1'000'000'000, 1'000'000'000) * std::pow(10.0, *rc::gen::inRange(-14, 0));
  const std::string text =
      "fixture: f\naccepts: {firmware: 1}\ndrive: {channels: 0..7, settle: 30 ms, series: 10 ohm, "
      "max: 0.5 A}\n"
      "sense: {channels: 0..3, span: [-10 V, 40 V], divider: 1 Mohm, open-reads: " +
      yaml_quantity(Volts{value}) + "}\nrail: {channels: 0, max: 8 A}\n";
  const auto read = parse_fixture("f", text);
  if (!read.ok()) RC_FAIL(read.error().text() + "\n" + text);
  RC_ASSERT(read->sense.open_reads.value == value);
}

RC_GTEST_PROP(Writer, ScalarsReadBackAsTheyWere, ()) {
  const std::string text = *rc::gen::container<std::string>(
      rc::gen::elementOf(std::string("ab0 :,#'\"\\{}[]-&*!%@?~|>\n\t")));
  const auto tree =
      yaml::parse("f", "a: {b: " + yaml_scalar(text) + "}\nc: " + yaml_scalar(text) + "\n");
  if (!tree.ok()) RC_FAIL(tree.error().text());
  RC_ASSERT(tree->find("a")->find("b")->text == text);
  RC_ASSERT(tree->find("c")->text == text);
}

TEST(Writer, StepsLookLikeAPersonsOwn) {
  const auto board = read_board(TH_SOURCE_DIR "/vectors/shed-latch/board.yaml");
  ASSERT_TRUE(board.ok());
  Step step;
  step.say = "store, then look";
  step.set = {{"F3", Bit::one},
              {"F2", Bit::zero},
              {"F1", Bit::one},
              {"F0", Bit::zero},
              {"SKIP", Bit::zero}};
  step.pulse = {{"PICK", 1}};
  step.expect = {{"Q3", Bit::one}, {"Q2", Bit::zero}, {"Q1", Bit::one}, {"Q0", Bit::zero}};
  step.settle = Seconds{200e-6};
  EXPECT_EQ(write_vectors("made", "board.yaml", *board, {step}),
            "vectors: made\nboard: board.yaml\nsteps:\n"
            "  - {say: \"store, then look\", set: {F: 1010, SKIP: 0}, pulse: PICK, settle: 200 us, "
            "expect: {Q: 1010}}\n");
}

TEST(Writer, FamiliesReadBack) {
  const auto board = read_board(TH_SOURCE_DIR "/tests/boards/row-register.yaml");
  ASSERT_TRUE(board.ok());
  const auto again =
      parse_board("f", "board: b\nrails: {coil: {nominal: 24 V, window: 5 %, limit: 1 A}}\n" +
                           write_families(board->families) + "lines: {A: {in: coil24}}\n");
  ASSERT_TRUE(again.ok()) << again.error().text();
  const Family& a = board->families.at("coil24");
  const Family& b = again->families.at("coil24");
  EXPECT_EQ(a.gives.high->min, b.gives.high->min);
  EXPECT_EQ(a.needs.low->max, b.needs.low->max);
  EXPECT_EQ(b.drive_low.kind, DriveLevel::Kind::open);
  EXPECT_EQ(b.drive_high.rail, "coil");
}

}  // namespace
}  // namespace tenterhook::files
