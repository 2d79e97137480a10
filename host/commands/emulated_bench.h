// Puts the emulated fixture and the emulated board behind a plan's hookup: what `--fixture emulated`
// and `emulate` run against.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "fixtures/emulated/boards/board.h"
#include "fixtures/emulated/fixture/controller.h"
#include "host/base/result.h"
#include "host/plan/plan.h"

namespace tenterhook::commands {

enum class Firmware {
  elf,     // the ATmega2560's ELF in the emulated chip
  native,  // the same core compiled for this machine: faster, for large studies
};

// Changes a bench before it is built: other supplies, resistors or filaments than the usual; something
// between fixture and board.
struct Adjust {
  std::function<void(emulated::FixtureOptions& fixture, emulated::BoardDescription& board)> parts;
  std::function<std::unique_ptr<emulated::Board>(std::unique_ptr<emulated::Board> board)> board;
};

// A demo board is built from its own part list (when its lines are those of the plan's board), any
// other from its circuit and `build:` names. faults: 'WHERE KIND [VALUE]' texts; bad ones are input
// errors. The wiring follows plan.hookup and the banks' feeds, as the wiring list tells a person.
Result<std::unique_ptr<emulated::Controller>> make_emulated(const plan::Plan& plan, std::uint64_t seed,
                                                            const std::vector<std::string>& faults,
                                                            Firmware firmware = Firmware::elf, const Adjust& adjust = {});

// The serial by which an emulated fixture answers: another seed is another fixture.
std::string emulated_serial(std::uint64_t seed);

// The fixture without a board under test: nothing on its leads (`board` null), or what a calibration
// hangs there, its terminals wired as `description` says. supplies: volts of the bench supplies by rail.
Result<std::unique_ptr<emulated::Controller>> make_emulated_fixture(std::uint64_t seed,
                                                                    const std::vector<std::string>& faults,
                                                                    std::unique_ptr<emulated::Board> board,
                                                                    const emulated::BoardDescription& description,
                                                                    Firmware firmware = Firmware::elf,
                                                                    const std::vector<double>& supplies = {});

// The board as make_emulated() builds it, for looking at the emulated electricity itself
// (fixtures/emulated/boards/truth.h).
Result<emulated::BoardDescription> describe_emulated(const plan::Plan& plan);

}  // namespace tenterhook::commands
