// Set-up, hold, shortest pulses and top rates of emulated boards against their own electricity; planted holes and
// planted memory.
#include <cstdlib>

#include "tests/emulated/timing/timed.h"

namespace tenterhook::timing {
namespace {

int seeds() {
  const char* asked = std::getenv("TENTERHOOK_TIMING_SEEDS");
  return asked ? std::atoi(asked) : 1;
}
int repeats() { return std::getenv("TENTERHOOK_TIMING_SEEDS") ? 59 : 30; }

StudyOptions searches_alone() {
  StudyOptions options;
  options.edges = options.counts = options.waveforms = false;
  options.repeats = repeats();
  return options;
}

// The least time ahead of the clock, in ticks, at which data is taken every time.
long true_edge(Truth& truth, const Aperture& a, bool setup, long near, double tick_s) {
  const int tries = repeats();
  // For set-up data comes x ahead; for hold it goes x after the clock.
  const auto ok = [&](long x) { return truth.taken(a, setup, (setup ? 1.0 : -1.0) * static_cast<double>(x) * tick_s, tries) == tries; };
  long x = near + 12;
  while (x > near - 12 && ok(x - 1)) --x;
  return x;
}

const Aperture* aperture_of(const Found& found, const LimitResult& l) {
  for (const Aperture& a : found.apertures) {
    if (a.clock == l.clock && a.data == l.data && a.data_high == (l.kind == "set-up" ? l.data_high : !l.data_high)) return &a;
  }
  return nullptr;
}

void expect_bounds(const LimitResult& l, const StudyOptions& options) {
  SearchOptions so;
  so.good = std::lround(l.bracket_s[0] / l.resolution_s);
  so.bad = std::lround(l.bracket_s[1] / l.resolution_s);
  so.repeats = options.repeats;
  EXPECT_LE(l.search.bracket + l.search.bisect + l.search.repeat, steps_most(so)) << l.what;
  EXPECT_LE(l.search.bisect, halvings(std::labs(so.good - so.bad))) << l.what;
}

struct Errors {
  int n = 0;
  long worst_steps = 0;
};

void check_apertures(const std::string& file, int seed, const std::vector<std::string>& lines, Errors& errors) {
  const StudyOptions options = searches_alone();
  auto timed = time_board(vectors_of(file), static_cast<std::uint64_t>(seed), {}, options, lines);
  ASSERT_TRUE(timed.ok()) << timed.error().text();
  Truth truth(timed->plan, static_cast<std::uint64_t>(seed), {});
  for (const LimitResult& l : timed->study.limits) {
    if (l.data.empty()) continue;
    const std::string what = file + " seed " + std::to_string(seed) + " " + l.kind + " of " + l.what;
    const Aperture* a = aperture_of(timed->found, l);
    ASSERT_NE(a, nullptr) << what;
    ASSERT_EQ(l.search.state, SearchResult::State::found) << what << " " << l.note;
    expect_bounds(l, options);
    EXPECT_FALSE(l.search.hysteresis) << what;
    EXPECT_TRUE(l.search.holes.empty()) << what;
    const long there = true_edge(truth, *a, l.kind == "set-up", l.search.edge, l.resolution_s);
    errors.worst_steps = std::max(errors.worst_steps, std::labs(there - l.search.edge));
    ++errors.n;
    EXPECT_LE(std::labs(there - l.search.edge), 1) << what << " truth " << there << " found " << l.search.edge;
  }
}

TEST(Apertures, SetUpAndHoldLieWithinOneStep) {
  struct Case {
    const char* file;
    std::vector<std::string> lines;
  };
  for (const Case& c : {Case{"vectors/shed-latch/board.yaml", {"F0", "SKIP"}}, Case{"tests/boards/beat-divider.yaml", {"J", "K"}},
                        Case{"tests/emulated/timing/warp-stop.yaml", {"STOP"}}}) {
    Errors errors;
    for (int seed = 1; seed <= seeds(); ++seed) check_apertures(c.file, seed, c.lines, errors);
    std::printf("%s: %d searches, worst %ld steps of 62.5 ns\n", c.file, errors.n, errors.worst_steps);
    EXPECT_GT(errors.n, 0) << c.file;
  }
}

}  // namespace
}  // namespace tenterhook::timing
