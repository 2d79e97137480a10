// Boards for the circuit tests, written in C++ so that these tests need no file reader.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "host/files/board.h"

namespace tenterhook::circuit::testing {

using files::Bit;
using files::Gate;
using files::LineKind;

class BoardMaker {
 public:
  BoardMaker() {
    board.name = "test";
    board.path = "test.yaml";
  }
  BoardMaker& line(LineKind kind, const std::vector<std::string>& names, Bit rest = Bit::zero) {
    for (const std::string& name : names) {
      files::Line l;
      l.name = name;
      l.kind = kind;
      l.rest = rest;
      board.lines.push_back(l);
    }
    return *this;
  }
  BoardMaker& in(const std::vector<std::string>& names) { return line(LineKind::input, names); }
  BoardMaker& out(const std::vector<std::string>& names) { return line(LineKind::output, names); }
  BoardMaker& clock(const std::vector<std::string>& names) { return line(LineKind::clock, names); }
  BoardMaker& both(const std::vector<std::string>& names) {
    return line(LineKind::both, names, Bit::undriven);
  }
  // Adds a gate; the returned reference is for its control pins and is valid until the next call.
  Gate& gate(const std::string& type, const std::vector<std::string>& inputs,
             const std::string& output) {
    Gate g;
    g.type = type;
    g.mark = {"test.yaml", static_cast<int>(board.circuit.size()) + 10, 3};
    for (std::string name : inputs) {
      const bool inverted = name.rfind("not ", 0) == 0;
      g.input_inverted.push_back(inverted);
      g.inputs.push_back(inverted ? name.substr(4) : name);
    }
    if (!output.empty()) g.outputs.push_back(output);
    board.circuit.push_back(g);
    return board.circuit.back();
  }
  Gate& clocked(const std::string& type, const std::vector<std::string>& inputs,
                const std::string& clk, const std::string& output,
                const std::string& inverse = {}) {
    Gate& g = gate(type, inputs, output);
    g.clock.net = clk;
    g.inverse = inverse;
    return g;
  }
  BoardMaker& wired(const std::string& net, files::WiredNet::Kind kind) {
    board.wired.push_back({net, {}, kind});
    return *this;
  }
  files::Board board;
};

}  // namespace tenterhook::circuit::testing
