#include "host/commands/selftest_stages.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "host/commands/bench.h"
#include "host/commands/fixture_bench.h"
#include "host/commands/output.h"
#include "host/measure/contact.h"

namespace tenterhook::commands {

namespace {

constexpr int kConversions = 48;
constexpr Volts kOpenWithin{0.25};     // an open lead, uncalibrated: what docs/fixture.md claims
constexpr Volts kSupplied{2.0};        // a bench supply below this is not connected
constexpr Volts kRailOff{1.0};         // the bleeder holds a rail that is off below this
constexpr double kRailWithin = 0.06;   // of the supply side: sensor, switch and two front ends
constexpr std::uint16_t kRailLimitCounts = 1000;  // of the sensor's range: the comparator's trimmer is the real limit here
constexpr std::uint32_t kWalkUs = 2000;
constexpr std::uint32_t kRailUpUs = 300'000;
constexpr std::uint32_t kRailDownUs = 400'000;
constexpr Seconds kPoll{0.1};
constexpr Seconds kFallMost{0.25};     // from a stop to every contact open: the fixture's own promise

class StageTester {
 public:
  StageTester(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration, const Hands& hands)
      : session_(session), fixture_(fixture), calibration_(calibration), hands_(hands),
        settle_(static_cast<std::uint32_t>(std::lround(fixture.drive.settle.value * 1e6))) {}

  Status run(int stage) {
    switch (stage) {
      case 1: return loop();
      case 2: return parts({SelfTestPart::itself});
      case 3: return gates();
      case 4: return chain();
      case 5: return open_leads();
      case 6: return parts({SelfTestPart::itself, SelfTestPart::at_rest, SelfTestPart::drives});
      case 7: return bus();
      case 8: return parts({SelfTestPart::itself, SelfTestPart::at_rest, SelfTestPart::routes});
      case 9: return rails();
      default: return whole();
    }
  }
  SelfTest take() { return std::move(result_); }

 private:
  void fault(const std::string& where, const std::string& kind, const std::string& text) { result_.faults.push_back({where, kind, text}); }
  void untested(const std::string& text) { result_.not_tested.push_back(text); }
  Volts volts(const measure::Counts& c) const { return fixture_.sense.offset + fixture_.sense.per_count * mean_of(c); }
  Volts rail_volts(int r, const measure::Counts& c) const {
    const auto& rail = fixture_.rails[static_cast<std::size_t>(r)];
    return rail.volts_offset + rail.volts_per_count * mean_of(c);
  }
  static plan::ProgramStep step(std::vector<plan::AnyOp> ops) {
    plan::ProgramStep s;
    s.label = plan::kLabelHold;
    s.patient = true;
    s.ops = std::move(ops);
    return s;
  }

  Status parts(const std::vector<SelfTestPart>& asked) {
    auto done = self_test_parts(session_, fixture_, calibration_, asked);
    TH_TRY(done);
    result_.self = done->self;
    result_.faults.insert(result_.faults.end(), done->faults.begin(), done->faults.end());
    result_.not_tested.insert(result_.not_tested.end(), done->not_tested.begin(), done->not_tested.end());
    return {};
  }

  // Until the inputs are as wanted; false when they do not come.
  Result<bool> wait_for(const std::function<bool(const link::LiveRails&)>& wanted, Seconds most) {
    const int polls = static_cast<int>(most.value / kPoll.value) + 1;
    for (int i = 0; i < polls; ++i) {
      auto live = session_.rails();
      TH_TRY(live);
      if (wanted(*live)) return true;
      TH_TRY(session_.idle(kPoll));
    }
    return false;
  }

  // Stage 1: stop and lid break the coil supply itself, not a signal about it.
  Status loop() {
    auto live = session_.rails();
    TH_TRY(live);
    if (live->stop_pressed) fault("stop", "pressed", "the stop reads as pressed: pull it out; when it is out, check S1's second pole and its +5 V");
    if (live->lid_open && !live->hold_to_run) fault("lid", "open", "the lid reads as open: shut it; when it is shut, check S2's second contact and its +5 V");
    if (!result_.good()) return {};
    if (!live->coil_supply) {
      fault("coil-supply", "missing", "COIL_SUPPLY_OK is low with stop out and lid shut: check F91, S1, S2, U91 and the divider R91, R92");
      return {};
    }
    if (!hands_) {
      untested("stop and lid: nobody was asked to work them (no terminal)");
      return {};
    }
    const auto breaks = [&](Hand away, Hand back, const char* what, const std::function<bool(const link::LiveRails&)>& seen) -> Status {
      hands_(away);
      auto came = wait_for(seen, kHandsMost);
      TH_TRY(came);
      if (!*came) {
        fault(what, "unseen", fmt::format("the controller did not see the {} move: check its second contact and wire", what));
        return {};
      }
      auto fell = wait_for([](const link::LiveRails& r) { return !r.coil_supply; }, kFallMost);
      TH_TRY(fell);
      if (!*fell) fault(what, "bridged", fmt::format("the coil supply stays up with the {} broken: the contact is bridged or wired round the loop; build no further", what));
      hands_(back);
      auto again = wait_for([&](const link::LiveRails& r) { return !seen(r) && r.coil_supply; }, kHandsMost);
      TH_TRY(again);
      if (!*again) fault(what, "stays", fmt::format("the coil supply does not come back after the {}", what));
      return {};
    };
    TH_TRY(breaks(Hand::press_stop, Hand::release_stop, "stop", [](const link::LiveRails& r) { return r.stop_pressed; }));
    return breaks(Hand::open_lid, Hand::shut_lid, "lid", [](const link::LiveRails& r) { return r.lid_open; });
  }

  // Stage 3: the controller cannot see RUN. While the program waits it feeds the monostable for the meter.
  Status gates() {
    auto live = session_.rails();
    TH_TRY(live);
    if (!live->coil_supply) fault("coil-supply", "missing", "COIL_SUPPLY_OK is low, so RUN stays low: check stage 1 again");
    untested("RUN, CHAIN_OE_N and the monostable's 20 ms: the controller reads none of them; measure by hand as above");
    return {};
  }

  // Stage 4: a walking one through every register, read back from the last one after each shift.
  Status chain() {
    std::vector<std::vector<plan::AnyOp>> walks;
    for (int i = 0; i < fixture_.drive.channels; ++i) {
      const auto bit = static_cast<std::uint16_t>(1u << i);
      walks.push_back({wire::DriveOp{bit, 0}, wire::WaitOp{kWalkUs}, wire::DriveOp{0, bit}, wire::WaitOp{kWalkUs}, wire::DriveOp{0, 0}});
      if (fixture_.fast.channels > 1) walks.push_back({wire::RouteOp{bit}, wire::WaitOp{kWalkUs}, wire::RouteOp{0}});
    }
    for (int i = 0; i < fixture_.sense.channels; ++i) {
      walks.push_back({wire::BusOp{0, std::uint64_t{1} << i}, wire::WaitOp{kWalkUs}, wire::BusOp{0, 0}});
    }
    for (auto& ops : walks) {
      auto program = plan::encode(step(std::move(ops)));
      TH_TRY(program);
      auto report = session_.execute(*program, {});
      TH_TRY(report);
      if (!report->fault) continue;
      fault("chain", report->fault->cause,
            report->fault->text + ": while this runs, SER moves on every good register; the first one where it stands still, or the wire to it, is broken");
      if (auto reset = session_.reset_faults(); !reset) return reset.error();
      return {};
    }
    return {};
  }

  // Stage 5: every lead hangs free and reads what its divider makes of the reference alone.
  Status open_leads() {
    TH_TRY(parts({SelfTestPart::itself}));
    if (!result_.good()) return {};
    const std::uint64_t senses = (std::uint64_t{1} << fixture_.sense.channels) - 1;
    const std::uint64_t drives = (std::uint64_t{1} << fixture_.drive.channels) - 1;
    for (const auto& [first, second] : {std::pair{senses, std::uint64_t{0}}, {std::uint64_t{0}, drives}}) {
      auto seen = run_and_sample(session_, step({wire::SampleOp{first, second, kConversions}}));
      TH_TRY(seen);
      for (const auto& [i, counts] : seen->sense) judge_open(fmt::format("sense.{}", i), volts(counts));
      for (const auto& [i, counts] : seen->drive) judge_open(fmt::format("drive.{}", i), volts(counts));
    }
    return {};
  }

  void judge_open(const std::string& where, Volts read) {
    if (abs(read - fixture_.sense.open_reads) <= kOpenWithin) return;
    fault(where, "open-reads", fmt::format("its open lead reads {}, not {} +-{}: unplug it; else check R61, R62, R63 and the buffer of "
                                           "its front end, and its multiplexer input", text(read), text(fixture_.sense.open_reads), text(kOpenWithin)));
  }

  // Stage 7: reeds one by one, front ends against one another, and each load of the bus by its own figure.
  Status bus() {
    TH_TRY(parts({SelfTestPart::itself, SelfTestPart::at_rest, SelfTestPart::reeds, SelfTestPart::front_ends}));
    // One stuck reed says nothing of the loads: a lead that works is asked.
    int lead = 0;
    const auto faulty = [&](int i) {
      const std::string reed = fmt::format("test-bus.{}", i), front = fmt::format("sense.{}", i);
      return std::any_of(result_.faults.begin(), result_.faults.end(), [&](const auto& f) { return f.where == reed || f.where == front; });
    };
    while (lead < fixture_.sense.channels && faulty(lead)) ++lead;
    if (lead == fixture_.sense.channels) return {};
    const double open = fixture_.sense.open_reads.value, divider = fixture_.sense.divider.value;
    struct Load {
      std::uint8_t mode;
      const char* part;
      double to, ohms;
    };
    constexpr Load kLoads[] = {{wire::kBusLoad22k, "K61, R61B", 0.0, 22e3}, {wire::kBusLoad220k, "K62, R62B", 0.0, 220e3},
                               {wire::kBusPull10k, "K63, R63B", 5.0, 10e3}, {wire::kBusPull1M, "K64, R64B", 24.0, 1e6}};
    for (const Load& load : kLoads) {
      const std::uint64_t bit = std::uint64_t{1} << lead;
      auto seen = run_and_sample(session_, step({wire::BusOp{load.mode, bit}, wire::RelayWaitOp{settle_}, wire::SampleOp{bit, 0, kConversions},
                                                 wire::BusOp{0, 0}, wire::RelayWaitOp{settle_}}));
      TH_TRY(seen);
      const Volts read = volts(seen->sense[lead]);
      const Volts due{(open / divider + load.to / load.ohms) / (1.0 / divider + 1.0 / load.ohms)};
      const Volts within{kOpenWithin.value + 0.05 * load.to};  // the 5 V and 24 V that it pulls to are not measured
      if (abs(read - due) > within) {
        fault(load.part, "bus-load", fmt::format("lead sense.{} reads {} under it, not {} +-{}", lead, text(read), text(due), text(within)));
      }
    }
    untested("comparator and its threshold: `tenterhook fixture calibrate` measures them once the fast lines are built");
    return {};
  }

  // Stage 9: each rail that has a bench supply: off at rest, up when switched, both sense wires, down again.
  Status rails() {
    TH_TRY(parts({SelfTestPart::itself}));
    if (!result_.good()) return {};
    for (int r = 0; r < static_cast<int>(fixture_.rails.size()); ++r) TH_TRY(rail(r));
    untested("over-current limit and trip time: turn the trimmer down with the lamp on until it trips, as above");
    return {};
  }

  Status rail(int r) {
    const std::string where = fmt::format("rail.{}", r);
    const auto index = static_cast<std::uint8_t>(r);
    const std::uint64_t aux = wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRail + r)) | wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRailSecond + r)) |
                              wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxSupply + r)) | wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxCurrent + r));
    const wire::SampleOp sample{0, aux, kConversions};
    auto rest = run_and_sample(session_, step({sample}));
    TH_TRY(rest);
    const Volts supply = rail_volts(r, rest->supply[r]), off = rail_volts(r, rest->rail[r]);
    if (abs(off) > kRailOff) {
      fault(where, "on-at-rest", fmt::format("the board side is at {} though the rail is off: the switch or the series relay lets through, or the bleeder is missing", text(off)));
      return {};
    }
    if (abs(supply) < kSupplied) {
      untested(fmt::format("{}: no bench supply ({} on its supply side)", where, text(supply)));
      return {};
    }
    wire::GuardOp guard;
    guard.rail = index;
    guard.limit = kRailLimitCounts;
    auto up = run_and_sample(session_, step({guard, wire::RailOp{index, wire::RailMode::on}, wire::WaitOp{kRailUpUs}, sample}));
    if (!up) {  // the fixture's own guards spoke: that is the finding
      fault(where, "trip", up.error().text());
      if (auto reset = session_.reset_faults(); !reset) return reset.error();
      return {};
    }
    auto down = run_and_sample(session_, step({wire::RailOp{index, wire::RailMode::off}, wire::WaitOp{kRailDownUs}, sample}));
    TH_TRY(down);
    const Volts loaded = rail_volts(r, up->supply[r]), first = rail_volts(r, up->rail[r]), second = rail_volts(r, up->rail_second[r]);
    const Volts within{std::max(0.5, kRailWithin * std::fabs(loaded.value))};
    if (abs(first - second) > within) {
      const bool first_open = abs(first - loaded) > abs(second - loaded);
      fault(where, first_open ? "first-wire" : "second-wire", fmt::format("its two sense wires read {} and {}: the {} one is open", text(first), text(second), first_open ? "first" : "second"));
    } else if (abs(first - loaded) > within) {
      fault(where, "stuck-open", fmt::format("the board side is at {} when switched on, the supply at {}: check the switch, the series relay and the sensor", text(first), text(loaded)));
    }
    if (abs(rail_volts(r, down->rail[r])) > kRailOff) {
      fault(where, "does-not-fall", fmt::format("still at {} {} after it was switched off: check the switch and the bleeder", text(rail_volts(r, down->rail[r])), text(Seconds{kRailDownUs * 1e-6})));
    }
    return {};
  }

  // Stage 10: the whole, then stop and lid while every drive relay is closed.
  Status whole() {
    auto all = self_test_parts(session_, fixture_, calibration_, {SelfTestPart::itself, SelfTestPart::at_rest, SelfTestPart::reeds, SelfTestPart::drives,
                                                                  SelfTestPart::routes, SelfTestPart::front_ends});
    TH_TRY(all);
    result_ = all.take();
    if (!hands_) {
      untested("stop and lid under load: nobody was asked to work them (no terminal)");
      return {};
    }
    TH_TRY(stops_by(Hand::press_stop, Hand::release_stop, "stop"));
    return stops_by(Hand::open_lid, Hand::shut_lid, "lid");
  }

  Status stops_by(Hand away, Hand back, const std::string& what) {
    const auto all = static_cast<std::uint16_t>((1u << fixture_.drive.channels) - 1);
    auto program = plan::encode(step({wire::DriveOp{all, 0}, wire::RelayWaitOp{settle_}}));
    TH_TRY(program);
    auto closed = session_.execute(*program, {});
    TH_TRY(closed);
    if (closed->fault) {
      fault(what, closed->fault->cause, closed->fault->text);
      return {};
    }
    hands_(away);
    std::optional<link::FaultReport> told;
    const int polls = static_cast<int>(kHandsMost.value / kPoll.value);
    for (int i = 0; i < polls && !told; ++i) {
      auto seen = session_.idle(kPoll);
      TH_TRY(seen);
      told = *seen;
    }
    auto dropped = wait_for([](const link::LiveRails& r) { return !r.coil_supply; }, kFallMost);
    TH_TRY(dropped);
    if (!told) fault(what, "unseen", fmt::format("the program went on when the {} was worked", what));
    else if (told->cause != what) fault(what, told->cause, fmt::format("working the {} was reported as '{}': {}", what, told->cause, told->text));
    if (!*dropped) fault(what, "bridged", fmt::format("the coil supply stayed up when the {} was worked: relays stayed closed", what));
    hands_(back);
    auto again = wait_for([](const link::LiveRails& r) { return r.coil_supply && !r.stop_pressed && !r.lid_open; }, kHandsMost);
    TH_TRY(again);
    if (auto reset = session_.reset_faults(); !reset) return reset.error();
    if (!*again) fault(what, "stays", fmt::format("the coil supply does not come back after the {}", what));
    return {};
  }

  link::Session& session_;
  const files::Fixture& fixture_;
  const measure::Calibration* calibration_;
  const Hands& hands_;
  std::uint32_t settle_;
  SelfTest result_;
};

const char* asks(Hand hand) {
  switch (hand) {
    case Hand::press_stop: return "press the emergency stop";
    case Hand::release_stop: return "pull the emergency stop out";
    case Hand::open_lid: return "open the lid";
    case Hand::shut_lid: return "shut the lid";
  }
  return "";
}

void work(emulated::FixtureCircuit& circuit, emulated::Picoseconds now, Hand hand) {
  if (hand == Hand::press_stop || hand == Hand::release_stop) circuit.press_stop(now, hand == Hand::press_stop);
  else circuit.open_lid(now, hand == Hand::open_lid);
}

// The emulated fixture has its own hands; at a terminal there are a person's.
Hands hands_of(const Bench& bench) {
  if (bench.emulated != nullptr) {
    emulated::Controller* controller = bench.emulated;
    return [controller](Hand hand) { work(controller->circuit(), controller->now(), hand); };
  }
  if (isatty(STDIN_FILENO) == 0) return {};
  return [](Hand hand) { fmt::print(stderr, "Now {} (within {:.0f} s).\n", asks(hand), kHandsMost.value); };
}

std::string stage_json(const Stage& stage, const SelfTest& test, const std::string& serial) {
  nlohmann::ordered_json j{{"tenterhook", "0.1.0"}, {"fixture_serial", serial}, {"stage", stage.number}, {"built", stage.built},
                           {"verdict", test.good() ? "pass" : "fail"}, {"faults", nlohmann::ordered_json::array()}, {"by_hand", stage.by_hand}};
  for (const SelfTestFinding& f : test.faults) j["faults"].push_back({{"where", f.where}, {"kind", f.kind}, {"text", f.text}});
  j["not_tested"] = test.not_tested;
  return j.dump(2) + "\n";
}

}  // namespace

const std::vector<Stage>& stages() {
  static const std::vector<Stage> all = {
      {1, "supplies, stop loop, regulators (page 9), controller on its USB bridge",
       "+5 V 4.9 to 5.1 V; COIL_SUPPLY 11.5 to 12.5 V with stop out and lid shut, 0 V with either; hold-to-run replaces the lid, not the stop"},
      {2, "carrier and references (page 2)",
       "AREF 4.094 to 4.098 V; second reference 2.046 to 2.050 V; no continuity between USB shell and 0 V; every pull-down 10 kohm with the controller out"},
      {3, "monostable and gates (page 9)",
       "RUN low with ALIVE still; high with a 100 Hz square wave on ALIVE and OUTPUT_ENABLE high; low 15 to 25 ms after the wave stops"},
      {4, "chain and drivers, no relays (page 3)", "at power-up every COIL output open: 1 kohm to COIL_SUPPLY shows 12 V"},
      {5, "front ends and multiplexers (page 6, 7)", "0 V, 30 V and 60 V on each lead: its buffer shows 0.816, 2.455 and 4.093 V within 0.02 V"},
      {6, "drive relays (page 4)", "each lead: open at rest; 10 ohm (+-0.5) to its low, then to its high strap; never both"},
      {7, "test bus, comparator (page 7)", "an open lead under each load: 0.02 V, 0.15 V, 4.96 V, 12.76 V"},
      {8, "fast lines and routing reeds (page 5)", "oscilloscope: edges under 0.1 us into 470 pF, levels at the straps, open at rest"},
      {9, "rails (page 8), one at a time, a lamp as load",
       "off at rest and in reset; bleeder 1 kohm at rest; trip within 20 us at the trimmer's limit and none 15 % below; 60 V on 4,700 uF falls to 10 V in 8 to 9 s"},
      {10, "the whole", "each of stop, lid, USB cable and controller reset: rail off and every lead open"}};
  return all;
}

Result<SelfTest> stage_test(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration, int stage,
                            const Hands& hands) {
  StageTester tester(session, fixture, calibration, hands);
  TH_TRY(tester.run(stage));
  auto ended = session.finish();
  TH_TRY(ended);
  return tester.take();
}

int fixture_selftest_stage(const SelfTestOptions& options, const files::Fixture& fixture) {
  const Stage& stage = stages().at(static_cast<std::size_t>(options.stage - 1));
  constexpr int kRailStage = 9;
  const std::vector<double> supplies = options.stage == kRailStage ? std::vector<double>{6.3, -9.0, 30.0, 24.0} : std::vector<double>{};
  auto bench = open_fixture(options.bench, fixture, false, supplies);
  if (!bench) return tell(bench.error());
  const std::string serial = bench->bench.session->identity().serial;
  auto test = stage_test(*bench->bench.session, fixture, nullptr, options.stage, hands_of(bench->bench));
  if (!test) return tell(test.error());
  if (!options.bench.json.empty()) {
    if (auto written = write_text(options.bench.json, stage_json(stage, *test, serial)); !written) return tell(written.error());
  }
  if (options.bench.json != "-") {
    fmt::print("Fixture {}, stage {} of {}: {}\n", serial, stage.number, kStages, stage.built);
    if (!options.bench.quiet) fmt::print("  by hand, before this: {}\n", stage.by_hand);
    for (const SelfTestFinding& f : test->faults) fmt::print("  {} {}: {}\n", f.where, f.kind, f.text);
    if (!options.bench.quiet) {
      for (const std::string& n : test->not_tested) fmt::print("  not tested: {}\n", n);
    }
    fmt::print("{}\n", test->good() ? "nothing wrong was found: go on" : "do not go on while this stands");
  }
  return test->good() ? kExitPass : kExitFixture;
}

}  // namespace tenterhook::commands
