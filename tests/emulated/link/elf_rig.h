// The session against the ATmega2560's own program in the emulated chip, in lockstep.
#pragma once

#include <memory>
#include <string>

#include "fixtures/emulated/fixture/lockstep_port.h"
#include "fixtures/emulated/mcu/mcu.h"
#include "tests/unit/link/bench.h"

namespace tenterhook::link {

struct ElfRig {
  emulated::Controller* chip = nullptr;
  StillFixture* circuit = nullptr;
  LossyPort* port = nullptr;
  Cancellation cancel;
  std::unique_ptr<Session> session;
  std::string trouble;

  explicit ElfRig(const std::string& elf, std::optional<Fault> fault = std::nullopt, int baud = 500'000) {
    auto still = std::make_unique<StillFixture>();
    circuit = still.get();
    emulated::McuOptions mcu;
    mcu.elf = elf;
    auto made = emulated::make_mcu(mcu, std::move(still));
    if (!made.ok()) {
      trouble = made.error().text();
      return;
    }
    std::unique_ptr<emulated::Controller> controller = made.take();
    chip = controller.get();
    chip->set_host_baud(baud);
    auto lossy = std::make_unique<LossyPort>(std::make_unique<emulated::LockstepPort>(std::move(controller)));
    port = lossy.get();
    auto opened = Session::open(std::move(lossy), {&cancel, 7});
    if (!opened.ok()) {
      trouble = opened.error().text();
      return;
    }
    session = opened.take();
    port->arm(fault);
  }
  Seconds now() const { return Seconds{static_cast<double>(chip->now()) * 1e-12}; }
  bool closed() { return circuit->truth(chip->now()).any_contact_closed; }
};

}  // namespace tenterhook::link
