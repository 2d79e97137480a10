#include "host/commands/selftest.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "host/commands/fixture_bench.h"
#include "host/commands/output.h"
#include "host/commands/relay_times.h"
#include "host/commands/selftest_stages.h"
#include "host/commands/wear.h"
#include "host/measure/contact.h"

namespace tenterhook::commands {

namespace {

// A good reed has closed 1.6 ms after its coil was asked, a good relay after 12 ms; three times slower
// ones have not (operate times: common practice, no source; the parts list names them).
constexpr std::uint32_t kReedSoonUs = 1900;
constexpr std::uint32_t kRelaySoonUs = 12500;
constexpr int kSelfConversions = 192;
constexpr int kFewConversions = 2;
constexpr int kQuietConversions = 48;
// A lead moved by less than this has not followed.
constexpr Volts kMoved{0.4};
// Front ends of one fixture agree within this when all read the same: 0.1 % parts, converter in common.
constexpr double kAgreement = 0.006;

std::uint32_t microseconds(Seconds t) { return static_cast<std::uint32_t>(std::lround(t.value * 1e6)); }

class Tester {
 public:
  Tester(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration)
      : session_(session), fixture_(fixture), calibration_(calibration), settle_(microseconds(fixture.drive.settle)) {}

  Status run() {
    TH_TRY(itself());
    if (!result_.good()) return {};  // with a wrong reference every later figure would mislead
    TH_TRY(at_rest());
    TH_TRY(reeds());
    TH_TRY(drives());
    TH_TRY(routes());
    nothing_moves();
    TH_TRY(front_ends());
    if (!faulty("master")) {
      auto times = time_relays(session_, fixture_);
      TH_TRY(times);
      result_.times = times.take();
    }
    result_.not_tested.push_back("fast.0 and the leads' far ends: they need a loop-back plug on X1 and X2");
    result_.not_tested.push_back("rail switches and series relays: `tenterhook power BOARD` moves them");
    return {};
  }
  Status run_plugged() {
    TH_TRY(itself());
    if (!result_.good()) return {};
    TH_TRY(at_rest());
    TH_TRY(reeds());
    TH_TRY(drives());
    TH_TRY(routes());
    nothing_moves();
    if (!faulty("master")) TH_TRY(far_ends());
    result_.not_tested.push_back("front ends against one another: the plug loads some of them");
    result_.not_tested.push_back("the drives' and fast lines' high sides: they need a supply");
    return {};
  }
  Status run(const std::vector<SelfTestPart>& parts) {
    for (const SelfTestPart part : parts) {
      switch (part) {
        case SelfTestPart::itself: TH_TRY(itself()); break;
        case SelfTestPart::at_rest: TH_TRY(at_rest()); break;
        case SelfTestPart::reeds: TH_TRY(reeds()); break;
        case SelfTestPart::drives: TH_TRY(drives()); break;
        case SelfTestPart::routes: TH_TRY(routes()); break;
        case SelfTestPart::front_ends: TH_TRY(front_ends()); break;
      }
    }
    return {};
  }
  SelfTest take() { return std::move(result_); }

 private:
  plan::ProgramStep step() {
    plan::ProgramStep s;
    s.label = plan::kLabelHold;
    s.patient = true;
    return s;
  }
  std::uint64_t all_senses() const { return (std::uint64_t{1} << fixture_.sense.channels) - 1; }
  std::uint64_t all_drives() const { return (std::uint64_t{1} << fixture_.drive.channels) - 1; }  // aux bits from kAuxDrive
  Volts volts(const measure::Counts& c) const { return fixture_.sense.offset + fixture_.sense.per_count * mean_of(c); }
  void fault(const std::string& where, const std::string& kind, const std::string& text) {
    for (const SelfTestFinding& f : result_.faults) {
      if (f.where == where) return;  // the first thing seen of a place explains the rest
    }
    result_.faults.push_back({where, kind, text});
  }
  bool faulty(const std::string& where) const {
    return std::any_of(result_.faults.begin(), result_.faults.end(), [&](const auto& f) { return f.where == where; });
  }

  Status itself() {
    auto seen = sample_once(session_, 0, wire::aux_bit(wire::kAuxReference) | wire::aux_bit(wire::kAuxGround), kSelfConversions);
    TH_TRY(seen);
    result_.self = seen->self;
    const std::string trouble = measure::self_trouble(fixture_, seen->self, calibration_);
    if (!trouble.empty()) fault("reference", "drift", trouble);
    return {};
  }

  // Nothing is asked to be closed: what is not at the open voltage is held by something.
  Status at_rest() {
    plan::ProgramStep s = step();
    // fast.1 towards its high, which has no supply now: a routing reed that is stuck stays unseen until
    // it is fast.1's turn to be low.
    s.ops = {wire::DriveOp{0, 0}, wire::FastOp{1, 0, 1}, wire::BusOp{wire::kBusPull10k, 0}, wire::RelayWaitOp{settle_},
             wire::SampleOp{all_senses(), 0, kFewConversions}, wire::SampleOp{0, all_drives(), kFewConversions}};
    auto seen = run_and_sample(session_, s);
    TH_TRY(seen);
    for (const auto& [i, counts] : seen->sense) {
      rest_[i] = volts(counts);
      const Volts off = rest_[i] - fixture_.sense.open_reads;
      if (off > kMoved * 4.0) {
        fault(fmt::format("test-bus.{}", i), "stuck-closed",
              fmt::format("lead sense.{} follows the test bus ({}) though its reed is off: replace the reed", i, text(rest_[i])));
      }
      held_[i] = abs(off) > kMoved;
    }
    for (const auto& [i, counts] : seen->drive) {
      drive_rest_[i] = volts(counts);
      if (drive_rest_[i] - fixture_.sense.open_reads < -kMoved) {
        fault(fmt::format("drive.{}", i), "stuck-closed",
              fmt::format("its lead is at {} though its relay is off: replace the relay, or unplug what holds the lead",
                          text(drive_rest_[i])));
      }
    }
    return {};
  }

  // One reed at a time onto the pulled bus: soon, and when it has settled.
  Status reeds() {
    for (int i = 0; i < fixture_.sense.channels; ++i) {
      const std::string where = fmt::format("test-bus.{}", i);
      if (faulty(where)) continue;
      if (held_[i]) {
        result_.not_tested.push_back(fmt::format("{}: its lead is held at {}; unplug it", where, text(rest_[i])));
        continue;
      }
      const std::uint64_t bit = std::uint64_t{1} << i;
      plan::ProgramStep s = step();
      s.ops = {wire::BusOp{wire::kBusPull10k, bit}, wire::WaitOp{kReedSoonUs}, wire::SampleOp{bit, 0, kFewConversions}};
      auto soon = run_and_sample(session_, s);
      TH_TRY(soon);
      plan::ProgramStep later = step();
      later.ops = {wire::RelayWaitOp{settle_}, wire::SampleOp{bit, 0, kFewConversions}, wire::BusOp{wire::kBusPull10k, 0},
                   wire::RelayWaitOp{settle_}};
      auto settled = run_and_sample(session_, later);
      TH_TRY(settled);
      const Volts pulled = measure::pulled_open_reads(fixture_.sense.open_reads, fixture_.sense.divider);
      const Volts half = fixture_.sense.open_reads + (pulled - fixture_.sense.open_reads) * 0.5;
      ++moves_asked_;
      if (volts(settled->sense[i]) < half) {
        fault(where, "stuck-open", fmt::format("lead sense.{} stays at {} when its reed should pull it to {}: replace the reed", i,
                                               text(volts(settled->sense[i])), text(pulled)));
        ++moves_missed_;
      } else if (volts(soon->sense[i]) < half) {
        fault(where, "slow", fmt::format("its reed needs more than {} to close: replace it before it sticks",
                                         text(Seconds{kReedSoonUs * 1e-6})));
      }
    }
    return {};
  }

  // Every drive to its low: a free lead falls from the open voltage to 0 V.
  Status drives() {
    const auto all = static_cast<std::uint16_t>(all_drives());
    plan::ProgramStep s = step();
    s.ops = {wire::BusOp{0, 0}, wire::RelayWaitOp{settle_}, wire::DriveOp{all, 0}, wire::WaitOp{kRelaySoonUs},
             wire::SampleOp{0, all_drives(), 1}};
    auto soon = run_and_sample(session_, s);
    TH_TRY(soon);
    plan::ProgramStep later = step();
    later.ops = {wire::RelayWaitOp{settle_ * 2}, wire::SampleOp{0, all_drives(), kFewConversions}, wire::DriveOp{0, 0},
                 wire::RelayWaitOp{settle_}};
    auto settled = run_and_sample(session_, later);
    TH_TRY(settled);
    for (int i = 0; i < fixture_.drive.channels; ++i) {
      const std::string where = fmt::format("drive.{}", i);
      if (faulty(where)) continue;
      ++moves_asked_;
      if (drive_rest_[i] - volts(settled->drive[i]) < kMoved) {
        fault(where, "stuck-open", fmt::format("its lead stays at {} when its relay should take it to its low (0 V): replace the "
                                               "relay; check the bank's low jumper", text(volts(settled->drive[i]))));
        ++moves_missed_;
      } else if (drive_rest_[i] - volts(soon->drive[i]) < kMoved) {
        fault(where, "slow", fmt::format("its relay needs more than {} to close: replace it before it sticks",
                                         text(Seconds{kRelaySoonUs * 1e-6})));
      }
    }
    return {};
  }

  // fast.1 low onto the drive leads: first onto none, then one by one.
  Status routes() {
    plan::ProgramStep none = step();
    none.ops = {wire::FastOp{1, 1, 0}, wire::RelayWaitOp{settle_}, wire::SampleOp{0, all_drives(), kFewConversions}};
    auto alone = run_and_sample(session_, none);
    TH_TRY(alone);
    int followed = 0;
    std::vector<int> missed;
    for (int i = 0; i < fixture_.drive.channels; ++i) {
      const std::string where = fmt::format("route.{}", i);
      const auto bit = static_cast<std::uint16_t>(1u << i);
      const std::uint64_t aux = wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxDrive + i));
      if (faulty(fmt::format("drive.{}", i))) continue;
      if (drive_rest_[i] - volts(alone->drive[i]) > kMoved) {
        fault(where, "stuck-closed", fmt::format("fast.1 reaches drive.{}'s lead though its routing reed is off: replace the reed", i));
        continue;
      }
      plan::ProgramStep s = step();
      s.ops = {wire::RouteOp{bit}, wire::WaitOp{kReedSoonUs}, wire::SampleOp{0, aux, kFewConversions}};
      auto soon = run_and_sample(session_, s);
      TH_TRY(soon);
      plan::ProgramStep later = step();
      later.ops = {wire::RelayWaitOp{settle_}, wire::SampleOp{0, aux, kFewConversions}, wire::RouteOp{0}, wire::RelayWaitOp{settle_}};
      auto settled = run_and_sample(session_, later);
      TH_TRY(settled);
      ++moves_asked_;
      if (drive_rest_[i] - volts(settled->drive[i]) < kMoved) {
        missed.push_back(i);
        ++moves_missed_;
        continue;
      }
      ++followed;
      if (drive_rest_[i] - volts(soon->drive[i]) < kMoved) {
        fault(where, "slow", fmt::format("its reed needs more than {} to close: replace it before it sticks",
                                         text(Seconds{kReedSoonUs * 1e-6})));
      }
    }
    if (followed == 0 && missed.size() > 1) {
      fault("fast.1", "stuck-open", "its low reaches none of the drive leads through their routing reeds: check its transistors and supply");
    } else {
      for (const int i : missed) {
        fault(fmt::format("route.{}", i), "stuck-open", fmt::format("fast.1 does not reach drive.{}'s lead: replace its routing reed", i));
      }
    }
    plan::ProgramStep off = step();
    off.ops = {wire::FastOp{1, 0, 0}, wire::RelayWaitOp{settle_}, wire::SampleOp{0, wire::aux_bit(wire::kAuxGround), 1}};
    TH_TRY(run_and_sample(session_, off));
    return {};
  }

  // Through the plug: a sense lead that the bus pulls up goes to 0 V when its drive, or fast line, is taken low.
  Status far_ends() {
    for (int i = 0; i < fixture_.drive.channels + fixture_.fast.channels; ++i) {
      const int fast = i - fixture_.drive.channels;
      const std::string where = fast < 0 ? fmt::format("drive.{}", i) : fmt::format("fast.{}", fast);
      if (faulty(where) || faulty(fmt::format("test-bus.{}", i))) continue;
      const std::uint64_t bit = std::uint64_t{1} << i;
      plan::ProgramStep s = step();
      s.ops = {wire::BusOp{wire::kBusPull10k, bit}, wire::RelayWaitOp{settle_}, wire::SampleOp{bit, 0, kFewConversions}};
      auto pulled = run_and_sample(session_, s);
      TH_TRY(pulled);
      plan::ProgramStep low = step();
      if (fast < 0) {
        low.ops = {wire::DriveOp{static_cast<std::uint16_t>(1u << i), 0}};
      } else {
        low.ops = {wire::FastOp{static_cast<std::uint8_t>(fast), 1, 0}};
      }
      low.ops.insert(low.ops.end(), {wire::RelayWaitOp{settle_}, wire::SampleOp{bit, 0, kFewConversions}, wire::DriveOp{0, 0}});
      if (fast >= 0) low.ops.push_back(wire::FastOp{static_cast<std::uint8_t>(fast), 0, 0});
      low.ops.insert(low.ops.end(), {wire::BusOp{0, 0}, wire::RelayWaitOp{settle_}});
      auto taken = run_and_sample(session_, low);
      TH_TRY(taken);
      const Volts up = volts(pulled->sense[i]), down = volts(taken->sense[i]);
      if (up - down > kMoved * 4.0) continue;
      fault(where, "open",
            fmt::format("with the plug on, sense.{} stays at {} when {} is low: its lead, that of sense.{}, or the plug's wire is open{}", i,
                        text(down), where, i, fast < 0 ? "" : "; or its series reed, or its transistors"));
    }
    return {};
  }

  // When nothing moved at all, one cause is likelier than fifty.
  void nothing_moves() {
    if (moves_asked_ < 4 || moves_missed_ < moves_asked_) return;
    result_.faults.clear();
    fault("master", "no-coil-supply", fmt::format("none of {} relays moved: the master contactor does not close, or the coil supply is "
                                                  "missing; check stop, lid and its fuse", moves_asked_));
  }

  // Every lead to the same 12.8 V, one by one: a front end that reads otherwise has drifted.
  Status front_ends() {
    if (faulty("master")) return {};
    for (const SelfTestFinding& f : result_.faults) {
      if (f.where.rfind("test-bus.", 0) != 0 || f.kind != "stuck-closed") continue;
      result_.not_tested.push_back("front ends against one another: " + f.where + " loads the bus");
      return {};
    }
    std::map<int, double> seen;
    const measure::Models models = measure::models_of(fixture_, calibration_, measure::today());
    for (int i = 0; i < fixture_.sense.channels; ++i) {
      if (held_[i] || faulty(fmt::format("test-bus.{}", i))) continue;
      const std::uint64_t bit = std::uint64_t{1} << i;
      plan::ProgramStep s = step();
      s.ops = {wire::BusOp{wire::kBusPull1M, bit}, wire::RelayWaitOp{settle_}, wire::SampleOp{bit, 0, kQuietConversions},
               wire::BusOp{wire::kBusPull1M, 0}, wire::RelayWaitOp{settle_}};
      auto sample = run_and_sample(session_, s);
      TH_TRY(sample);
      seen[i] = measure::estimate(sample->sense[i], models.sense[static_cast<std::size_t>(i)]).volts.value;
    }
    plan::ProgramStep off = step();
    off.ops = {wire::BusOp{0, 0}, wire::RelayWaitOp{settle_}, wire::SampleOp{0, wire::aux_bit(wire::kAuxGround), 1}};
    TH_TRY(run_and_sample(session_, off));
    if (seen.size() < 3) return {};
    std::vector<double> sorted;
    for (const auto& [i, v] : seen) sorted.push_back(v);
    std::nth_element(sorted.begin(), sorted.begin() + static_cast<long>(sorted.size() / 2), sorted.end());
    const double median = sorted[sorted.size() / 2];
    for (const auto& [i, v] : seen) {
      if (std::fabs(v / median - 1.0) <= kAgreement) continue;
      fault(fmt::format("sense.{}", i), "drift",
            fmt::format("it reads {:.3f} V where its neighbours read {:.3f} V of the same pull-up ({:+.1f} %): check its divider, "
                        "then calibrate", v, median, (v / median - 1.0) * 100.0));
    }
    return {};
  }

  link::Session& session_;
  const files::Fixture& fixture_;
  const measure::Calibration* calibration_;
  std::uint32_t settle_;
  SelfTest result_;
  std::map<int, Volts> rest_, drive_rest_;
  std::map<int, bool> held_;
  int moves_asked_ = 0, moves_missed_ = 0;
};

// The slowest of each kind, and what follows for the settle time.
std::string times_text(const SelfTest& test, const files::Fixture& fixture) {
  std::string lines;
  for (const char* kind : {"drive", "test-bus"}) {
    const RelayTime *operate = nullptr, *release = nullptr, *bounce = nullptr;
    for (const RelayTime& t : test.times) {
      if (t.relay.rfind(kind, 0) != 0) continue;
      if (!operate || t.operate > operate->operate) operate = &t;
      if (!release || t.release > release->release) release = &t;
      if (!bounce || t.bounce > bounce->bounce) bounce = &t;
    }
    if (!operate) continue;
    lines += fmt::format("  slowest {}: operates in {:.1f} ms ({}), releases in {:.1f} ms ({}), bounces for {:.1f} ms ({})\n",
                         std::string(kind) == "drive" ? "drive relay" : "test-bus reed", operate->operate.value * 1e3, operate->relay,
                         release->release.value * 1e3, release->relay, bounce->bounce.value * 1e3, bounce->relay);
  }
  if (test.times.empty()) return lines;
  const Seconds needed = settle_needed(test.times);
  return lines + fmt::format("  settle time: {:.1f} ms needed, {:.1f} ms described; runs on this fixture wait {:.1f} ms\n", needed.value * 1e3,
                             fixture.drive.settle.value * 1e3, std::max(needed, fixture.drive.settle).value * 1e3);
}

std::string report_json(const SelfTest& test, const std::string& serial, const std::string& calibration) {
  nlohmann::ordered_json j;
  j["tenterhook"] = "0.1.0";
  j["fixture_serial"] = serial;
  j["calibration"] = calibration;
  j["verdict"] = test.good() ? "pass" : "fail";
  j["faults"] = nlohmann::ordered_json::array();
  for (const SelfTestFinding& f : test.faults) j["faults"].push_back({{"where", f.where}, {"kind", f.kind}, {"text", f.text}});
  j["not_tested"] = test.not_tested;
  j["relays"] = nlohmann::ordered_json::array();
  for (const RelayTime& t : test.times) {
    j["relays"].push_back({{"relay", t.relay}, {"operate_s", t.operate.value}, {"release_s", t.release.value}, {"bounce_s", t.bounce.value}});
  }
  if (!test.times.empty()) j["settle_needed_s"] = settle_needed(test.times).value;
  j["reference_counts"] = test.self.reference_counts;
  j["ground_counts"] = test.self.ground_counts;
  return j.dump(2) + "\n";
}

}  // namespace

Result<SelfTest> self_test(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration) {
  Tester tester(session, fixture, calibration);
  TH_TRY(tester.run());
  auto ended = session.finish();
  TH_TRY(ended);
  return tester.take();
}

Result<SelfTest> self_test_plugged(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration) {
  Tester tester(session, fixture, calibration);
  TH_TRY(tester.run_plugged());
  auto ended = session.finish();
  TH_TRY(ended);
  return tester.take();
}

Result<SelfTest> self_test_parts(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration,
                                 const std::vector<SelfTestPart>& parts) {
  Tester tester(session, fixture, calibration);
  TH_TRY(tester.run(parts));
  return tester.take();
}

namespace {

// Into the record: what was found, and what the test took out of the relays. Without a store it is only said.
void keep_in_record(const SelfTestOptions& options, const link::Identity& who, const SelfTest& test, const std::string& calibration,
                    const Wear& wear) {
  auto store = open_store(options.bench.store);
  Status kept = store ? Status{} : Status{store.error()};
  if (kept) {
    record::SelfTestRecord record;
    record.fixture = options.bench.fixture == "emulated" ? "emulated" : who.fixture;
    record.fixture_serial = who.serial;
    record.firmware_build = who.firmware_build;
    record.calibration = calibration;
    record.good = test.good();
    record.reference_counts = test.self.reference_counts;
    record.ground_counts = test.self.ground_counts;
    for (const SelfTestFinding& f : test.faults) record.findings.push_back({f.where, f.kind, f.text});
    for (const auto& [relay, operations] : wear.operations()) record.relay_operations.emplace_back(relay, operations);
    kept = store->add_self_test(record);
  }
  if (!kept) fmt::print(stderr, "tenterhook: this test is not in the record: {}\n", kept.error().text());
}

}  // namespace

int fixture_selftest(const SelfTestOptions& options) {
  auto fixture = describe_fixture(options.bench);
  if (!fixture) return tell(fixture.error());
  if (options.stage != 0) return fixture_selftest_stage(options, *fixture);
  auto bench = open_fixture(options.bench, *fixture, false, {}, options.loop_back);
  if (!bench) return tell(bench.error());
  const std::string serial = bench->bench.session->identity().serial;
  auto found = measure::find_calibration(serial);
  if (!found) return tell(found.error());
  const bool valid = *found && (*found)->valid_on(measure::today());
  Wear wear;
  bench->bench.session->watch([&wear](std::span<const std::uint8_t> program, bool from_rest) {
    if (from_rest) wear.all_off();
    wear.take(program);
  });
  const measure::Calibration* calibrated = valid ? &**found : nullptr;
  auto test = options.loop_back ? self_test_plugged(*bench->bench.session, *fixture, calibrated)
                                : self_test(*bench->bench.session, *fixture, calibrated);
  bench->bench.session->watch({});
  if (!test) return tell(test.error());
  if (!test->times.empty()) {
    if (auto kept = keep_settle(serial, settle_needed(test->times), measure::today()); !kept) return tell(kept.error());
  }
  const std::string calibration = valid ? (*found)->hash : *found ? "expired " + (*found)->expires : "none";
  keep_in_record(options, bench->bench.session->identity(), *test, calibration, wear);
  if (!options.bench.json.empty()) {
    if (auto written = write_text(options.bench.json, report_json(*test, serial, calibration)); !written) return tell(written.error());
  }
  if (options.bench.json != "-") {
    fmt::print("Fixture {}: {}\n", serial, test->good() ? "nothing wrong was found" : fmt::format("{} faults", test->faults.size()));
    for (const SelfTestFinding& f : test->faults) fmt::print("  {} {}: {}\n", f.where, f.kind, f.text);
    if (!options.bench.quiet) {
      fmt::print("  calibration: {}\n", valid ? "valid until " + (*found)->expires : calibration);
      fmt::print("{}", times_text(*test, *fixture));
      for (const std::string& n : test->not_tested) fmt::print("  not tested: {}\n", n);
    }
  }
  return test->good() ? kExitPass : kExitFixture;
}

}  // namespace tenterhook::commands
