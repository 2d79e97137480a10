// Names, ranges, bits and `%` of the description files. Internal to host/files.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "host/files/board.h"
#include "host/files/sink.h"
#include "host/files/yaml_tree.h"

namespace tenterhook::files {

inline constexpr int kMaxBus = 128;  // lines in one bus: as many as the largest fixture drives

// Letters, digits and '_', starting with a letter or '_', and not a word that the format uses
// itself.
bool is_name(std::string_view text);
// The same with '-', '.' and leading digits: boards, families, builds, gate types.
bool is_label(std::string_view text);
bool is_reserved(std::string_view text);
// Complains unless the scalar is a name (label); `what` is "line", "rail", ...
bool want_name(const yaml::Node& node, Sink& sink, const std::string& what);
bool want_label(const yaml::Node& node, Sink& sink, const std::string& what);

// "F3..F0" or "F3..0": stem F, from 3 to 0. parse_range() is false when the text holds no "..".
struct Range {
  std::string stem;
  int first = 0;
  int last = 0;
  int size() const { return (first > last ? first - last : last - first) + 1; }
  int at(int i) const { return first > last ? first - i : first + i; }
  std::vector<std::string> names() const;
};
bool looks_like_range(std::string_view text);
// False after a complaint.
bool read_range(const yaml::Node& node, Sink& sink, Range& range);
// "3..0" or "2": plain indices, as in `each` and channels.
bool read_indices(const yaml::Node& node, std::string_view text, Sink& sink, std::vector<int>& out);

// A bit pattern for `width` lines, leftmost first: "1010", "0x1z", "hex A", "dec 10"; a single x or
// z fills the bus; '_' may group digits. False after a complaint; `name` is the line or bus.
bool read_bits(const yaml::Node& node, const std::string& name, int width, Sink& sink,
               std::vector<Bit>& out);

// A copy of the node with `%`, `%+1`, `%-2` replaced by the index in every scalar. Complains when
// an index falls below 0.
yaml::Node with_index(const yaml::Node& node, int index, Sink& sink);

}  // namespace tenterhook::files
