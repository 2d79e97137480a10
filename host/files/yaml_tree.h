// A YAML file as a small tree of our own, with a place in the file for every node.
//
// Purpose: one strict reading of YAML for every description file. Input: a path or a text. Output:
// a tree of scalars, lists and maps in file order; scalars stay text (a reader decides what they
// mean). Errors (Trouble::input, "file:line:column", columns counted in characters from 1): text
// that is not UTF-8, broken syntax, empty keys and values, duplicate keys, aliases, anchors, tags,
// merge keys, more than one document, plain text that runs over a line end, and anything beyond
// Limits. Thread-safe: no shared state. Depends on host/base only, so that part descriptions use it
// too. Source of the syntax: YAML 1.2; the traps refused here are listed in docs/files.md.
#pragma once

#include <cstddef>
#include <memory>
#include <set>
#include <string>
#include <string_view>
#include <vector>

#include "host/base/result.h"

namespace tenterhook::yaml {

// Bounds against hostile input. A description of thousands of steps stays far below them.
struct Limits {
  std::size_t bytes = 4u << 20;    // size of a file
  std::size_t nodes = 400'000;     // scalars, lists and maps together
  std::size_t scalar = 16u << 10;  // bytes in one scalar
  int depth = 16;                  // nesting of lists and maps
};

struct Place {
  std::shared_ptr<const std::string> file;
  int line = 0;
  int column = 0;
  std::string text() const;  // "file:line:column"
};

struct Node {
  enum class Kind { scalar, list, map };
  struct Entry;

  Kind kind = Kind::scalar;
  Place place;
  std::string text;            // scalar
  bool quoted = false;         // scalar: in quotes, or a block of text
  std::vector<Node> items;     // list
  std::vector<Entry> entries;  // map, in file order; keys are distinct

  bool is_scalar() const { return kind == Kind::scalar; }
  bool is_list() const { return kind == Kind::list; }
  bool is_map() const { return kind == Kind::map; }
  // The value under a key of a map; null when absent or not a map.
  const Node* find(std::string_view key) const;
};

struct Node::Entry {
  Node key;  // always a scalar
  Node value;
};

// "a map", "a list", "'text'": what was found, for messages. Long text is cut.
std::string describe(const Node& node);

Error error_at(const Place& place, std::string what, std::string remedy = {});

// Reads a regular file of at most `limit` bytes. Errors: missing, not a file, unreadable, too
// large.
Result<std::string> read_text(const std::string& path, std::size_t limit = Limits{}.bytes);

// The tree of `text`; `path` only names it in places. The root of every description is a map, and
// anything else is an error.
Result<Node> parse(const std::string& path, std::string_view text, const Limits& limits = {});

// read_text() and parse().
Result<Node> load(const std::string& path, const Limits& limits = {});

// Takes the known keys of a map one by one; done() then refuses what is left over, naming the
// nearest known key. The node must outlive the object.
class Fields {
 public:
  explicit Fields(const Node& map) : map_(map) {}
  // The value, or null when absent.
  const Node* take(const char* key);
  // An error at the first key that was never asked for. `thing` as in "a rail has no key 'nominl'".
  Status done(const std::string& thing) const;

 private:
  const Node& map_;
  std::set<std::string, std::less<>> asked_;
};

}  // namespace tenterhook::yaml
