// The first complaint about a file, in file order. Internal to host/files.
//
// Readers go on after a complaint with a harmless default, so that one pass finds the earliest
// trouble whatever order the sections are looked at; nothing read after a complaint leaves the
// module.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "host/base/result.h"
#include "host/base/units.h"
#include "host/files/board.h"
#include "host/files/yaml_tree.h"

namespace tenterhook::files {

class Sink {
 public:
  void add(const yaml::Place& place, std::string what, std::string remedy = {}) {
    add_as(place, yaml::error_at(place, std::move(what), std::move(remedy)));
  }
  void add(const yaml::Node& node, std::string what, std::string remedy = {}) {
    add(node.place, std::move(what), std::move(remedy));
  }
  // An error of another file, at the place that names the file.
  void add_as(const yaml::Place& place, Error error) {
    const std::pair<int, int> at{place.line, place.column};
    if (first_ && at_ <= at) return;
    first_ = std::move(error);
    at_ = at;
  }
  bool failed() const { return first_.has_value(); }
  const Error& first() const { return *first_; }

 private:
  std::optional<Error> first_;
  std::pair<int, int> at_{};
};

inline Mark mark_of(const yaml::Node& node) {
  return {node.place.file ? *node.place.file : std::string(), node.place.line, node.place.column};
}

// The nearest known name as a remedy, or the known names themselves when they are few.
std::string suggest(const std::string& written, const std::vector<std::string>& known);

// What sign a quantity may have.
enum class Sign { any, not_negative, positive };

// Reads "28.5 V", "450us", "4.7 kohm", "5 %", "20 AWG" into SI units. `symbol` is the unit
// expected: V, A, ohm, s, F, m, Hz, W, %, AWG. False after a complaint.
bool read_number_with_unit(const yaml::Node& node, const char* symbol, Sign sign, Sink& sink,
                           double& value);

template <class Q>
struct Symbol;
template <>
struct Symbol<Volts> {
  static constexpr const char* kText = "V";
};
template <>
struct Symbol<Amps> {
  static constexpr const char* kText = "A";
};
template <>
struct Symbol<Ohms> {
  static constexpr const char* kText = "ohm";
};
template <>
struct Symbol<Seconds> {
  static constexpr const char* kText = "s";
};
template <>
struct Symbol<Watts> {
  static constexpr const char* kText = "W";
};
template <>
struct Symbol<Farads> {
  static constexpr const char* kText = "F";
};
template <>
struct Symbol<Metres> {
  static constexpr const char* kText = "m";
};
template <>
struct Symbol<Hertz> {
  static constexpr const char* kText = "Hz";
};

template <class Q>
bool read_quantity(const yaml::Node& node, Sign sign, Sink& sink, Q& out) {
  double value = 0.0;
  if (!read_number_with_unit(node, Symbol<Q>::kText, sign, sink, value)) return false;
  out = Q{value};
  return true;
}

// A whole number from `least` to `most`. False after a complaint.
bool read_integer(const yaml::Node& node, long least, long most, Sink& sink, long& value);

// One map of a file: keys are taken by name; those never taken are complained about at the end of
// the object's life, and needed keys that are missing when all others are known (a misspelt key is
// told as that). `thing` names the map in messages: "rail 'plate'".
class Map {
 public:
  Map(const yaml::Node& node, Sink& sink, std::string thing);
  ~Map();
  Map(const Map&) = delete;
  Map& operator=(const Map&) = delete;

  const yaml::Node& node() const { return node_; }
  const yaml::Node* take(const char* key) { return fields_.take(key); }
  // Complains when absent; `example` shows how to write it.
  const yaml::Node* need(const char* key, const char* example);
  // Text of a scalar; empty after a complaint or when absent.
  std::string text(const char* key);
  template <class Q>
  std::optional<Q> quantity(const char* key, Sign sign) {
    const yaml::Node* found = take(key);
    Q value{};
    if (found == nullptr || !read_quantity(*found, sign, sink_, value)) return std::nullopt;
    return value;
  }
  template <class Q>
  Q need_quantity(const char* key, Sign sign, const char* example) {
    const yaml::Node* found = need(key, example);
    Q value{};
    if (found != nullptr) read_quantity(*found, sign, sink_, value);
    return value;
  }
  std::optional<long> integer(const char* key, long least, long most);

 private:
  const yaml::Node& node_;
  Sink& sink_;
  std::string thing_;
  yaml::Fields fields_;
  std::string missing_, example_;
};

// "1 line", "3 lines".
std::string count_of(std::size_t count, const std::string& thing);

// Complains and returns false unless the node is a scalar / list / map. `what` names it: "'after'".
bool want_scalar(const yaml::Node& node, Sink& sink, const std::string& what);
bool want_list(const yaml::Node& node, Sink& sink, const std::string& what);
bool want_map(const yaml::Node& node, Sink& sink, const std::string& what);

// A scalar, or a list of scalars, as nodes in order (empty after a complaint).
std::vector<const yaml::Node*> one_or_more(const yaml::Node& node, Sink& sink,
                                           const std::string& what);

}  // namespace tenterhook::files
