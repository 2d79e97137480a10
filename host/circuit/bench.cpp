#include "host/circuit/bench.h"

#include <fmt/format.h>

#include <array>
#include <cctype>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <unordered_map>
#include <unordered_set>

#include "host/base/sha256.h"
#include "host/circuit/netlist.h"

namespace tenterhook::circuit {
namespace {

using files::LineKind;

constexpr std::array<std::pair<const char*, const char*>, 9> kGateNames{{{"AND", "and"},
                                                                         {"NAND", "nand"},
                                                                         {"OR", "or"},
                                                                         {"NOR", "nor"},
                                                                         {"XOR", "xor"},
                                                                         {"XNOR", "xnor"},
                                                                         {"NOT", "not"},
                                                                         {"BUF", "buf"},
                                                                         {"BUFF", "buf"}}};

class Parser {
 public:
  Parser(const std::string& path, const std::string& text) : path_(path), text_(text) {}

  Result<files::Board> parse() {
    board_.name = std::filesystem::path(path_).stem().string();
    board_.path = path_;
    board_.families["logic"].name = "logic";
    std::size_t begin = 0;
    for (line_ = 1; begin <= text_.size(); ++line_) {
      std::size_t end = text_.find('\n', begin);
      if (end == std::string::npos) end = text_.size();
      at_ = begin;
      end_ = end;
      TH_TRY(statement());
      begin = end + 1;
    }
    if (board_.circuit.empty() && flip_flops_.empty())
      return input_error(path_, "no gate in this netlist",
                         "lines such as `G10 = NAND(G1, G3)` are expected");
    add_outputs();
    add_scan();
    board_.sources.push_back({path_, text_, sha256(text_)});
    return std::move(board_);
  }

 private:
  static bool is_space(char c) {
    return c == ' ' || c == '\t' || c == '\r' || c == '\f' || c == '\v';
  }
  void skip_space() {
    while (at_ < end_ && is_space(text_[at_])) ++at_;
    if (at_ < end_ && text_[at_] == '#') at_ = end_;
  }
  files::Mark mark(std::size_t at) const {
    const std::size_t newline = at == 0 ? std::string::npos : text_.rfind('\n', at - 1);
    const std::size_t start = newline == std::string::npos ? 0 : newline + 1;
    return {path_, line_, static_cast<int>(at - start) + 1};
  }
  Error wrong(const std::string& expected) const {
    const files::Mark m = mark(at_);
    std::string found = "the end of the line";
    if (at_ < end_) {
      const auto c = static_cast<unsigned char>(text_[at_]);
      found = std::isprint(c) != 0 ? fmt::format("'{}'", text_[at_])
                                   : fmt::format("the byte 0x{:02x}", c);
    }
    return input_error(fmt::format("{}:{}:{}", m.file, m.line, m.column),
                       fmt::format("expected {}, found {}", expected, found),
                       "INPUT(a), OUTPUT(a) or a = GATE(b, c)");
  }
  Error wrong_name(std::size_t at, std::string what, std::string remedy) const {
    const files::Mark m = mark(at);
    return input_error(fmt::format("{}:{}:{}", m.file, m.line, m.column), std::move(what),
                       std::move(remedy));
  }

  Result<std::string> name(const char* what) {
    skip_space();
    const std::size_t begin = at_;
    while (at_ < end_ && !is_space(text_[at_]) &&
           std::string_view("(),=#").find(text_[at_]) == std::string_view::npos &&
           std::isprint(static_cast<unsigned char>(text_[at_])) != 0)
      ++at_;
    if (at_ == begin) return wrong(what);
    if (at_ - begin > kMaxBenchName) {
      at_ = begin;
      return wrong_name(begin, fmt::format("a name of more than {} characters", kMaxBenchName),
                        "shorten it");
    }
    return text_.substr(begin, at_ - begin);
  }

  Status symbol(char c) {
    skip_space();
    if (at_ >= end_ || text_[at_] != c) return wrong(fmt::format("'{}'", c));
    ++at_;
    return {};
  }

  static std::string upper(std::string word) {
    for (char& c : word) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
    return word;
  }

  Status statement() {
    skip_space();
    if (at_ >= end_) return {};
    const std::size_t begin = at_;
    if (++statements_ > kMaxBenchStatements)
      return wrong_name(begin, fmt::format("more than {} definitions", kMaxBenchStatements),
                        "is this a netlist?");
    Result<std::string> first = name("a net or a keyword");
    if (!first.ok()) return first.error();
    skip_space();
    if (at_ < end_ && text_[at_] == '=') {
      ++at_;
      TH_TRY(gate(*first, begin));
    } else {
      TH_TRY(terminal(upper(*first), begin));
    }
    skip_space();
    if (at_ < end_) return wrong("the end of the line");
    return {};
  }

  Status terminal(const std::string& keyword, std::size_t begin) {
    if (keyword != "INPUT" && keyword != "OUTPUT") {
      at_ = begin;
      return wrong_name(begin,
                        fmt::format("'{}' is neither INPUT, OUTPUT nor a definition", keyword),
                        "INPUT(a), OUTPUT(a) or a = GATE(b, c)");
    }
    TH_TRY(symbol('('));
    Result<std::string> net = name("the name of a net");
    if (!net.ok()) return net.error();
    TH_TRY(symbol(')'));
    if (keyword == "OUTPUT") {
      if (!output_names_.insert(*net).second)
        return wrong_name(begin, fmt::format("OUTPUT({}) appears twice", *net), "remove one");
      outputs_.push_back({*net, mark(begin)});
      return {};
    }
    if (!define(*net))
      return wrong_name(begin, fmt::format("'{}' is defined twice", *net), "remove or rename one");
    add_line(*net, LineKind::input, mark(begin));
    return {};
  }

  bool define(const std::string& net) { return defined_.insert(net).second; }

  Status gate(const std::string& out, std::size_t begin) {
    if (!define(out))
      return wrong_name(begin, fmt::format("'{}' is defined twice", out), "remove or rename one");
    skip_space();
    const std::size_t type_at = at_;
    Result<std::string> type = name("the type of a gate");
    if (!type.ok()) return type.error();
    const std::string word = upper(*type);
    files::Gate made;
    made.mark = mark(begin);
    for (const auto& [spelt, standard] : kGateNames)
      if (word == spelt) made.type = standard;
    if (made.type.empty() && word != "DFF")
      return wrong_name(type_at, fmt::format("unknown gate '{}'", *type),
                        "known: AND NAND OR NOR XOR XNOR NOT BUF BUFF DFF");
    TH_TRY(symbol('('));
    do {
      Result<std::string> in = name("the name of a net");
      if (!in.ok()) return in.error();
      if (made.inputs.size() >= kMaxFanIn)
        return wrong_name(begin, fmt::format("more than {} inputs", kMaxFanIn), "split the gate");
      made.inputs.push_back(in.take());
      skip_space();
    } while (at_ < end_ && text_[at_] == ',' && ++at_ > 0);
    TH_TRY(symbol(')'));
    if (word == "DFF") {
      if (made.inputs.size() != 1)
        return wrong_name(begin, fmt::format("DFF with {} inputs, expected 1", made.inputs.size()),
                          "a = DFF(b)");
      flip_flops_.push_back({out, made.inputs[0], made.mark});
      return {};
    }
    made.input_inverted.assign(made.inputs.size(), false);
    made.outputs.push_back(out);
    board_.circuit.push_back(std::move(made));
    return {};
  }

  void add_line(const std::string& line, LineKind kind, const files::Mark& where) {
    files::Line l;
    l.name = line;
    l.mark = where;
    l.kind = kind;
    l.family = "logic";
    board_.lines.push_back(std::move(l));
    if (kind == LineKind::input) input_names_.insert(line);
  }

  // A line `wanted` that shows `net`, made unique, through a buffer that counts as no line of its
  // own.
  void add_view(const std::string& net, std::string wanted, const files::Mark& where) {
    while (defined_.count(wanted) != 0 || output_names_.count(wanted) != 0) wanted += "_";
    define(wanted);
    add_line(wanted, LineKind::output, where);
    files::Gate view;
    view.type = "buf";
    view.build = kScanView;
    view.mark = where;
    view.inputs = {net};
    view.input_inverted = {false};
    view.outputs = {wanted};
    board_.circuit.push_back(std::move(view));
  }

  void add_outputs() {
    for (const FlipFlop& f : flip_flops_) add_line(f.out, LineKind::input, f.mark);
    for (const auto& [net, where] : outputs_) {
      if (input_names_.count(net) != 0)
        add_view(net, net + "_out", where);
      else
        add_line(net, LineKind::output, where);
    }
  }

  void add_scan() {
    for (const FlipFlop& f : flip_flops_) add_view(f.data, f.out + "_next", f.mark);
  }

  struct FlipFlop {
    std::string out, data;
    files::Mark mark;
  };
  const std::string& path_;
  const std::string& text_;
  std::size_t at_ = 0, end_ = 0;
  int line_ = 0;
  std::size_t statements_ = 0;
  files::Board board_;
  std::vector<std::pair<std::string, files::Mark>> outputs_;
  std::unordered_set<std::string> output_names_, defined_, input_names_;
  std::vector<FlipFlop> flip_flops_;
};

}  // namespace

bool is_bench_path(const std::string& path) {
  return std::filesystem::path(path).extension() == ".bench";
}

Result<files::Board> parse_bench(const std::string& path, const std::string& text) {
  if (text.size() > kMaxBenchBytes)
    return input_error(path, fmt::format("larger than {} bytes", kMaxBenchBytes),
                       "is this a netlist?");
  return Parser(path, text).parse();
}

Result<files::Board> read_bench(const std::string& path) {
  std::error_code error;
  if (!std::filesystem::is_regular_file(path, error))
    return input_error(path, "no such file, or not a regular file", "check the path");
  const auto size = std::filesystem::file_size(path, error);
  if (error || size > kMaxBenchBytes)
    return input_error(path, fmt::format("larger than {} bytes, or unreadable", kMaxBenchBytes),
                       "is this a netlist?");
  std::ifstream in(path, std::ios::binary);
  std::ostringstream text;
  text << in.rdbuf();
  if (!in) return input_error(path, "cannot be read", "check its permissions");
  return parse_bench(path, text.str());
}

}  // namespace tenterhook::circuit
