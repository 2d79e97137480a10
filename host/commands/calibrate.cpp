#include "host/commands/calibrate.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <iostream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "host/commands/fixture_bench.h"
#include "host/commands/output.h"
#include "host/files/yaml_tree.h"

namespace tenterhook::commands {

namespace {

constexpr int kConversions = 192;     // a channel, at a point
constexpr int kAtOnce = 16;           // channels in one sample
constexpr int kSelfConversions = 384;
constexpr std::size_t kRowsMost = 4096;
constexpr Seconds kSettle{0.05};
// Spread over the span, a few volts inside its ends.
const double kLevels[] = {-14, -7, 0, 7, 14, 21, 28, 35, 42, 49, 56, 59};

// One row of a points file: what the meter showed while that source was on these channels.
struct Row {
  std::string kind;
  int first = 0, last = 0;
  double volts = 0.0;
  std::optional<double> counts;  // measured elsewhere: the fixture is not asked
  std::string where;
};

std::optional<double> number(std::string text) {
  while (!text.empty() && (text.back() == ' ' || text.back() == '\r')) text.pop_back();
  if (text.size() > 2 && text.ends_with(" V")) text.resize(text.size() - 2);
  char* end = nullptr;
  const double v = std::strtod(text.c_str(), &end);
  if (text.empty() || *end != '\0' || !std::isfinite(v)) return std::nullopt;
  return v;
}

// "sense.3" or "sense.0..31".
bool read_channel(const std::string& text, Row& row) {
  int length = 0;
  char kind[8] = {};
  if (std::sscanf(text.c_str(), "%7[a-z].%4d..%4d%n", kind, &row.first, &row.last, &length) == 3 &&
      length == static_cast<int>(text.size())) {
    row.kind = kind;
    return row.first >= 0 && row.last >= row.first;
  }
  length = 0;
  if (std::sscanf(text.c_str(), "%7[a-z].%4d%n", kind, &row.first, &length) == 2 && length == static_cast<int>(text.size())) {
    row.kind = kind;
    row.last = row.first;
    return row.first >= 0;
  }
  return false;
}

Result<Row> make_row(const std::string& where, const std::string& channel, const std::string& volts, const std::string& counts) {
  Row row;
  row.where = where;
  if (!read_channel(channel, row)) {
    return input_error(where, "'" + channel + "' is no channel", "write sense.3 or sense.0..31");
  }
  const auto v = number(volts);
  if (!v) return input_error(where, "'" + volts + "' is no voltage", "write what the meter showed, in volts: 20.013");
  row.volts = *v;
  if (!counts.empty()) {
    row.counts = number(counts);
    if (!row.counts) return input_error(where, "'" + counts + "' is no mean count");
  }
  return row;
}

Result<std::vector<Row>> rows_of_csv(const std::string& path, const std::string& text) {
  std::vector<Row> rows;
  std::istringstream lines(text);
  std::string line;
  for (int n = 1; std::getline(lines, line); ++n) {
    while (!line.empty() && (line.back() == '\r' || line.back() == ' ')) line.pop_back();
    if (line.empty() || line[0] == '#' || line.rfind("channel", 0) == 0) continue;
    std::vector<std::string> cells;
    std::istringstream fields(line);
    for (std::string cell; std::getline(fields, cell, ',');) {
      const auto from = cell.find_first_not_of(' ');
      const auto to = cell.find_last_not_of(' ');
      cells.push_back(from == std::string::npos ? "" : cell.substr(from, to - from + 1));
    }
    const std::string where = fmt::format("{}:{}", path, n);
    if (cells.size() < 2 || cells.size() > 3) {
      return input_error(where, fmt::format("{} cells", cells.size()), "a row is channel,volts or channel,volts,counts");
    }
    auto row = make_row(where, cells[0], cells[1], cells.size() > 2 ? cells[2] : "");
    TH_TRY(row);
    if (rows.size() >= kRowsMost) return input_error(where, fmt::format("more than {} rows", kRowsMost));
    rows.push_back(*row);
  }
  return rows;
}

Result<std::vector<Row>> rows_of_yaml(const std::string& path, const std::string& text) {
  auto root = yaml::parse(path, text);
  TH_TRY(root);
  yaml::Fields fields(*root);
  const yaml::Node* points = fields.take("points");
  TH_TRY(fields.done("a points file"));
  if (!points || !points->is_list()) return input_error(path, "no list of points", "points: [{channel: sense.0..31, volts: 20.013}]");
  std::vector<Row> rows;
  for (const yaml::Node& item : points->items) {
    if (!item.is_map()) return yaml::error_at(item.place, "a point is a map", "{channel: sense.3, volts: 20.013}");
    yaml::Fields of(item);
    const yaml::Node* channel = of.take("channel");
    const yaml::Node* volts = of.take("volts");
    const yaml::Node* counts = of.take("counts");
    TH_TRY(of.done("a point"));
    if (!channel || !volts) return yaml::error_at(item.place, "a point needs channel and volts");
    auto row = make_row(item.place.text(), channel->text, volts->text, counts ? counts->text : "");
    TH_TRY(row);
    if (rows.size() >= kRowsMost) return yaml::error_at(item.place, fmt::format("more than {} points", kRowsMost));
    rows.push_back(*row);
  }
  return rows;
}

// Takes points until there are enough, then fits, tells and keeps.
class Calibrating {
 public:
  Calibrating(const CalibrateOptions& options, files::Fixture fixture, FixtureBench bench)
      : options_(options), fixture_(std::move(fixture)), bench_(std::move(bench)) {}

  Status look_at_itself() {
    constexpr std::uint64_t kSelf = wire::aux_bit(wire::kAuxReference) | wire::aux_bit(wire::kAuxGround);
    auto seen = sample_once(*bench_.bench.session, 0, kSelf, kSelfConversions);
    TH_TRY(seen);
    calibration_.reference_counts = seen->self.reference_counts;
    calibration_.ground_counts = seen->self.ground_counts;
    const std::string trouble = measure::self_trouble(fixture_, seen->self, nullptr);
    if (!trouble.empty()) return fixture_error("reference", trouble);
    return {};
  }

  Status take_rows(const std::vector<Row>& rows) {
    for (const Row& row : rows) {
      if (row.counts) {
        for (int i = row.first; i <= row.last; ++i) points_.push_back({row.kind, i, Volts{row.volts}, *row.counts});
        continue;
      }
      TH_TRY(put(row));
      TH_TRY(measure_row(row));
    }
    return {};
  }

  // All sense leads on one source: twelve readings of the meter calibrate every channel.
  Status guide() {
    const emulated::Meter meter(bench_.bench.seed, options_.offset_v, options_.percent / 100.0);
    if (!bench_.source) {
      fmt::print(stderr, "Join all {} sense leads to one adjustable source and to the meter, ground to the board's 0 V.\n"
                 "At most 60 V DC. An empty line leaves a level out.\n", fixture_.sense.channels);
    }
    for (const double level : kLevels) {
      Row row{"sense", 0, fixture_.sense.channels - 1, level, std::nullopt, ""};
      if (bench_.source) {
        bench_.source->set(level);
        auto idle = bench_.bench.session->idle(kSettle);
        TH_TRY(idle);
        const auto now = bench_.bench.emulated->now();
        row.volts = meter.read(bench_.bench.emulated->circuit().lead_volts(now, 0));
      } else {
        const auto said = ask(level);
        if (!said) continue;
        row.volts = *said;
      }
      TH_TRY(measure_row(row));
    }
    return {};
  }

  int keep();

 private:
  static std::optional<double> ask(double level) {
    constexpr int kTriesMost = 5;
    for (int i = 0; i < kTriesMost; ++i) {
      fmt::print(stderr, "Set about {:.0f} V. The meter shows (V): ", level);
      std::string line;
      if (!std::getline(std::cin, line) || line.empty()) return std::nullopt;
      if (const auto v = number(line)) return v;
      fmt::print(stderr, "  '{}' is no voltage.\n", line);
    }
    return std::nullopt;
  }

  Status put(const Row& row) {
    if (bench_.source) {
      bench_.source->set(row.volts);
      auto idle = bench_.bench.session->idle(kSettle);
      TH_TRY(idle);
      return {};
    }
    if (!isatty(STDIN_FILENO)) {
      return input_error(row.where, "the row has no counts, and nobody is at a terminal to set the source",
                         "run it on a terminal, or add the counts as the third column");
    }
    fmt::print(stderr, "Put {} V on {}.{}..{} and press Enter: ", row.volts, row.kind, row.first, row.last);
    std::string line;
    std::getline(std::cin, line);
    return {};
  }

  Status measure_row(const Row& row) {
    const int channels = row.kind == "sense" ? fixture_.sense.channels : static_cast<int>(fixture_.rails.size());
    if (row.last >= channels || (row.kind != "sense" && row.kind != "rail")) {
      return input_error(row.where, fmt::format("{}.{} is no channel of this fixture that measures volts", row.kind, row.last));
    }
    for (int from = row.first; from <= row.last; from += kAtOnce) {
      std::uint64_t mask = 0;
      for (int i = from; i <= std::min(row.last, from + kAtOnce - 1); ++i) {
        mask |= row.kind == "sense" ? std::uint64_t{1} << i : wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRail + i));
      }
      auto seen = sample_once(*bench_.bench.session, row.kind == "sense" ? mask : 0, row.kind == "sense" ? 0 : mask, kConversions);
      TH_TRY(seen);
      for (const auto& [index, counts] : row.kind == "sense" ? seen->sense : seen->rail) {
        points_.push_back({row.kind, index, Volts{row.volts}, mean_of(counts)});
      }
    }
    if (!options_.bench.quiet) fmt::print(stderr, "  {:+9.3f} V measured on {}.{}..{}\n", row.volts, row.kind, row.first, row.last);
    return {};
  }

  std::string table() const;
  nlohmann::ordered_json json() const;

  const CalibrateOptions& options_;
  files::Fixture fixture_;
  FixtureBench bench_;
  std::vector<measure::Point> points_;
  std::vector<std::string> warnings_;
  measure::Calibration calibration_;
};

std::string Calibrating::table() const {
  std::string text = fmt::format("Fixture {}: {} channels against {} (U {:.0f} mV + {} %), valid until {}\n",
                                 calibration_.serial, calibration_.channels.size(), calibration_.instrument.name,
                                 options_.offset_v * 1e3, options_.percent, calibration_.expires);
  text += fmt::format("  {:<9} {:>6} {:>11} {:>12} {:>12} {:>16}\n", "channel", "points", "offset V", "mV a count", "residual mV", "span V");
  for (const auto& c : calibration_.channels) {
    text += fmt::format("  {:<9} {:>6} {:>11.4f} {:>12.4f} {:>12.1f} {:>8.1f}..{:<6.1f}\n", fmt::format("{}.{}", c.kind, c.index),
                        c.points, c.offset.value, c.per_count.value * 1e3, c.doubt.residual.value * 1e3, c.from.value, c.to.value);
  }
  for (const std::string& w : warnings_) text += "  warning: " + w + "\n";
  return text;
}

nlohmann::ordered_json Calibrating::json() const {
  nlohmann::ordered_json j;
  j["tenterhook"] = "0.1.0";
  j["fixture_serial"] = calibration_.serial;
  j["made"] = calibration_.made;
  j["expires"] = calibration_.expires;
  j["instrument"] = {{"name", calibration_.instrument.name}, {"offset_v", options_.offset_v}, {"percent", options_.percent}};
  j["hash"] = calibration_.hash;
  j["file"] = calibration_.path;
  for (const auto& c : calibration_.channels) {
    j["channels"].push_back({{"channel", fmt::format("{}.{}", c.kind, c.index)}, {"points", c.points}, {"offset_v", c.offset.value},
                             {"per_count_v", c.per_count.value}, {"residual_v", c.doubt.residual.value}, {"dof", c.doubt.dof}});
  }
  j["warnings"] = warnings_;
  return j;
}

int Calibrating::keep() {
  auto fitted = measure::fit_channels(fixture_, points_);
  if (!fitted) return tell(fitted.error());
  warnings_ = fitted->warnings;
  calibration_.serial = bench_.bench.session->identity().serial;
  calibration_.made = measure::today();
  calibration_.expires = measure::days_after(calibration_.made, options_.valid_days);
  calibration_.instrument = {options_.instrument, Volts{options_.offset_v}, options_.percent / 100.0};
  calibration_.operator_name = options_.operator_name;
  calibration_.temperature_c = options_.temperature_c;
  calibration_.channels = fitted->channels;
  const std::string text = measure::write_calibration(calibration_);
  auto path = measure::calibration_path(calibration_.serial);
  if (!path) return tell(path.error());
  // Read back before it is kept: a file that the next run refuses is no calibration.
  auto checked = measure::parse_calibration(*path, text);
  if (!checked) return tell(bug_error("the calibration does not read back: " + checked.error().text()));
  calibration_.hash = checked->hash;
  if (!options_.dry) {
    std::error_code trouble;
    std::filesystem::create_directories(std::filesystem::path(*path).parent_path(), trouble);
    if (trouble) return tell(fixture_error(*path, "its folder cannot be made: " + trouble.message()));
    if (auto written = write_text(*path, text); !written) return tell(written.error());
    calibration_.path = *path;
    // Runs name it by its hash: the record keeps what that stands for. Without a record the file alone is kept.
    auto store = open_store(options_.bench.store);
    const Status kept = store ? store->add_calibration({calibration_.hash, calibration_.serial, calibration_.made, calibration_.expires, text})
                              : Status{store.error()};
    if (!kept) fmt::print(stderr, "tenterhook: this calibration is not in the record: {}\n", kept.error().text());
  }
  if (!options_.bench.json.empty()) {
    if (auto written = write_text(options_.bench.json, json().dump(2) + "\n"); !written) return tell(written.error());
  }
  if (options_.bench.json != "-") {
    std::fputs(options_.bench.quiet ? fmt::format("calibrated {} channels of {}\n", calibration_.channels.size(), calibration_.serial).c_str()
                                    : (table() + (options_.dry ? "" : "kept as " + *path + "\n")).c_str(), stdout);
  }
  return kExitPass;
}

}  // namespace

int fixture_calibrate(const CalibrateOptions& options) {
  auto fixture = describe_fixture(options.bench);
  if (!fixture) return tell(fixture.error());
  std::vector<Row> rows;
  if (!options.points.empty()) {
    auto text = yaml::read_text(options.points);
    if (!text) return tell(text.error());
    auto read = options.points.ends_with(".yaml") ? rows_of_yaml(options.points, *text) : rows_of_csv(options.points, *text);
    if (!read) return tell(read.error());
    rows = read.take();
  } else if (options.bench.fixture != "emulated" && !isatty(STDIN_FILENO)) {
    return tell(input_error("--points", "a guided calibration needs a person at a terminal", "give --points FILE"));
  }
  auto bench = open_fixture(options.bench, *fixture, true);
  if (!bench) return tell(bench.error());
  Calibrating calibrating(options, fixture.take(), bench.take());
  if (auto looked = calibrating.look_at_itself(); !looked) return tell(looked.error());
  auto taken = options.points.empty() ? calibrating.guide() : calibrating.take_rows(rows);
  if (!taken) return tell(taken.error());
  return calibrating.keep();
}

}  // namespace tenterhook::commands
