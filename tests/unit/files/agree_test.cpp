// What the vectors of the tree expect, the circuits of their boards show: two accounts of one board.
#include <gtest/gtest.h>

#include <filesystem>

#include "host/circuit/simulator.h"
#include "host/files/reader.h"

namespace tenterhook::files {
namespace {

const std::string kRoot = TH_SOURCE_DIR "/";

void expect_agreement(const std::string& path) {
  const auto vectors = read_vectors(path);
  ASSERT_TRUE(vectors.ok()) << vectors.error().text();
  auto made = circuit::Simulator::make(vectors->board);
  ASSERT_TRUE(made.ok()) << path << ": " << made.error().text();
  circuit::Simulator board = made.take();
  board.power_up();
  for (const Step& step : vectors->steps) {
    const Status done = board.step(step);
    ASSERT_TRUE(done.ok()) << step.mark.text() << ": " << done.error().text();
    for (const auto& [line, bit] : step.expect) {
      const auto shown = board.read(line);
      ASSERT_TRUE(shown.ok()) << shown.error().text();
      EXPECT_EQ(letter(*shown), letter(bit)) << step.mark.text() << ": line " << line;
    }
    for (const auto& [line, other] : step.expect_line) {
      EXPECT_EQ(letter(*board.read(line)), letter(*board.read(other)))
          << step.mark.text() << ": lines " << line << " and " << other;
    }
    EXPECT_TRUE(board.contentions().empty()) << step.mark.text();
  }
}

TEST(BoardsOfTheTree, CircuitsAgreeWithWrittenExpectations) {
  for (const char* path :
       {"vectors/or-follower/board.yaml", "vectors/pick-counter/acceptance.vectors.yaml",
        "vectors/shed-latch/acceptance.vectors.yaml", "vectors/shuttle-guard/acceptance.vectors.yaml",
        "tests/boards/beat-divider.yaml", "tests/boards/break-alarm.yaml",
        "tests/boards/dent-adder.yaml", "tests/boards/pattern-gates.yaml",
        "tests/boards/row-register.yaml", "tests/boards/shed-decoder.yaml",
        "tests/boards/stop-wire.yaml", "tests/boards/warp-shift.yaml",
        "tests/boards/yard-counter.yaml", "tests/boards/yarn-bus.yaml"}) {
    expect_agreement(kRoot + path);
  }
}

}  // namespace
}  // namespace tenterhook::files
