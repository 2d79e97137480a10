#include "host/files/sink.h"

#include <fmt/format.h>

#include <array>
#include <charconv>
#include <cmath>
#include <string_view>

#include "host/base/nearest.h"

namespace tenterhook::files {
namespace {

constexpr double kLargest = 1e12;   // larger than any quantity of a bench, in SI units
constexpr std::size_t kListed = 8;  // known names listed when none is near

struct Prefix {
  std::string_view text;
  int exponent;
};
// Both code points of the micro sign.
constexpr std::array<Prefix, 10> kPrefixes{{{"p", -12},
                                            {"n", -9},
                                            {"u", -6},
                                            {"\xC2\xB5", -6},
                                            {"\xCE\xBC", -6},
                                            {"m", -3},
                                            {"k", 3},
                                            {"M", 6},
                                            {"G", 9},
                                            {"", 0}}};
constexpr std::array<std::string_view, 10> kUnits{"V", "A",  "ohm", "s", "F",
                                                  "m", "Hz", "W",   "%", "AWG"};

std::string_view trim(std::string_view text) {
  while (!text.empty() && text.front() == ' ') text.remove_prefix(1);
  while (!text.empty() && text.back() == ' ') text.remove_suffix(1);
  return text;
}

bool digit(char c) {
  return c >= '0' && c <= '9';
}

// The length of a decimal number at the start of the text, 0 when there is none.
std::size_t number_length(std::string_view text) {
  std::size_t i = !text.empty() && (text[0] == '-' || text[0] == '+') ? 1 : 0;
  const std::size_t begin = i;
  while (i < text.size() && digit(text[i])) ++i;
  const bool whole = i > begin;
  std::size_t end = i;
  if (i < text.size() && text[i] == '.') {
    ++i;
    while (i < text.size() && digit(text[i])) ++i;
    if (i > end + 1)
      end = i;
    else if (!whole)
      return 0;
  } else if (!whole) {
    return 0;
  }
  if (end < text.size() && (text[end] == 'e' || text[end] == 'E')) {
    std::size_t j = end + 1;
    if (j < text.size() && (text[j] == '-' || text[j] == '+')) ++j;
    const std::size_t digits = j;
    while (j < text.size() && digit(text[j])) ++j;
    if (j > digits) end = j;
  }
  return end;
}

bool is_ohm(std::string_view unit) {  // the word, the Greek letter, the ohm sign
  return unit == "ohm" || unit == "\xCE\xA9" || unit == "\xE2\x84\xA6";
}

// Splits "kohm" into a power of ten and a unit symbol. False when it is no known unit.
bool split_unit(std::string_view text, int& exponent, std::string_view& symbol) {
  if (text == "%" || text == "AWG") {
    exponent = 0, symbol = text == "%" ? "%" : "AWG";
    return true;
  }
  for (const Prefix& prefix : kPrefixes) {
    if (text.substr(0, prefix.text.size()) != prefix.text) continue;
    std::string_view rest = text.substr(prefix.text.size());
    if (is_ohm(rest)) rest = "ohm";
    for (const std::string_view unit : kUnits) {
      if (rest != unit || unit == "%" || unit == "AWG") continue;
      exponent = prefix.exponent, symbol = unit;
      return true;
    }
  }
  if (text == "cm") {
    exponent = -2, symbol = "m";
    return true;
  }
  return false;
}

std::string lower(std::string_view text) {
  std::string out(text);
  for (char& c : out)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return out;
}

// "V" for "v" or "volts", "kohm" for "k" where ohms are wanted: what was most likely meant.
std::string likely_unit(std::string_view written, std::string_view symbol) {
  if (symbol == "%" || symbol == "AWG") return {};  // these take no prefix
  const std::string small = lower(written);
  static constexpr std::array<std::pair<std::string_view, std::string_view>, 14> kWords{
      {{"volt", "V"},
       {"volts", "V"},
       {"amp", "A"},
       {"amps", "A"},
       {"ampere", "A"},
       {"ohms", "ohm"},
       {"r", "ohm"},
       {"sec", "s"},
       {"second", "s"},
       {"seconds", "s"},
       {"hertz", "Hz"},
       {"percent", "%"},
       {"metre", "m"},
       {"meter", "m"}}};
  for (const auto& [word, unit] : kWords)
    if (small == word && unit == symbol) return std::string(unit);
  for (const Prefix& prefix : kPrefixes) {
    if (prefix.text.empty() && written.empty()) continue;
    const std::string whole = std::string(prefix.text) + std::string(symbol);
    if (lower(whole) == small && prefix.exponent != 6) return whole;
    if (written == prefix.text && !prefix.text.empty()) return whole;
  }
  return {};
}

// 4k7, 2M2, 1R5: a letter where the decimal point belongs.
std::string letter_for_point(std::string_view text, std::string_view symbol) {
  const std::size_t at = text.find_first_of("kKMmRunp");
  if (at == 0 || at == std::string_view::npos || at + 1 >= text.size()) return {};
  for (std::size_t i = 0; i < text.size(); ++i)
    if (i != at && !digit(text[i])) return {};
  const char letter = text[at] == 'K' ? 'k' : text[at];
  const std::string prefix = letter == 'R' ? "" : std::string(1, letter);
  return fmt::format("{}.{} {}{}", text.substr(0, at), text.substr(at + 1), prefix, symbol);
}

bool scale(std::string_view number, int exponent, double& value) {
  // Moving the exponent into the text keeps "200 us" the nearest double to 200e-6.
  std::string text(number[0] == '+' ? number.substr(1) : number);
  const std::size_t e = text.find_first_of("eE");
  if (e != std::string::npos) {
    int own = 0;
    const char* from = text.data() + e + 1 + (text[e + 1] == '+' ? 1 : 0);
    if (std::from_chars(from, text.data() + text.size(), own).ec != std::errc()) return false;
    if (own > 1000 || own < -1000) return false;
    exponent += own;
    text.resize(e);
  }
  text += "e" + std::to_string(exponent);
  const auto done = std::from_chars(text.data(), text.data() + text.size(), value);
  return done.ec == std::errc() && std::isfinite(value) && std::fabs(value) <= kLargest;
}

}  // namespace

std::string suggest(const std::string& written, const std::vector<std::string>& known) {
  const std::string near = nearest_name(written, known);
  if (!near.empty()) return fmt::format("did you mean '{}'?", near);
  if (known.empty() || known.size() > kListed) return {};
  std::string list;
  for (const std::string& name : known) list += (list.empty() ? "known: " : ", ") + name;
  return list;
}

bool read_number_with_unit(const yaml::Node& node, const char* symbol, Sign sign, Sink& sink,
                           double& value) {
  if (!node.is_scalar()) {
    sink.add(node, fmt::format("expected a quantity in {}, found {}", symbol, describe(node)));
    return false;
  }
  const std::string_view text = trim(node.text);
  const std::size_t length = number_length(text);
  const std::string found = describe(node);
  const std::string example =
      fmt::format("write a number and a unit, as in '{}'",
                  std::string_view(symbol) == "AWG" ? "20 AWG" : fmt::format("1.5 {}", symbol));
  if (length == 0) {
    sink.add(node, fmt::format("{} is not a quantity in {}", found, symbol), example);
    return false;
  }
  const std::string_view number = text.substr(0, length);
  const std::string_view unit = trim(text.substr(length));
  if (unit.empty()) {
    sink.add(node, found + " has no unit", fmt::format("did you mean '{} {}'?", number, symbol));
    return false;
  }
  int exponent = 0;
  std::string_view is;
  if (!split_unit(unit, exponent, is)) {
    std::string remedy = letter_for_point(text, symbol);
    const std::string likely = likely_unit(unit, symbol);
    if (remedy.empty() && !likely.empty()) remedy = fmt::format("{} {}", number, likely);
    if (remedy.empty() && unit[0] == ',' && unit.size() > 1 && digit(unit[1])) {
      sink.add(node, found + " has a decimal comma", "write a decimal point");
      return false;
    }
    if (!remedy.empty()) remedy = fmt::format("did you mean '{}'?", remedy);
    sink.add(node, fmt::format("{} is not a quantity in {}", found, symbol),
             remedy.empty() ? example : remedy);
    return false;
  }
  if (is != symbol) {
    sink.add(node, fmt::format("expected a quantity in {}, found {} in {}", symbol, found, is),
             example);
    return false;
  }
  if (!scale(number, exponent, value)) {
    sink.add(node, found + " is out of range", example);
    return false;
  }
  if (sign == Sign::positive && !(value > 0.0)) {
    sink.add(node, fmt::format("{} must be above 0 {}", found, symbol));
    return false;
  }
  if (sign == Sign::not_negative && value < 0.0) {
    sink.add(node, fmt::format("{} must not be negative", found));
    return false;
  }
  return true;
}

bool read_integer(const yaml::Node& node, long least, long most, Sink& sink, long& value) {
  long number = 0;
  const std::string_view text = node.text;
  const auto done = std::from_chars(text.data(), text.data() + text.size(), number);
  if (!node.is_scalar() || text.empty() || done.ec != std::errc() ||
      done.ptr != text.data() + text.size() || number < least || number > most) {
    sink.add(node, fmt::format("expected a whole number from {} to {}, found {}", least, most,
                               describe(node)));
    return false;
  }
  value = number;
  return true;
}

Map::Map(const yaml::Node& node, Sink& sink, std::string thing)
    : node_(node), sink_(sink), thing_(std::move(thing)), fields_(node) {
  want_map(node, sink, thing_);
}

Map::~Map() {
  const Status status = fields_.done(thing_);
  if (status.ok()) {
    if (!missing_.empty())
      sink_.add(node_, fmt::format("{} has no '{}'", thing_, missing_),
                fmt::format("add '{}: {}'", missing_, example_));
    return;
  }
  // The place of the key is in the error's text; find it again for the order of complaints.
  for (const yaml::Node::Entry& entry : node_.entries) {
    if (entry.key.place.text() == status.error().where) {
      sink_.add_as(entry.key.place, status.error());
      return;
    }
  }
}

const yaml::Node* Map::need(const char* key, const char* example) {
  const yaml::Node* found = fields_.take(key);
  if (found == nullptr && node_.is_map() && missing_.empty()) missing_ = key, example_ = example;
  return found;
}

std::string Map::text(const char* key) {
  const yaml::Node* found = take(key);
  if (found == nullptr || !want_scalar(*found, sink_, fmt::format("'{}'", key))) return {};
  return found->text;
}

std::optional<long> Map::integer(const char* key, long least, long most) {
  const yaml::Node* found = take(key);
  long value = 0;
  if (found == nullptr || !read_integer(*found, least, most, sink_, value)) return std::nullopt;
  return value;
}

std::string count_of(std::size_t count, const std::string& thing) {
  return fmt::format("{} {}{}", count, thing, count == 1 ? "" : "s");
}

bool want_scalar(const yaml::Node& node, Sink& sink, const std::string& what) {
  if (node.is_scalar()) return true;
  sink.add(node, fmt::format("{} must be a word or a number, found {}", what, describe(node)));
  return false;
}

bool want_list(const yaml::Node& node, Sink& sink, const std::string& what) {
  if (node.is_list()) return true;
  sink.add(node, fmt::format("{} must be a list, found {}", what, describe(node)),
           "write '[one, two]', or lines that start with '- '");
  return false;
}

bool want_map(const yaml::Node& node, Sink& sink, const std::string& what) {
  if (node.is_map()) return true;
  sink.add(node, fmt::format("{} must be a map, found {}", what, describe(node)),
           "write '{key: value}', or indented 'key: value' lines");
  return false;
}

std::vector<const yaml::Node*> one_or_more(const yaml::Node& node, Sink& sink,
                                           const std::string& what) {
  std::vector<const yaml::Node*> out;
  if (node.is_scalar()) {
    out.push_back(&node);
  } else if (node.is_list()) {
    for (const yaml::Node& item : node.items)
      if (want_scalar(item, sink, "an entry of " + what)) out.push_back(&item);
  } else {
    want_list(node, sink, what);
  }
  return out;
}

}  // namespace tenterhook::files
