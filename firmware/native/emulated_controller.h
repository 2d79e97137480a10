// The native firmware behind the interface of the emulated controllers, with the fixture it owns.
#pragma once

#include <memory>
#include <vector>

#include "firmware/native/controller.h"
#include "fixtures/emulated/fixture/controller.h"

namespace tenterhook::native {

class EmulatedController : public emulated::Controller {
 public:
  explicit EmulatedController(std::unique_ptr<emulated::FixtureCircuit> circuit, const NativeOptions& options = {});

  Picoseconds now() const override { return native_.now(); }
  void feed(std::span<const std::uint8_t> bytes, Picoseconds t) override;
  Picoseconds run_until(Picoseconds deadline, bool stop_on_output) override;
  std::vector<std::uint8_t> take_output() override;
  bool has_output() const override { return !output_.empty(); }
  // The native core has no receiver of its own rate: any rate is understood.
  void set_host_baud(int) override {}
  void inject(emulated::Injection what) override;
  // Pins are not stamped here: instructions take no time, so there is nothing to measure.
  void record_edges(bool) override {}
  const std::vector<emulated::PinEdge>& edges() const override { return edges_; }
  emulated::FixtureCircuit& circuit() override { return *circuit_; }
  std::string describe() const override { return "native firmware"; }

 private:
  std::unique_ptr<emulated::FixtureCircuit> circuit_;
  NativeController native_;
  std::vector<std::uint8_t> output_;
  std::vector<emulated::PinEdge> edges_;
  bool cable_ = true, powered_ = true;
};

}  // namespace tenterhook::native
