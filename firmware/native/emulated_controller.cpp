#include "firmware/native/emulated_controller.h"

#include <limits>
#include <utility>

namespace tenterhook::native {

namespace {
// Long enough to be for ever, short enough to add to.
constexpr Picoseconds kForEver = std::numeric_limits<Picoseconds>::max() / 4;
}  // namespace

EmulatedController::EmulatedController(std::unique_ptr<emulated::FixtureCircuit> circuit, const NativeOptions& options)
    : circuit_(std::move(circuit)), native_(*circuit_, options) {}

void EmulatedController::feed(std::span<const std::uint8_t> bytes, Picoseconds t) {
  if (t > native_.now()) run_until(t, false);
  if (cable_ && powered_) native_.feed(bytes);
}

Picoseconds EmulatedController::run_until(Picoseconds deadline, bool stop_on_output) {
  while (native_.now() < deadline) {
    std::vector<std::uint8_t> arrived;
    native_.run(deadline, arrived);
    if (cable_ && powered_) output_.insert(output_.end(), arrived.begin(), arrived.end());
    if (stop_on_output && !output_.empty()) break;
  }
  return native_.now();
}

std::vector<std::uint8_t> EmulatedController::take_output() { return std::exchange(output_, {}); }

void EmulatedController::inject(emulated::Injection what) {
  using emulated::Injection;
  switch (what) {
    case Injection::main_loop_hang:
    case Injection::hang: native_.stall_until(native_.now() + kForEver); break;
    case Injection::power_cut:
      // Without supply the pins float, as in a reset that lasts.
      native_.reset(wire::ResetCause::power_on);
      native_.stall_until(native_.now() + kForEver);
      powered_ = false;
      break;
    case Injection::power_on:
      powered_ = true;
      native_.reset(wire::ResetCause::power_on);
      break;
    case Injection::reset_line: native_.reset(wire::ResetCause::external); break;
    case Injection::cable_pulled: cable_ = false; break;
    case Injection::cable_back: cable_ = true; break;
  }
}

}  // namespace tenterhook::native
