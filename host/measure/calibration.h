// What is known of one fixture's channels after comparing them with a meter: a straight line each, with
// its doubt, kept as a YAML file per fixture serial. docs/measurement.md derives what it is worth.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/fixture.h"
#include "host/measure/uncertainty.h"

namespace tenterhook::measure {

// The meter's expanded uncertainty, 95 % (k = 2), as its certificate gives it: offset + share * |volts|.
struct Instrument {
  std::string name;
  Volts offset{};
  double share = 0.0;
};

struct ChannelCalibration {
  std::string kind;  // "sense" or "rail"
  int index = 0;
  int points = 0;
  Volts offset{}, per_count{};
  LineDoubt doubt;
  Volts from{}, to{};  // the points' span
};

struct Calibration {
  std::string serial;             // of the fixture
  std::string made, expires;      // dates, "2026-11-25"
  Instrument instrument;
  std::string operator_name;
  std::optional<double> temperature_c;
  double reference_counts = 0.0;  // of the second reference and of the board's 0 V, when it was made
  double ground_counts = 0.0;
  std::vector<ChannelCalibration> channels;
  std::string path, hash;         // hash: SHA-256 of the file's text

  const ChannelCalibration* find(const std::string& kind, int index) const;
  bool valid_on(const std::string& date) const { return date >= made && date < expires; }
};

// One comparison: the meter's volts against the mean count of a channel.
struct Point {
  std::string kind;
  int index = 0;
  Volts volts{};
  double counts = 0.0;
};

struct Fitted {
  std::vector<ChannelCalibration> channels;
  std::vector<std::string> warnings;  // outliers, lack of fit: channel, volts, what to do
};

// A channel needs kPointsLeast points over a third of the span or more; a line far from nominal is an
// error that names the channel (a lead on the wrong terminal, a meter on another range).
constexpr int kPointsLeast = 4;
Result<Fitted> fit_channels(const files::Fixture& fixture, const std::vector<Point>& points);

std::string write_calibration(const Calibration& calibration);
Result<Calibration> parse_calibration(const std::string& path, const std::string& text);

// Where the fixture with this serial keeps its own: $XDG_DATA_HOME/tenterhook/calibration/SERIAL.yaml, by
// default below ~/.local/share. Error (fixture): neither XDG_DATA_HOME nor HOME is set.
Result<std::string> calibration_path(const std::string& serial);
// Nothing when there is none; an error when there is one that cannot be read.
Result<std::optional<Calibration>> find_calibration(const std::string& serial);

// "2026-11-25", UTC; and so many days later.
std::string today();
std::string days_after(const std::string& date, int days);

// A sample's channels in the field: by calibration where it has the channel, else nominal.
struct Models {
  std::vector<ChannelModel> sense, rail;
};
// `calibration` may be null. `date`: of use; what drifts since is in the budget.
Models models_of(const files::Fixture& fixture, const Calibration* calibration, const std::string& date);

// What a fixture measures with today.
struct InUse {
  Models models;
  std::optional<Calibration> calibration;  // empty: none that is valid; the models are nominal
  std::string name = "nominal";            // for the record: the calibration's hash
  std::string warning;                     // why it is not calibrated, for people; empty when it is
};
InUse in_use(const files::Fixture& fixture, const std::string& serial, const std::string& date);

// The second reference and the 0 V wire, seen by the converter whose own reference they check.
struct SelfReading {
  double reference_counts = 0.0, ground_counts = 0.0;
};
// A reference further than this from where it was (or should be) is a fault of the fixture.
constexpr double kReferenceShiftMost = 0.003;
constexpr Volts kGroundShiftMost{0.15};
// What is wrong, with the figures and what to do; empty when nothing is. Without a calibration the
// nominal 2.048 V against 4.096 V stands, with the tolerance of both.
std::string self_trouble(const files::Fixture& fixture, const SelfReading& now, const Calibration* calibration);
// The same between two moments of one run.
std::string self_drift(const files::Fixture& fixture, const SelfReading& before, const SelfReading& after);

}  // namespace tenterhook::measure
