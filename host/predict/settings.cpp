#include "host/predict/settings.h"

#include <fmt/format.h>
#include <fnmatch.h>

#include <algorithm>
#include <filesystem>

#include "host/base/nearest.h"
#include "host/files/sink.h"
#include "host/files/yaml_tree.h"
#include "host/predict/expression.h"

namespace tenterhook::predict {
namespace {

using files::Map;
using files::Sign;
using files::Sink;

constexpr std::size_t kInputsMax = 6;
constexpr std::size_t kVariedMax = 500;
constexpr long kSamplesMax = 100'000;

// A star stays within one level: "x*.vct" is x1.vct, not the x1.x1.vct that x1.vct feeds.
bool matches(std::string pattern, std::string name) {
  std::replace(pattern.begin(), pattern.end(), '.', '/');
  std::replace(name.begin(), name.end(), '.', '/');
  return fnmatch(pattern.c_str(), name.c_str(), FNM_PATHNAME) == 0;
}

struct Spread {
  double relative = 0.0, absolute = 0.0;
  bool normal = false;
  double clip = 2.0;
};

// "5 %" or "175 mV", telling the two apart by the last character.
bool read_reach(const yaml::Node& node, Sink& sink, Spread& out) {
  const bool percent = node.is_scalar() && !node.text.empty() && node.text.back() == '%';
  double value = 0.0;
  if (!files::read_number_with_unit(node, percent ? "%" : "V", Sign::positive, sink, value))
    return false;
  if (percent)
    out.relative = value / 100.0;
  else
    out.absolute = value;
  return true;
}

// Nothing after a complaint: what would follow from it is not worth a second one.
std::optional<Spread> read_spread(const yaml::Node& node, Sink& sink) {
  Spread out;
  if (!node.is_map()) {
    if (!read_reach(node, sink, out)) return std::nullopt;
    return out;
  }
  Map map(node, sink, "an entry of vary");
  const yaml::Node* within = map.take("within");
  const yaml::Node* spread = map.take("spread");
  const yaml::Node* clip = map.take("clip");
  if ((within == nullptr) == (spread == nullptr)) {
    sink.add(node, "one of 'within' and 'spread' is needed",
             "{within: 5 %} or {spread: 100 mV, clip: 2}");
    return std::nullopt;
  }
  out.normal = spread != nullptr;
  if (!read_reach(out.normal ? *spread : *within, sink, out)) return std::nullopt;
  if (clip != nullptr) {
    auto value = parse_number(clip->is_scalar() ? clip->text : "", clip->place.text());
    if (!value || *value < 0.5 || *value > 6.0)
      sink.add(*clip, "clip is a number from 0.5 to 6");
    else
      out.clip = *value;
  }
  return out;
}

class VaryReader {
 public:
  VaryReader(const Netlist& netlist, Sink& sink, Settings& settings)
      : netlist_(netlist), sink_(sink), settings_(settings) {}

  void read(const yaml::Node& key, const yaml::Node& node) {
    const std::string pattern = lower(key.text);
    if (pattern == "celsius") return celsius(node);
    const auto spread = read_spread(node, sink_);
    if (!spread) return;
    int found = 0;
    std::vector<std::string> known;
    const auto offer = [&](Varied::What what, const std::string& name, double nominal) {
      known.push_back(name);
      if (!matches(pattern, name)) return;
      ++found;
      add(key, *spread, what, name, nominal);
    };
    for (const auto& [name, value] : netlist_.parameters())
      offer(Varied::What::parameter, name, value);
    for (const auto& [name, value] : netlist_.instance_parameters())
      offer(Varied::What::instance, name, value);
    for (const std::string& name : netlist_.passives()) {
      // A part named like the parameter that sets it is one quantity.
      if (netlist_.instance_parameters().count(name) == 0) offer(Varied::What::factor, name, 1.0);
    }
    if (found == 0) {
      const std::string near = nearest_name(pattern, known);
      sink_.add(key, fmt::format("the netlist has nothing that matches '{}'", key.text),
                near.empty() ? "a .param, an R, C or L, or x1.parameter"
                             : "did you mean '" + near + "'?");
    }
  }

 private:
  void celsius(const yaml::Node& node) {
    Map map(node, sink_, "celsius");
    const auto from = map.integer("from", -40, 125), to = map.integer("to", -40, 125);
    if (!from || !to || *from >= *to) {
      sink_.add(node, "expected two whole degrees", "celsius: {from: 10, to: 40}");
      return;
    }
    Varied v;
    v.what = Varied::What::celsius;
    v.name = "celsius";
    v.nominal = static_cast<double>(*from + *to) / 2.0;
    v.reach = static_cast<double>(*to - *from) / 2.0;
    settings_.varied.push_back(v);
  }

  void add(const yaml::Node& key, const Spread& spread, Varied::What what, const std::string& name,
           double nominal) {
    for (const Varied& other : settings_.varied) {
      if (other.what == what && other.name == name) {
        sink_.add(key, fmt::format("{} varies already by an entry above", name));
        return;
      }
    }
    Varied v;
    v.what = what;
    v.name = name;
    v.nominal = nominal;
    v.normal = spread.normal;
    v.clip = spread.clip;
    v.reach = spread.absolute > 0.0 ? spread.absolute : spread.relative * std::fabs(nominal);
    if (what == Varied::What::factor && spread.absolute > 0.0) {
      sink_.add(key, fmt::format("the tolerance of {} is a share of its value", name),
                "write a percentage");
    } else if (!(v.reach > 0.0)) {
      sink_.add(key, fmt::format("{} is 0, so a share of it is 0 too", name), "give a spread in V");
    } else if (what == Varied::What::factor && v.limit() >= 1.0) {
      sink_.add(key, fmt::format("{} could fall to nothing", name));
    } else if (settings_.varied.size() >= kVariedMax) {
      sink_.add(key, fmt::format("more than {} quantities vary", kVariedMax));
    } else {
      settings_.varied.push_back(v);
    }
  }

  const Netlist& netlist_;
  Sink& sink_;
  Settings& settings_;
};

void check_name(const yaml::Node& node, const std::string& name, const char* what,
                const std::vector<std::string>& known, Sink& sink) {
  if (std::find(known.begin(), known.end(), name) != known.end()) return;
  const std::string near = nearest_name(name, known);
  sink.add(node, fmt::format("the netlist has no {} '{}'", what, name),
           near.empty() ? "" : "did you mean '" + near + "'?");
}

std::optional<files::Window> read_window(const yaml::Node* node, Sink& sink) {
  if (node == nullptr) return std::nullopt;
  files::Window w;
  if (!node->is_list() || node->items.size() != 2) {
    sink.add(*node, "expected two voltages", "low: [-1 V, 8.2 V]");
    return std::nullopt;
  }
  if (!files::read_quantity(node->items[0], Sign::any, sink, w.min) ||
      !files::read_quantity(node->items[1], Sign::any, sink, w.max)) {
    return std::nullopt;
  }
  if (w.min >= w.max) sink.add(*node, "the lower end comes first");
  return w;
}

// "5 V", or a window within which it varies.
void read_level(const yaml::Node* node, const std::string& name, Sink& sink, Settings& s,
                Volts& level, int& varied) {
  if (node == nullptr) return;
  if (!node->is_list()) {
    files::read_quantity(*node, Sign::any, sink, level);
    return;
  }
  const auto window = read_window(node, sink);
  if (!window) return;
  level = (window->min + window->max) / 2.0;
  varied = static_cast<int>(s.varied.size());
  Varied v;
  v.what = Varied::What::input;
  v.name = name;
  v.nominal = level.value;
  v.reach = (window->max - window->min).value / 2.0;
  s.varied.push_back(v);
}

void read_inputs(const yaml::Node& node, const Netlist& netlist, Sink& sink, Settings& s) {
  if (!files::want_map(node, sink, "'inputs'")) return;
  for (const auto& entry : node.entries) {
    Input in;
    in.name = entry.key.text;
    if (!files::want_map(entry.value, sink, "an input")) continue;
    Map map(entry.value, sink, "input '" + in.name + "'");
    if (const yaml::Node* source = map.need("source", "source: va")) {
      in.source = lower(source->text);
      check_name(*source, in.source, "source", netlist.sources(), sink);
    }
    read_level(map.need("low", "low: 5 V"), in.name + " low", sink, s, in.low, in.low_varied);
    read_level(map.need("high", "high: 24.6 V"), in.name + " high", sink, s, in.high,
               in.high_varied);
    in.bench_low = in.low;
    in.bench_high = in.high;
    if (const yaml::Node* bench = map.take("bench")) {
      if (files::want_map(*bench, sink, "'bench'")) {
        Map levels(*bench, sink, "'bench' of '" + in.name + "'");
        in.bench_low = levels.need_quantity<Volts>("low", Sign::any, "low: 0 V");
        in.bench_high = levels.need_quantity<Volts>("high", Sign::any, "high: 30 V");
      }
    }
    s.inputs.push_back(in);
  }
  if (s.inputs.size() > kInputsMax) sink.add(node, fmt::format("more than {} inputs", kInputsMax));
}

void read_outputs(const yaml::Node& node, const Netlist& netlist, Sink& sink, Settings& s) {
  if (!files::want_map(node, sink, "'outputs'")) return;
  for (const auto& entry : node.entries) {
    if (!files::want_scalar(entry.value, sink, "an output's node")) continue;
    const std::string name = lower(entry.value.text);
    check_name(entry.value, name, "node", netlist.nodes(), sink);
    s.outputs.push_back({entry.key.text, name});
  }
}

void read_family(const yaml::Node& node, Sink& sink, Settings& s) {
  if (!files::want_map(node, sink, "'family'")) return;
  Map map(node, sink, "'family'");
  s.family = map.text("name");
  if (const yaml::Node* needs = map.take("needs")) {
    if (!files::want_map(*needs, sink, "'needs'")) return;
    Map windows(*needs, sink, "'needs'");
    s.needs.low = read_window(windows.take("low"), sink);
    s.needs.high = read_window(windows.take("high"), sink);
  }
}

void read_edges(const yaml::Node& node, Sink& sink, Settings& s) {
  if (!files::want_map(node, sink, "'edges'")) return;
  Map map(node, sink, "'edges'");
  EdgeSettings e;
  const yaml::Node* input = map.need("input", "input: A");
  if (input != nullptr) e.input = input->text;
  if (auto v = map.quantity<Farads>("load", Sign::positive)) e.load = *v;
  if (auto v = map.quantity<Seconds>("ramp", Sign::positive)) e.ramp = *v;
  if (auto v = map.quantity<Seconds>("for", Sign::positive)) e.hold = *v;
  if (auto v = map.integer("samples", 1, 1000)) e.samples = static_cast<int>(*v);
  if (input != nullptr && std::none_of(s.inputs.begin(), s.inputs.end(),
                                       [&](const Input& i) { return i.name == e.input; })) {
    sink.add(*input, fmt::format("'{}' is not one of the inputs", e.input));
  }
  s.edges = e;
}

void read_rest(Map& map, Sink& sink, Settings& s) {
  if (auto v = map.integer("samples", 1, kSamplesMax)) s.samples = static_cast<int>(*v);
  if (auto v = map.integer("seed", 0, 1'000'000'000)) s.seed = static_cast<std::uint64_t>(*v);
  if (const yaml::Node* method = map.take("method")) {
    s.sobol = method->text == "sobol";
    if (!s.sobol && method->text != "latin-hypercube") {
      sink.add(*method, "unknown method '" + method->text + "'", "latin-hypercube or sobol");
    }
  }
  const auto share_of = [&](const char* key, double& into) {
    const yaml::Node* node = map.take(key);
    double share = 0.0;
    if (node == nullptr || !files::read_number_with_unit(*node, "%", Sign::positive, sink, share))
      return;
    if (share < 50.0 || share > 100.0)
      sink.add(*node, fmt::format("a {} holds 50 % to 100 % of the samples", key));
    into = share / 100.0;
  };
  share_of("window", s.share);
  share_of("band", s.band);
  if (auto v = map.quantity<Volts>("room", Sign::not_negative)) s.room = *v;
  if (const yaml::Node* node = map.take("fan-out")) {
    if (files::want_map(*node, sink, "'fan-out'")) {
      Map m(*node, sink, "'fan-out'");
      FanOut f;
      f.low = m.need_quantity<Amps>("low", Sign::not_negative, "low: 14 uA");
      f.high = m.need_quantity<Amps>("high", Sign::not_negative, "high: 131 uA");
      s.fan_out = f;
    }
  }
}

Result<std::string> side_file(const std::string& path) {
  namespace fs = std::filesystem;
  const std::string extension = fs::path(path).extension().string();
  if (extension == ".yaml" || extension == ".yml") return path;
  const std::string beside = fs::path(path).replace_extension(".yaml").string();
  std::error_code code;
  if (fs::exists(beside, code)) return beside;
  return input_error(path, "has no side file " + beside,
                     "write one that names inputs, outputs and what varies (see docs/predict.md)");
}

}  // namespace

Result<Question> read_question(const std::string& path) {
  auto file = side_file(path);
  if (!file) return file.error();
  auto tree = yaml::load(*file);
  if (!tree) return tree.error();
  Sink sink;
  Settings s;
  std::optional<Netlist> netlist;
  {
    Map map(*tree, sink, "a prediction");
    if (const yaml::Node* name = map.need("predict", "predict: or-follower")) s.name = name->text;
    const yaml::Node* cir = map.need("netlist", "netlist: or-follower.cir");
    if (cir == nullptr) return sink.first();
    auto read = Netlist::read((std::filesystem::path(*file).parent_path() / cir->text).string());
    if (!read) return read.error();
    netlist = read.take();
    if (const yaml::Node* node =
            map.need("inputs", "inputs: {A: {source: va, low: 0 V, high: 24 V}}")) {
      read_inputs(*node, *netlist, sink, s);
    }
    if (const yaml::Node* node = map.need("outputs", "outputs: {Y: y}"))
      read_outputs(*node, *netlist, sink, s);
    if (const yaml::Node* node = map.take("vary")) {
      if (files::want_map(*node, sink, "'vary'")) {
        VaryReader vary(*netlist, sink, s);
        for (const auto& entry : node->entries) vary.read(entry.key, entry.value);
      }
    }
    if (const yaml::Node* node = map.take("family")) read_family(*node, sink, s);
    if (const yaml::Node* node = map.take("edges")) read_edges(*node, sink, s);
    read_rest(map, sink, s);
  }
  if (sink.failed()) return sink.first();
  return Question{std::move(s), std::move(*netlist)};
}

}  // namespace tenterhook::predict
