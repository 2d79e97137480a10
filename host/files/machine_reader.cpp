#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "host/files/board_reader.h"
#include "host/files/machine.h"
#include "host/files/reader.h"

namespace tenterhook::files {
namespace {

constexpr std::size_t kMaxBoards = 256;
constexpr std::size_t kMaxJoins = 20'000;

class MachineReader {
 public:
  MachineReader(Machine& machine, Sink& sink) : machine_(machine), sink_(sink) {}

  void read(Map& map) {
    const yaml::Node* name = map.need("machine", "loom-controller");
    if (name != nullptr && want_label(*name, sink_, "machine")) machine_.name = name->text;
    machine_.about = map.text("about");
    const yaml::Node* boards = map.need("boards", "{latch: {file: latch/board.yaml}}");
    const yaml::Node* joins = map.take("joins");
    const yaml::Node* supplies = map.take("supplies");
    if (boards != nullptr) read_boards(*boards);
    if (sink_.failed()) return;  // joins and supplies need the boards
    if (joins != nullptr) read_joins(*joins);
    if (supplies != nullptr) read_supplies(*supplies);
  }

 private:
  void read_boards(const yaml::Node& node) {
    if (!want_map(node, sink_, "'boards'")) return;
    if (node.entries.size() > kMaxBoards)
      return sink_.add(node, fmt::format("more than {} boards", kMaxBoards));
    for (const yaml::Node::Entry& entry : node.entries) {
      if (!want_name(entry.key, sink_, "board")) continue;
      MachineBoard board;
      board.name = entry.key.text;
      board.mark = mark_of(entry.key);
      Map map(entry.value, sink_, fmt::format("board '{}'", board.name));
      const yaml::Node* file = map.need("file", "latch/board.yaml");
      board.serial = map.text("serial");
      if (file == nullptr || !want_scalar(*file, sink_, "'file'")) continue;
      auto read = read_board(beside(machine_.path, file->text));
      if (!read) {
        // Missing is this file's trouble; broken is the board's, told at its own place.
        const bool missing = read.error().where == beside(machine_.path, file->text);
        if (missing)
          sink_.add(*file, fmt::format("board {} {}", describe(*file), read.error().what),
                    read.error().remedy);
        else
          sink_.add_as(file->place, read.error());
        continue;
      }
      board.board = read.take();
      for (const SourceFile& source : board.board.sources) {
        const bool known = std::any_of(machine_.sources.begin(), machine_.sources.end(),
                                       [&](const SourceFile& s) { return s.path == source.path; });
        if (!known) machine_.sources.push_back(source);
      }
      machine_.boards.push_back(std::move(board));
    }
  }

  // "latch.F2..F1" -> the board and its lines; null after a complaint.
  const MachineBoard* split(const yaml::Node& node, yaml::Node& rest) {
    if (!want_scalar(node, sink_, "a line")) return nullptr;
    const std::size_t dot = node.text.find('.');
    if (dot == std::string::npos || dot + 1 == node.text.size() || node.text[dot + 1] == '.') {
      sink_.add(node, fmt::format("{} is not BOARD.NAME", describe(node)),
                "write it as in 'latch.F0'");
      return nullptr;
    }
    const std::string name = node.text.substr(0, dot);
    const MachineBoard* board = machine_.board(name);
    if (board == nullptr) {
      std::vector<std::string> known;
      for (const MachineBoard& one : machine_.boards) known.push_back(one.name);
      sink_.add(node, fmt::format("'{}' is no board of this machine", name), suggest(name, known));
      return nullptr;
    }
    rest = node;
    rest.text = node.text.substr(dot + 1);
    return board;
  }

  std::vector<Terminal> lines(const yaml::Node& node) {
    std::vector<Terminal> out;
    yaml::Node rest;
    if (const MachineBoard* board = split(node, rest))
      for (const std::string& name : lines_named(board->board, rest, sink_))
        out.push_back({board->name, name});
    return out;
  }

  const Line& line_of(const Terminal& terminal) const {
    return *machine_.board(terminal.board)->board.line(terminal.name);
  }

  void read_joins(const yaml::Node& node) {
    if (!want_map(node, sink_, "'joins'")) return;
    for (const yaml::Node::Entry& entry : node.entries) {
      const std::vector<Terminal> from = lines(entry.key);
      for (const yaml::Node* value : one_or_more(entry.value, sink_, "a join")) {
        const std::vector<Terminal> to = lines(*value);
        if (from.empty() || to.empty()) continue;
        if (from.size() != to.size()) {
          sink_.add(*value,
                    fmt::format("{} has {}, {} has {}", describe(entry.key),
                                count_of(from.size(), "line"), describe(*value), to.size()),
                    "join lines of equal number");
          continue;
        }
        if (machine_.joins.size() + from.size() > kMaxJoins)
          return sink_.add(*value, fmt::format("more than {} joins", kMaxJoins));
        for (std::size_t i = 0; i < from.size(); ++i) join(entry.key, *value, from[i], to[i]);
      }
    }
  }

  void join(const yaml::Node& key, const yaml::Node& value, const Terminal& from,
            const Terminal& to) {
    const LineKind driver = line_of(from).kind, receiver = line_of(to).kind;
    if (driver != LineKind::output && driver != LineKind::both)
      return sink_.add(
          key, fmt::format("'{}.{}' is no output; it cannot drive a wire", from.board, from.name),
          "write the driver first");
    if (receiver == LineKind::output)
      return sink_.add(value,
                       fmt::format("'{}.{}' is an output; it cannot receive", to.board, to.name),
                       "write the driver first, then its receivers");
    const auto [at, fresh] = driven_.try_emplace(to.board + "." + to.name, from);
    if (!fresh && !(shares(at->second) && shares(from)))
      return sink_.add(value,
                       fmt::format("'{}.{}' is driven by '{}.{}' already", to.board, to.name,
                                   at->second.board, at->second.name),
                       "one driver a wire, unless both let go (open collector, tri-state)");
    machine_.joins.push_back({mark_of(value), from, to});
  }

  // A driver that can let go of its wire.
  bool shares(const Terminal& terminal) const {
    const Line& line = line_of(terminal);
    const Family* family = machine_.board(terminal.board)->board.family_of(line);
    const auto open = [](const DriveLevel& level) { return level.kind == DriveLevel::Kind::open; };
    return line.kind == LineKind::both || line.pull.has_value() ||
           (family != nullptr && open(family->drive_low) != open(family->drive_high));
  }

  void read_supplies(const yaml::Node& node) {
    if (!want_map(node, sink_, "'supplies'")) return;
    for (const yaml::Node::Entry& entry : node.entries) {
      if (!want_name(entry.key, sink_, "supply")) continue;
      Supply supply;
      supply.name = entry.key.text;
      supply.mark = mark_of(entry.key);
      Map map(entry.value, sink_, fmt::format("supply '{}'", supply.name));
      if (const yaml::Node* feeds = map.need("feeds", "[latch.plate]"))
        for (const yaml::Node* item : one_or_more(*feeds, sink_, "'feeds'")) feed(*item, supply);
      supply.limit = map.need_quantity<Amps>("limit", Sign::positive, "6 A");
      supply.volts = map.quantity<Volts>("volts", Sign::any);
      if (const yaml::Node* wire = map.take("wire"))
        supply.wire = read_wire(*wire, fmt::format("supply '{}'", supply.name), sink_);
      machine_.supplies.push_back(std::move(supply));
    }
  }

  void feed(const yaml::Node& node, Supply& supply) {
    yaml::Node rest;
    const MachineBoard* board = split(node, rest);
    if (board == nullptr) return;
    if (board->board.rail(rest.text) == nullptr) {
      std::vector<std::string> known;
      for (const Rail& rail : board->board.rails) known.push_back(rail.name);
      return sink_.add(node, fmt::format("board '{}' has no rail '{}'", board->name, rest.text),
                       suggest(rest.text, known));
    }
    const auto [at, fresh] = fed_.try_emplace(node.text, supply.name);
    if (!fresh)
      return sink_.add(node, fmt::format("'{}' is fed by '{}' already", node.text, at->second),
                       "one supply a rail");
    supply.feeds.push_back({board->name, rest.text});
  }

  Machine& machine_;
  Sink& sink_;
  std::map<std::string, Terminal> driven_;
  std::map<std::string, std::string> fed_;
};

}  // namespace

const MachineBoard* Machine::board(const std::string& wanted) const {
  for (const MachineBoard& one : boards)
    if (one.name == wanted) return &one;
  return nullptr;
}

Result<Machine> parse_machine(const std::string& path, const std::string& text) {
  auto root = yaml::parse(path, text);
  if (!root) return root.error();
  Machine machine;
  machine.path = path;
  machine.sources.push_back(source_file(path, text));
  Sink sink;
  {
    Map map(*root, sink, "a machine");
    MachineReader(machine, sink).read(map);
  }
  if (sink.failed()) return sink.first();
  return machine;
}

Result<Machine> read_machine(const std::string& path) {
  const auto text = yaml::read_text(path);
  if (!text) return text.error();
  return parse_machine(path, *text);
}

}  // namespace tenterhook::files
