#include "host/files/writer.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <cstdlib>

#include "host/files/yaml_tree.h"

namespace tenterhook::files {
namespace {

using Bits = std::vector<std::pair<std::string, Bit>>;

std::string quoted(const std::string& text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\')
      out += '\\', out += c;
    else if (c == '\n')
      out += "\\n";
    else if (c == '\t')
      out += "\\t";
    else
      out += c;
  }
  return out + "\"";
}

// {F: 1010, SKIP: 0}: lines of one bus in their order become the bus.
std::string assignments(const Board& board, const Bits& bits) {
  std::string out;
  const auto entry = [&](const std::string& name, const std::string& value) {
    out += (out.empty() ? "{" : ", ") + yaml_scalar(name) + ": " + value;
  };
  for (std::size_t i = 0; i < bits.size();) {
    const Bus* found = nullptr;
    for (const Bus& bus : board.buses) {
      if (bus.lines.empty() || i + bus.lines.size() > bits.size()) continue;
      bool same = true;
      for (std::size_t k = 0; k < bus.lines.size(); ++k)
        same = same && bits[i + k].first == bus.lines[k];
      if (same) found = &bus;
    }
    if (found == nullptr) {
      entry(bits[i].first, std::string(1, letter(bits[i].second)));
      ++i;
      continue;
    }
    std::string value;
    for (std::size_t k = 0; k < found->lines.size(); ++k) value += letter(bits[i + k].second);
    entry(found->name, value);
    i += found->lines.size();
  }
  return out.empty() ? "{}" : out + "}";
}

std::string pulses(const std::vector<Pulse>& all) {
  const auto one = [](const Pulse& pulse) {
    return pulse.count == 1 ? yaml_scalar(pulse.line)
                            : fmt::format("{{{}: {}}}", yaml_scalar(pulse.line), pulse.count);
  };
  if (all.size() == 1) return one(all[0]);
  std::string out;
  for (const Pulse& pulse : all) out += (out.empty() ? "[" : ", ") + one(pulse);
  return out + "]";
}

std::string window(const Window& w) {
  return fmt::format("[{}, {}]", yaml_quantity(w.min), yaml_quantity(w.max));
}

std::string levels(const LevelWindows& windows) {
  std::string out;
  if (windows.low) out += "low: " + window(*windows.low);
  if (windows.high) out += (out.empty() ? "high: " : ", high: ") + window(*windows.high);
  return "{" + out + "}";
}

std::string predicted(const Predicted& band) {
  std::string out = band.levels.low || band.levels.high ? levels(band.levels) : "{}";
  out.pop_back();
  for (const auto& [name, span] : {std::pair{"rise", band.rise}, {"fall", band.fall}}) {
    if (!span) continue;
    out += fmt::format("{}{}: [{}, {}]", out == "{" ? "" : ", ", name, yaml_quantity(span->min), yaml_quantity(span->max));
  }
  return out + "}";
}

std::string drive(const DriveLevel& level) {
  switch (level.kind) {
    case DriveLevel::Kind::ground:
      return "ground";
    case DriveLevel::Kind::rail:
      return yaml_scalar(level.rail);
    case DriveLevel::Kind::volts:
      return yaml_quantity(level.volts);
    case DriveLevel::Kind::open:
      return "open";
  }
  return "open";
}

std::string write_step(const Board& board, const Step& step) {
  std::string out;
  const auto add = [&](const std::string& key, const std::string& value) {
    out += (out.empty() ? "  - {" : ", ") + key + ": " + value;
  };
  if (!step.say.empty()) add("say", yaml_scalar(step.say));
  if (!step.set.empty()) add("set", assignments(board, step.set));
  if (!step.pulse.empty()) add("pulse", pulses(step.pulse));
  if (step.pulse_width) add("pulse-width", yaml_quantity(*step.pulse_width));
  if (step.settle.value > 0.0) add("settle", yaml_quantity(step.settle));
  if (!step.measure.empty()) {
    std::string list;
    for (const std::string& line : step.measure)
      list += (list.empty() ? "[" : ", ") + yaml_scalar(line);
    add("measure", list + "]");
  }
  if (!step.windows.empty()) {
    std::string list;
    for (const auto& [line, windows] : step.windows)
      list += (list.empty() ? "{" : ", ") + yaml_scalar(line) + ": " + levels(windows);
    add("windows", list + "}");
  }
  if (step.expect_circuit) {
    add("expect", "circuit");
  } else if (!step.expect.empty() || !step.expect_line.empty()) {
    std::string all = step.expect.empty() ? "{" : assignments(board, step.expect);
    if (!step.expect.empty()) all.pop_back();
    for (const auto& [line, other] : step.expect_line)
      all += (all == "{" ? "" : ", ") + yaml_scalar(line) + ": " + yaml_scalar(other);
    add("expect", all + "}");
  }
  return (out.empty() ? "  - {settle: 0 s" : out) + "}\n";
}

}  // namespace

std::string yaml_scalar(const std::string& text) {
  const bool simple = !text.empty() && std::all_of(text.begin(), text.end(), [](unsigned char c) {
    return std::isalnum(c) != 0 || c == '_';
  });
  if (simple && text != "null" && text != "Null" && text != "NULL") return text;
  // The strict tree itself says whether the plain form survives, in a flow map where most is
  // special.
  const auto as_value = yaml::parse("", "a: {b: " + text + "}\n");
  const auto as_key = yaml::parse("", "a: {" + text + ": b}\n");
  const auto as_line = yaml::parse("", "a: " + text + "\n");
  const auto same = [&](const Result<yaml::Node>& tree, bool key) {
    if (!tree) return false;
    const yaml::Node* map = tree->find("a");
    if (map == nullptr || map->entries.size() != 1) return false;
    const yaml::Node& found = key ? map->entries[0].key : map->entries[0].value;
    return found.is_scalar() && !found.quoted && found.text == text &&
           (key ? map->entries[0].value.text == "b" : map->entries[0].key.text == "b");
  };
  const bool alone = as_line && as_line->entries.size() == 1 &&
                     as_line->entries[0].value.is_scalar() && !as_line->entries[0].value.quoted &&
                     as_line->entries[0].value.text == text;
  return alone && same(as_value, false) && same(as_key, true) ? text : quoted(text);
}

std::string yaml_quantity(double si_value, const std::string& unit) {
  if (si_value == 0.0) return "0 " + unit;
  static constexpr std::array<std::pair<int, const char*>, 7> kPrefixes{
      {{6, "M"}, {3, "k"}, {0, ""}, {-3, "m"}, {-6, "u"}, {-9, "n"}, {-12, "p"}}};
  for (const auto& [exponent, prefix] : kPrefixes) {
    if (std::fabs(si_value) < std::pow(10.0, exponent) * 0.9999999 && exponent != -12) continue;
    // The fewest digits whose text, scaled as the reader scales it, is the same double.
    for (int digits = 1; digits <= 17; ++digits) {
      const std::string number =
          fmt::format("{:.{}g}", si_value / std::pow(10.0, exponent), digits);
      if (number.find('e') != std::string::npos) continue;
      const std::string whole = number + "e" + std::to_string(exponent);
      if (std::strtod(whole.c_str(), nullptr) == si_value) return number + " " + prefix + unit;
    }
    return fmt::format("{:.17g} {}", si_value, unit);
  }
  return fmt::format("{:.17g} {}", si_value, unit);
}

std::string write_vectors(const std::string& name, const std::string& board_path,
                          const Board& board, const std::vector<Step>& steps,
                          const std::string& header, const Proposed* proposed) {
  std::string out;
  for (std::size_t at = 0; at < header.size();) {
    const std::size_t end = std::min(header.find('\n', at), header.size());
    out += "# " + header.substr(at, end - at) + "\n";
    at = end + 1;
  }
  out += "vectors: " + yaml_scalar(name) + "\nboard: " + yaml_scalar(board_path) + "\n";
  if (proposed != nullptr) {
    out += "approved: " + yaml_scalar(proposed->approved) + "\n";
    if (!proposed->windows.empty()) out += "windows:\n";
    for (const auto& [line, windows] : proposed->windows) {
      out += "  " + yaml_scalar(line) + ": " + levels(windows);
      const auto reason = proposed->reasons.find(line);
      out += (reason == proposed->reasons.end() ? "" : "  # " + reason->second) + "\n";
    }
  }
  out += "steps:\n";
  for (const Step& step : steps) out += write_step(board, step);
  return out;
}

std::string write_families(const std::map<std::string, Family>& families) {
  std::string out = "families:\n";
  for (const auto& [name, family] : families) {
    out += "  " + yaml_scalar(name) + ":\n";
    out += fmt::format("    drive: {{low: {}, high: {}}}\n", drive(family.drive_low),
                       drive(family.drive_high));
    if (family.gives.low || family.gives.high) out += "    gives: " + levels(family.gives) + "\n";
    if (family.needs.low || family.needs.high) out += "    needs: " + levels(family.needs) + "\n";
    const Predicted& p = family.predicted;
    if (p.levels.low || p.levels.high || p.rise || p.fall) out += "    predicted: " + predicted(p) + "\n";
    if (family.one_is_low) out += "    one: low\n";
    if (family.draws) out += "    draws: " + yaml_quantity(*family.draws) + "\n";
  }
  return out;
}

}  // namespace tenterhook::files
