// A board of known edges for tests of crossings, counts and delayed samples, in closed form: CLK on fast.0 and
// sense.0; Y on sense.1 follows CLK through a delay and a time constant; D on fast.1 and sense.2; R on drive.0
// and sense.3. CLK, D and R are what they are driven to. Everything at 0 and 30 V; plate on rail.2.
#pragma once

#include <cmath>
#include <functional>
#include <optional>

#include "tests/emulated/mcu/firmware_rig.h"

namespace tenterhook::emulated {

class EdgesBoard : public Board {
 public:
  static constexpr double kHigh = 30.0, kSwitch = 15.0;
  Picoseconds delay = 3 * kUs;  // of Y after CLK passes kSwitch
  double tau = 1.0e-6;          // s, of Y's edges
  int divide = 1;               // Y moves with every so-manieth rise of CLK: 1 follows both edges
  bool dead = false;
  int rises = 0;                // of CLK, seen by the board
  struct OnTime {
    Picoseconds at = INT64_MAX;
    std::function<void(Picoseconds)> what;
  };
  OnTime on_time;  // once, when the board is next asked after that
  Picoseconds upset_at = INT64_MAX;  // from then on the plate is overloaded, or sags
  bool sags = false;
  Picoseconds cut_at = INT64_MAX;    // when no supply reached it any more, after that

  int terminal_count() const override { return 4; }
  int rail_count() const override { return 1; }
  void drive(Picoseconds t, int i, Source source) override {
    at(t);
    given_[i] = source;
    if (i == 0) clock(level(0));
  }
  void supply(Picoseconds t, int, Source source) override {
    at(t);
    plate_ = source;
    if (t >= upset_at && source.siemens < 0.1 && cut_at == INT64_MAX) cut_at = t;  // the bleeder is left
  }
  double volts(Picoseconds t, int i) override {
    at(t);
    return i == 1 ? y(now_) : level(i);
  }
  double rail_amps(Picoseconds t, int) override {
    at(t);
    if (plate_.siemens <= 0.0) return 0.0;
    const double ohms = t >= upset_at && !sags ? 100.0 : 1000.0;
    return plate_.volts / (ohms + 1.0 / plate_.siemens);
  }
  double rail_volts(Picoseconds t, int r) override {
    if (plate_.siemens <= 0.0) return 0.0;
    const double volts = plate_.volts - rail_amps(t, r) / plate_.siemens;
    return t >= upset_at && sags ? 0.8 * volts : volts;
  }
  Picoseconds next_event(Picoseconds t) override {
    at(t);
    if (starts_ != INT64_MAX && t < starts_) return starts_;
    return starts_ != INT64_MAX && t < starts_ + Picoseconds(12.0 * tau * 1e12) ? t : INT64_MAX;
  }

 private:
  void at(Picoseconds t) {
    now_ = std::max(now_, t);
    if (now_ < on_time.at) return;
    on_time.at = INT64_MAX;
    on_time.what(now_);
  }
  double level(int i) const { return given_[i].siemens > 1e-4 ? given_[i].volts : 0.0; }
  double y(Picoseconds t) const {
    if (starts_ == INT64_MAX || t <= starts_) return from_;
    return to_ + (from_ - to_) * std::exp(-double(t - starts_) * 1e-12 / tau);
  }
  void clock(double v) {
    const bool high = v > kSwitch;
    if (high == clock_high_) return;
    clock_high_ = high;
    if (high) ++rises;
    if (dead || (divide > 1 && (!high || rises % divide != 0))) return;
    from_ = y(now_ + delay);
    to_ = divide > 1 ? (to_ > kSwitch ? 0.0 : kHigh) : (high ? kHigh : 0.0);
    starts_ = now_ + delay;
  }
  std::array<Source, 4> given_{};
  Source plate_{};
  Picoseconds now_ = 0, starts_ = INT64_MAX;
  double from_ = 0.0, to_ = 0.0;
  bool clock_high_ = false;
};

struct EdgesRig {
  EdgesBoard* board = nullptr;
  McuEmulator* mcu = nullptr;  // null: native
  Controller* controller = nullptr;
  std::unique_ptr<link::Session> session;
  std::vector<link::SampleBlock> samples;
  std::vector<link::EdgesBlock> edges;

  explicit EdgesRig(bool native, FixtureOptions o = options()) {
    auto b = std::make_unique<EdgesBoard>();
    board = b.get();
    BoardDescription d;
    d.terminals.resize(4);
    const char* names[] = {"CLK", "Y", "D", "R"};
    for (int i = 0; i < 4; ++i) {
      d.terminals[i].name = names[i];
      d.terminals[i].sense = i;
    }
    d.terminals[0].fast = 0;
    d.terminals[2].fast = 1;
    d.terminals[3].drive = 0;
    d.rails = {{"plate", 30.0, 2, 0}};
    auto circuit = make_fixture(o, std::move(b), d);
    std::unique_ptr<Controller> made;
    if (native) {
      made = std::make_unique<native::EmulatedController>(std::move(circuit));
    } else {
      McuOptions chip;
      chip.elf = TH_FIRMWARE_ELF;
      auto m = make_mcu(chip, std::move(circuit));
      if (!m.ok()) {
        ADD_FAILURE() << m.error().text();
        std::abort();
      }
      mcu = m.value().get();
      made = m.take();
    }
    controller = made.get();
    link::SessionOptions so;
    so.seed = 1;
    auto s = link::Session::open(std::make_unique<LockstepPort>(std::move(made)), so);
    if (!s.ok()) {
      ADD_FAILURE() << s.error().text();
      std::abort();
    }
    session = s.take();
  }
  static FixtureOptions options() {
    FixtureOptions o;
    o.ideal = true;
    o.supply_volts = {0, 0, 30.0, 0};
    o.drive_ties.resize(1);
    o.drive_ties[0].high = {BusTie::Kind::rail, 2, 0};
    o.fast_ties.resize(2);
    for (LevelTies& t : o.fast_ties) t.high = {BusTie::Kind::rail, 2, 0};
    return o;
  }
  // Plate up and armed, both fast lines connected and low, drive.0 connected and low.
  static Steps powered() {
    Steps s = FirmwareRig::powered();
    s.add(wire::FastOp{1, 1, 0}).add(wire::RelayWaitOp{30000}).step();
    return s;
  }
  static std::uint16_t threshold(double volts) { return std::uint16_t((volts + 14.948) / 0.07324 * 4.0 + 0.5); }

  std::optional<link::FaultReport> run(const std::vector<std::uint8_t>& program, Seconds at_most = Seconds{3600.0}) {
    link::Sink sink;
    sink.sample = [this](const link::SampleBlock& b) { samples.push_back(b); };
    sink.edges = [this](const link::EdgesBlock& b) { edges.push_back(b); };
    auto report = session->execute(program, sink, at_most);
    if (!report.ok()) {
      ADD_FAILURE() << report.error().text();
      return {};
    }
    return report.value().fault;
  }
  void run_well(const std::vector<std::uint8_t>& program) {
    const auto fault = run(program);
    if (fault) ADD_FAILURE() << fault->cause << ": " << fault->text << " " << fault->value;
  }
};

}  // namespace tenterhook::emulated
