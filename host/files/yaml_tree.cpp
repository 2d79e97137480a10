#include "host/files/yaml_tree.h"

#include <fmt/format.h>
#include <sys/stat.h>
#include <yaml-cpp/eventhandler.h>
#include <yaml-cpp/exceptions.h>
#include <yaml-cpp/parser.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <fstream>
#include <optional>
#include <sstream>
#include <unordered_set>
#include <utility>

#include "host/base/nearest.h"

namespace tenterhook::yaml {
namespace {

constexpr std::size_t kShown = 40;  // longest piece of a file quoted in a message

std::string shown(std::string_view text) {
  std::string out;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (out.size() >= kShown && (byte & 0xC0) != 0x80) return out + "...";
    if (c == '\n')
      out += "\\n";
    else if (byte < 0x20 || byte == 0x7F)
      out += '?';
    else
      out += c;
  }
  return out;
}

// Thrown through the library's parser from our event handler, caught in parse().
struct Refused {
  Refused(const Place& place, std::string what, std::string remedy)
      : at(place), error(error_at(place, std::move(what), std::move(remedy))) {}
  Place at;
  Error error;
};

// Where the lines of a text start, and characters instead of bytes for columns.
class Lines {
 public:
  explicit Lines(std::string_view text) : text_(text) {
    starts_.push_back(0);
    for (std::size_t i = 0; i < text.size(); ++i)
      if (text[i] == '\n') starts_.push_back(i + 1);
  }
  // line and column count from 0; column in bytes. Clamped to the text.
  std::size_t offset(int line, int column) const {
    if (line < 0 || column < 0) return 0;
    const std::size_t row = std::min(static_cast<std::size_t>(line), starts_.size() - 1);
    return std::min(starts_[row] + static_cast<std::size_t>(column), text_.size());
  }
  int characters(int line, int column) const {
    // Places come in order: counting goes on from the last one, or a long line would take a square.
    const std::size_t begin = offset(line, 0), end = offset(line, column);
    if (begin != line_begin_ || end < counted_to_) line_begin_ = counted_to_ = begin, counted_ = 0;
    for (; counted_to_ < end; ++counted_to_)
      if ((static_cast<unsigned char>(text_[counted_to_]) & 0xC0) != 0x80) ++counted_;
    return counted_;
  }
  std::string_view from(int line, int column) const { return text_.substr(offset(line, column)); }

 private:
  std::string_view text_;
  std::vector<std::size_t> starts_;
  mutable std::size_t line_begin_ = 0, counted_to_ = 0;
  mutable int counted_ = 0;
};

class Builder : public YAML::EventHandler {
 public:
  Builder(const std::string& path, const Lines& lines, const Limits& limits)
      : file_(std::make_shared<const std::string>(path)), lines_(lines), limits_(limits) {}

  Place place(const YAML::Mark& mark) const {
    if (mark.is_null()) return {file_, 1, 1};
    return {file_, mark.line + 1, lines_.characters(mark.line, mark.column) + 1};
  }

  void OnDocumentStart(const YAML::Mark& mark) override {
    if (documents_++ > 0)
      refuse(mark, "a second document starts here",
             "keep one description in a file; remove the '---'");
  }
  void OnDocumentEnd() override {}
  void OnAnchor(const YAML::Mark& mark, const std::string& name) override {
    refuse(mark, fmt::format("anchor '&{}' is not part of this format", shown(name)),
           "write the value out, or quote the text");
  }
  void OnAlias(const YAML::Mark& mark, YAML::anchor_t) override {
    refuse(mark, "an alias ('*name') is not part of this format",
           "write the value out, or quote the text");
  }
  void OnNull(const YAML::Mark& mark, YAML::anchor_t) override {
    if (stack_.empty()) refuse(mark, "the file is empty", "see docs/files.md for an example");
    Frame& top = stack_.back();
    if (top.node.is_list()) {
      refuse(mark, "an entry of this list is empty",
             "remove the extra comma or dash, or write the entry");
    }
    if (!top.key) refuse(mark, "a key is missing before ':'", "write 'key: value'");
    refuse_empty(*top.key);
  }
  void OnScalar(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t,
                const std::string& value) override {
    Node node = make(Node::Kind::scalar, mark, tag);
    if (value.size() > limits_.scalar)
      refuse(mark,
             fmt::format("a text of {} bytes; at most {} are read", value.size(), limits_.scalar),
             "shorten it");
    node.quoted = tag == "!";
    node.text = value;
    if (node.quoted) check_quotation(mark);
    // A plain scalar on one line stands in the file letter by letter; otherwise it was folded.
    if (!node.quoted && lines_.from(mark.line, mark.column).substr(0, value.size()) != value) {
      refuse(mark, fmt::format("the text '{}' runs over a line end", shown(value)),
             "quote it, or check the indentation and the colon of the next line");
    }
    add(std::move(node));
  }
  void OnSequenceStart(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t,
                       YAML::EmitterStyle::value) override {
    open(make(Node::Kind::list, mark, tag));
  }
  void OnSequenceEnd() override { close(); }
  void OnMapStart(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t,
                  YAML::EmitterStyle::value style) override {
    (void)style;
    open(make(Node::Kind::map, mark, tag));
  }
  void OnMapEnd() override { close(); }

  bool has_root() const { return root_.has_value(); }
  Node take_root() { return std::move(*root_); }

 private:
  struct Frame {
    Node node;
    std::optional<Node> key;               // map: the key that waits for its value
    std::unordered_set<std::string> keys;  // map: those seen
  };

  [[noreturn]] void refuse(const YAML::Mark& mark, std::string what, std::string remedy) const {
    throw Refused{place(mark), std::move(what), std::move(remedy)};
  }

  // Flow maps turn a missing space or an unquoted comma into a key without a value.
  [[noreturn]] static void refuse_empty(const Node& key) {
    const std::size_t colon = key.text.find(':');
    std::string remedy = "write 'key: value', or remove the key";
    if (!key.quoted && colon != std::string::npos && colon > 0 && colon + 1 < key.text.size()) {
      remedy = fmt::format("write '{}: {}' with a space after the colon",
                           shown(key.text.substr(0, colon)), shown(key.text.substr(colon + 1)));
    } else if (key.text.find(' ') != std::string::npos) {
      remedy = "quote text that has a comma: \"one, two\"";
    }
    throw Refused{key.place, fmt::format("key '{}' has no value", shown(key.text)), remedy};
  }

  // The library lets a quotation run on to the end of the file.
  void check_quotation(const YAML::Mark& mark) const {
    const std::string_view here = lines_.from(mark.line, mark.column);
    const char quote = here.empty() ? '\0' : here.front();
    if (quote != '\'' && quote != '"') return;  // a block of text
    for (std::size_t i = 1; i < here.size() && here[i] != '\n'; ++i) {
      if (quote == '"' && here[i] == '\\')
        ++i;
      else if (here[i] == quote && quote == '\'' && here.substr(i + 1, 1) == "'")
        ++i;
      else if (here[i] == quote)
        return;
    }
    refuse(mark, "a quotation mark is not closed on its line",
           "close it; for text of several lines use '|' and indent the text");
  }

  Node make(Node::Kind kind, const YAML::Mark& mark, const std::string& tag) {
    const std::string_view here = lines_.from(mark.line, mark.column);
    if ((tag != "?" && tag != "!" && !tag.empty()) || (!here.empty() && here.front() == '!')) {
      std::string name = shown(here.substr(0, here.find_first_of(" ,]}\n\r:")));
      refuse(mark, fmt::format("tag '{}' is not part of this format", name),
             fmt::format("quote the text if it starts with '!': \"{}\"", name));
    }
    if (++nodes_ > limits_.nodes)
      refuse(mark, fmt::format("more than {} entries in one file", limits_.nodes),
             "split the file");
    Node node;
    node.kind = kind;
    node.place = place(mark);
    return node;
  }

  void open(Node node) {
    if (static_cast<int>(stack_.size()) >= limits_.depth)
      throw Refused{node.place, fmt::format("nested more than {} deep", limits_.depth),
                    "no description needs this; check the brackets"};
    if (!stack_.empty() && stack_.back().node.is_map() && !stack_.back().key)
      throw Refused{node.place, "a key must be a single word or text, not " + describe(node),
                    "check the brackets and colons around it"};
    stack_.push_back({std::move(node), {}, {}});
  }

  void close() {
    Node done = std::move(stack_.back().node);
    stack_.pop_back();
    add(std::move(done));
  }

  void add(Node node) {
    if (stack_.empty()) {
      root_ = std::move(node);
      return;
    }
    Frame& top = stack_.back();
    if (top.node.is_list()) {
      top.node.items.push_back(std::move(node));
    } else if (!top.key) {
      check_key(top, node);
      top.key = std::move(node);
    } else {
      top.node.entries.push_back({std::move(*top.key), std::move(node)});
      top.key.reset();
    }
  }

  static void check_key(Frame& frame, const Node& key) {
    if (key.text.empty()) throw Refused{key.place, "a key is empty", "write 'key: value'"};
    if (key.text == "<<" && !key.quoted)
      throw Refused{key.place, "merge key '<<' is not part of this format", "write the keys out"};
    if (frame.keys.insert(key.text).second) return;
    for (const Node::Entry& entry : frame.node.entries) {
      if (entry.key.text != key.text) continue;
      throw Refused{key.place,
                    fmt::format("key '{}' is here twice; first at line {}", shown(key.text),
                                entry.key.place.line),
                    "keep one of them"};
    }
  }

  std::shared_ptr<const std::string> file_;
  const Lines& lines_;
  const Limits& limits_;
  int documents_ = 0;
  std::size_t nodes_ = 0;
  std::vector<Frame> stack_;
  std::optional<Node> root_;
};

// The library's words for broken syntax, in words for a person.
Error syntax_error(const Place& place, const std::string& said) {
  namespace Msg = YAML::ErrorMsg;
  struct Known {
    const char* theirs;
    const char* what;
    const char* remedy;
  };
  static constexpr const char* kColon = "check the indentation, and quote text that has ': ' in it";
  static constexpr const char* kBracket =
      "close the bracket, or add the missing comma before this place";
  static const Known kKnown[] = {
      {Msg::TAB_IN_INDENTATION, "a tab where the indentation must be spaces",
       "replace the tab by spaces"},
      {Msg::END_OF_MAP_FLOW, "a '{' is not closed by '}' here", kBracket},
      {Msg::END_OF_SEQ_FLOW, "a '[' is not closed by ']' here", kBracket},
      {Msg::FLOW_END, "a closing bracket without its opening one",
       "remove it, or open the bracket"},
      {Msg::MAP_VALUE, "a ':' that cannot stand here", kColon},
      {Msg::MAP_KEY, "a key that cannot stand here", kColon},
      {Msg::BLOCK_ENTRY, "a '-' that cannot stand here", "start the list on a line of its own"},
      {Msg::END_OF_MAP, "this line does not fit the lines above it", kColon},
      {Msg::END_OF_SEQ, "this line does not fit the list above it",
       "indent it, or start it with '- '"},
      {Msg::EOF_IN_SCALAR, "a quotation mark is not closed", "close the quotation mark"},
      {Msg::DOC_IN_SCALAR, "a quotation mark is not closed", "close the quotation mark"},
      {Msg::UNKNOWN_TOKEN, "a character that cannot start a value", "quote the text"},
      {Msg::CHAR_IN_SCALAR, "a character that cannot stand in plain text", "quote the text"},
      {Msg::UNKNOWN_ANCHOR, "an alias ('*name') is not part of this format",
       "write the value out, or quote the text"},
      {Msg::ALIAS_NOT_FOUND, "a '*' without a name", "quote the text"},
      {Msg::ANCHOR_NOT_FOUND, "a '&' without a name", "quote the text"},
      {Msg::CHAR_IN_ALIAS, "an alias ('*name') is not part of this format", "quote the text"},
      {Msg::CHAR_IN_ANCHOR, "an anchor ('&name') is not part of this format", "quote the text"},
      {Msg::CHAR_IN_TAG_HANDLE, "a tag ('!name') is not part of this format", "quote the text"},
      {Msg::BAD_FILE, "nested too deeply", "no description needs this; check the brackets"},
  };
  for (const Known& known : kKnown)
    if (said == known.theirs) return error_at(place, known.what, known.remedy);
  if (said.rfind(Msg::INVALID_ESCAPE, 0) == 0)
    return error_at(place, "a backslash that means nothing here",
                    "use 'single quotes', or write \\\\");
  return error_at(place, "not YAML: " + said, "see docs/files.md");
}

// Where a bracket was opened that the next line, or the end, shows to be forgotten. Only asked once
// parsing has failed, to put the trouble where it began: the library tells where it noticed.
struct OpenBracket {
  int line = 0, column = 0;
  char bracket = 0;
};
std::optional<OpenBracket> forgotten_bracket(std::string_view text) {
  std::vector<OpenBracket> open;
  int line = 1, column = 0;
  char quote = 0, before = '\n';
  bool fresh = true;  // only blanks so far on this line
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if ((static_cast<unsigned char>(c) & 0xC0) != 0x80) ++column;
    if (c == '\n') {
      ++line, column = 0, fresh = true, quote = 0, before = '\n';
      continue;
    }
    if (fresh && c != ' ') {
      const bool next_item = c == '-' && text.substr(i + 1, 1) == " ";
      if (!open.empty() && c != '#' && ((column == 1 && c != ']' && c != '}') || next_item))
        return open.back();
      fresh = false;
    }
    if (quote != 0) {
      if (c == quote)
        quote = 0;
      else if (c == '\\' && quote == '"')
        ++i, ++column;
      continue;
    }
    const bool starts =
        before == '\n' || before == ' ' || before == ',' || before == '[' || before == '{';
    if (starts && (c == '"' || c == '\'')) quote = c;
    if (c == '#' && (before == ' ' || before == '\n')) {
      while (i + 1 < text.size() && text[i + 1] != '\n') ++i;
    } else if ((c == '[' || c == '{') && starts) {
      open.push_back({line, column, c});
    } else if ((c == ']' || c == '}') && !open.empty()) {
      if ((c == ']') != (open.back().bracket == '[')) return open.back();
      open.pop_back();
    }
    before = c;
  }
  if (open.empty()) return std::nullopt;
  return open.back();
}

// The length of the UTF-8 character at `at`, or 0 when there is none (RFC 3629 table of section 4).
std::size_t utf8_length(std::string_view text, std::size_t at) {
  const auto byte = [&](std::size_t i) {
    return at + i < text.size() ? static_cast<unsigned char>(text[at + i]) : 0u;
  };
  const auto tail = [&](std::size_t i) { return (byte(i) & 0xC0u) == 0x80u; };
  const unsigned first = byte(0), second = byte(1);
  if (first < 0x80) return 1;
  if (first >= 0xC2 && first <= 0xDF) return tail(1) ? 2 : 0;
  if (first >= 0xE0 && first <= 0xEF) {
    const bool good = !(first == 0xE0 && second < 0xA0) && !(first == 0xED && second > 0x9F);
    return good && tail(1) && tail(2) ? 3 : 0;
  }
  if (first >= 0xF0 && first <= 0xF4) {
    const bool good = !(first == 0xF0 && second < 0x90) && !(first == 0xF4 && second > 0x8F);
    return good && tail(1) && tail(2) && tail(3) ? 4 : 0;
  }
  return 0;
}

Error begun_earlier(const std::string& path, std::string_view text, const Place& at, Error error) {
  const auto open = forgotten_bracket(text);
  if (!open || open->line > at.line || (open->line == at.line && open->column > at.column))
    return error;
  const char closing = open->bracket == '[' ? ']' : '}';
  return error_at({std::make_shared<const std::string>(path), open->line, open->column},
                  fmt::format("this '{}' is not closed by '{}'", open->bracket, closing),
                  "close it, or check the brackets inside");
}

Status check_characters(const std::string& path, std::string_view text) {
  int line = 1, column = 1;
  bool indenting = true;  // only blanks so far on this line
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t length = utf8_length(text, i);
    const auto byte = static_cast<unsigned char>(text[i]);
    const auto at = [&] { return Place{std::make_shared<const std::string>(path), line, column}; };
    if (length == 0)
      return error_at(at(), fmt::format("byte 0x{:02X} is not UTF-8", byte),
                      "save the file as UTF-8");
    const bool lone_return = byte == '\r' && (i + 1 >= text.size() || text[i + 1] != '\n');
    if ((byte < 0x20 && byte != '\n' && byte != '\t' && byte != '\r') || byte == 0x7F ||
        lone_return)
      return error_at(at(), fmt::format("control character 0x{:02X}", byte), "remove it");
    if (byte == '\t' && indenting)
      return error_at(at(), "a tab where the indentation must be spaces",
                      "replace the tab by spaces");
    if (byte == '%' && column == 1)
      return error_at(at(), "a '%' directive is not part of this format", "remove the line");
    indenting = byte == '\n' || (indenting && byte == ' ');
    if (byte == '\n')
      ++line, column = 1;
    else
      ++column;
    i += length;
  }
  return {};
}

}  // namespace

std::string Place::text() const {
  return fmt::format("{}:{}:{}", file ? *file : std::string(), line, column);
}

const Node* Node::find(std::string_view key) const {
  if (kind != Kind::map) return nullptr;
  for (const Entry& entry : entries)
    if (entry.key.text == key) return &entry.value;
  return nullptr;
}

std::string describe(const Node& node) {
  switch (node.kind) {
    case Node::Kind::map:
      return "a map";
    case Node::Kind::list:
      return "a list";
    case Node::Kind::scalar:
      break;
  }
  return "'" + shown(node.text) + "'";
}

Error error_at(const Place& place, std::string what, std::string remedy) {
  return input_error(place.text(), std::move(what), std::move(remedy));
}

Result<std::string> read_text(const std::string& path, std::size_t limit) {
  struct stat info {};
  if (::stat(path.c_str(), &info) != 0)
    return input_error(path, fmt::format("cannot be read: {}", std::strerror(errno)),
                       "check the name; paths are relative to the file that names them");
  // A pipe or a device would block or never end.
  if (!S_ISREG(info.st_mode)) return input_error(path, "is not a file", "name a file");
  std::ifstream in(path, std::ios::binary);
  if (!in)
    return input_error(path, fmt::format("cannot be read: {}", std::strerror(errno)),
                       "check its permissions");
  std::string text(limit + 1, '\0');
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  text.resize(static_cast<std::size_t>(in.gcount()));
  if (text.size() > limit)
    return input_error(path, fmt::format("is larger than {} bytes", limit), "split it");
  if (in.bad()) return input_error(path, "reading it failed", "check the disk");
  return text;
}

Result<Node> parse(const std::string& path, std::string_view text, const Limits& limits) {
  if (text.size() > limits.bytes)
    return input_error(path, fmt::format("is larger than {} bytes", limits.bytes), "split it");
  if (text.substr(0, 3) == "\xEF\xBB\xBF")
    text.remove_prefix(3);  // a byte order mark is no content
  TH_TRY(check_characters(path, text));
  const Lines lines(text);
  Builder builder(path, lines, limits);
  try {
    std::istringstream in{std::string(text)};
    YAML::Parser parser(in);
    // The second call finds a second document, which the builder refuses.
    if (parser.HandleNextDocument(builder)) parser.HandleNextDocument(builder);
  } catch (const Refused& refused) {
    return begun_earlier(path, text, refused.at, refused.error);
  } catch (const YAML::Exception& wrong) {
    const Place at = builder.place(wrong.mark);
    return begun_earlier(path, text, at, syntax_error(at, wrong.msg));
  }
  if (!builder.has_root())
    return input_error(path + ":1:1", "the file is empty", "see docs/files.md for an example");
  Node root = builder.take_root();
  if (!root.is_map())
    return error_at(root.place, "expected 'key: value' lines, found " + describe(root),
                    "see docs/files.md for an example");
  return root;
}

Result<Node> load(const std::string& path, const Limits& limits) {
  auto text = read_text(path, limits.bytes);
  if (!text) return text.error();
  return parse(path, *text, limits);
}

const Node* Fields::take(const char* key) {
  asked_.insert(key);
  return map_.find(key);
}

Status Fields::done(const std::string& thing) const {
  for (const Node::Entry& entry : map_.entries) {
    if (asked_.count(entry.key.text) != 0) continue;
    const std::vector<std::string> known(asked_.begin(), asked_.end());
    const std::string near = nearest_name(entry.key.text, known);
    std::string remedy;
    if (!near.empty()) {
      remedy = fmt::format("did you mean '{}'?", near);
    } else {
      for (const std::string& name : known) remedy += (remedy.empty() ? "known: " : ", ") + name;
    }
    return error_at(entry.key.place,
                    fmt::format("{} has no key '{}'", thing, shown(entry.key.text)), remedy);
  }
  return {};
}

}  // namespace tenterhook::yaml
