#include "host/predict/expression.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cmath>

namespace tenterhook::predict {
namespace {

constexpr int kDepthMax = 64;

struct FunctionInfo {
  const char* name;
  int arguments;
};
constexpr FunctionInfo kFunctions[] = {{"exp", 1}, {"ln", 1},  {"sqrt", 1}, {"abs", 1}, {"tanh", 1},
                                       {"sin", 1}, {"cos", 1}, {"atan", 1}, {"sgn", 1}, {"min", 2},
                                       {"max", 2}, {"pow", 2}, {"pwr", 2}};

const FunctionInfo* function(const std::string& name) {
  for (const FunctionInfo& info : kFunctions) {
    if (name == info.name) return &info;
  }
  return nullptr;
}

bool letter(char c) {
  return std::isalpha(static_cast<unsigned char>(c)) != 0 || c == '_';
}
bool digit(char c) {
  return std::isdigit(static_cast<unsigned char>(c)) != 0;
}
bool node_character(char c) {
  return letter(c) || digit(c) || c == '.' || c == '+' || c == '-' || c == '#';
}

// Length of a numeric literal with everything that clings to it: letters, digits, dots.
std::size_t literal_length(std::string_view text) {
  std::size_t i = 0;
  while (i < text.size() && (digit(text[i]) || text[i] == '.')) ++i;
  if (i < text.size() && (text[i] == 'e' || text[i] == 'E')) {
    std::size_t j = i + 1;
    if (j < text.size() && (text[j] == '+' || text[j] == '-')) ++j;
    if (j < text.size() && digit(text[j])) {
      while (j < text.size() && digit(text[j])) ++j;
      i = j;
    }
  }
  while (i < text.size() && (letter(text[i]) || digit(text[i]) || text[i] == '.' ||
                             static_cast<unsigned char>(text[i]) >= 0x80)) {
    ++i;
  }
  return i;
}

Result<double> suffix_factor(std::string_view suffix, std::string_view whole,
                             const std::string& where) {
  if (suffix.empty()) return 1.0;
  const std::string s = lower(suffix);
  if (suffix == "M") {
    return input_error(where, fmt::format("\"{}\": M is read as milli by simulators", whole),
                       "write meg for a million, m for a thousandth");
  }
  if (s == "meg") return 1e6;
  if (s == "f") {
    if (suffix == "F") {
      return input_error(where, fmt::format("\"{}\": F is read as femto by simulators", whole),
                         "write 1e-15 or f for femto, and leave units away");
    }
    return 1e-15;
  }
  if (s == "p") return 1e-12;
  if (s == "n") return 1e-9;
  if (s == "u" || suffix == "\xc2\xb5" || suffix == "\xce\xbc") return 1e-6;
  if (s == "m") return 1e-3;
  if (s == "k") return 1e3;
  if (s == "g") return 1e9;
  if (s == "t") return 1e12;
  if (std::any_of(suffix.begin(), suffix.end(), digit)) {
    return input_error(where,
                       fmt::format("\"{}\": digits after the letter would be dropped", whole),
                       "write 4.7k, not 4k7");
  }
  return input_error(where, fmt::format("\"{}\": unknown suffix \"{}\"", whole, suffix),
                     "known: f p n u m k meg g t; values carry no unit here");
}

class Parser {
 public:
  Parser(std::string_view text, std::string where, Allow allow)
      : text_(text), where_(std::move(where)), allow_(allow) {}

  Result<Expression> whole() {
    auto result = sum(0);
    if (!result) return result;
    skip();
    if (at_ < text_.size()) return trouble(fmt::format("\"{}\" is left over", text_.substr(at_)));
    return result;
  }

 private:
  Error trouble(const std::string& what) const {
    return input_error(where_, fmt::format("in \"{}\": {}", text_, what));
  }
  void skip() {
    while (at_ < text_.size() && (text_[at_] == ' ' || text_[at_] == '\t')) ++at_;
  }
  bool take(std::string_view token) {
    skip();
    if (text_.substr(at_, token.size()) != token) return false;
    at_ += token.size();
    return true;
  }

  static Expression binary(char op, Expression a, Expression b) {
    Expression e;
    e.kind = Expression::Kind::binary;
    e.text = std::string(1, op);
    e.arguments = {std::move(a), std::move(b)};
    return e;
  }

  Result<Expression> sum(int depth) {
    if (depth > kDepthMax) return trouble("nested too deeply");
    auto left = product(depth);
    while (left) {
      char op = 0;
      if (take("+"))
        op = '+';
      else if (take("-"))
        op = '-';
      else
        return left;
      auto right = product(depth);
      if (!right) return right;
      left = binary(op, left.take(), right.take());
    }
    return left;
  }

  Result<Expression> product(int depth) {
    auto left = unary(depth);
    while (left) {
      skip();
      if (text_.substr(at_, 2) == "**") return trouble("** is not known here; write pow(x, y)");
      char op = 0;
      if (take("*"))
        op = '*';
      else if (take("/"))
        op = '/';
      else
        return left;
      auto right = unary(depth);
      if (!right) return right;
      left = binary(op, left.take(), right.take());
    }
    return left;
  }

  Result<Expression> unary(int depth) {
    if (depth > kDepthMax) return trouble("nested too deeply");
    if (take("-")) {
      auto inner = unary(depth + 1);
      if (!inner) return inner;
      Expression e;
      e.kind = Expression::Kind::negate;
      e.arguments.push_back(inner.take());
      return e;
    }
    if (take("+")) return unary(depth + 1);
    return atom(depth);
  }

  Result<Expression> atom(int depth) {
    skip();
    if (at_ >= text_.size()) return trouble("a value is missing at the end");
    const char c = text_[at_];
    if (c == '(' || c == '{') {
      ++at_;
      auto inner = sum(depth + 1);
      if (!inner) return inner;
      if (!take(c == '(' ? ")" : "}")) return trouble("a closing bracket is missing");
      return inner;
    }
    if (digit(c) || c == '.') {
      const std::size_t n = literal_length(text_.substr(at_));
      auto value = parse_number(text_.substr(at_, n), where_);
      if (!value) return value.error();
      at_ += n;
      Expression e;
      e.number = *value;
      return e;
    }
    if (letter(c)) return named(depth);
    return trouble(fmt::format("\"{}\" is not expected here", c));
  }

  Result<Expression> named(int depth) {
    const std::size_t start = at_;
    while (at_ < text_.size() && (letter(text_[at_]) || digit(text_[at_]))) ++at_;
    const std::string name = lower(text_.substr(start, at_ - start));
    if (!take("(")) {
      Expression e;
      e.kind = Expression::Kind::name;
      e.text = name;
      return e;
    }
    if (name == "v" || name == "i") return probe(name);
    const FunctionInfo* info = function(name);
    if (info == nullptr) {
      return trouble(
          fmt::format("unknown function {}(); known: exp ln sqrt abs tanh sin cos atan "
                      "sgn min max pow pwr",
                      name));
    }
    Expression e;
    e.kind = Expression::Kind::call;
    e.text = name;
    for (int i = 0; i < info->arguments; ++i) {
      if (i > 0 && !take(","))
        return trouble(fmt::format("{}() needs {} values", name, info->arguments));
      auto argument = sum(depth + 1);
      if (!argument) return argument;
      e.arguments.push_back(argument.take());
    }
    if (!take(")")) return trouble(fmt::format("{}() is not closed", name));
    return e;
  }

  Result<Expression> probe(const std::string& name) {
    if (allow_ == Allow::parameters) {
      return trouble(name + "() depends on the circuit and stands only in B sources");
    }
    Expression e;
    e.kind = name == "v" ? Expression::Kind::volts : Expression::Kind::amps;
    do {
      skip();
      const std::size_t start = at_;
      while (at_ < text_.size() && node_character(text_[at_])) ++at_;
      if (at_ == start) return trouble(name + "() needs a name");
      Expression node;
      node.kind = Expression::Kind::name;
      node.text = lower(text_.substr(start, at_ - start));
      e.arguments.push_back(std::move(node));
    } while (take(","));
    const std::size_t most = name == "v" ? 2 : 1;
    if (!take(")") || e.arguments.size() > most) return trouble(name + "() is malformed");
    return e;
  }

  std::string_view text_;
  std::string where_;
  Allow allow_;
  std::size_t at_ = 0;
};

double apply(const std::string& name, double a, double b) {
  if (name == "exp") return std::exp(a);
  if (name == "ln") return std::log(a);
  if (name == "sqrt") return std::sqrt(a);
  if (name == "abs") return std::fabs(a);
  if (name == "tanh") return std::tanh(a);
  if (name == "sin") return std::sin(a);
  if (name == "cos") return std::cos(a);
  if (name == "atan") return std::atan(a);
  if (name == "sgn") return a > 0 ? 1.0 : a < 0 ? -1.0 : 0.0;
  if (name == "min") return std::min(a, b);
  if (name == "max") return std::max(a, b);
  if (name == "pwr") return std::copysign(std::pow(std::fabs(a), b), a);
  return std::pow(std::fabs(a), b);  // pow: the simulator, too, takes the base's magnitude
}

}  // namespace

std::string lower(std::string_view text) {
  std::string out(text);
  std::transform(out.begin(), out.end(), out.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return out;
}

std::string plain(double value) {
  return fmt::format("{:.17g}", value);
}

Result<double> parse_number(std::string_view text, const std::string& where) {
  std::string_view body = text;
  bool negative = false;
  if (!body.empty() && (body[0] == '-' || body[0] == '+')) {
    negative = body[0] == '-';
    body.remove_prefix(1);
  }
  if (body.empty() || !(digit(body[0]) || body[0] == '.')) {
    return input_error(where, fmt::format("\"{}\" is not a number", text));
  }
  double value = 0.0;
  const auto [end, code] = std::from_chars(body.data(), body.data() + body.size(), value);
  if (code != std::errc{} || !std::isfinite(value)) {
    return input_error(where, fmt::format("\"{}\" is not a number", text));
  }
  auto factor =
      suffix_factor(body.substr(static_cast<std::size_t>(end - body.data())), text, where);
  if (!factor) return factor;
  return (negative ? -value : value) * *factor;
}

Result<Expression> parse_expression(std::string_view text, const std::string& where, Allow allow) {
  return Parser(text, where, allow).whole();
}

Result<double> evaluate(const Expression& e, const std::string& where, const Lookup& lookup) {
  using Kind = Expression::Kind;
  if (e.kind == Kind::number) return e.number;
  if (e.kind == Kind::name) return lookup(e.text);
  if (e.kind == Kind::volts || e.kind == Kind::amps) {
    return input_error(where, "a value cannot depend on the circuit here");
  }
  double values[2] = {0.0, 0.0};
  for (std::size_t i = 0; i < e.arguments.size() && i < 2; ++i) {
    auto value = evaluate(e.arguments[i], where, lookup);
    if (!value) return value;
    values[i] = *value;
  }
  const double a = values[0], b = values[1];
  double out = 0.0;
  if (e.kind == Kind::negate)
    out = -a;
  else if (e.kind == Kind::call)
    out = apply(e.text, a, b);
  else if (e.text == "+")
    out = a + b;
  else if (e.text == "-")
    out = a - b;
  else if (e.text == "*")
    out = a * b;
  else
    out = a / b;
  if (!std::isfinite(out)) {
    return input_error(where, fmt::format("{} of {} and {} has no finite value", e.text, a, b));
  }
  return out;
}

Result<std::string> emit(const Expression& e, const std::string& where, const Lookup& lookup,
                         const Rename& node, const Rename& source) {
  using Kind = Expression::Kind;
  if (e.kind == Kind::number) return plain(e.number);
  if (e.kind == Kind::name) {
    if (e.text == "time") return e.text;
    auto value = lookup(e.text);
    if (!value) return value.error();
    return *value < 0 ? "(" + plain(*value) + ")" : plain(*value);
  }
  if (e.kind == Kind::volts) {
    std::string text = "v(" + node(e.arguments[0].text);
    if (e.arguments.size() > 1) text += "," + node(e.arguments[1].text);
    return text + ")";
  }
  if (e.kind == Kind::amps) return "i(" + source(e.arguments[0].text) + ")";
  std::vector<std::string> parts;
  for (const Expression& argument : e.arguments) {
    auto part = emit(argument, where, lookup, node, source);
    if (!part) return part;
    parts.push_back(part.take());
  }
  if (e.kind == Kind::negate) return "(-(" + parts[0] + "))";
  if (e.kind == Kind::binary) return "(" + parts[0] + e.text + parts[1] + ")";
  std::string text = e.text + "(" + parts[0];
  if (parts.size() > 1) text += "," + parts[1];
  return text + ")";
}

void collect_nodes(const Expression& e, std::vector<std::string>& nodes) {
  if (e.kind == Expression::Kind::volts) {
    for (const Expression& argument : e.arguments) nodes.push_back(argument.text);
    return;
  }
  if (e.kind == Expression::Kind::amps) return;
  for (const Expression& argument : e.arguments) collect_nodes(argument, nodes);
}

}  // namespace tenterhook::predict
