#include "host/commands/emulated_bench.h"

#include <fmt/format.h>

#include <algorithm>
#include <set>

#include "firmware/native/emulated_controller.h"
#include "fixtures/emulated/boards/board.h"
#include "fixtures/emulated/boards/fault.h"
#include "fixtures/emulated/boards/from_board.h"
#include "fixtures/emulated/boards/layout.h"
#include "fixtures/emulated/boards/parts.h"
#include "fixtures/emulated/mcu/mcu.h"
#include "host/resources/resources.h"

namespace tenterhook::commands {

namespace {

using emulated::BoardDescription;

// Faults of the board and of the fixture, apart.
struct Faults {
  std::vector<emulated::FaultSpec> board, fixture;
};
Result<Faults> parse_faults(const std::vector<std::string>& texts) {
  Faults faults;
  for (const std::string& text : texts) {
    auto fault = emulated::parse_fault(text);
    TH_TRY(fault);
    const bool of_fixture = fault->where.rfind("fixture.", 0) == 0;
    (of_fixture ? faults.fixture : faults.board).push_back(*fault);
  }
  return faults;
}

Result<std::unique_ptr<emulated::Controller>> controller_of(std::unique_ptr<emulated::FixtureCircuit> circuit,
                                                            std::uint64_t seed, Firmware firmware) {
  const std::string serial = emulated_serial(seed);
  if (firmware == Firmware::native) {
    native::NativeOptions options;
    options.serial = serial;
    return std::unique_ptr<emulated::Controller>(
        std::make_unique<native::EmulatedController>(std::move(circuit), options));
  }
  emulated::McuOptions mcu;
  const std::string_view elf = resources::find("firmware.elf");
  mcu.elf = "firmware.elf (built in)";
  mcu.program.assign(elf.begin(), elf.end());
  mcu.eeprom = {serial.begin(), serial.end()};  // as it begins (firmware/avr/main.cpp)
  auto chip = emulated::make_mcu(mcu, std::move(circuit));
  TH_TRY(chip);
  return std::unique_ptr<emulated::Controller>(chip.take());
}

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
  if (emulated::as_built(plan.fixture.name) != nullptr) options.built = plan.fixture.name;
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

// A bench supply is set by what leaves its leads, not by its own meter: seven amperes of filaments lose two
// tenths of a volt in them. (Making up for the fixture's path too would cost more inrush than the limit.)
void set_supplies_at_the_leads(emulated::FixtureOptions& options, const BoardDescription& board, std::uint64_t seed) {
  constexpr double kLeadOhms = 0.03;
  constexpr double kFilamentAmps = 0.3;  // of a small double triode, at 6.3 V
  const auto layout = emulated::lay_out(board, seed);
  if (!layout) return;  // make_board() says what is wrong with it
  for (const auto& rail : board.rails) {
    if (!rail.heats || rail.channel < 0) continue;
    const double each = rail.filament_amps > 0.0 ? rail.filament_amps : kFilamentAmps;
    options.supply_volts.at(static_cast<std::size_t>(rail.channel)) += kLeadOhms * each * static_cast<double>(layout->heaters.size());
  }
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
  auto parsed = parse_faults(faults);
  TH_TRY(parsed);
  emulated::FixtureOptions options = fixture_options(plan, seed);
  set_supplies_at_the_leads(options, *description, seed);
  if (adjust.parts) adjust.parts(options, *description);
  options.faults.insert(options.faults.end(), parsed->fixture.begin(), parsed->fixture.end());
  auto board = emulated::make_board(*description, seed, parsed->board);
  TH_TRY(board);
  auto hung = adjust.board ? adjust.board(board.take()) : board.take();
  return controller_of(emulated::make_fixture(options, std::move(hung), *description), seed, firmware);
}

std::string emulated_serial(std::uint64_t seed) {
  return fmt::format("EMU{:08X}", static_cast<std::uint32_t>(seed ^ (seed >> 32)));
}

Result<std::unique_ptr<emulated::Controller>> make_emulated_fixture(std::uint64_t seed,
                                                                    const std::vector<std::string>& faults,
                                                                    std::unique_ptr<emulated::Board> board,
                                                                    const BoardDescription& description,
                                                                    Firmware firmware, const std::vector<double>& supplies) {
  auto parsed = parse_faults(faults);
  TH_TRY(parsed);
  if (!parsed->board.empty()) {
    return input_error("--fault '" + parsed->board.front().where + " " + parsed->board.front().kind + "'",
                       "no board is connected here: only the fixture can have faults", "write fixture.CHANNEL KIND");
  }
  emulated::FixtureOptions options;
  options.seed = seed;
  options.faults = parsed->fixture;
  options.supply_volts = supplies;
  TH_TRY(emulated::check_fixture_faults(options, description));
  return controller_of(emulated::make_fixture(options, std::move(board), description), seed, firmware);
}

}  // namespace tenterhook::commands
