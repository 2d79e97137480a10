// Set-up, hold, shortest pulses and top rates of emulated boards against their own electricity; planted holes and
// planted memory.
#include <cstdlib>
#include <functional>

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

// The shortest period, in ticks, at which a train is followed every time.
long true_period(Truth& truth, const Train& t, long near, long stride, double tick_s) {
  constexpr int kTries = 12;  // of four trains each
  const auto ok = [&](long x) {
    for (int i = 0; i < kTries; ++i) {
      if (!truth.follows(t, static_cast<double>(x) * tick_s)) return false;
    }
    return true;
  };
  long x = near + 12 * stride;
  while (x > near - 12 * stride && ok(x - stride)) x -= stride;
  return x;
}

TEST(Trains, TopRateLiesWithinTwoPerCent) {
  for (const char* file : {"tests/emulated/timing/warp-stop.yaml", "tests/emulated/timing/yarn-halver.yaml", "tests/emulated/timing/pick-relays.yaml"}) {
    double worst = 0.0;
    for (int seed = 1; seed <= seeds(); ++seed) {
      StudyOptions options = searches_alone();
      options.scan = 0;
      auto timed = time_board(vectors_of(file), static_cast<std::uint64_t>(seed), {}, options, {"BEAT", "FEED", "PICK"});
      ASSERT_TRUE(timed.ok()) << timed.error().text();
      int trains = 0;
      for (const LimitResult& l : timed->study.limits) {
        if (l.kind != "clock period") continue;
        ASSERT_EQ(l.search.state, SearchResult::State::found) << file << " " << l.note;
        expect_bounds(l, options);
        Truth truth(timed->plan, static_cast<std::uint64_t>(seed), {});
        const Train& t = timed->found.trains.at(static_cast<std::size_t>(trains++));
        const long stride = std::max(1L, l.search.edge / 400);
        const double there = static_cast<double>(true_period(truth, t, l.search.edge, stride, l.resolution_s));
        const double off = static_cast<double>(l.search.edge) / there - 1.0;
        worst = std::max(worst, std::fabs(off));
        EXPECT_LE(std::fabs(off), 0.02) << file << " seed " << seed << " found " << l.search.edge << " truth " << there;
        // By the valves' own clock phases too, whose limits jitter by up to 2 %; relays travel besides.
        if (stride > 1) continue;
        const double nominal = 1.0 / *truth.board().top_rate("HALF");
        EXPECT_NEAR(l.value.value / nominal, 1.0, 0.04) << file << " seed " << seed;
      }
      EXPECT_GT(trains, 0) << file;
    }
    std::printf("%s: worst %.2f %% of the rate\n", file, 100.0 * worst);
  }
}

// Between lead and board: a spoilt pulse comes back as two (an open line that reflects, say), so that a divider
// counts twice. Told of every pulse: its width and the time since the one before it began.
using Spoils = std::function<bool(double width_s, double period_s)>;
class Spoiler : public emulated::Board {
 public:
  Spoiler(std::unique_ptr<emulated::Board> board, int terminal, Spoils spoils)
      : board_(std::move(board)), terminal_(terminal), spoils_(std::move(spoils)) {}
  int terminal_count() const override { return board_->terminal_count(); }
  int rail_count() const override { return board_->rail_count(); }
  void drive(emulated::Picoseconds t, int terminal, emulated::Source source) override {
    deliver(t);
    board_->drive(t, terminal, source);
    if (terminal != terminal_) return;
    const bool high = source.volts > 15.0 && source.siemens > 1e-3, low = source.volts < 5.0;
    last_ = source;
    if (high && !high_) {
      period_ = t - rose_;
      rose_ = t;
    }
    if (low && high_ && spoils_(seconds(t - rose_), seconds(period_))) due_ = {t + 15'000'000, t + 25'000'000};
    if (high || low) high_ = high;
  }
  void supply(emulated::Picoseconds t, int rail, emulated::Source source) override { deliver(t), board_->supply(t, rail, source); }
  double volts(emulated::Picoseconds t, int terminal) override { return deliver(t), board_->volts(t, terminal); }
  double rail_volts(emulated::Picoseconds t, int rail) override { return deliver(t), board_->rail_volts(t, rail); }
  double rail_amps(emulated::Picoseconds t, int rail) override { return deliver(t), board_->rail_amps(t, rail); }
  emulated::Picoseconds next_event(emulated::Picoseconds t) override {
    deliver(t);
    const emulated::Picoseconds next = board_->next_event(t);
    return due_.empty() ? next : std::min(next, due_.front());
  }

 private:
  static double seconds(emulated::Picoseconds t) { return static_cast<double>(t) * 1e-12; }
  void deliver(emulated::Picoseconds t) {
    while (!due_.empty() && due_.front() <= t) {
      board_->drive(due_.front(), terminal_, due_.size() == 2 ? emulated::Source{30.0, 0.02} : last_);
      due_.erase(due_.begin());
    }
  }
  std::unique_ptr<emulated::Board> board_;
  int terminal_;
  Spoils spoils_;
  bool high_ = false;
  emulated::Picoseconds rose_ = 0, period_ = 0;
  emulated::Source last_;
  std::vector<emulated::Picoseconds> due_;
};

Result<Timed> time_spoilt(const Spoils& spoils, const StudyOptions& options) {
  commands::Adjust adjust;
  int terminal = 0;
  adjust.parts = [&](emulated::FixtureOptions&, emulated::BoardDescription& board) {
    for (std::size_t i = 0; i < board.terminals.size(); ++i) {
      if (board.terminals[i].name == "FEED") terminal = static_cast<int>(i);
    }
  };
  adjust.board = [&](std::unique_ptr<emulated::Board> board) { return std::make_unique<Spoiler>(std::move(board), terminal, spoils); };
  return time_board(vectors_of("tests/emulated/timing/yarn-halver.yaml"), 1, {}, options, {"FEED"}, adjust);
}

const LimitResult* width_of(const Study& study) {
  for (const LimitResult& l : study.limits) {
    if (l.kind == "pulse width") return &l;
  }
  return nullptr;
}

TEST(Planted, AHoleInThePassRegionIsFound) {
  auto timed = time_spoilt([](double width_s, double) { return width_s > 40e-6 && width_s < 46e-6; }, searches_alone());
  ASSERT_TRUE(timed.ok()) << timed.error().text();
  const LimitResult* width = width_of(timed->study);
  ASSERT_NE(width, nullptr);
  ASSERT_EQ(width->search.holes.size(), 1u) << table(timed->study);
  EXPECT_NEAR(static_cast<double>(width->search.holes[0].from) * width->resolution_s, 40e-6, 0.2e-6);
  EXPECT_NEAR(static_cast<double>(width->search.holes[0].to) * width->resolution_s, 46e-6, 0.2e-6);
  EXPECT_NE(table(timed->study).find("NOT MONOTONIC: it fails again from 40"), std::string::npos) << table(timed->study);
}

TEST(Planted, AHoleIsDrawn) {
  StudyOptions options = searches_alone();
  options.searches = false;
  options.plot = {{"period 120us..300us", "width 20us..80us"}};
  options.plot_points = 13;
  options.plot_repeats = 1;
  auto timed = time_spoilt([](double width_s, double period_s) {
    return width_s > 39e-6 && width_s < 51e-6 && period_s > 170e-6 && period_s < 220e-6;
  }, options);
  ASSERT_TRUE(timed.ok()) << timed.error().text();
  ASSERT_TRUE(timed->study.plot);
  const auto holes = holes_of(*timed->study.plot);
  ASSERT_EQ(holes.size(), 1u) << text(*timed->study.plot, true, false);
  for (const Place& p : holes[0]) {
    const double period = timed->study.plot->x.values[static_cast<std::size_t>(p.column)], width = timed->study.plot->y.values[static_cast<std::size_t>(p.row)];
    EXPECT_TRUE(period > 170e-6 && period < 220e-6 && width > 39e-6 && width < 51e-6) << period << " " << width;
  }
  EXPECT_EQ(holes[0].size(), 9u);  // 180, 195, 210 us by 40, 45, 50 us
}

TEST(Planted, MemoryIsReportedAsHysteresis) {
  bool works = true;
  const auto memory = [&works](double width_s, double) {  // fails below 30 us, and then until 50 us
    if (width_s < 30e-6) works = false;
    if (width_s >= 50e-6) works = true;
    return !works && width_s > 5e-6;  // what is shorter does not count by itself
  };
  auto timed = time_spoilt(memory, searches_alone());
  ASSERT_TRUE(timed.ok()) << timed.error().text();
  const LimitResult* width = width_of(timed->study);
  ASSERT_NE(width, nullptr);
  ASSERT_TRUE(width->search.hysteresis) << table(timed->study);
  EXPECT_NEAR(static_cast<double>(*width->search.hysteresis) * width->resolution_s, 20e-6, 5e-6);
  EXPECT_NE(table(timed->study).find("HYSTERESIS"), std::string::npos);
}

TEST(Planted, NothingPlantedNothingFound) {
  auto timed = time_spoilt([](double, double) { return false; }, searches_alone());
  ASSERT_TRUE(timed.ok()) << timed.error().text();
  for (const LimitResult& l : timed->study.limits) {
    EXPECT_FALSE(l.search.hysteresis) << l.kind;
    EXPECT_TRUE(l.search.holes.empty()) << l.kind;
  }
}

Result<Timed> counted(const std::vector<std::string>& faults, std::uint32_t pulses) {
  StudyOptions options;
  options.searches = options.waveforms = false;
  options.pulses = pulses;
  return time_board(vectors_of("vectors/pick-counter/board.yaml"), 2, faults, options, {"STEP"});
}

TEST(Counts, EdgesEqualPulses) {
  const char* asked = std::getenv("TENTERHOOK_TIMING_PULSES");
  const auto pulses = static_cast<std::uint32_t>(asked ? std::atol(asked) : 2000);
  auto timed = counted({}, pulses);
  ASSERT_TRUE(timed.ok()) << timed.error().text();
  ASSERT_GE(timed->study.counts.size(), 4u);
  for (const CountResult& c : timed->study.counts) EXPECT_EQ(c.finding, "as expected") << c.output << " " << c.rises << " of " << c.expected;
  EXPECT_EQ(timed->study.counts[0].rises, static_cast<long>(pulses));
  std::printf("%u pulses, %ld edges\n", pulses, timed->study.counts[0].rises);
}

TEST(Counts, ABouncingSourceAndADoubleStepAreToldApart) {
  auto source = counted({"STEP bounce 1"}, 50);
  auto part = counted({"T0a bounce 1"}, 50);
  ASSERT_TRUE(source.ok() && part.ok()) << (source.ok() ? part.error().text() : source.error().text());
  EXPECT_GT(source->study.counts.at(0).rises, 50);
  EXPECT_EQ(source->study.counts.at(0).finding.rfind("bouncing source", 0), 0u) << table(source->study);
  EXPECT_EQ(part->study.counts.at(0).finding, "as expected") << table(part->study);
  bool doubled = false;
  for (const CountResult& c : part->study.counts) doubled |= c.output == "N0" && c.finding.rfind("double-stepping", 0) == 0;
  EXPECT_TRUE(doubled) << table(part->study);
  EXPECT_NE(table(part->study).find("it steps more than once"), std::string::npos) << table(part->study);
}

}  // namespace
}  // namespace tenterhook::timing
