#include "host/measure/calibration.h"

#include <fmt/chrono.h>
#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <map>

#include "host/base/sha256.h"
#include "host/files/yaml_tree.h"
#include "host/measure/fit.h"
#include "host/measure/nominal.h"

namespace tenterhook::measure {

namespace {

// Shares of |volts|, as bounds within which every value is as likely (JCGM 100, 4.3.7). Common
// practice, no source: makers' class of parts as fitted (docs/fixture.md), not measured ones.
constexpr double kReferenceDriftPerYear = 50e-6;
constexpr double kPartsPerKelvin = 25e-6;
constexpr double kRoomKelvin = 5.0;  // the room may be so far from where it was

constexpr double kReferenceNominal = 512.0;   // 2.048 V of 4.096 V, in counts
constexpr double kNominalSlopeOff = 0.03;     // a line further off is no front end of this fixture
constexpr Volts kNominalOffsetOff{1.0};
constexpr double kSameCounts = 0.5;           // points so near repeat one another
constexpr double kLackOfFitAlarm = 0.001;
constexpr std::uintmax_t kFileMost = 1u << 20;

double bound(double half_width) { return half_width / std::sqrt(3.0); }

std::optional<std::chrono::sys_days> day_of(const std::string& date) {
  int y = 0, m = 0, d = 0;
  char end = 0;
  if (date.size() != 10 || std::sscanf(date.c_str(), "%4d-%2d-%2d%c", &y, &m, &d, &end) != 3) return std::nullopt;
  const std::chrono::year_month_day day{std::chrono::year{y}, std::chrono::month(static_cast<unsigned>(m)),
                                        std::chrono::day(static_cast<unsigned>(d))};
  if (!day.ok()) return std::nullopt;
  return std::chrono::sys_days{day};
}

std::string date_of(std::chrono::sys_days day) {
  const std::chrono::year_month_day d{day};
  return fmt::format("{:04}-{:02}-{:02}", static_cast<int>(d.year()), static_cast<unsigned>(d.month()),
                     static_cast<unsigned>(d.day()));
}

double years_between(const std::string& from, const std::string& to) {
  const auto a = day_of(from), b = day_of(to);
  if (!a || !b) return 0.0;
  return std::max(0.0, static_cast<double>((*b - *a).count()) / 365.25);
}

// The converter's counts that the channel should have given, for messages and checks.
ChannelModel nominal_of(const files::Fixture& fixture, const std::string& kind, int index) {
  return kind == "rail" ? nominal_rail(fixture, index) : nominal_sense(fixture);
}

Status near_nominal(const files::Fixture& fixture, const ChannelCalibration& c) {
  const ChannelModel nominal = nominal_of(fixture, c.kind, c.index);
  const double slope_off = c.per_count / nominal.per_count - 1.0;
  const Volts offset_off = c.offset - nominal.offset;
  if (std::fabs(slope_off) <= kNominalSlopeOff && abs(offset_off) <= kNominalOffsetOff) return {};
  return input_error(fmt::format("{}.{}", c.kind, c.index),
                     fmt::format("its points give {:.3f} V + {:.3f} mV a count, but the parts are {:.3f} V + {:.3f} mV",
                                 c.offset.value, c.per_count.value * 1e3, nominal.offset.value,
                                 nominal.per_count.value * 1e3),
                     "check that the meter, the source and this lead are on the same point, and the meter's range");
}

Result<ChannelCalibration> fit_channel(const files::Fixture& fixture, const std::vector<Point>& points,
                                       std::vector<std::string>& warnings) {
  const std::string name = fmt::format("{}.{}", points.front().kind, points.front().index);
  if (points.size() < kPointsLeast) {
    return input_error(name, fmt::format("{} points; a line with its doubt needs {}", points.size(), kPointsLeast),
                       "measure more points, spread over the span");
  }
  std::vector<double> x, y;
  for (const Point& p : points) {
    x.push_back(p.counts);
    y.push_back(p.volts.value);
  }
  const auto [low, high] = std::minmax_element(y.begin(), y.end());
  const Volts span = fixture.sense.span_max - fixture.sense.span_min;
  if (*high - *low < span.value / 3.0) {
    return input_error(name, fmt::format("its points span {:.3g} V of {:.3g} V", *high - *low, span.value),
                       "spread them over a third of the span or more");
  }
  auto fit = fit_line(x, y, kSameCounts);
  TH_TRY(fit);
  ChannelCalibration c;
  c.kind = points.front().kind;
  c.index = points.front().index;
  c.points = static_cast<int>(points.size());
  c.per_count = Volts{fit->slope};
  c.offset = Volts{fit->intercept};
  c.doubt = {fit->c00, fit->c01, fit->c11, Volts{fit->residual_sd}, fit->dof};
  c.from = Volts{*low};
  c.to = Volts{*high};
  TH_TRY(near_nominal(fixture, c));
  if (fit->outlier) {
    const auto i = static_cast<std::size_t>(*fit->outlier);
    warnings.push_back(fmt::format("{}: the point at {:.3f} V lies {:+.0f} mV off the line of the others ({:.1f} sd): "
                                   "measure it again", name, y[i], fit->residuals[i] * 1e3, fit->outlier_t));
  }
  if (fit->lack_of_fit && fit->lack_of_fit->p < kLackOfFitAlarm) {
    warnings.push_back(fmt::format("{}: a line does not describe it (F = {:.1f}, p = {:.2g}): what repeats is nearer "
                                   "together than to the line; the uncertainty covers that", name, fit->lack_of_fit->F,
                                   fit->lack_of_fit->p));
  }
  return c;
}

ChannelModel calibrated(ChannelModel nominal, const Calibration& calibration, const ChannelCalibration& c, double years) {
  ChannelModel m = std::move(nominal);
  m.offset = c.offset;
  m.per_count = c.per_count;
  m.line = c.doubt;
  m.source = calibration.hash;
  const Instrument& meter = calibration.instrument;
  m.known = {{"instrument, offset", meter.offset / 2.0, 0.0}};
  m.shares = {{"instrument, percent", meter.share / 2.0},
              {"reference drift since", bound(kReferenceDriftPerYear * years)},
              {"temperature", bound(kPartsPerKelvin * kRoomKelvin)}};
  return m;
}

}  // namespace

const ChannelCalibration* Calibration::find(const std::string& kind, int index) const {
  for (const ChannelCalibration& c : channels) {
    if (c.kind == kind && c.index == index) return &c;
  }
  return nullptr;
}

Result<Fitted> fit_channels(const files::Fixture& fixture, const std::vector<Point>& points) {
  std::map<std::pair<std::string, int>, std::vector<Point>> by_channel;
  for (const Point& p : points) {
    const int most = p.kind == "sense" ? fixture.sense.channels : static_cast<int>(fixture.rails.size());
    if ((p.kind != "sense" && p.kind != "rail") || p.index < 0 || p.index >= most) {
      return input_error(fmt::format("{}.{}", p.kind, p.index), "the fixture has no such channel to calibrate",
                         fmt::format("sense.0..{} and rail.0..{} measure volts", fixture.sense.channels - 1,
                                     static_cast<int>(fixture.rails.size()) - 1));
    }
    by_channel[{p.kind, p.index}].push_back(p);
  }
  if (by_channel.empty()) return input_error("", "no points", "measure some");
  Fitted fitted;
  for (const auto& [channel, its] : by_channel) {
    auto c = fit_channel(fixture, its, fitted.warnings);
    TH_TRY(c);
    fitted.channels.push_back(*c);
  }
  return fitted;
}

std::string today() { return date_of(std::chrono::floor<std::chrono::days>(std::chrono::system_clock::now())); }

std::string days_after(const std::string& date, int days) {
  const auto day = day_of(date);
  return day ? date_of(*day + std::chrono::days{days}) : date;
}

namespace {

std::string quoted(const std::string& text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') out += '\\';
    out += static_cast<unsigned char>(c) < 0x20 ? ' ' : c;
  }
  return out + "\"";
}

// Reads one file; the first complaint ends it.
class CalibrationReader {
 public:
  Result<Calibration> read(const yaml::Node& root) {
    Calibration c;
    yaml::Fields fields(root);
    c.serial = text(fields, root, "calibration");
    c.made = date(fields, root, "made");
    c.expires = date(fields, root, "expires");
    if (const yaml::Node* meter = need(fields, root, "instrument")) {
      yaml::Fields of(*meter);
      c.instrument.name = text(of, *meter, "name");
      c.instrument.offset = Volts{number(of, *meter, "offset")};
      c.instrument.share = number(of, *meter, "share");
      done(of, "the instrument");
    }
    c.operator_name = text(fields, root, "operator");
    if (const yaml::Node* t = fields.take("temperature")) c.temperature_c = value(*t);
    c.reference_counts = number(fields, root, "reference");
    c.ground_counts = number(fields, root, "ground");
    if (const yaml::Node* list = need(fields, root, "channels")) {
      for (const yaml::Node& item : list->items) c.channels.push_back(channel(item));
    }
    done(fields, "a calibration");
    if (first_) return *first_;
    return c;
  }

 private:
  void complain(const yaml::Node& at, const std::string& what) {
    if (!first_) first_ = yaml::error_at(at.place, what, "make it again: `tenterhook fixture calibrate`");
  }
  void done(const yaml::Fields& fields, const std::string& thing) {
    if (auto status = fields.done(thing); !status && !first_) first_ = status.error();
  }
  const yaml::Node* need(yaml::Fields& fields, const yaml::Node& map, const char* key) {
    const yaml::Node* found = fields.take(key);
    if (!found) complain(map, fmt::format("'{}' is missing", key));
    return found;
  }
  std::string text(yaml::Fields& fields, const yaml::Node& map, const char* key) {
    const yaml::Node* found = need(fields, map, key);
    if (found && !found->is_scalar()) complain(*found, fmt::format("'{}' must be text", key));
    return found ? found->text : "";
  }
  std::string date(yaml::Fields& fields, const yaml::Node& map, const char* key) {
    const std::string written = text(fields, map, key);
    if (!first_ && !day_of(written)) complain(map, fmt::format("'{}' must be a date like 2026-11-25, found {}", key, written));
    return written;
  }
  double value(const yaml::Node& node) {
    char* end = nullptr;
    const double v = std::strtod(node.text.c_str(), &end);
    if (!node.is_scalar() || node.text.empty() || *end != '\0' || !std::isfinite(v)) {
      complain(node, "a number was expected, found " + yaml::describe(node));
      return 0.0;
    }
    return v;
  }
  double number(yaml::Fields& fields, const yaml::Node& map, const char* key) {
    const yaml::Node* found = need(fields, map, key);
    return found ? value(*found) : 0.0;
  }
  ChannelCalibration channel(const yaml::Node& map) {
    ChannelCalibration c;
    yaml::Fields fields(map);
    const std::string name = text(fields, map, "channel");
    const auto dot = name.find('.');
    c.kind = name.substr(0, dot);
    c.index = dot == std::string::npos ? -1 : std::atoi(name.c_str() + dot + 1);
    if ((c.kind != "sense" && c.kind != "rail") || c.index < 0) complain(map, "no channel '" + name + "' measures volts");
    c.points = static_cast<int>(number(fields, map, "points"));
    c.offset = Volts{number(fields, map, "offset")};
    c.per_count = Volts{number(fields, map, "per-count")};
    c.doubt.c00 = number(fields, map, "c00");
    c.doubt.c01 = number(fields, map, "c01");
    c.doubt.c11 = number(fields, map, "c11");
    c.doubt.residual = Volts{number(fields, map, "residual")};
    c.doubt.dof = number(fields, map, "dof");
    c.from = Volts{number(fields, map, "from")};
    c.to = Volts{number(fields, map, "to")};
    done(fields, "a channel");
    if (!first_ && (!(c.doubt.dof >= 1.0) || !(c.per_count.value > 0.0))) complain(map, name + " has no usable line");
    return c;
  }

  std::optional<Error> first_;
};

}  // namespace

std::string write_calibration(const Calibration& c) {
  std::string out = fmt::format("# Volts against counts of one fixture: V = offset + per-count * mean count.\n"
                                "calibration: {}\nmade: {}\nexpires: {}\n", quoted(c.serial), quoted(c.made), quoted(c.expires));
  out += fmt::format("instrument: {{name: {}, offset: {}, share: {}}}\noperator: {}\n", quoted(c.instrument.name),
                     c.instrument.offset.value, c.instrument.share, quoted(c.operator_name));
  if (c.temperature_c) out += fmt::format("temperature: {}\n", *c.temperature_c);
  out += fmt::format("reference: {}\nground: {}\nchannels:\n", c.reference_counts, c.ground_counts);
  for (const ChannelCalibration& ch : c.channels) {
    out += fmt::format("  - {{channel: {}.{}, points: {}, offset: {}, per-count: {}, c00: {}, c01: {}, c11: {}, residual: {}, "
                       "dof: {}, from: {}, to: {}}}\n", ch.kind, ch.index, ch.points, ch.offset.value, ch.per_count.value,
                       ch.doubt.c00, ch.doubt.c01, ch.doubt.c11, ch.doubt.residual.value, ch.doubt.dof, ch.from.value,
                       ch.to.value);
  }
  return out;
}

Result<Calibration> parse_calibration(const std::string& path, const std::string& text) {
  auto root = yaml::parse(path, text);
  TH_TRY(root);
  auto calibration = CalibrationReader().read(*root);
  TH_TRY(calibration);
  calibration->path = path;
  calibration->hash = sha256(text);
  return calibration;
}

Result<std::string> calibration_path(const std::string& serial) {
  const char* data = std::getenv("XDG_DATA_HOME");
  const char* home = std::getenv("HOME");
  std::filesystem::path folder;
  if (data && *data == '/') {
    folder = data;
  } else if (home && *home) {
    folder = std::filesystem::path(home) / ".local" / "share";
  } else {
    return fixture_error("", "neither XDG_DATA_HOME nor HOME is set: no place for calibrations", "set XDG_DATA_HOME");
  }
  std::string name = serial.empty() ? "unnamed" : serial;
  for (char& c : name) {
    if (!std::isalnum(static_cast<unsigned char>(c)) && c != '-' && c != '_') c = '_';
  }
  return (folder / "tenterhook" / "calibration" / (name + ".yaml")).string();
}

Result<std::optional<Calibration>> find_calibration(const std::string& serial) {
  auto path = calibration_path(serial);
  TH_TRY(path);
  std::error_code ignored;
  if (!std::filesystem::exists(*path, ignored)) return std::optional<Calibration>{};
  auto text = yaml::read_text(*path, kFileMost);
  TH_TRY(text);
  auto calibration = parse_calibration(*path, *text);
  TH_TRY(calibration);
  if (calibration->serial != serial) {
    return input_error(*path, fmt::format("it calibrates fixture '{}', but '{}' is connected", calibration->serial, serial),
                       "calibrate this fixture, or put the right file there");
  }
  return std::optional<Calibration>{calibration.take()};
}

Models models_of(const files::Fixture& fixture, const Calibration* calibration, const std::string& date) {
  Models models;
  const double years = calibration ? years_between(calibration->made, date) : 0.0;
  auto model = [&](const std::string& kind, int index) {
    const ChannelModel nominal = nominal_of(fixture, kind, index);
    const ChannelCalibration* c = calibration ? calibration->find(kind, index) : nullptr;
    return c ? calibrated(nominal, *calibration, *c, years) : nominal;
  };
  for (int i = 0; i < fixture.sense.channels; ++i) models.sense.push_back(model("sense", i));
  for (int i = 0; i < static_cast<int>(fixture.rails.size()); ++i) models.rail.push_back(model("rail", i));
  return models;
}

std::string self_trouble(const files::Fixture& fixture, const SelfReading& now, const Calibration* calibration) {
  const double was = calibration ? calibration->reference_counts : kReferenceNominal;
  // Uncalibrated, offset and gain of the converter are in it too.
  const double most = calibration ? kReferenceShiftMost : 2.0 * kReferenceShiftMost;
  const double shift = now.reference_counts / was - 1.0;
  if (std::fabs(shift) > most) {
    return fmt::format("the two references disagree by {:+.2f} % more than {}; every reading would be wrong by that: "
                       "measure AREF (4.096 V) and the second reference (2.048 V), replace what drifted, calibrate",
                       shift * 100.0, calibration ? "at calibration" : "their parts allow");
  }
  const ChannelModel line = nominal_sense(fixture);
  const double ground_was = calibration ? calibration->ground_counts : -line.offset.value / line.per_count.value;
  const Volts ground = line.per_count * (now.ground_counts - ground_was);
  const Volts ground_most = calibration ? kGroundShiftMost : kGroundShiftMost + fixture.sense.tolerance;
  if (abs(ground) > ground_most) {
    return fmt::format("the board's 0 V reads {:+.0f} mV: its wire is loose, or a supply's return is", ground.value * 1e3);
  }
  return "";
}

std::string self_drift(const files::Fixture& fixture, const SelfReading& before, const SelfReading& after) {
  const double shift = after.reference_counts / before.reference_counts - 1.0;
  if (std::fabs(shift) > kReferenceShiftMost) {
    return fmt::format("a reference moved by {:+.2f} % during the run: readings cannot be trusted", shift * 100.0);
  }
  const Volts moved = fixture.sense.per_count * (after.ground_counts - before.ground_counts);
  if (abs(moved) > kGroundShiftMost) {
    return fmt::format("the board's 0 V moved by {:+.0f} mV during the run: check the return wires", moved.value * 1e3);
  }
  return "";
}

InUse in_use(const files::Fixture& fixture, const std::string& serial, const std::string& date) {
  InUse now;
  auto found = find_calibration(serial);
  const std::string widened = ": uncertainties are those of the parts' tolerances; `tenterhook fixture calibrate` narrows them";
  if (!found) {
    now.warning = "its calibration cannot be read (" + found.error().text() + ")" + widened;
  } else if (!*found) {
    now.warning = "not calibrated" + widened;
  } else if (!(*found)->valid_on(date)) {
    now.warning = "its calibration expired on " + (*found)->expires + widened;
  } else {
    now.calibration = std::move(**found);
    now.name = now.calibration->hash;
  }
  now.models = models_of(fixture, now.calibration ? &*now.calibration : nullptr, date);
  return now;
}

}  // namespace tenterhook::measure
