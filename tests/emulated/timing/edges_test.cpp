// Delays and transitions of emulated boards against their own electricity.
#include <cstdlib>

#include "tests/emulated/timing/timed.h"

namespace tenterhook::timing {
namespace {

int seeds() {
  const char* asked = std::getenv("TENTERHOOK_TIMING_SEEDS");
  return asked ? std::atoi(asked) : 2;
}

const Path* path_of(const Found& found, const EdgeResult& e) {
  for (const Path& p : found.paths) {
    if (p.from == e.from && p.to == e.to && p.from_high == e.from_high && p.to_high == e.to_high) return &p;
  }
  return nullptr;
}

struct Figures {
  int edges = 0, transitions = 0, refused = 0, disagree = 0;
  double worst_delay_s = 0.0, worst_transition = 0.0;
};

void check_edges(const std::string& file, int seed, Figures& figures) {
  StudyOptions options;
  options.searches = options.counts = false;
  auto timed = time_board(vectors_of(file), static_cast<std::uint64_t>(seed), {}, options);
  ASSERT_TRUE(timed.ok()) << file << " " << timed.error().text();
  Truth truth(timed->plan, static_cast<std::uint64_t>(seed), {});
  ASSERT_FALSE(timed->study.edges.empty());
  for (const EdgeResult& e : timed->study.edges) {
    const std::string what = file + " seed " + std::to_string(seed) + " " + e.from + " to " + e.to + (e.to_high ? " up" : " down");
    const Path* path = path_of(timed->found, e);
    ASSERT_NE(path, nullptr);
    auto edge = truth.edge(*path);
    ASSERT_TRUE(edge.ok()) << what;
    ASSERT_TRUE(e.delay) << what << ": " << e.note;
    const double off = e.delay->value - edge->delay_s;
    figures.worst_delay_s = std::max(figures.worst_delay_s, std::fabs(off));
    EXPECT_LE(std::fabs(off), std::max(0.2e-6, 0.05 * edge->delay_s)) << what << " " << e.delay->value << " truth " << edge->delay_s;
    figures.disagree += !e.agree;
    ++figures.edges;
    if (e.transition) {
      ++figures.transitions;
      const double share = e.transition->value / edge->transition_s - 1.0;
      figures.worst_transition = std::max(figures.worst_transition, std::fabs(share));
      EXPECT_LE(std::fabs(share), 0.10) << what << " " << e.transition->value << " truth " << edge->transition_s << " by " << e.transition_by;
    } else {
      ++figures.refused;
      EXPECT_LT(edge->transition_s, 1.0e-6) << what << " was refused: " << e.note;
      EXPECT_LT(edge->transition_s, 1.1 * e.transition_below_s) << what;
    }
  }
}

TEST(Edges, AreRecoveredFromThreeBoards) {
  Figures all;
  for (const char* board : {"vectors/shed-latch/board.yaml", "vectors/pick-counter/board.yaml", "vectors/or-follower/board.yaml"}) {
    Figures figures;
    for (int seed = 1; seed <= seeds(); ++seed) check_edges(board, seed, figures);
    std::printf("%s: %d edges, worst delay error %.0f ns; %d transitions, worst %.1f %%; %d refused; %d disagree\n", board, figures.edges,
                1e9 * figures.worst_delay_s, figures.transitions, 100.0 * figures.worst_transition, figures.refused, figures.disagree);
    EXPECT_LE(figures.disagree, figures.edges / 20) << board;  // 95 % of the time
    all.transitions += figures.transitions;
    all.refused += figures.refused;
  }
  EXPECT_GT(all.transitions, 0);
  EXPECT_GT(all.refused, 0);
}

TEST(Edges, OfASlowPartAreSeen) {
  StudyOptions options;
  options.searches = options.counts = false;
  auto good = time_board(vectors_of("vectors/shed-latch/board.yaml"), 3, {}, options, {"Q0"});
  auto slow = time_board(vectors_of("vectors/shed-latch/board.yaml"), 3, {"Q0 slow 2"}, options, {"Q0"});
  ASSERT_TRUE(good.ok() && slow.ok()) << (slow.ok() ? good.error().text() : slow.error().text());
  ASSERT_EQ(slow->study.edges.size(), 2u);
  for (std::size_t i = 0; i < 2; ++i) {
    ASSERT_TRUE(slow->study.edges[i].transition && good->study.edges[i].transition);
    EXPECT_GT(slow->study.edges[i].transition->value, 1.5 * good->study.edges[i].transition->value);
  }
}

// The chip's own program in the emulated chip, against the same core compiled for this machine.
TEST(OnTheChip, MeasuresWhatTheCoreMeasures) {
  StudyOptions options;
  options.repeats = 4;
  options.scan = 0;
  options.sweeps = 0;
  options.pulses = 200;
  const std::vector<std::string> lines{"STOP", "HALF", "BEAT"};
  auto core = time_board(vectors_of("tests/emulated/timing/warp-stop.yaml"), 1, {}, options, lines);
  auto chip = time_board(vectors_of("tests/emulated/timing/warp-stop.yaml"), 1, {}, options, lines, {}, commands::Firmware::elf);
  ASSERT_TRUE(core.ok()) << core.error().text();
  ASSERT_TRUE(chip.ok()) << chip.error().text();
  ASSERT_EQ(core->study.edges.size(), chip->study.edges.size());
  for (std::size_t i = 0; i < core->study.edges.size(); ++i) {
    const EdgeResult &a = core->study.edges[i], &b = chip->study.edges[i];
    ASSERT_EQ(a.delay.has_value(), b.delay.has_value()) << b.to << " " << b.note;
    if (a.delay) {
      EXPECT_NEAR(a.delay->value, b.delay->value, 0.1e-6) << b.to;
    }
    EXPECT_EQ(a.transition.has_value(), b.transition.has_value()) << b.to;
    if (a.transition && b.transition) {
      EXPECT_NEAR(a.transition->value, b.transition->value, 0.1 * a.transition->value) << b.to;
    }
  }
  ASSERT_EQ(core->study.limits.size(), chip->study.limits.size());
  for (std::size_t i = 0; i < core->study.limits.size(); ++i) {
    const LimitResult &a = core->study.limits[i], &b = chip->study.limits[i];
    EXPECT_EQ(a.search.state, b.search.state) << b.kind << " " << b.what << " " << b.note;
    EXPECT_NEAR(a.value.value, b.value.value, std::max(2.1 * a.resolution_s, 0.02 * std::fabs(a.value.value))) << b.kind << " " << b.what;
  }
  ASSERT_EQ(core->study.counts.size(), chip->study.counts.size());
  for (const CountResult& c : chip->study.counts) EXPECT_TRUE(c.good) << c.output << " " << c.rises << " of " << c.expected;
}

}  // namespace
}  // namespace tenterhook::timing
