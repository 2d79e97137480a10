#include "host/files/names.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <optional>

namespace tenterhook::files {
namespace {

constexpr int kMaxIndex = 9999;
constexpr std::size_t kLongestName = 64;  // names are copied into every step

bool digit(char c) {
  return c >= '0' && c <= '9';
}
bool letter_or_line(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '_';
}

// A plain index without leading zeros, -1 when it is none.
int index_of(std::string_view text) {
  int value = 0;
  const auto done = std::from_chars(text.data(), text.data() + text.size(), value);
  if (text.empty() || !digit(text[0]) || (text.size() > 1 && text[0] == '0')) return -1;
  if (done.ec != std::errc() || done.ptr != text.data() + text.size() || value > kMaxIndex)
    return -1;
  return value;
}

// "F3" -> stem "F", index 3.
bool split_index(std::string_view text, std::string& stem, int& index) {
  std::size_t at = text.size();
  while (at > 0 && digit(text[at - 1])) --at;
  stem = std::string(text.substr(0, at));
  index = index_of(text.substr(at));
  return index >= 0;
}

std::optional<std::vector<Bit>> number_bits(std::string_view digits, int base, int width) {
  // Widths beyond a machine word: long-hand conversion, least significant bit first.
  std::vector<Bit> bits(static_cast<std::size_t>(width), Bit::zero);
  std::vector<int> number;
  for (const char c : digits) {
    const int value = digit(c)                 ? c - '0'
                      : (c >= 'a' && c <= 'f') ? c - 'a' + 10
                      : (c >= 'A' && c <= 'F') ? c - 'A' + 10
                                               : 99;
    if (value >= base) return std::nullopt;
    number.push_back(value);
  }
  if (number.empty() || number.size() > kMaxBus) return std::nullopt;
  for (int i = 0; i < width; ++i) {
    int rest = 0;
    for (int& d : number) {
      const int now = rest * base + d;
      d = now / 2;
      rest = now % 2;
    }
    if (rest == 1) bits[static_cast<std::size_t>(width - 1 - i)] = Bit::one;
  }
  if (std::any_of(number.begin(), number.end(), [](int d) { return d != 0; })) return std::nullopt;
  return bits;
}

bool only_digits(std::string_view text) {
  return !text.empty() && std::all_of(text.begin(), text.end(), digit);
}

}  // namespace

bool is_reserved(std::string_view text) {
  static constexpr std::array<std::string_view, 22> kWords{
      "ground", "open",   "not",     "to",   "circuit", "all",   "x",   "z",
      "X",      "Z",      "hex",     "dec",  "hand",    "pulse", "say", "set",
      "expect", "settle", "measure", "none", "low",     "high"};
  return std::find(kWords.begin(), kWords.end(), text) != kWords.end();
}

bool is_name(std::string_view text) {
  if (text.empty() || text.size() > kLongestName || !letter_or_line(text[0]) || is_reserved(text)) {
    return false;
  }
  return std::all_of(text.begin(), text.end(),
                     [](char c) { return letter_or_line(c) || digit(c); });
}

bool is_label(std::string_view text) {
  if (text.empty() || text.size() > kLongestName || !(letter_or_line(text[0]) || digit(text[0]))) {
    return false;
  }
  return std::all_of(text.begin(), text.end(),
                     [](char c) { return letter_or_line(c) || digit(c) || c == '-' || c == '.'; });
}

bool want_name(const yaml::Node& node, Sink& sink, const std::string& what) {
  if (!want_scalar(node, sink, what)) return false;
  if (is_name(node.text)) return true;
  if (is_reserved(node.text))
    sink.add(node,
             fmt::format("'{}' is a word of the format and cannot name a {}", node.text, what),
             "choose another name");
  else if (node.text.find('%') != std::string::npos)
    sink.add(node, fmt::format("{} is not a name for a {}", describe(node), what),
             "'%' needs 'each: 3..0' beside it");
  else
    sink.add(node, fmt::format("{} is not a name for a {}", describe(node), what),
             "use letters, digits and '_', starting with a letter");
  return false;
}

bool want_label(const yaml::Node& node, Sink& sink, const std::string& what) {
  if (!want_scalar(node, sink, what)) return false;
  if (is_label(node.text)) return true;
  sink.add(node, fmt::format("{} is not a name for a {}", describe(node), what),
           "use letters, digits, '-', '_' and '.'");
  return false;
}

std::vector<std::string> Range::names() const {
  std::vector<std::string> out;
  for (int i = 0; i < size(); ++i) out.push_back(stem + std::to_string(at(i)));
  return out;
}

bool looks_like_range(std::string_view text) {
  return text.find("..") != std::string_view::npos;
}

bool read_range(const yaml::Node& node, Sink& sink, Range& range) {
  const std::string_view text = node.text;
  const std::size_t dots = text.find("..");
  std::string second;
  if (dots == std::string_view::npos ||
      !split_index(text.substr(0, dots), range.stem, range.first) ||
      !split_index(text.substr(dots + 2), second, range.last)) {
    sink.add(node, fmt::format("{} is not a range", describe(node)), "write it as in 'F3..F0'");
    return false;
  }
  if (!second.empty() && second != range.stem) {
    sink.add(node, fmt::format("{} runs from '{}' to '{}'", describe(node), range.stem, second),
             "both ends of a range have one name, as in 'F3..F0'");
    return false;
  }
  if (!is_name(range.stem)) {
    sink.add(node, fmt::format("{} is not a range of names", describe(node)),
             "write it as in 'F3..F0'");
    return false;
  }
  if (range.size() > kMaxBus) {
    sink.add(node, fmt::format("{} has {} lines; at most {} are possible", describe(node),
                               range.size(), kMaxBus));
    return false;
  }
  return true;
}

bool read_indices(const yaml::Node& node, std::string_view text, Sink& sink,
                  std::vector<int>& out) {
  const std::size_t dots = text.find("..");
  const int first = index_of(text.substr(0, dots));
  const int last = dots == std::string_view::npos ? first : index_of(text.substr(dots + 2));
  if (first < 0 || last < 0) {
    sink.add(node, fmt::format("{} is not an index or a range of them", describe(node)),
             "write '3..0' or '2'");
    return false;
  }
  const Range range{"", first, last};
  if (range.size() > kMaxBus) {
    sink.add(node, fmt::format("{} is longer than {}", describe(node), kMaxBus));
    return false;
  }
  for (int i = 0; i < range.size(); ++i) out.push_back(range.at(i));
  return true;
}

bool read_bits(const yaml::Node& node, const std::string& name, int width, Sink& sink,
               std::vector<Bit>& out) {
  if (!want_scalar(node, sink, fmt::format("the value of '{}'", name))) return false;
  const std::string& text = node.text;
  const std::string thing = width == 1 ? fmt::format("line '{}'", name)
                                       : fmt::format("bus '{}' of {} lines", name, width);
  if (text.rfind("hex ", 0) == 0 || text.rfind("dec ", 0) == 0) {
    const auto bits =
        number_bits(std::string_view(text).substr(4), text[0] == 'h' ? 16 : 10, width);
    if (bits) {
      out = *bits;
      return true;
    }
    sink.add(node, fmt::format("{} does not fit {}", describe(node), thing),
             "write 'hex 1A' or 'dec 26'");
    return false;
  }
  out.clear();
  for (const char c : text) {
    if (c == '0')
      out.push_back(Bit::zero);
    else if (c == '1')
      out.push_back(Bit::one);
    else if (c == 'x')
      out.push_back(Bit::any);
    else if (c == 'z')
      out.push_back(Bit::undriven);
    else if (c != '_' || out.empty()) {
      const std::string remedy =
          only_digits(text) ? fmt::format("numbers are written 'dec {}' or 'hex {}'", text, text)
                            : "bits are 0, 1, x and z; numbers are 'hex 1A' or 'dec 26'";
      sink.add(node, fmt::format("{} is not bits for {}", describe(node), thing), remedy);
      return false;
    }
  }
  if (out.size() == 1 && (out[0] == Bit::any || out[0] == Bit::undriven))
    out.assign(static_cast<std::size_t>(width), out[0]);
  if (static_cast<int>(out.size()) == width) return true;
  sink.add(node,
           fmt::format("{} has {}, {} needs {}", describe(node), count_of(out.size(), "bit"), thing,
                       width),
           out.size() < static_cast<std::size_t>(width) ? "write every bit, the leftmost line first"
                                                        : "remove bits, or check the name");
  return false;
}

yaml::Node with_index(const yaml::Node& node, int index, Sink& sink) {
  yaml::Node copy = node;
  for (yaml::Node& item : copy.items) item = with_index(item, index, sink);
  for (yaml::Node::Entry& entry : copy.entries) {
    entry.key = with_index(entry.key, index, sink);
    entry.value = with_index(entry.value, index, sink);
  }
  if (!copy.is_scalar() || copy.text.find('%') == std::string::npos) return copy;
  const std::string from = copy.text;
  copy.text.clear();
  for (std::size_t i = 0; i < from.size(); ++i) {
    if (from[i] != '%') {
      copy.text += from[i];
      continue;
    }
    int value = index;
    if (i + 2 < from.size() && (from[i + 1] == '+' || from[i + 1] == '-') && digit(from[i + 2])) {
      std::size_t end = i + 2;
      while (end < from.size() && digit(from[end]) && end - i < 6) ++end;
      const int step = std::stoi(from.substr(i + 2, end - i - 2));
      value += from[i + 1] == '+' ? step : -step;
      i = end - 1;
    }
    if (value < 0)
      sink.add(node, fmt::format("'{}' falls below 0 when the index is {}", from, index),
               "write that gate apart from 'each'");
    copy.text += std::to_string(value);
  }
  return copy;
}

}  // namespace tenterhook::files
