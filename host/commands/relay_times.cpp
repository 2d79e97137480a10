#include "host/commands/relay_times.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>

#include "host/measure/calibration.h"
#include "host/measure/contact.h"
#include "host/plan/program.h"

namespace tenterhook::commands {

namespace {

constexpr Volts kMoved{0.4};
constexpr int kSamplesAStep = 16;  // of one label: its bytes and results are bounded
constexpr Seconds kWatched{0.045};
constexpr double kSpare = 1.25;
constexpr Seconds kSpareTime{0.002};

// One relay: how it is moved, what is looked at, and from where to where that goes.
struct Subject {
  std::string name;
  plan::AnyOp on, off;
  std::uint64_t senses = 0, aux = 0;
  std::uint16_t n = 1;  // conversions a look
  Seconds look{};       // how long one takes, about
};

struct Look {
  double at_s = 0.0, long_s = 0.0;  // from the command, and its length
  double low = 0.0, high = 0.0;     // volts
};

class Timer {
 public:
  Timer(link::Session& session, const files::Fixture& fixture) : session_(session), fixture_(fixture) {}

  // Looks from the moment of `op` on.
  Result<std::vector<Look>> watch(const Subject& subject, const plan::AnyOp& op) {
    const int looks = static_cast<int>(std::ceil(kWatched / subject.look));
    std::vector<std::uint8_t> program;
    for (int taken = 0; taken < looks; taken += kSamplesAStep) {
      plan::ProgramStep step;
      step.label = plan::kLabelHold;
      if (taken == 0) step.ops = {wire::MarkOp{1}, op};
      for (int i = taken; i < std::min(looks, taken + kSamplesAStep); ++i) step.ops.push_back(wire::SampleOp{subject.senses, subject.aux, subject.n});
      auto bytes = plan::encode(step);
      TH_TRY(bytes);
      program.insert(program.end(), bytes->begin(), bytes->end());
    }
    std::vector<Look> seen;
    double began = 0.0;
    link::Sink sink;
    sink.milestone = [&](const link::Milestone& m) {
      if (m.kind == link::Milestone::Kind::mark) began = m.time.value;
    };
    sink.sample = [&](const link::SampleBlock& block) {
      if (block.channels.empty()) return;
      const measure::Counts& c = block.channels.front().counts;
      const auto volts = [&](double count) { return (fixture_.sense.offset + fixture_.sense.per_count * count).value; };
      seen.push_back({block.time.value - began, c.n * wire::kConversionPairUs * 1e-6, volts(c.min), volts(c.max)});
    };
    auto report = session_.execute(program, sink);
    TH_TRY(report);
    if (report->fault) return fixture_error(report->fault->where, report->fault->text, report->fault->remedy);
    return seen;
  }

  Result<std::optional<RelayTime>> time(const Subject& subject) {
    auto closing = watch(subject, subject.on);
    TH_TRY(closing);
    auto opening = watch(subject, subject.off);
    TH_TRY(opening);
    if (closing->empty() || opening->empty()) return std::optional<RelayTime>{};
    // The last look shows the closed contact, the last one after that the open one.
    const double closed = 0.5 * (closing->back().low + closing->back().high);
    const double open = 0.5 * (opening->back().low + opening->back().high);
    if (std::fabs(closed - open) < kMoved.value) return std::optional<RelayTime>{};
    const double half = 0.5 * (closed + open);
    const bool down = closed < open;
    const auto some_closed = [&](const Look& l) { return down ? l.low < half : l.high > half; };
    const auto some_open = [&](const Look& l) { return down ? l.high > half : l.low < half; };
    RelayTime t;
    t.relay = subject.name;
    double stays = 0.0;
    bool touched = false;
    for (const Look& l : *closing) {
      if (!touched && some_closed(l)) {
        touched = true;
        t.operate = Seconds{l.at_s};
        stays = l.at_s;
      }
      if (touched && some_open(l)) stays = l.at_s + l.long_s;
    }
    t.bounce = Seconds{std::max(0.0, stays - t.operate.value)};
    for (const Look& l : *opening) {
      if (!some_closed(l)) {
        t.release = Seconds{l.at_s};
        break;
      }
    }
    return std::optional<RelayTime>{t};
  }

 private:
  link::Session& session_;
  const files::Fixture& fixture_;
};

std::string settle_path(const std::string& serial) {
  const auto calibration = measure::calibration_path(serial);
  if (!calibration) return "";
  const std::filesystem::path path(*calibration);
  return (path.parent_path().parent_path() / "relays" / path.filename()).string();
}

}  // namespace

Result<std::vector<RelayTime>> time_relays(link::Session& session, const files::Fixture& fixture) {
  Timer timer(session, fixture);
  std::vector<RelayTime> times;
  std::vector<Subject> subjects;
  for (int i = 0; i < fixture.drive.channels; ++i) {
    const std::uint64_t aux = wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxDrive + i));
    subjects.push_back({fmt::format("drive.{}", i), wire::DriveOp{static_cast<std::uint16_t>(1u << i), 0}, wire::DriveOp{0, 0}, 0, aux, 4,
                        Seconds{0.0005}});
  }
  const auto& features = fixture.features;
  for (int i = 0; i < fixture.sense.channels && std::count(features.begin(), features.end(), "test-bus") > 0; ++i) {
    const std::uint64_t bit = std::uint64_t{1} << i;
    subjects.push_back({fmt::format("test-bus.{}", i), wire::BusOp{wire::kBusPull10k, bit}, wire::BusOp{wire::kBusPull10k, 0}, bit, 0, 1,
                        Seconds{0.0006}});
  }
  for (const Subject& subject : subjects) {
    auto time = timer.time(subject);
    TH_TRY(time);
    if (*time) times.push_back(**time);
  }
  auto off = timer.watch({"", wire::BusOp{0, 0}, wire::BusOp{0, 0}, 0, wire::aux_bit(wire::kAuxGround), 1, kWatched}, wire::BusOp{0, 0});
  TH_TRY(off);
  return times;
}

Seconds settle_needed(const std::vector<RelayTime>& times) {
  Seconds most{};
  for (const RelayTime& t : times) most = std::max({most, t.operate + t.bounce, t.release});
  return most * kSpare + kSpareTime;
}

std::optional<Seconds> measured_settle(const std::string& fixture_serial) {
  std::ifstream file(settle_path(fixture_serial));
  double milliseconds = 0.0;
  for (std::string line; std::getline(file, line);) {
    if (std::sscanf(line.c_str(), "settle: %lf ms", &milliseconds) == 1 && milliseconds > 0.0 && milliseconds < 1000.0) {
      return Seconds{milliseconds * 1e-3};
    }
  }
  return std::nullopt;
}

Status keep_settle(const std::string& fixture_serial, Seconds settle, const std::string& date) {
  const std::filesystem::path path(settle_path(fixture_serial));
  if (path.empty()) return fixture_error("", "neither XDG_DATA_HOME nor HOME is set: no place for relay times", "set XDG_DATA_HOME");
  std::error_code error;
  std::filesystem::create_directories(path.parent_path(), error);
  std::ofstream file(path);
  file << fmt::format("# Measured by `tenterhook fixture selftest`: what this fixture's slowest relay needs.\nfixture: {}\nmade: {}\nsettle: {:.1f} ms\n",
                      fixture_serial, date, settle.value * 1e3);
  file.close();
  if (!file) return fixture_error(path.string(), "the relays' times could not be written", "check the folder's permissions");
  return {};
}

}  // namespace tenterhook::commands
