#include "host/predict/netlist.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <fstream>
#include <functional>
#include <set>
#include <sstream>

#include "host/predict/expression.h"

namespace tenterhook::predict {

extern const char* const kLibraryText;  // generated from library.sp

namespace {

constexpr std::size_t kTextMax = 64 * 1024;
constexpr int kLinesMax = 2000;
constexpr int kNestingMax = 8;
constexpr std::size_t kElementsMax = 2000;

struct Named {
  std::string name;
  Expression value;
};

struct Card {
  int line = 0;
  char type = 0;
  std::string name;                // lower case, type letter first
  std::vector<std::string> nodes;  // lower case
  std::string model;               // D Q M: model; X: subcircuit; B: "v" or "i"
  std::vector<Expression> values;  // R C L E G: one; V I: the DC value; B: the expression
  std::string wave;                // V I: "PULSE", "SIN", "EXP" or "PWL"
  std::vector<Expression> wave_values;
  std::vector<Named> named;  // IC=, W=, subcircuit parameters, AC
};

struct Model {
  int line = 0;
  std::string name;
  std::string type;
  std::vector<Named> named;
};

struct Scope {
  std::string name;
  int line = 0;
  std::vector<std::string> ports;
  std::vector<Named> parameters;  // subcircuit parameters, or .param of the top
  std::vector<Card> cards;
  std::vector<Model> models;
};

// Splits at blanks, keeping {...}, (...) and '...' together; "=" is attached to its left.
std::vector<std::string> words(std::string_view text) {
  std::vector<std::string> out;
  std::string word;
  int depth = 0;
  for (char c : text) {
    const bool blank = c == ' ' || c == '\t';
    if (c == '{' || c == '(') ++depth;
    if ((c == '}' || c == ')') && depth > 0) --depth;
    if (blank && depth == 0) {
      if (!word.empty()) out.push_back(std::exchange(word, {}));
      continue;
    }
    word += c;
  }
  if (!word.empty()) out.push_back(word);
  // "a = b", "a= b" and "a =b" become "a=b".
  std::vector<std::string> joined;
  for (std::string& w : out) {
    const bool glue = !joined.empty() && (joined.back().back() == '=' || w.front() == '=');
    if (glue)
      joined.back() += w;
    else
      joined.push_back(std::move(w));
  }
  return joined;
}

bool good_name(const std::string& name) {
  return !name.empty() && std::all_of(name.begin(), name.end(), [](char c) {
    return std::isalnum(static_cast<unsigned char>(c)) != 0 || c == '_' || c == '+' || c == '-';
  });
}

struct Logical {
  int line;
  std::string text;
};

// Joins continuation lines, drops comments; the title line is dropped by the caller.
Result<std::vector<Logical>> logical_lines(const std::string& path, const std::string& text) {
  std::vector<Logical> out;
  std::istringstream in(text);
  std::string line;
  int number = 0;
  while (std::getline(in, line)) {
    if (++number > kLinesMax) {
      return input_error(path, fmt::format("longer than {} lines", kLinesMax));
    }
    if (!line.empty() && line.back() == '\r') line.pop_back();
    if (number == 1) continue;
    if (const auto cut = line.find(';'); cut != std::string::npos) line.erase(cut);
    if (const auto cut = line.find(" $ "); cut != std::string::npos) line.erase(cut);
    const auto first = line.find_first_not_of(" \t");
    if (first == std::string::npos || line[first] == '*') continue;
    for (unsigned char c : line) {
      if (c < 0x20 && c != '\t') {
        return input_error(fmt::format("{}:{}", path, number), "a control character stands here");
      }
    }
    if (line[first] == '+') {
      if (out.empty())
        return input_error(fmt::format("{}:{}", path, number), "+ continues nothing");
      out.back().text += ' ' + line.substr(first + 1);
    } else {
      out.push_back({number, line.substr(first)});
    }
  }
  return out;
}

std::string hint(const std::string& name, const std::vector<std::string>& known) {
  std::string list;
  for (const std::string& k : known) list += (list.empty() ? "" : ", ") + k;
  return "\"" + name + "\" is not among: " + (list.empty() ? "(none)" : list);
}

}  // namespace

struct Netlist::Body {
  std::string path;
  std::string text;
  std::string title;
  Scope top;
  std::map<std::string, Scope> subcircuits;
  std::map<std::string, Model> models;  // global: the file's and the library's
  std::string analysis;
  bool library = false;

  std::map<std::string, double> parameters;
  std::map<std::string, double> instance_parameters;
  std::vector<std::string> passives;
  std::vector<std::string> sources;
  std::vector<std::string> nodes;
  std::map<std::string, int> line_of_node;  // where a node is first named
};

namespace {

class Reader {
 public:
  Reader(std::string path, Netlist::Body& body) : path_(std::move(path)), body_(body) {}

  Status read(const std::string& text) {
    auto lines = logical_lines(path_, text);
    if (!lines) return lines.error();
    for (const Logical& line : *lines) {
      if (ended_) return input_error(at(line.line), "text after .end", "delete it");
      TH_TRY(one(line));
    }
    if (scope_ != nullptr) {
      return input_error(at(scope_->line), fmt::format(".subckt {} has no .ends", scope_->name));
    }
    return {};
  }

 private:
  std::string at(int line) const { return fmt::format("{}:{}", path_, line); }
  Scope& scope() { return scope_ != nullptr ? *scope_ : body_.top; }

  Status one(const Logical& line) {
    const std::vector<std::string> w = words(line.text);
    if (w.empty()) return {};
    if (w[0][0] == '.') return directive(line, w);
    auto card = element(line.line, w);
    if (!card) return card.error();
    for (const Card& other : scope().cards) {
      if (other.name == card->name) {
        return input_error(at(line.line),
                           fmt::format("{} is already defined on line {}", w[0], other.line));
      }
    }
    scope().cards.push_back(card.take());
    return {};
  }

  Status directive(const Logical& line, const std::vector<std::string>& w) {
    const std::string key = lower(w[0]);
    if (key == ".param") return parameters(line.line, w, 1, body_.top.parameters);
    if (key == ".model") return model(line);
    if (key == ".subckt") return open_subcircuit(line.line, w);
    if (key == ".ends") {
      if (scope_ == nullptr) return input_error(at(line.line), ".ends without .subckt");
      scope_ = nullptr;
      return {};
    }
    if (key == ".op" || key == ".tran" || key == ".ac") return analysis(line.line, w);
    if (key == ".end") {
      ended_ = true;
      return {};
    }
    if (key == ".control" || key == ".include" || key == ".inc" || key == ".lib" ||
        key == ".csparam") {
      return input_error(at(line.line), w[0] + " can run commands or read files and is refused",
                         "keep the whole circuit in this file; known models need no .include");
    }
    return input_error(at(line.line), w[0] + " is not known here",
                       "known: .param .model .subckt .ends .op .tran .ac .end");
  }

  Status parameters(int line, const std::vector<std::string>& w, std::size_t from,
                    std::vector<Named>& out) {
    if (w.size() <= from) return input_error(at(line), "a name=value is missing");
    for (std::size_t i = from; i < w.size(); ++i) {
      auto named = named_value(line, w[i]);
      if (!named) return named.error();
      for (const Named& other : out) {
        if (other.name == named->name)
          return input_error(at(line), named->name + " is given twice");
      }
      out.push_back(named.take());
    }
    return {};
  }

  Result<Named> named_value(int line, const std::string& word) {
    const auto eq = word.find('=');
    if (eq == std::string::npos || eq == 0 || eq + 1 == word.size()) {
      return input_error(at(line), fmt::format("\"{}\": expected name=value", word));
    }
    Named out;
    out.name = lower(word.substr(0, eq));
    if (!good_name(out.name)) return input_error(at(line), "\"" + out.name + "\" is no name");
    auto value = value_of(line, word.substr(eq + 1));
    if (!value) return value.error();
    out.value = value.take();
    return out;
  }

  // A literal number, or {expression}.
  Result<Expression> value_of(int line, const std::string& word) {
    if (word.size() > 1 && word.front() == '{' && word.back() == '}') {
      return parse_expression(std::string_view(word).substr(1, word.size() - 2), at(line),
                              Allow::parameters);
    }
    auto number = parse_number(word, at(line));
    if (!number) {
      if (std::isalpha(static_cast<unsigned char>(word[0])) != 0) {
        return input_error(at(line), fmt::format("\"{}\" is not a number", word),
                           "write {" + word + "} for a parameter");
      }
      return number.error();
    }
    Expression e;
    e.number = *number;
    return e;
  }

  Status model(const Logical& line) {
    // .model NAME TYPE(a=b c=d)
    std::string text = line.text;
    const auto open = text.find('(');
    const auto close = text.rfind(')');
    if (open != std::string::npos && close != std::string::npos && close > open) {
      text[open] = ' ';
      text[close] = ' ';
    } else if (open != std::string::npos || close != std::string::npos) {
      return input_error(at(line.line), "brackets of .model do not match");
    }
    std::replace(text.begin(), text.end(), ',', ' ');
    const std::vector<std::string> w = words(text);
    if (w.size() < 3)
      return input_error(at(line.line), "expected .model NAME TYPE(name=value ...)");
    Model m;
    m.line = line.line;
    m.name = lower(w[1]);
    m.type = lower(w[2]);
    static const char* const kTypes[] = {"d", "npn", "pnp", "nmos", "pmos"};
    if (std::none_of(std::begin(kTypes), std::end(kTypes),
                     [&](const char* t) { return m.type == t; })) {
      return input_error(at(line.line), fmt::format("model type {} is not known", w[2]),
                         "known: D NPN PNP NMOS PMOS");
    }
    if (w.size() > 3) TH_TRY(parameters(line.line, w, 3, m.named));
    if (scope_ != nullptr) {
      scope_->models.push_back(m);
    } else {
      const auto known = body_.models.find(m.name);
      if (known != body_.models.end() && !body_.library && known->second.line > 0) {
        return input_error(at(line.line), fmt::format("model {} is already defined", w[1]));
      }
      if (body_.library) m.line = 0;  // 0: of the library, which the file may replace
      body_.models[m.name] = m;
    }
    return {};
  }

  Status open_subcircuit(int line, const std::vector<std::string>& w) {
    if (scope_ != nullptr)
      return input_error(at(line), "a .subckt inside a .subckt", "close it first");
    if (w.size() < 3)
      return input_error(at(line), "expected .subckt NAME NODE ... [name=value ...]");
    Scope s;
    s.name = lower(w[1]);
    s.line = body_.library ? 0 : line;
    std::size_t i = 2;
    for (; i < w.size() && w[i].find('=') == std::string::npos; ++i) {
      const std::string port = lower(w[i]);
      if (!good_name(port)) return input_error(at(line), "\"" + w[i] + "\" is no node name");
      if (port == "0") return input_error(at(line), "ground cannot be a port");
      s.ports.push_back(port);
    }
    if (i < w.size()) TH_TRY(parameters(line, w, i, s.parameters));
    const auto known = body_.subcircuits.find(s.name);
    if (known != body_.subcircuits.end() && known->second.line > 0) {
      return input_error(at(line), fmt::format(".subckt {} is already defined", w[1]));
    }
    scope_ = &(body_.subcircuits[s.name] = s);
    return {};
  }

  Status analysis(int line, const std::vector<std::string>& w) {
    if (!body_.analysis.empty()) return input_error(at(line), "a second analysis card", "keep one");
    std::string text = lower(w[0]).substr(1);
    const std::size_t most = text == "op" ? 1 : 6;
    const std::size_t least = text == "op" ? 1 : text == "tran" ? 3 : 5;
    if (w.size() < least || w.size() > most) {
      return input_error(at(line), fmt::format("{} has {} values", w[0], w.size() - 1));
    }
    for (std::size_t i = 1; i < w.size(); ++i) {
      const std::string word = lower(w[i]);
      if ((text.rfind("ac", 0) == 0 && i == 1 && (word == "dec" || word == "lin")) ||
          word == "uic") {
        text += ' ' + word;
        continue;
      }
      auto number = parse_number(w[i], at(line));
      if (!number) return number.error();
      text += ' ' + plain(*number);
    }
    body_.analysis = text;
    return {};
  }

  Result<Card> element(int line, const std::vector<std::string>& w) {
    Card c;
    c.line = line;
    c.name = lower(w[0]);
    c.type = c.name[0];
    if (!good_name(c.name) || c.name.size() < 2) {
      return input_error(at(line), fmt::format("\"{}\" is no element name", w[0]),
                         "a letter for the kind, then a name: R1, Vplate");
    }
    std::size_t nodes = 0;
    switch (c.type) {
      case 'r':
      case 'c':
      case 'l':
      case 'v':
      case 'i':
      case 'b':
      case 'd':
        nodes = 2;
        break;
      case 'q':
        nodes = 3;
        break;
      case 'e':
      case 'g':
      case 'm':
        nodes = 4;
        break;
      case 'x':
        return instance(c, w);
      default:
        return input_error(at(line), fmt::format("elements {} are not known here", w[0][0]),
                           "known: R C L V I E G B D Q M X");
    }
    if (w.size() < nodes + 2) {
      return input_error(
          at(line), fmt::format("{} needs {} nodes and a value or model; found {} words after it",
                                w[0], nodes, w.size() - 1));
    }
    for (std::size_t i = 1; i <= nodes; ++i) {
      const std::string node = lower(w[i]);
      if (!good_name(node)) return input_error(at(line), "\"" + w[i] + "\" is no node name");
      c.nodes.push_back(node == "gnd" ? "0" : node);
    }
    TH_TRY(body(c, w, nodes + 1));
    return c;
  }

  Status body(Card& c, const std::vector<std::string>& w, std::size_t i) {
    switch (c.type) {
      case 'v':
      case 'i':
        return source(c, w, i);
      case 'b':
        return behaviour(c, w, i);
      case 'd':
      case 'q':
      case 'm':
        c.model = lower(w[i]);
        break;
      default: {
        auto value = value_of(c.line, w[i]);
        if (!value) return value.error();
        c.values.push_back(value.take());
      }
    }
    if (++i < w.size()) {
      TH_TRY(parameters(c.line, w, i, c.named));
      for (const Named& n : c.named) {
        const bool known = ((c.type == 'c' || c.type == 'l') && n.name == "ic") ||
                           (c.type == 'm' && (n.name == "w" || n.name == "l"));
        if (!known) {
          return input_error(at(c.line),
                             fmt::format("{}: \"{}\" is not known for this element", w[0], n.name));
        }
      }
    }
    return {};
  }

  Status source(Card& c, const std::vector<std::string>& w, std::size_t i) {
    for (; i < w.size(); ++i) {
      const std::string word = lower(w[i]);
      const auto open = word.find('(');
      const std::string head = word.substr(0, open);
      if (head == "pulse" || head == "pwl" || head == "sin" || head == "exp") {
        std::string inside;
        if (open == std::string::npos) {
          if (++i >= w.size() || w[i].front() != '(')
            return input_error(at(c.line), head + " needs (values)");
          inside = w[i];
        } else {
          inside = w[i].substr(open);
        }
        if (inside.back() != ')') return input_error(at(c.line), head + ": ) is missing");
        c.wave = head;
        std::string list = inside.substr(1, inside.size() - 2);
        std::replace(list.begin(), list.end(), ',', ' ');
        for (const std::string& v : words(list)) {
          auto value = value_of(c.line, v);
          if (!value) return value.error();
          c.wave_values.push_back(value.take());
        }
        if (c.wave_values.size() < 2 || (head == "pwl" && c.wave_values.size() % 2 != 0)) {
          return input_error(at(c.line),
                             fmt::format("{} has {} values", head, c.wave_values.size()));
        }
      } else if (word == "dc" || word == "ac") {
        if (++i >= w.size()) return input_error(at(c.line), word + " needs a value");
        auto value = value_of(c.line, w[i]);
        if (!value) return value.error();
        if (word == "dc")
          c.values.push_back(value.take());
        else
          c.named.push_back({"ac", value.take()});
      } else {
        auto value = value_of(c.line, w[i]);
        if (!value) return value.error();
        c.values.push_back(value.take());
      }
    }
    if (c.values.size() > 1) return input_error(at(c.line), "two DC values");
    return {};
  }

  Status behaviour(Card& c, const std::vector<std::string>& w, std::size_t i) {
    std::string text;
    for (; i < w.size(); ++i) text += (text.empty() ? "" : " ") + w[i];
    const auto eq = text.find('=');
    const std::string kind = lower(text.substr(0, eq));
    if (eq == std::string::npos || (kind != "v" && kind != "i")) {
      return input_error(at(c.line), "expected V=expression or I=expression");
    }
    c.model = kind;
    auto value =
        parse_expression(std::string_view(text).substr(eq + 1), at(c.line), Allow::circuit);
    if (!value) return value.error();
    c.values.push_back(value.take());
    return {};
  }

  Result<Card> instance(Card& c, const std::vector<std::string>& w) {
    std::size_t i = 1;
    std::vector<std::string> plain_words;
    for (; i < w.size() && w[i].find('=') == std::string::npos; ++i)
      plain_words.push_back(lower(w[i]));
    if (plain_words.size() < 2)
      return input_error(at(c.line), w[0] + " needs nodes and a subcircuit's name");
    c.model = plain_words.back();
    plain_words.pop_back();
    for (std::string& node : plain_words) {
      if (!good_name(node)) return input_error(at(c.line), "\"" + node + "\" is no node name");
      c.nodes.push_back(node == "gnd" ? "0" : node);
    }
    if (i < w.size()) TH_TRY(parameters(c.line, w, i, c.named));
    return c;
  }

  std::string path_;
  Netlist::Body& body_;
  Scope* scope_ = nullptr;
  bool ended_ = false;
};

// Flat text from the scopes, with every value a number.
class Flattener {
 public:
  Flattener(const Netlist::Body& body, const Changes& changes) : body_(body), changes_(changes) {}

  Result<FlatCircuit> run() {
    out_.cards.push_back("* flat");
    TH_TRY(top_parameters());
    std::map<std::string, double> values = top_;
    TH_TRY(scope(body_.top, "", {}, values, 0));
    for (const auto& [name, text] : model_cards_) out_.cards.push_back(text);
    for (const std::string& card : changes_.cards) out_.cards.push_back(card);
    if (changes_.celsius != 27.0) out_.cards.push_back(".options temp=" + plain(changes_.celsius));
    out_.cards.push_back(".end");
    TH_TRY(all_changes_used());
    TH_TRY(connected());
    for (const auto& [node, uses] : uses_) out_.nodes.push_back(node);
    out_.analysis = body_.analysis;
    return std::move(out_);
  }

  std::map<std::string, double> top_;
  std::map<std::string, double> instance_values_;
  std::vector<std::string> passives_, sources_;

 private:
  struct Use {
    int count = 0;
    int line = 0;
  };

  std::string at(int line) const {
    return line > 0 ? fmt::format("{}:{}", body_.path, line) : body_.path;
  }

  Status top_parameters() {
    std::map<std::string, const Named*> byname;
    for (const Named& n : body_.top.parameters) byname[n.name] = &n;
    std::set<std::string> busy;
    std::function<Result<double>(const std::string&)> get =
        [&](const std::string& name) -> Result<double> {
      if (const auto done = top_.find(name); done != top_.end()) return done->second;
      const auto found = byname.find(name);
      if (found == byname.end()) return unknown(name, byname);
      if (const auto changed = changes_.parameters.find(name);
          changed != changes_.parameters.end()) {
        return top_[name] = changed->second;
      }
      if (!busy.insert(name).second) {
        return input_error(body_.path, "parameter " + name + " depends on itself");
      }
      auto value = evaluate(found->second->value, body_.path, get);
      if (value) top_[name] = *value;
      return value;
    };
    for (const Named& n : body_.top.parameters) {
      if (auto value = get(n.name); !value) return value.error();
    }
    return {};
  }

  Error unknown(const std::string& name, const std::map<std::string, const Named*>& byname) const {
    std::vector<std::string> known;
    for (const auto& [k, v] : byname) known.push_back(k);
    return input_error(body_.path, "parameter " + hint(name, known));
  }

  Lookup lookup(const std::map<std::string, double>& values, int line) const {
    return [&values, line, this](const std::string& name) -> Result<double> {
      const auto found = values.find(name);
      if (found != values.end()) return found->second;
      std::vector<std::string> known;
      for (const auto& [k, v] : values) known.push_back(k);
      return input_error(at(line), "parameter " + hint(name, known));
    };
  }

  static std::string inside(const std::string& prefix, const std::string& name) {
    return prefix.empty() ? name : prefix + "." + name;
  }

  Status scope(const Scope& s, const std::string& prefix,
               const std::map<std::string, std::string>& ports,
               std::map<std::string, double>& values, int depth) {
    if (depth > kNestingMax) return input_error(at(s.line), "subcircuits are nested too deeply");
    const Rename node = [&](const std::string& name) -> std::string {
      if (name == "0" || name == "gnd") return "0";
      const auto port = ports.find(name);
      return port != ports.end() ? port->second : inside(prefix, name);
    };
    for (const Card& c : s.cards) {
      if (out_.elements.size() > kElementsMax) {
        return input_error(at(c.line), fmt::format("more than {} elements", kElementsMax));
      }
      TH_TRY(c.type == 'x' ? instance(c, prefix, node, values, depth)
                           : element(s, c, prefix, node, values));
    }
    return {};
  }

  Status instance(const Card& c, const std::string& prefix, const Rename& node,
                  const std::map<std::string, double>& outer, int depth) {
    const auto found = body_.subcircuits.find(c.model);
    if (found == body_.subcircuits.end()) {
      std::vector<std::string> known;
      for (const auto& [k, v] : body_.subcircuits) known.push_back(k);
      return input_error(at(c.line), "subcircuit " + hint(c.model, known));
    }
    const Scope& sub = found->second;
    if (sub.ports.size() != c.nodes.size()) {
      return input_error(at(c.line), fmt::format("{} gives {} nodes, subcircuit {} has {}", c.name,
                                                 c.nodes.size(), sub.name, sub.ports.size()));
    }
    std::map<std::string, std::string> ports;
    for (std::size_t i = 0; i < sub.ports.size(); ++i) ports[sub.ports[i]] = node(c.nodes[i]);
    const std::string path = inside(prefix, c.name);
    std::map<std::string, double> values = top_;
    for (const Named& given : c.named) {
      if (std::none_of(sub.parameters.begin(), sub.parameters.end(),
                       [&](const Named& p) { return p.name == given.name; })) {
        std::vector<std::string> known;
        for (const Named& p : sub.parameters) known.push_back(p.name);
        return input_error(at(c.line),
                           fmt::format("{}: parameter ", c.name) + hint(given.name, known));
      }
    }
    for (const Named& p : sub.parameters) {
      const std::string full = path + "." + p.name;
      const Named* given = nullptr;
      for (const Named& g : c.named) {
        if (g.name == p.name) given = &g;
      }
      Result<double> value = 0.0;
      if (const auto changed = changes_.instances.find(full); changed != changes_.instances.end()) {
        value = changed->second;
        used_.insert(full);
      } else if (given != nullptr) {
        value = evaluate(given->value, at(c.line), lookup(outer, c.line));
      } else {
        value = evaluate(p.value, at(c.line), lookup(values, c.line));
      }
      if (!value) return value.error();
      values[p.name] = *value;
      // One that follows from an outer parameter is varied there, not twice.
      if (given == nullptr || given->value.kind == Expression::Kind::number)
        instance_values_[full] = *value;
    }
    for (const std::string& n : c.nodes) touch(node(n), c.line, 0);
    return scope(sub, path, ports, values, depth + 1);
  }

  void touch(const std::string& node, int line, int count) {
    if (node == "0") return;
    Use& use = uses_[node];
    use.count += count;
    if (use.line == 0) use.line = line;
  }

  std::string root(std::string node) {
    while (parent_.count(node) != 0 && parent_[node] != node) node = parent_[node];
    return node;
  }
  void join(const std::string& a, const std::string& b) {
    const std::string ra = root(a), rb = root(b);
    if (ra != rb) parent_[ra] = rb;
  }

  Status element(const Scope& s, const Card& c, const std::string& prefix, const Rename& node,
                 const std::map<std::string, double>& values) {
    const std::string flat = inside(prefix, c.name);
    std::string card = prefix.empty() ? c.name : std::string(1, c.type) + "." + flat;
    std::vector<std::string> nodes;
    for (const std::string& n : c.nodes) {
      nodes.push_back(node(n));
      card += ' ' + nodes.back();
      touch(nodes.back(), c.line, 1);
    }
    const Lookup get = lookup(values, c.line);
    switch (c.type) {
      case 'r':
      case 'c':
      case 'l':
        TH_TRY(passive(c, flat, get, card));
        break;
      case 'v':
      case 'i':
        TH_TRY(source(c, flat, get, card));
        break;
      case 'e':
      case 'g': {
        auto value = evaluate(c.values[0], at(c.line), get);
        if (!value) return value.error();
        card += ' ' + plain(*value);
        break;
      }
      case 'b':
        TH_TRY(behaviour(c, prefix, node, get, card));
        break;
      default:
        TH_TRY(device(s, c, prefix, get, values, card));
    }
    // Nodes that conduct direct current to one another.
    const bool joins = c.type == 'r' || c.type == 'l' || c.type == 'v' || c.type == 'd' ||
                       c.type == 'e' || (c.type == 'b' && c.model == "v");
    if (joins) join(nodes[0], nodes[1]);
    if (c.type == 'q' || c.type == 'm') {
      join(nodes[0], nodes[2]);
      if (c.type == 'q') join(nodes[1], nodes[2]);
    }
    out_.elements.push_back(flat);
    out_.cards.push_back(std::move(card));
    return {};
  }

  Status passive(const Card& c, const std::string& flat, const Lookup& get, std::string& card) {
    auto value = evaluate(c.values[0], at(c.line), get);
    if (!value) return value.error();
    double v = *value;
    if (const auto factor = changes_.factors.find(flat); factor != changes_.factors.end()) {
      v *= factor->second;
      used_.insert(flat);
    }
    if (!(v > 0.0)) {
      return input_error(at(c.line), fmt::format("{} is {}; it must be above 0", c.name, v));
    }
    card += ' ' + plain(v);
    for (const Named& n : c.named) {
      auto ic = evaluate(n.value, at(c.line), get);
      if (!ic) return ic.error();
      card += " ic=" + plain(*ic);
    }
    passives_.push_back(flat);
    return {};
  }

  Status source(const Card& c, const std::string& flat, const Lookup& get, std::string& card) {
    sources_.push_back(flat);
    if (const auto changed = changes_.sources.find(flat); changed != changes_.sources.end()) {
      used_.insert(flat);
      card += " dc " + plain(changed->second);
    } else if (!c.values.empty()) {
      auto value = evaluate(c.values[0], at(c.line), get);
      if (!value) return value.error();
      card += " dc " + plain(*value);
    }
    if (const auto wave = changes_.waves.find(flat); wave != changes_.waves.end()) {
      used_.insert(flat);
      card += ' ' + wave->second;
    } else if (!c.wave.empty() && changes_.sources.count(flat) == 0) {
      card += ' ' + c.wave + '(';
      for (const Expression& e : c.wave_values) {
        auto value = evaluate(e, at(c.line), get);
        if (!value) return value.error();
        card += plain(*value) + ' ';
      }
      card += ')';
    }
    for (const Named& n : c.named) {
      auto value = evaluate(n.value, at(c.line), get);
      if (!value) return value.error();
      card += " ac " + plain(*value);
    }
    return {};
  }

  Status behaviour(const Card& c, const std::string& prefix, const Rename& node, const Lookup& get,
                   std::string& card) {
    const Rename branch = [&](const std::string& name) {
      return prefix.empty() ? name : std::string(1, name[0]) + "." + prefix + "." + name;
    };
    auto text = emit(c.values[0], at(c.line), get, node, branch);
    if (!text) return text.error();
    card += ' ' + c.model + '=' + *text;
    std::vector<std::string> seen;
    collect_nodes(c.values[0], seen);
    for (const std::string& n : seen) looked_at_.insert({node(n), c.line});
    return {};
  }

  Status device(const Scope& s, const Card& c, const std::string& prefix, const Lookup& get,
                const std::map<std::string, double>& values, std::string& card) {
    const Model* model = nullptr;
    std::string name = c.model;
    for (const Model& m : s.models) {
      if (m.name == c.model) {
        model = &m;
        name = inside(prefix, m.name);
      }
    }
    if (model == nullptr) {
      const auto found = body_.models.find(c.model);
      if (found == body_.models.end()) {
        std::vector<std::string> known;
        for (const auto& [k, v] : body_.models) known.push_back(k);
        return input_error(at(c.line), "model " + hint(c.model, known));
      }
      model = &found->second;
    }
    const bool fits = (c.type == 'd' && model->type == "d") ||
                      (c.type == 'q' && (model->type == "npn" || model->type == "pnp")) ||
                      (c.type == 'm' && (model->type == "nmos" || model->type == "pmos"));
    if (!fits) {
      return input_error(at(c.line),
                         fmt::format("{} cannot use a model of type {}", c.name, model->type));
    }
    name = "m_" + name;
    if (model_cards_.count(name) == 0) {
      const bool local = name != "m_" + c.model;
      std::string text = ".model " + name + ' ' + model->type + '(';
      for (const Named& n : model->named) {
        auto value = evaluate(n.value, at(model->line), local ? get : lookup(top_, model->line));
        if (!value) return value.error();
        text += n.name + '=' + plain(*value) + ' ';
      }
      model_cards_[name] = text + ')';
    }
    card += ' ' + name;
    for (const Named& n : c.named) {
      auto value = evaluate(n.value, at(c.line), get);
      if (!value) return value.error();
      card += ' ' + n.name + '=' + plain(*value);
    }
    (void)values;
    return {};
  }

  Status all_changes_used() const {
    for (const auto& [name, value] : changes_.parameters) {
      if (top_.count(name) == 0) {
        std::vector<std::string> known;
        for (const auto& [k, v] : top_) known.push_back(k);
        return input_error(body_.path, "parameter " + hint(name, known));
      }
    }
    const auto check = [&](const std::string& name, const char* what,
                           const std::vector<std::string>& known) -> Status {
      if (used_.count(name) != 0) return {};
      return input_error(body_.path, std::string(what) + " " + hint(name, known));
    };
    std::vector<std::string> instances;
    for (const auto& [k, v] : instance_values_) instances.push_back(k);
    for (const auto& [name, v] : changes_.instances)
      TH_TRY(check(name, "instance parameter", instances));
    for (const auto& [name, v] : changes_.factors) TH_TRY(check(name, "R, C or L", passives_));
    for (const auto& [name, v] : changes_.sources) TH_TRY(check(name, "source", sources_));
    for (const auto& [name, v] : changes_.waves) TH_TRY(check(name, "source", sources_));
    return {};
  }

  // A node that one terminal alone touches, or that no direct current can reach, makes the
  // simulator answer nonsense or nothing.
  Status connected() {
    for (const auto& [node, line] : looked_at_) {
      if (node == "0") continue;
      if (uses_.count(node) == 0) {
        return input_error(
            at(line), fmt::format("node {} is looked at but nothing is connected to it", node));
      }
      ++uses_[node].count;
    }
    for (const auto& [node, use] : uses_) {
      if (use.count < 2) {
        return input_error(at(use.line),
                           fmt::format("node {} is touched by one terminal only", node),
                           "a name is misspelt, or a part is missing");
      }
      if (root(node) != root("0")) {
        return input_error(
            at(use.line),
            fmt::format("no direct current can flow between node {} and ground", node),
            "add a resistor (a leak of 1 gigohm: 1g) or a source");
      }
    }
    return {};
  }

  const Netlist::Body& body_;
  const Changes& changes_;
  FlatCircuit out_;
  std::map<std::string, std::string> model_cards_;
  std::map<std::string, Use> uses_;
  std::set<std::pair<std::string, int>> looked_at_;
  std::map<std::string, std::string> parent_;
  std::set<std::string> used_;
};

Result<const Netlist::Body*> library_body() {
  static const Result<Netlist::Body> library = []() -> Result<Netlist::Body> {
    Netlist::Body body;
    body.path = "library.sp";
    body.library = true;
    TH_TRY(Reader(body.path, body).read(kLibraryText));
    return body;
  }();
  if (!library) return bug_error("the built-in model library: " + library.error().text());
  return &library.value();
}

}  // namespace

Result<Netlist> Netlist::read(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  if (!in) {
    return input_error(path, fmt::format("cannot be opened: {}", std::strerror(errno)));
  }
  std::string text(kTextMax + 1, '\0');
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  text.resize(static_cast<std::size_t>(in.gcount()));
  return parse(path, text);
}

Result<Netlist> Netlist::parse(const std::string& path, const std::string& text) {
  if (text.size() > kTextMax) {
    return input_error(path, fmt::format("longer than {} kB", kTextMax / 1024));
  }
  auto library = library_body();
  if (!library) return library.error();
  auto body = std::make_shared<Body>();
  body->path = path;
  body->text = text;
  body->title = text.substr(0, text.find('\n'));
  while (!body->title.empty() && (body->title[0] == '*' || body->title[0] == ' '))
    body->title.erase(0, 1);
  body->subcircuits = (*library)->subcircuits;
  body->models = (*library)->models;
  TH_TRY(Reader(path, *body).read(text));
  if (body->top.cards.empty()) {
    return input_error(path, "no element found", "the first line is the title, elements follow");
  }
  const Changes none;  // outlives the flattener, which keeps a reference
  Flattener flattener(*body, none);
  auto flat = flattener.run();
  if (!flat) return flat.error();
  body->parameters = flattener.top_;
  body->instance_parameters = flattener.instance_values_;
  body->passives = flattener.passives_;
  body->sources = flattener.sources_;
  body->nodes = flat->nodes;
  Netlist netlist;
  netlist.body_ = std::move(body);
  return netlist;
}

const std::map<std::string, double>& Netlist::parameters() const {
  return body_->parameters;
}
const std::map<std::string, double>& Netlist::instance_parameters() const {
  return body_->instance_parameters;
}
const std::vector<std::string>& Netlist::passives() const {
  return body_->passives;
}
const std::vector<std::string>& Netlist::sources() const {
  return body_->sources;
}
const std::vector<std::string>& Netlist::nodes() const {
  return body_->nodes;
}
const std::string& Netlist::title() const {
  return body_->title;
}
const std::string& Netlist::path() const {
  return body_->path;
}
const std::string& Netlist::text() const {
  return body_->text;
}

Result<FlatCircuit> Netlist::flatten(const Changes& changes) const {
  return Flattener(*body_, changes).run();
}

std::vector<LibraryEntry> library_entries() {
  std::vector<LibraryEntry> out;
  std::istringstream in(kLibraryText);
  std::string line;
  while (std::getline(in, line)) {
    if (line.rfind("*@ ", 0) != 0) continue;
    std::istringstream words(line.substr(3));
    LibraryEntry entry;
    words >> entry.name >> entry.kind;
    std::getline(words >> std::ws, entry.note);
    out.push_back(entry);
  }
  return out;
}

}  // namespace tenterhook::predict
