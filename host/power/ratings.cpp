#include "host/power/ratings.h"

#include <algorithm>
#include <map>
#include <set>
#include <string>

namespace tenterhook::power {

namespace {

using files::Draw;

// Currents of one gate at its usual volts. Valve rows: the simulated gate set of double triodes on +30 V
// and -9 V (1.0 and 0.8 mA an inverter, 3.3 and 2.6 mA a latch; a flip-flop is two latches). The heater
// current of a small double triode, 6.3 V 0.3 A, is from memory: declare `draws` from the valve's own
// sheet. Transistor and relay rows: common practice, no source (1 kohm collectors, 2.4 kohm coils).
struct Row {
  const char* build;
  double main_amps, bias_amps;
  bool valves;
};
constexpr Row kRows[] = {
    {"cathode-follower", 1.0e-3, 1.0e-3, true}, {"triode-inverter", 1.0e-3, 0.8e-3, true},
    {"triode-nor", 1.0e-3, 0.8e-3, true},       {"triode-latch", 3.3e-3, 2.6e-3, true},
    {"triode-flip-flop", 6.6e-3, 5.2e-3, true}, {"transistor", 12e-3, 0.0, false},
    {"transistor-flip-flop", 12e-3, 0.0, false},
};
constexpr double kHeaterAmps = 0.3;
constexpr double kCoilAmps = 10e-3;

const Row* row_of(const std::string& build) {
  const auto* found = std::find_if(std::begin(kRows), std::end(kRows), [&](const Row& r) { return build == r.build; });
  return found == std::end(kRows) ? nullptr : found;
}

bool is_heater(const files::Rail& rail) {
  return rail.soft_start || rail.name.find("heater") != std::string::npos || rail.name.find("filament") != std::string::npos;
}

void add(std::vector<Draw>& draws, const std::string& what, Draw::Kind kind, std::size_t count, double each) {
  if (count > 0 && each > 0.0) draws.push_back({kind, what, static_cast<int>(count), Amps{each}});
}

// Distinct parts of one letter in gates made that way.
std::set<std::string> parts_of(const files::Board& board, char letter, bool in_valve_gates) {
  std::set<std::string> parts;
  for (const files::Gate& gate : board.circuit) {
    const Row* row = row_of(gate.build);
    if (in_valve_gates && !(row && row->valves)) continue;
    for (const std::string& part : gate.parts) {
      const std::size_t dot = part.rfind('.');
      const std::size_t first = dot == std::string::npos ? 0 : dot + 1;
      if (first < part.size() && part[first] == letter) parts.insert(part);
    }
  }
  return parts;
}

const files::Rail* main_rail(const files::Board& board) {
  const files::Rail* most = nullptr;
  for (const files::Rail& rail : board.rails) {
    if (!is_heater(rail) && rail.nominal.value > 0.0 && (!most || rail.nominal > most->nominal)) most = &rail;
  }
  return most;
}

}  // namespace

RailDraws draws_of(const files::Board& board, const files::Rail& rail) {
  if (!rail.draws.empty()) return {rail.draws, false};
  RailDraws out;
  out.estimated = true;
  if (is_heater(rail)) {
    add(out.draws, "filaments", Draw::Kind::filament, parts_of(board, 'V', true).size(), kHeaterAmps);
    return out;
  }
  const bool main = main_rail(board) == &rail;
  std::map<std::string, std::size_t> gates;
  if (main || rail.nominal.value < 0.0) {
    for (const files::Gate& gate : board.circuit) {
      if (row_of(gate.build)) ++gates[gate.build];
    }
  }
  for (const auto& [build, count] : gates) {
    const Row& row = *row_of(build);
    add(out.draws, build, Draw::Kind::steady, count, main ? row.main_amps : row.bias_amps);
  }
  if (main) add(out.draws, "relay coils", Draw::Kind::coil, parts_of(board, 'K', false).size(), kCoilAmps);
  // What the fixture feeds into inputs from this rail.
  for (const files::Line& line : board.lines) {
    const files::Family* family = board.family_of(line);
    if (!family || line.kind == files::LineKind::output || family->drive_high.kind != files::DriveLevel::Kind::rail ||
        family->drive_high.rail != rail.name) {
      continue;
    }
    const std::optional<Amps> draws = line.draws ? line.draws : family->draws;
    if (draws) add(out.draws, "input " + line.name, Draw::Kind::steady, 1, draws->value);
  }
  return out;
}

}  // namespace tenterhook::power
