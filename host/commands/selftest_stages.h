// tenterhook fixture selftest --stage N: what one stage of the assembly (docs/fixture.md) built, measured
// by the fixture itself, with nothing of later stages needed. What a stage cannot measure of itself is
// named, with the meter's reading that settles it.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "host/commands/selftest.h"

namespace tenterhook::commands {

inline constexpr int kStages = 10;

struct Stage {
  int number = 0;
  std::string built;    // what is there now and was not before
  std::string by_hand;  // what the meter must say first
};
const std::vector<Stage>& stages();

// What only hands can do. `act` does it, or asks the person to; the fixture's inputs are then watched for
// kHandsMost. Empty: nobody is there, and what needs hands is listed as not tested.
enum class Hand { press_stop, release_stop, open_lid, shut_lid };
using Hands = std::function<void(Hand)>;
inline constexpr Seconds kHandsMost{60.0};

// Precondition: 1 <= stage <= kStages; no board on the leads; stage 9: bench supplies on X4, lamps as loads.
// An Error is the link's. A fault that the fixture's firmware raises is a finding.
Result<SelfTest> stage_test(link::Session& session, const files::Fixture& fixture, const measure::Calibration* calibration, int stage,
                            const Hands& hands);

int fixture_selftest_stage(const SelfTestOptions& options, const files::Fixture& fixture);

}  // namespace tenterhook::commands
