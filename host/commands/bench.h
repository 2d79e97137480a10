// From `--fixture` to an open session: the fixture's description, the port, the greeting.
#pragma once

#include <memory>
#include <string>

#include "fixtures/emulated/fixture/controller.h"
#include "host/base/result.h"
#include "host/commands/options.h"
#include "host/files/fixture.h"
#include "host/link/session.h"
#include "host/measure/calibration.h"
#include "host/plan/plan.h"

namespace tenterhook::commands {

class EmulatedHand;

// The description to plan with. "emulated" and ports: the built-in mega2560, unless a description for
// the fixture's serial lies in the XDG configuration folder; a FILE: that file. With no --fixture at
// all: an error that names the ways (Trouble::fixture; never emulated by itself).
Result<files::Fixture> describe_fixture(const BenchOptions& options);

struct Bench {
  std::unique_ptr<link::Session> session;
  // The emulated fixture, owned by the session's port; null on real ones. Person's side only: stop, lid.
  emulated::Controller* emulated = nullptr;
  std::uint64_t seed = 0;
  // The lead in the emulated person's hand, owned by `emulated`; null on real ones and unless asked for.
  EmulatedHand* hand = nullptr;
};

// Opens the port and greets. `cancel` outlives the bench. with_hand: an emulated board gets an emulated person, whose lead
// hangs on the plan's hand channel (on the bench a person is there already).
Result<Bench> open_bench(const BenchOptions& options, const plan::Plan& plan, const link::Cancellation& cancel, bool with_hand = false);

// What this fixture's own calibration says of its channels, into the plan; nominal values without a valid one.
struct Calibrated {
  std::optional<measure::Calibration> calibration;
  std::string said;  // why there is none; for people
};
Calibrated calibrate(plan::Plan& plan, const std::string& fixture_serial);

// Ctrl-C and a terminate signal request it from now on; the second Ctrl-C ends the program at once
// (the fixture's deadman then opens everything).
const link::Cancellation& person_cancels();

// What has to be settled before a bench is opened: the fixture's description, the plan, the person's agreement.
Result<plan::Plan> plan_on(const BenchOptions& options, files::Vectors vectors);

// --yes, or asked on the terminal before real power; an emulated fixture needs neither.
Status agree_to_power(const BenchOptions& options, const plan::Plan& plan);

}  // namespace tenterhook::commands
