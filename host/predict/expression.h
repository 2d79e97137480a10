// Arithmetic of netlists: numbers with SPICE's suffixes, parameters, and, in B sources, node
// voltages and branch currents.
//
// Stricter than SPICE on purpose: what SPICE would silently misread ("4k7" as 4 k, "1M" as one
// milli, "10F" as 10 femto) is an error that says what to write instead.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include "host/base/result.h"

namespace tenterhook::predict {

struct Expression {
  enum class Kind { number, name, volts, amps, negate, binary, call };
  Kind kind = Kind::number;
  double number = 0.0;
  std::string text;  // name, operator, function, or the source of i(); nodes are names in arguments
  std::vector<Expression> arguments;
};

enum class Allow { parameters, circuit };  // circuit: v(node), v(a, b), i(source), time as well

// `where` is "file:line" for messages. Depth and length are bounded.
Result<Expression> parse_expression(std::string_view text, const std::string& where, Allow allow);

// A literal: "4.7k", "1meg", "10u". Whole text must be the number.
Result<double> parse_number(std::string_view text, const std::string& where);

// Value of a parameter by lower-case name, or an error that says that it is unknown.
using Lookup = std::function<Result<double>(const std::string& name)>;
Result<double> evaluate(const Expression& expression, const std::string& where,
                        const Lookup& lookup);

// Text for the simulator: parameters folded into plain numbers, every operation in parentheses.
// `node` and `source` give the flat names.
using Rename = std::function<std::string(const std::string&)>;
Result<std::string> emit(const Expression& expression, const std::string& where,
                         const Lookup& lookup, const Rename& node, const Rename& source);

// The nodes that the expression looks at.
void collect_nodes(const Expression& expression, std::vector<std::string>& nodes);

// A number as every reader of netlists understands it: no suffix, 17 digits.
std::string plain(double value);
std::string lower(std::string_view text);

}  // namespace tenterhook::predict
