#include "host/files/reader.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>

#include "host/circuit/bench.h"
#include "host/files/board_reader.h"
#include "host/files/steps_reader.h"

namespace tenterhook::files {
namespace {

// The key that tells what a file is, or empty.
std::string kind_of(const yaml::Node& root) {
  for (const char* key : {"vectors", "board", "fixture", "machine", "gates"})
    if (root.find(key) != nullptr) return key;
  return {};
}

Error wrong_kind(const yaml::Node& root, const std::string& wanted) {
  const std::string found = kind_of(root);
  if (found.empty())
    return yaml::error_at(root.place,
                          fmt::format("this is no {} file: it has no '{}'", wanted, wanted),
                          fmt::format("add '{}: NAME' as its first line", wanted));
  return yaml::error_at(root.place,
                        fmt::format("expected a {} file, found a {} file", wanted, found),
                        "name the other file");
}

Result<Board> board_from(const std::string& path, const std::string& text, const yaml::Node& root,
                         const Fetch& fetch) {
  if (kind_of(root) != "board") return wrong_kind(root, "board");
  Board board;
  board.path = path;
  board.sources.push_back(source_file(path, text));
  Sink sink;
  {
    Map map(root, sink, "a board");
    BoardReader(board, sink, fetch).read(map);
    map.take("steps");
    map.quantity<Seconds>("settle", Sign::not_negative);
  }
  if (sink.failed()) return sink.first();
  return board;
}

Result<Board> read_board_with(const std::string& path, const std::string& text,
                              const Fetch& fetch) {
  if (circuit::is_bench_path(path)) return circuit::parse_bench(path, text);
  auto root = yaml::parse(path, text);
  if (!root) return root.error();
  return board_from(path, text, *root, fetch);
}

// A proposal's `approved:`: who read it, and when. "no" reads as well; commands refuse to run that.
void read_approval(Map& map, Sink& sink, Vectors& vectors) {
  const yaml::Node* node = map.take("approved");
  if (node == nullptr || !want_scalar(*node, sink, "'approved'")) return;
  static const std::array<const char*, 6> kNobody{"yes", "Yes", "true", "True", "ok", "OK"};
  if (std::find(kNobody.begin(), kNobody.end(), node->text) != kNobody.end()) {
    sink.add(*node, fmt::format("'approved: {}' does not say who approved it", node->text), "write a name and the date");
    return;
  }
  vectors.approved = node->text;
}

// Windows for all steps of a vectors file: they stand for the lines' own ones.
void read_windows(Map& map, Sink& sink, Board& board) {
  const yaml::Node* windows = map.take("windows");
  if (windows == nullptr || !want_map(*windows, sink, "'windows'")) return;
  for (const yaml::Node::Entry& entry : windows->entries) {
    const LevelWindows levels = read_level_windows(entry.value, sink, fmt::format("the window of '{}'", entry.key.text));
    for (const std::string& name : lines_named(board, entry.key, sink)) {
      for (Line& line : board.lines) {
        if (line.name != name) continue;
        if (levels.low) line.low = levels.low;
        if (levels.high) line.high = levels.high;
      }
    }
  }
}

Result<Vectors> vectors_from(const std::string& path, const std::string& text, const Fetch& fetch) {
  auto tree = yaml::parse(path, text);
  if (!tree) return tree.error();
  const yaml::Node& root = *tree;
  const bool apart = kind_of(root) == "vectors";
  if (!apart && kind_of(root) != "board") return wrong_kind(root, "vectors");
  Vectors vectors;
  vectors.path = path;
  vectors.mark = mark_of(root);
  vectors.sources.push_back(source_file(path, text));
  Sink sink;
  if (!apart) {
    auto board = board_from(path, text, root, fetch);
    if (!board) return board.error();
    vectors.board = board.take();
    vectors.name = vectors.board.name;
  } else {
    const yaml::Node* named = root.find("board");
    if (named == nullptr)
      return yaml::error_at(root.place, "a vectors file has no 'board'", "add 'board: board.yaml'");
    if (!want_scalar(*named, sink, "'board'")) return sink.first();
    const std::string board_path = beside(path, named->text);
    const auto board_text = fetch(board_path);
    if (!board_text)
      return yaml::error_at(named->place,
                            fmt::format("board {} {}", describe(*named), board_text.error().what),
                            board_text.error().remedy);
    auto board = read_board_with(board_path, *board_text, fetch);
    if (!board) return board.error();
    vectors.board = board.take();
  }
  {
    Map map(root, sink, apart ? "a vectors file" : "a board");
    if (apart) {
      const yaml::Node* name = map.need("vectors", "acceptance");
      if (name != nullptr && want_label(*name, sink, "vectors file")) vectors.name = name->text;
      map.take("board");
      map.take("about");
      read_approval(map, sink, vectors);
      read_windows(map, sink, vectors.board);
    } else {
      for (const yaml::Node::Entry& entry : root.entries)
        map.take(entry.key.text.c_str());  // read above
    }
    vectors.settle = map.quantity<Seconds>("settle", Sign::not_negative).value_or(Seconds{});
    if (const yaml::Node* steps = map.need("steps", "[{set: {A: 0}, expect: {Y: 0}}]"))
      StepsReader(vectors, sink).read(*steps);
  }
  if (sink.failed()) return sink.first();
  for (const SourceFile& source : vectors.board.sources)
    if (source.path != path) vectors.sources.push_back(source);
  return vectors;
}

// A board that uses every gate of the library once, so that bodies are read as well as heads.
std::string trial_board(const yaml::Node& define, const std::string& library) {
  std::string lines, uses;
  int next = 0;
  for (const yaml::Node::Entry& entry : define.entries) {
    std::string ins, outs;
    for (const auto& [key, list] : {std::pair{"in", &ins}, std::pair{"out", &outs}}) {
      const yaml::Node* pins = entry.value.find(key);
      const std::size_t count = pins == nullptr ? 0 : pins->is_list() ? pins->items.size() : 1;
      for (std::size_t i = 0; i < count; ++i) {
        const std::string name = "n" + std::to_string(next++);
        *list += (list->empty() ? "" : ", ") + name;
        if (key[0] == 'i') lines += fmt::format("  {}: {{in: ttl}}\n", name);
      }
    }
    uses += fmt::format("  - {{gate: {}, name: U{}, in: [{}], out: [{}]}}\n", entry.key.text,
                        next++, ins, outs);
  }
  return fmt::format(
      "board: trial\nrails: {{vcc: {{nominal: 5 V, window: 5 %, limit: 1 A}}}}\nlines:\n{}gates: "
      "'{}'\ncircuit:\n{}",
      lines, library, uses);
}

}  // namespace

Result<FileKind> file_kind(const std::string& path) {
  const auto root = yaml::load(path);
  if (!root) return root.error();
  const std::string kind = kind_of(*root);
  if (kind == "vectors" || (kind == "board" && root->find("steps") != nullptr))
    return FileKind::vectors;
  if (kind == "board") return FileKind::board;
  if (kind == "fixture") return FileKind::fixture;
  if (kind == "machine") return FileKind::machine;
  if (kind == "gates") return FileKind::gates;
  return yaml::error_at(root->place, "this file says not what it describes",
                        "add 'board: NAME', 'vectors: NAME', 'fixture: NAME', 'machine: NAME' or "
                        "'gates: NAME' as its first line");
}

Status check_gates(const std::string& path) {
  const auto text = yaml::read_text(path);
  if (!text) return text.error();
  const auto root = yaml::parse(path, *text);
  if (!root) return root.error();
  if (kind_of(*root) != "gates") return wrong_kind(*root, "gates");
  const yaml::Node* define = root->find("define");
  if (define == nullptr || !define->is_map() || define->entries.empty())
    return yaml::error_at(define == nullptr ? root->place : define->place,
                          "a gate library has no 'define'",
                          "add 'define: {half-adder: {in: [A, B], out: [S, C], circuit: [...]}}'");
  const std::string trial = path + " (trial)";
  const Fetch fetch = [&](const std::string& wanted) -> Result<std::string> {
    if (wanted == beside(trial, "library")) return *text;
    return input_error(wanted, "cannot be read", "");
  };
  const auto board = read_board_with(trial, trial_board(*define, "library"), fetch);
  if (board) return {};
  Error error = board.error();
  const std::string inner = beside(trial, "library") + ":";
  if (error.where.rfind(inner, 0) == 0) error.where = path + ":" + error.where.substr(inner.size());
  return error;
}

Result<Board> parse_board(const std::string& path, const std::string& text) {
  return read_board_with(path, text, from_disk());
}

Result<Board> read_board(const std::string& path) {
  const auto text = yaml::read_text(path);
  if (!text) return text.error();
  return parse_board(path, *text);
}

Result<Vectors> parse_vectors(const std::string& path, const std::string& text) {
  return vectors_from(path, text, from_disk());
}

Result<Vectors> read_vectors(const std::string& path) {
  const auto text = yaml::read_text(path);
  if (!text) return text.error();
  return parse_vectors(path, *text);
}

Result<Vectors> parse_recorded(const std::vector<SourceFile>& sources) {
  if (sources.empty()) return input_error({}, "the record holds no files", "run the board again");
  return vectors_from(sources[0].path, sources[0].text, from_record(sources));
}

}  // namespace tenterhook::files
