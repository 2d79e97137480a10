// The circuit of a board: gates, `each`, gate libraries, wired nets.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <memory>
#include <set>

#include "host/files/board_reader.h"

namespace tenterhook::files {
namespace {

constexpr int kMaxHierarchy = 8;  // uses inside uses of library gates
constexpr std::size_t kMaxPins = 64;
constexpr std::size_t kMaxRows = 4096;

struct GateKind {
  const char* name;
  std::size_t least, most;  // inputs
  bool clock, enable, set_clear, inverse;
};
constexpr std::array<GateKind, 15> kGates{{
    {"and", 2, kMaxPins, false, false, false, false},
    {"or", 2, kMaxPins, false, false, false, false},
    {"nand", 2, kMaxPins, false, false, false, false},
    {"nor", 2, kMaxPins, false, false, false, false},
    {"xor", 2, kMaxPins, false, false, false, false},
    {"xnor", 2, kMaxPins, false, false, false, false},
    {"not", 1, 1, false, false, false, false},
    {"buf", 1, 1, false, false, false, false},
    {"d-latch", 1, 1, false, true, true, true},
    {"d-flip-flop", 1, 1, true, false, true, true},
    {"t-flip-flop", 0, 1, true, false, true, true},
    {"jk-flip-flop", 2, 2, true, false, true, true},
    {"sr-latch", 2, 2, false, false, false, true},
    {"tri-state", 1, 1, false, true, false, false},
    {"table", 1, 12, false, false, false, false},
}};

const GateKind* kind_of(const std::string& name) {
  for (const GateKind& kind : kGates)
    if (name == kind.name) return &kind;
  return nullptr;
}

// "not NET" -> NET, true.
bool strip_not(std::string& text) {
  if (text.rfind("not ", 0) != 0) return false;
  text.erase(0, 4);
  return true;
}

}  // namespace

std::vector<std::string> BoardReader::net_names() const {
  std::vector<std::string> names;
  for (const Line& line : board_.lines) names.push_back(line.name);
  for (const auto& [name, place] : nets_)
    if (line_index_.count(name) == 0) names.push_back(name);
  return names;
}

void BoardReader::read_libraries(const yaml::Node& node) {
  if (node.is_map()) {
    for (const yaml::Node::Entry& entry : node.entries) define(entry);
    return;
  }
  for (const yaml::Node* item : one_or_more(node, sink_, "'gates'")) read_library(*item);
}

void BoardReader::read_library(const yaml::Node& node) {
  const std::string path = beside(board_.path, node.text);
  auto text = fetch_(path);
  if (!text) {
    sink_.add(node, fmt::format("gate library {} {}", describe(node), text.error().what),
              text.error().remedy);
    return;
  }
  auto tree = yaml::parse(path, *text);
  if (!tree) {
    sink_.add_as(node.place, tree.error());
    return;
  }
  board_.sources.push_back(source_file(path, *text));
  libraries_.push_back(std::make_unique<yaml::Node>(tree.take()));
  const yaml::Node& root = *libraries_.back();
  // Trouble inside the library is reported there, at its own line.
  Sink own;
  std::swap(sink_, own);
  {
    Map map(root, sink_, "a gate library");
    const yaml::Node* name = map.need("gates", "my-gates");
    if (name != nullptr) want_label(*name, sink_, "gate library");
    map.take("about");
    const yaml::Node* body =
        map.need("define", "{half-adder: {in: [A, B], out: [S, C], circuit: [...]}}");
    if (body != nullptr && want_map(*body, sink_, "'define'"))
      for (const yaml::Node::Entry& entry : body->entries) define(entry);
  }
  std::swap(sink_, own);
  if (own.failed()) sink_.add_as(node.place, own.first());
}

void BoardReader::define(const yaml::Node::Entry& entry) {
  if (!want_label(entry.key, sink_, "gate")) return;
  const std::string& name = entry.key.text;
  if (kind_of(name) != nullptr || definitions_.count(name) != 0) {
    sink_.add(entry.key, fmt::format("gate '{}' is defined already", name), "choose another name");
    return;
  }
  Map map(entry.value, sink_, fmt::format("gate '{}'", name));
  Definition definition;
  std::set<std::string> ports;
  for (const auto& [key, into] :
       {std::pair{"in", &definition.inputs}, std::pair{"out", &definition.outputs}}) {
    const yaml::Node* list = map.need(key, "[A, B]");
    if (list == nullptr) continue;
    for (const yaml::Node* item : one_or_more(*list, sink_, fmt::format("'{}'", key))) {
      if (!want_name(*item, sink_, "pin")) continue;
      if (!ports.insert(item->text).second)
        sink_.add(*item, fmt::format("pin '{}' is here twice", item->text));
      into->push_back(item->text);
    }
  }
  definition.body = map.need("circuit", "[{gate: and, in: [A, B], out: C}]");
  map.take("about");
  if (definition.body != nullptr && !want_list(*definition.body, sink_, "'circuit'"))
    definition.body = nullptr;
  definitions_[name] = definition;
}

void BoardReader::read_circuit(const yaml::Node& list, const Scope& scope) {
  for (const yaml::Node& item : list.items) {
    if (sink_.failed()) return;  // gates are read in file order; also bounds what follows a limit
    if (!want_map(item, sink_, "an entry of 'circuit'")) continue;
    const yaml::Node* each = item.find("each");
    if (each == nullptr) {
      read_gate(item, scope);
      continue;
    }
    std::vector<int> indices;
    for (const yaml::Node* part : one_or_more(*each, sink_, "'each'"))
      read_indices(*part, part->text, sink_, indices);
    yaml::Node plain = item;
    plain.entries.erase(
        std::remove_if(plain.entries.begin(), plain.entries.end(),
                       [](const yaml::Node::Entry& entry) { return entry.key.text == "each"; }),
        plain.entries.end());
    for (const int index : indices) {
      if (sink_.failed()) return;  // one complaint for all indices
      read_gate(with_index(plain, index, sink_), scope);
    }
  }
}

// The net behind a name in this scope: a port's outer net, or the name with the scope's prefix.
std::string BoardReader::net(const yaml::Node& node, const Scope& scope) {
  yaml::Node bare = node;
  strip_not(bare.text);
  if (!want_name(bare, sink_, "net")) return {};
  const auto port = scope.ports.find(bare.text);
  return port != scope.ports.end() ? port->second : scope.prefix + bare.text;
}

Gate::Control BoardReader::control(const yaml::Node& node, const Scope& scope) {
  Gate::Control pin;
  if (!want_scalar(node, sink_, "a net")) return pin;
  std::string text = node.text;
  pin.inverted = strip_not(text);
  pin.net = net(node, scope);
  if (!pin.net.empty()) read_nets_.emplace_back(pin.net, node.place);
  return pin;
}

void BoardReader::read_gate(const yaml::Node& node, const Scope& scope) {
  if (board_.circuit.size() >= kMaxGates) {
    sink_.add(node, fmt::format("more than {} gates", kMaxGates), "split the board");
    return;
  }
  const yaml::Node* type = node.find("gate");
  const std::string thing =
      type != nullptr && type->is_scalar() ? fmt::format("gate '{}'", type->text) : "a gate";
  Map map(node, sink_, thing);
  type = map.need("gate", "and");
  map.take("say");
  if (type == nullptr || !want_scalar(*type, sink_, "'gate'")) {
    for (const yaml::Node::Entry& entry : node.entries) map.take(entry.key.text.c_str());
    return;
  }
  if (definitions_.count(type->text) != 0) return read_use(map, scope, type->text);
  if (kind_of(type->text) == nullptr) {
    std::vector<std::string> known;
    for (const GateKind& kind : kGates) known.emplace_back(kind.name);
    for (const auto& [name, definition] : definitions_) known.push_back(name);
    sink_.add(*type, fmt::format("{} is no gate", describe(*type)), suggest(type->text, known));
    for (const yaml::Node::Entry& entry : node.entries) map.take(entry.key.text.c_str());
    return;
  }
  Gate gate;
  gate.type = type->text;
  gate.mark = mark_of(node);
  gate.path = scope.path;
  read_pins(map, scope, gate);
  read_parts(map, scope, gate);
  check_arity(node, gate);
  board_.circuit.push_back(std::move(gate));
  gate_places_.push_back(node.place);
}

void BoardReader::read_pins(Map& map, const Scope& scope, Gate& gate) {
  const GateKind& kind = *kind_of(gate.type);
  const yaml::Node* in = kind.least > 0 ? map.need("in", "[A, B]") : map.take("in");
  if (in != nullptr) {
    for (const yaml::Node* item : one_or_more(*in, sink_, "'in'")) {
      const Gate::Control pin = control(*item, scope);
      gate.inputs.push_back(pin.net);
      gate.input_inverted.push_back(pin.inverted);
    }
  }
  std::vector<const yaml::Node*> outputs;
  if (const yaml::Node* out = map.need("out", "Y")) outputs = one_or_more(*out, sink_, "'out'");
  for (const yaml::Node* item : outputs) gate.outputs.push_back(net(*item, scope));
  if (const yaml::Node* inverse = kind.inverse ? map.take("inverse") : nullptr)
    if (want_scalar(*inverse, sink_, "'inverse'")) {
      gate.inverse = net(*inverse, scope);
      outputs.push_back(inverse);
    }
  for (const yaml::Node* item : outputs) {
    if (item->text.rfind("not ", 0) == 0)
      sink_.add(*item, "an output cannot be 'not'", "use the inverting gate, or 'inverse:'");
    const std::string name = net(*item, scope);
    if (name.empty()) continue;
    nets_.try_emplace(name, item->place);
    if (line_index_.count(name) != 0) continue;
    if (const auto named = names_.find(name); named == names_.end() || named->second.kind != "net")
      claim(*item, name, "net");
  }
  const auto pin = [&](bool present, const char* key, Gate::Control& into) {
    if (!present) return;
    if (const yaml::Node* node = map.take(key)) into = control(*node, scope);
  };
  pin(kind.clock, "clock", gate.clock);
  pin(kind.enable, "enable", gate.enable);
  pin(kind.set_clear, "set", gate.set);
  pin(kind.set_clear, "clear", gate.clear);
  if (const yaml::Node* edge = kind.clock ? map.take("edge") : nullptr) {
    if (edge->text == "falling" || edge->text == "rising")
      gate.falling_edge = edge->text == "falling";
    else
      sink_.add(*edge, fmt::format("'edge' must be rising or falling, found {}", describe(*edge)));
  }
  if (gate.type != "table") return;
  if (const yaml::Node* table = map.need("table", "[00 0, 01 1, 1x 1]")) read_table(*table, gate);
}

void BoardReader::read_table(const yaml::Node& table, Gate& gate) {
  if (!want_list(table, sink_, "'table'")) return;
  if (table.items.size() > kMaxRows) sink_.add(table, fmt::format("more than {} rows", kMaxRows));
  for (const yaml::Node& row : table.items) {
    if (sink_.failed() || !want_scalar(row, sink_, "a row of 'table'")) return;
    const std::size_t space = std::min(row.text.find(' '), row.text.size());
    const std::string left = row.text.substr(0, space);
    const std::string right = row.text.substr(std::min(space + 1, row.text.size()));
    const auto bits = [](const std::string& text, std::size_t count) {
      return text.size() == count && text.find_first_not_of("01x") == std::string::npos;
    };
    if (!bits(left, gate.inputs.size()) || !bits(right, gate.outputs.size())) {
      sink_.add(row,
                fmt::format("{} is not a row for {} and {}", describe(row),
                            count_of(gate.inputs.size(), "input"),
                            count_of(gate.outputs.size(), "output")),
                "write the inputs, a space and the outputs, as in '01 1'");
    }
    gate.table.push_back(row.text);
  }
}

void BoardReader::read_parts(Map& map, const Scope& scope, Gate& gate) {
  const auto part = [&](const yaml::Node& node) {
    if (!want_name(node, sink_, "part")) return std::string();
    const std::string name = scope.prefix + node.text;
    claim(node, name, "part");
    return name;
  };
  if (const yaml::Node* parts = map.take("parts"))
    for (const yaml::Node* item : one_or_more(*parts, sink_, "'parts'")) {
      const std::string name = part(*item);
      if (std::find(gate.parts.begin(), gate.parts.end(), name) != gate.parts.end())
        sink_.add(*item, fmt::format("part '{}' is here twice", item->text), "remove one");
      gate.parts.push_back(name);
    }
  if (const yaml::Node* pins = map.take("pins");
      pins != nullptr && want_map(*pins, sink_, "'pins'")) {
    std::vector<std::string> known{"inverse", "clock", "enable", "set", "clear", "out"};
    for (std::size_t i = 1; i <= gate.inputs.size(); ++i) known.push_back("in" + std::to_string(i));
    for (std::size_t i = 1; i <= gate.outputs.size(); ++i)
      known.push_back("out" + std::to_string(i));
    for (const yaml::Node::Entry& entry : pins->entries) {
      if (std::find(known.begin(), known.end(), entry.key.text) == known.end())
        sink_.add(entry.key, fmt::format("{} is no pin of this gate", describe(entry.key)),
                  suggest(entry.key.text, known));
      else if (std::find(gate.parts.begin(), gate.parts.end(), scope.prefix + entry.value.text) ==
               gate.parts.end())
        sink_.add(entry.value,
                  fmt::format("{} is not among the 'parts' of this gate", describe(entry.value)),
                  "add it there");
      else
        gate.pin_parts[entry.key.text] = scope.prefix + entry.value.text;
    }
  }
  if (const yaml::Node* build = map.take("build");
      build != nullptr && want_label(*build, sink_, "'build'"))
    gate.build = build->text;
}

void BoardReader::check_arity(const yaml::Node& node, const Gate& gate) {
  const GateKind& kind = *kind_of(gate.type);
  const std::size_t count = gate.inputs.size();
  if (node.find("in") != nullptr && (count < kind.least || count > kind.most)) {
    const std::string wanted = kind.least == kind.most ? std::to_string(kind.least)
                               : kind.most == kMaxPins
                                   ? fmt::format("{} or more", kind.least)
                                   : fmt::format("{} to {}", kind.least, kind.most);
    sink_.add(
        *node.find("in"),
        fmt::format("gate '{}' has {}; it needs {}", gate.type, count_of(count, "input"), wanted),
        gate.type == "jk-flip-flop" ? "write 'in: [J, K]'"
        : gate.type == "sr-latch"   ? "write 'in: [S, R]'"
                                    : "");
  }
  if (gate.outputs.size() != 1 && gate.type != "table" && node.find("out") != nullptr)
    sink_.add(*node.find("out"), fmt::format("gate '{}' has one output", gate.type),
              "use 'inverse:' for the inverse one");
  if (sink_.failed()) return;
  if (kind.clock && node.find("clock") == nullptr)
    sink_.add(node, fmt::format("gate '{}' has no 'clock'", gate.type), "add 'clock: NET'");
  if (kind.enable && node.find("enable") == nullptr)
    sink_.add(node, fmt::format("gate '{}' has no 'enable'", gate.type), "add 'enable: NET'");
}

// A use of a library gate: its circuit with pins replaced by nets, all else under the use's name.
void BoardReader::read_use(Map& map, const Scope& scope, const std::string& type) {
  const Definition definition = definitions_.at(type);
  Scope inner;
  inner.depth = scope.depth + 1;
  if (inner.depth > kMaxHierarchy) {
    sink_.add(map.node(), fmt::format("gates used more than {} deep", kMaxHierarchy),
              "does a gate use itself?");
    return;
  }
  const yaml::Node* name = map.need("name", "U1");
  if (name == nullptr || !want_name(*name, sink_, "gate")) return;
  inner.path = scope.prefix + name->text;
  inner.prefix = inner.path + ".";
  claim(*name, inner.path, "gate");
  for (const auto& [key, pins] :
       {std::pair{"in", &definition.inputs}, std::pair{"out", &definition.outputs}}) {
    const yaml::Node* list = map.need(key, "[A, B]");
    if (list == nullptr) continue;
    const auto items = one_or_more(*list, sink_, fmt::format("'{}'", key));
    if (items.size() != pins->size()) {
      sink_.add(*list, fmt::format("gate '{}' has {} in '{}', found {}", type,
                                   count_of(pins->size(), "pin"), key, items.size()));
      return;
    }
    for (std::size_t i = 0; i < items.size(); ++i) {
      if (items[i]->text.rfind("not ", 0) == 0)
        sink_.add(*items[i], "'not' cannot stand at a library gate", "add a 'not' gate");
      const std::string outer = net(*items[i], scope);
      inner.ports[(*pins)[i]] = outer;
      if (std::string_view(key) == "out" && !outer.empty() && line_index_.count(outer) == 0 &&
          names_.count(outer) == 0)
        claim(*items[i], outer, "net");
    }
  }
  if (definition.body != nullptr && !sink_.failed()) read_circuit(*definition.body, inner);
}

void BoardReader::read_wired(const yaml::Node& node) {
  if (!want_list(node, sink_, "'wired'")) return;
  for (const yaml::Node& item : node.items) {
    Map map(item, sink_, "an entry of 'wired'");
    const yaml::Node* net_node = map.need("net", "BUS");
    const yaml::Node* kind = map.need("kind", "or");
    if (net_node == nullptr || kind == nullptr || !want_scalar(*net_node, sink_, "'net'")) continue;
    WiredNet::Kind is = WiredNet::Kind::wired_or;
    if (kind->text == "and")
      is = WiredNet::Kind::wired_and;
    else if (kind->text == "tri-state")
      is = WiredNet::Kind::tri_state;
    else if (kind->text != "or")
      sink_.add(*kind,
                fmt::format("'kind' must be or, and, or tri-state, found {}", describe(*kind)));
    std::vector<std::string> nets{net_node->text};
    if (const Bus* bus = board_.bus(net_node->text)) nets = bus->lines;
    for (const std::string& name : nets) {
      if (nets_.count(name) == 0)
        sink_.add(*net_node, fmt::format("no gate drives '{}'", name), suggest(name, net_names()));
      board_.wired.push_back({name, mark_of(item), is});
    }
  }
}

// One driver a net, unless it is declared wired; several tri-state gates share a net by nature.
void BoardReader::check_drivers() {
  std::map<std::string, std::vector<std::size_t>> drivers;
  for (std::size_t i = 0; i < board_.circuit.size(); ++i) {
    for (const std::string& out : board_.circuit[i].outputs) drivers[out].push_back(i);
    if (!board_.circuit[i].inverse.empty()) drivers[board_.circuit[i].inverse].push_back(i);
  }
  for (const auto& [name, gates] : drivers) {
    const auto line = line_index_.find(name);
    const LineKind kind =
        line == line_index_.end() ? LineKind::output : board_.lines[line->second].kind;
    if (kind == LineKind::input || kind == LineKind::clock)
      sink_.add(gate_places_[gates[0]],
                fmt::format("{} '{}' is driven by the fixture and by this gate",
                            kind == LineKind::clock ? "clock" : "input", name),
                "declare the line 'both:', or rename the net");
    if (gates.size() < 2) continue;
    const bool declared = std::any_of(board_.wired.begin(), board_.wired.end(),
                                      [&net = name](const WiredNet& w) { return w.net == net; });
    const bool shared = std::all_of(gates.begin(), gates.end(), [&](std::size_t i) {
      return board_.circuit[i].type == "tri-state";
    });
    if (shared && !declared)
      board_.wired.push_back({name, board_.circuit[gates[0]].mark, WiredNet::Kind::tri_state});
    if (!shared && !declared)
      sink_.add(gate_places_[gates[1]],
                fmt::format("net '{}' is driven by {} gates; first at line {}", name, gates.size(),
                            gate_places_[gates[0]].line),
                fmt::format("rename one, or add 'wired: [{{net: {}, kind: or}}]'", name));
  }
  for (const auto& [name, place] : output_places_) {
    const bool left_out = drivers.count(name) == 0;
    const bool excused =
        std::find(board_.not_built.begin(), board_.not_built.end(), name) != board_.not_built.end();
    if (left_out && !excused)
      sink_.add(place, fmt::format("no gate of the circuit drives output '{}'", name),
                "add its gate, or list it under 'not-built'");
  }
}

void BoardReader::check_inputs() {
  for (const auto& [name, place] : read_nets_) {
    if (nets_.count(name) != 0) continue;
    const auto line = line_index_.find(name);
    if (line != line_index_.end() && board_.lines[line->second].kind != LineKind::output) continue;
    if (std::find(board_.not_built.begin(), board_.not_built.end(), name) != board_.not_built.end())
      continue;
    sink_.add(place, fmt::format("nothing drives net '{}'", name), suggest(name, net_names()));
  }
}

void BoardReader::read_net_list(const yaml::Node& node, const std::string& what,
                                std::vector<std::string>& out) {
  for (const yaml::Node* item : one_or_more(node, sink_, what)) {
    std::vector<std::string> names{item->text};
    if (const Bus* bus = board_.bus(item->text)) {
      names = bus->lines;
    } else if (looks_like_range(item->text)) {
      Range range;
      if (!read_range(*item, sink_, range)) continue;
      names = range.names();
    }
    for (const std::string& name : names) {
      const bool read = std::any_of(read_nets_.begin(), read_nets_.end(),
                                    [&](const auto& one) { return one.first == name; });
      if (nets_.count(name) == 0 && line_index_.count(name) == 0 && !read)
        sink_.add(*item, fmt::format("'{}' is no line or net", name), suggest(name, net_names()));
      out.push_back(name);
    }
  }
}

}  // namespace tenterhook::files
