// A netlist of one gate or of a piece of the fixture, read strictly, and made flat for the
// simulator.
//
// A subset of SPICE: R C L V I E G B D Q M X, .param, .model, .subckt/.ends, one of .op/.tran/.ac,
// .end. Everything that can run commands, read files or be misread in silence (.control, .include,
// .lib, 4k7, 1M, an element lacking a node) is an error with file and line. Models and triodes of
// the built-in library (library.sp) are known by name. The first line is the title.
#pragma once

#include <map>
#include <memory>
#include <string>
#include <vector>

#include "host/base/result.h"

namespace tenterhook::predict {

// What differs between one sample and the nominal circuit. Names in lower case.
struct Changes {
  std::map<std::string, double> parameters;  // .param NAME -> value
  std::map<std::string, double> instances;   // "x1.emission" -> value of a subcircuit parameter
  std::map<std::string, double> factors;     // "r1", "x1.rk": multiplies the value of an R, C or L
  std::map<std::string, double> sources;     // "va" -> DC value of a voltage or current source
  std::map<std::string, std::string>
      waves;                       // "va" -> replaces the source's wave, e.g. "PWL(0 0 1u 5)"
  std::vector<std::string> cards;  // further flat cards, e.g. "rload y 0 22000"
  double celsius = 27.0;
};

struct FlatCircuit {
  std::vector<std::string> cards;     // title first, .end last; only plain numbers
  std::vector<std::string> nodes;     // without ground
  std::vector<std::string> elements;  // flat names: "r1", "x1.rk"
  std::string analysis;               // "op", "tran 1e-8 2e-5", "ac dec 50 100 1e6"
};

class Netlist {
 public:
  // Errors: Trouble::input with "path:line". Bounds: 2,000 lines, 64 kB, subcircuits 8 deep.
  static Result<Netlist> read(const std::string& path);
  static Result<Netlist> parse(const std::string& path, const std::string& text);

  // Top-level .param names and subcircuit instance parameters ("x1.emission"), with nominal values.
  const std::map<std::string, double>& parameters() const;
  const std::map<std::string, double>& instance_parameters() const;
  // Flat names of R, C, L; of V and I sources; and of nodes, all at nominal values.
  const std::vector<std::string>& passives() const;
  const std::vector<std::string>& sources() const;
  const std::vector<std::string>& nodes() const;
  const std::string& title() const;
  const std::string& path() const;
  const std::string& text() const;

  // Errors: a name in `changes` that the netlist does not have; a value without sense (R <= 0).
  Result<FlatCircuit> flatten(const Changes& changes = {}) const;

  struct Body;  // netlist.cpp

 private:
  std::shared_ptr<const Body> body_;
};

// Names of the library's subcircuits and models with their one-line notes (part and source).
struct LibraryEntry {
  std::string name;
  std::string kind;  // "subckt" or "model"
  std::string note;
};
std::vector<LibraryEntry> library_entries();

}  // namespace tenterhook::predict
