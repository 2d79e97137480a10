#include "host/commands/emulated_bench.h"

#include <fmt/format.h>

#include <algorithm>
#include <set>

#include "firmware/native/emulated_controller.h"
#include "fixtures/emulated/boards/board.h"
#include "fixtures/emulated/boards/fault.h"
#include "fixtures/emulated/boards/from_board.h"
#include "fixtures/emulated/boards/parts.h"
#include "fixtures/emulated/mcu/mcu.h"
#include "host/resources/resources.h"

namespace tenterhook::commands {

namespace {

using emulated::BoardDescription;

// The fixture's serial, as the EEPROM of the emulated chip begins (firmware/avr/main.cpp).
constexpr std::string_view kSerial = "EMULATED";

std::set<std::string> names_of(const BoardDescription& description) {
  std::set<std::string> names;
  for (const auto& terminal : description.terminals) names.insert(terminal.name);
  for (const auto& rail : description.rails) names.insert(rail.name);
  return names;
}

// The demo boards are known part by part; but only if the file still has their lines and rails.
Result<BoardDescription> describe(const files::Board& board) {
  BoardDescription derived = emulated::describe_board(board);
  const std::string name = board.name + ".parts.yaml";
  const std::string_view parts = resources::find(name);
  if (parts.empty()) return derived;
  auto known = emulated::parse_parts(name, std::string(parts));
  TH_TRY(known);
  if (names_of(*known) != names_of(derived)) return derived;
  return known;
}

emulated::BusTie tie_of(const plan::Feed& feed) {
  emulated::BusTie tie;
  if (feed.kind == plan::Feed::Kind::ground) tie.kind = emulated::BusTie::Kind::ground;
  if (feed.kind == plan::Feed::Kind::rail) tie = {emulated::BusTie::Kind::rail, feed.rail, 0.0};
  return tie;
}

// Wires the description as the wiring list tells a person to.
void connect(BoardDescription& description, const plan::Plan& plan) {
  auto channel = [&](const std::string& key, const char* kind) {
    const auto found = plan.hookup.find(key);
    return found != plan.hookup.end() && found->second.kind == kind ? found->second.index : -1;
  };
  for (auto& terminal : description.terminals) {
    terminal.drive = channel(terminal.name, "drive");
    terminal.fast = channel(terminal.name, "fast");
    terminal.sense = std::max(channel(terminal.name, "sense"), channel(terminal.name + " sense", "sense"));
  }
  for (auto& rail : description.rails) rail.channel = channel(rail.name, "rail");
}

emulated::FixtureOptions fixture_options(const plan::Plan& plan, std::uint64_t seed) {
  constexpr double kProtectedSeconds = 0.04;
  emulated::FixtureOptions options;
  options.seed = seed;
  options.supply_volts.assign(plan.fixture.rails.size(), 0.0);
  options.rail_hold_seconds.assign(plan.fixture.rails.size(), 0.0);
  for (const plan::RailPlan& rail : plan.rails) {
    const auto index = static_cast<std::size_t>(rail.channel);
    options.supply_volts[index] = rail.rail.nominal.value;
    if (rail.protecting) options.rail_hold_seconds[index] = kProtectedSeconds;
  }
  for (int drive = 0; drive < plan.fixture.drive.channels; ++drive) {
    const plan::Supplied& bank = plan.banks.at(static_cast<std::size_t>(drive / plan::kDrivesPerBank));
    options.drive_ties.push_back({tie_of(bank.low), tie_of(bank.high)});
  }
  for (int fast = 0; fast < plan.fixture.fast.channels; ++fast) {
    const plan::Supplied& line = plan.fasts.at(static_cast<std::size_t>(fast));
    options.fast_ties.push_back({tie_of(line.low), tie_of(line.high)});
  }
  return options;
}

}  // namespace

Result<BoardDescription> describe_emulated(const plan::Plan& plan) {
  auto description = describe(plan.vectors.board);
  TH_TRY(description);
  connect(*description, plan);
  return description;
}

Result<std::unique_ptr<emulated::Controller>> make_emulated(const plan::Plan& plan, std::uint64_t seed,
                                                            const std::vector<std::string>& faults,
                                                            Firmware firmware, const Adjust& adjust) {
  auto description = describe_emulated(plan);
  TH_TRY(description);
  std::vector<emulated::FaultSpec> board_faults;
  emulated::FixtureOptions options = fixture_options(plan, seed);
  if (adjust) adjust(options, *description);
  for (const std::string& text : faults) {
    auto fault = emulated::parse_fault(text);
    TH_TRY(fault);
    const bool of_fixture = fault->where.rfind("fixture.", 0) == 0;
    (of_fixture ? options.faults : board_faults).push_back(*fault);
  }
  auto board = emulated::make_board(*description, seed, board_faults);
  TH_TRY(board);
  auto circuit = emulated::make_fixture(options, board.take(), *description);
  if (firmware == Firmware::native) {
    return std::unique_ptr<emulated::Controller>(std::make_unique<native::EmulatedController>(std::move(circuit)));
  }
  emulated::McuOptions mcu;
  const std::string_view elf = resources::find("firmware.elf");
  mcu.elf = "firmware.elf (built in)";
  mcu.program.assign(elf.begin(), elf.end());
  mcu.eeprom = {kSerial.begin(), kSerial.end()};
  auto chip = emulated::make_mcu(mcu, std::move(circuit));
  TH_TRY(chip);
  return std::unique_ptr<emulated::Controller>(chip.take());
}

}  // namespace tenterhook::commands
