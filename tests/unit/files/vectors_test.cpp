#include <gtest/gtest.h>

#include <set>

#include "host/files/reader.h"

namespace tenterhook::files {
namespace {

const std::string kRoot = TH_SOURCE_DIR "/";

std::string card(const std::string& steps) {
  return "board: card\nrails: {vcc: {nominal: 5 V, window: 5 %, limit: 1 A}}\n"
         "lines: {F3..F0: {in: ttl}, S: {in: ttl}, CK: {clock: ttl}, PHI: {clock: ttl}, Q3..Q0: "
         "{out: ttl}, B1..B0: {both: ttl}}\n"
         "circuit:\n  - {each: 3..0, gate: d-flip-flop, in: F%, clock: CK, out: Q%}\n"
         "  - {each: 1..0, gate: tri-state, in: F%, enable: S, out: B%}\nprobes: Q3\nsteps:\n" +
         steps;
}

Vectors good(const Result<Vectors>& read) {
  EXPECT_TRUE(read.ok()) << (read.ok() ? "" : read.error().text());
  return read.ok() ? *read : Vectors{};
}

std::string word(const std::vector<std::pair<std::string, Bit>>& bits) {
  std::string out;
  for (const auto& [name, bit] : bits) out += name + letter(bit) + " ";
  return out;
}

std::string value(const Step& step, char bus) {  // the bits set on F3..F0 or expected on Q3..Q0
  std::string out;
  for (const auto& [name, bit] : bus == 'F' ? step.set : step.expect)
    if (name[0] == bus) out += letter(bit);
  return out;
}

TEST(VectorsFile, StepsKeepOrderPlaceAndText) {
  const Vectors v =
      good(parse_vectors("f", card("  - {say: one, set: {S: 1, F: 1010}, pulse: [CK, {PHI: 3}], "
                                   "settle: 2 ms, expect: {Q: 10x1}, measure: [B, Q3]}\n")));
  ASSERT_EQ(v.steps.size(), 1u);
  const Step& step = v.steps[0];
  EXPECT_EQ(step.mark.text(), "f:9:5");
  EXPECT_EQ(step.say, "one");
  EXPECT_EQ(word(step.set), "S1 F31 F20 F11 F00 ");
  EXPECT_EQ(word(step.expect), "Q31 Q20 Q01 ");  // x is not judged and counted nowhere
  ASSERT_EQ(step.pulse.size(), 2u);
  EXPECT_EQ(step.pulse[1].line, "PHI");
  EXPECT_EQ(step.pulse[1].count, 3);
  EXPECT_EQ(step.settle, Seconds{0.002});
  EXPECT_EQ(step.measure, (std::vector<std::string>{"B1", "B0", "Q3"}));
}

TEST(VectorsFile, EveryRunsTheLastFastest) {
  const Vectors v =
      good(parse_vectors("f", card("  - {every: {F: [0001, 1000], S: all}, expect: circuit}\n")));
  ASSERT_EQ(v.steps.size(), 4u);
  EXPECT_EQ(word(v.steps[0].set), "F30 F20 F10 F01 S0 ");
  EXPECT_EQ(word(v.steps[1].set), "F30 F20 F10 F01 S1 ");
  EXPECT_EQ(word(v.steps[2].set), "F31 F20 F10 F00 S0 ");
  EXPECT_TRUE(v.steps[3].expect_circuit);
}

std::vector<std::string> pattern(const std::string& text) {
  std::vector<std::string> out;
  for (const Step& step :
       good(parse_vectors("f", card("  - {every: {F: " + text + "}, pulse: CK}\n"))).steps)
    out.push_back(value(step, 'F'));
  return out;
}

TEST(VectorsFile, Patterns) {
  EXPECT_EQ(pattern("walking-ones"), (std::vector<std::string>{"0001", "0010", "0100", "1000"}));
  EXPECT_EQ(pattern("walking-zeros"), (std::vector<std::string>{"1110", "1101", "1011", "0111"}));
  const auto all = pattern("all");
  ASSERT_EQ(all.size(), 16u);
  EXPECT_EQ(all[6], "0110");
  EXPECT_EQ(all[15], "1111");
}

// A Gray code visits every word once and changes one line a step, round the end too (definition).
TEST(VectorsFile, GrayChangesOneLineAStep) {
  const auto gray = pattern("gray");
  ASSERT_EQ(gray.size(), 16u);
  EXPECT_EQ(std::set<std::string>(gray.begin(), gray.end()).size(), 16u);
  for (std::size_t i = 0; i < 16; ++i) {
    int changed = 0;
    for (std::size_t k = 0; k < 4; ++k) changed += gray[i][k] != gray[(i + 1) % 16][k] ? 1 : 0;
    EXPECT_EQ(changed, 1) << i;
  }
}

TEST(VectorsFile, RandomIsTheSameFromTheSameSeed) {
  const auto once = pattern("{random: 200, seed: 7}");
  EXPECT_EQ(once.size(), 200u);
  EXPECT_EQ(once, pattern("{random: 200, seed: 7}"));
  EXPECT_NE(once, pattern("{random: 200, seed: 8}"));
  EXPECT_EQ(std::set<std::string>(once.begin(), once.end()).size(),
            16u);  // 200 draws of 16 words miss none
}

TEST(VectorsFile, RepeatTakesListsInTurn) {
  const Vectors v =
      good(parse_vectors("f", card("  - {set: {F: [0001, 0010, 0100], S: 1}, pulse: CK, repeat: 3, "
                                   "expect: {Q: [0001, 0010, 0100]}}\n")));
  ASSERT_EQ(v.steps.size(), 3u);
  for (const Step& step : v.steps) EXPECT_EQ(value(step, 'F'), value(step, 'Q'));
  EXPECT_EQ(value(v.steps[2], 'F'), "0100");
}

TEST(VectorsFile, TablesSetAndExpectByTheKindOfLine) {
  const Vectors v = good(parse_vectors(
      "f", card("  - columns: [F, set B, pulse, Q, settle, say]\n    rows:\n      - [hex 5, zz, "
                "CK, dec 5, 1 ms, first]\n      - [1111, 01, none, xxxx, 0 s, second]\n")));
  ASSERT_EQ(v.steps.size(), 2u);
  EXPECT_EQ(value(v.steps[0], 'F'), "0101");
  EXPECT_EQ(value(v.steps[0], 'Q'), "0101");
  EXPECT_EQ(v.steps[0].settle, Seconds{0.001});
  EXPECT_EQ(v.steps[0].mark.line, 11);
  EXPECT_TRUE(v.steps[1].pulse.empty());
  EXPECT_TRUE(v.steps[1].expect.empty());
  EXPECT_EQ(v.steps[1].say, "second");
}

TEST(VectorsFile, AnotherBusMayBeExpected) {
  const Vectors v =
      good(parse_vectors("f", card("  - {set: {F: 0110}, pulse: CK, expect: {Q: F}}\n")));
  ASSERT_EQ(v.steps[0].expect_line.size(), 4u);
  EXPECT_EQ(v.steps[0].expect_line[0], (std::pair<std::string, std::string>{"Q3", "F3"}));
}

TEST(VectorsFile, WindowsOfAStepReachEveryLineOfABus) {
  const Vectors v =
      good(parse_vectors("f", card("  - {set: {F: 0000}, windows: {Q: {low: [0 V, 0.3 V]}}}\n")));
  EXPECT_EQ(v.steps[0].windows.size(), 4u);
  EXPECT_EQ(v.steps[0].windows.at("Q2").low->max, Volts{0.3});
}

TEST(VectorsFile, SharedLineIsReadOnlyAfterTheFixtureLetsGo) {
  EXPECT_TRUE(
      parse_vectors("f", card("  - {set: {B: 10}}\n  - {set: {B: z, S: 1}, expect: {B: 00}}\n"))
          .ok());
  const auto clash = parse_vectors(
      "f", card("  - {set: {B: z}}\n  - {set: {B: 1z}}\n  - {set: {S: 1}, expect: {B: 0x}}\n"));
  ASSERT_FALSE(clash.ok());
  EXPECT_EQ(clash.error().text(),
            "f:11:5: 'B1' is expected from the board while the fixture drives it since line 10; "
            "let it go first: 'set: {B1: z}'");
}

TEST(VectorsFile, ShedLatchAcceptanceCoversWhatItClaims) {
  const Vectors v = good(read_vectors(kRoot + "vectors/shed-latch/acceptance.vectors.yaml"));
  EXPECT_EQ(v.board.name, "shed-latch");
  EXPECT_GE(v.steps.size(), 60u);
  bool clocked = false;
  std::set<std::string> inputs;
  for (const Step& step : v.steps) {
    clocked = clocked || !step.pulse.empty();
    EXPECT_TRUE(clocked || (step.expect.empty() && !step.expect_circuit))
        << "nothing is known before the first clock";
    if (step.expect_circuit) inputs.insert(word(step.set));
  }
  EXPECT_EQ(inputs.size(), 32u);
  ASSERT_EQ(v.sources.size(), 2u);
  EXPECT_NE(v.sources[0].path.find("acceptance"), std::string::npos);
}

TEST(VectorsFile, RecordedFilesReadWithoutTheDisk) {
  Vectors v = good(read_vectors(kRoot + "vectors/shed-latch/acceptance.vectors.yaml"));
  std::vector<SourceFile> sources = v.sources;
  for (SourceFile& source : sources)
    source.path = "/nowhere/" + source.path.substr(source.path.find_last_of('/') + 1);
  const Vectors again = good(parse_recorded(sources));
  EXPECT_EQ(again.steps.size(), v.steps.size());
  sources.pop_back();
  EXPECT_FALSE(parse_recorded(sources).ok());
  EXPECT_FALSE(parse_recorded({}).ok());
}

TEST(VectorsFile, EveryVectorsFileOfTheTreeReads) {
  for (const char* name :
       {"vectors/or-follower/board.yaml", "vectors/pick-counter/acceptance.vectors.yaml",
        "vectors/shuttle-guard/acceptance.vectors.yaml", "tests/boards/beat-divider.yaml",
        "tests/boards/break-alarm.yaml", "tests/boards/dent-adder.yaml",
        "tests/boards/pattern-gates.yaml", "tests/boards/row-register.yaml",
        "tests/boards/shed-decoder.yaml", "tests/boards/stop-wire.yaml",
        "tests/boards/warp-shift.yaml", "tests/boards/yard-counter.yaml",
        "tests/boards/yarn-bus.yaml"})
    EXPECT_FALSE(good(read_vectors(kRoot + name)).steps.empty()) << name;
}

}  // namespace
}  // namespace tenterhook::files
