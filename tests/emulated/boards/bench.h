// Shared by the tests of the emulated boards: descriptions in a line, and a board on the bench.
#pragma once

#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "fixtures/emulated/boards/fault.h"
#include "fixtures/emulated/boards/parts.h"
#include "fixtures/emulated/boards/truth.h"

namespace tenterhook::emulated {

inline BoardDescription demo(const std::string& name) {
  auto read =
      read_parts(std::string(TH_SOURCE_DIR) + "/fixtures/emulated/boards/" + name + ".parts.yaml");
  EXPECT_TRUE(read.ok()) << (read.ok() ? "" : read.error().text());
  return read.ok() ? read.take() : BoardDescription{};
}

inline std::vector<FaultSpec> faults(const std::vector<std::string>& texts) {
  std::vector<FaultSpec> specs;
  for (const std::string& text : texts) {
    auto spec = parse_fault(text);
    EXPECT_TRUE(spec.ok()) << text << ": " << (spec.ok() ? "" : spec.error().text());
    if (spec.ok()) specs.push_back(*spec);
  }
  return specs;
}

inline BoardTruth bench(const BoardDescription& description, std::uint64_t seed = 1,
                        const std::vector<std::string>& planted = {}) {
  auto made = BoardTruth::make(description, seed, faults(planted));
  if (!made.ok()) throw std::runtime_error(made.error().text());
  return made.take();
}

// The shed latch, hot, with every input low and its states clocked to 0.
inline BoardTruth shed_latch(std::uint64_t seed = 1, const std::vector<std::string>& planted = {}) {
  BoardTruth truth = bench(demo("shed-latch"), seed, planted);
  for (const char* line : {"F3", "F2", "F1", "F0", "SKIP", "PICK"}) truth.set(line, false);
  truth.power_up();
  truth.pulse("PICK", 200e-6);
  truth.wait(1e-3);
  return truth;
}

// One gate between lines A, B, ... and Y, on the rails that its build wants.
inline BoardDescription one_gate(const std::string& type, const std::string& build, int inputs) {
  BoardDescription d;
  d.name = "one-gate";
  const bool valve = build.rfind("triode", 0) == 0 || build == "cathode-follower";
  const double main = valve                          ? 30.0
                      : build.rfind("relay", 0) == 0 ? 24.0
                      : build == "ttl"               ? 5.0
                                                     : 12.0;
  d.rails.push_back({"main", main, 0, 0.0, false});
  if (valve) d.rails.push_back({"bias", -9.0, 1, 0.0, false});
  Element e;
  e.type = type;
  e.build = build;
  for (int i = 0; i < inputs; ++i) {
    Terminal t;
    t.name = std::string(1, static_cast<char>('A' + i));
    d.terminals.push_back(t);
    e.inputs.push_back(t.name);
    e.input_inverted.push_back(false);
  }
  Terminal y;
  y.name = "Y";
  y.is_output = true;
  if (build == "open-collector") {
    y.pull_ohms = 4.7e3;
    y.pull_to = "main";
  }
  d.terminals.push_back(y);
  e.outputs = {"Y"};
  d.elements.push_back(e);
  return d;
}

}  // namespace tenterhook::emulated
