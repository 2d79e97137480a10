#include "host/files/board_reader.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cmath>
#include <set>

#include "host/files/ready_families.h"

namespace tenterhook::files {
namespace {

std::vector<std::string> names_of(const std::map<std::string, Family>& families) {
  std::vector<std::string> names = ready_family_names();
  for (const auto& [name, family] : families)
    if (std::find(names.begin(), names.end(), name) == names.end()) names.push_back(name);
  return names;
}

// A rail's window: "[28.5 V, 31.5 V]" or a share of the nominal, "5 %".
bool read_rail_window(const yaml::Node& node, Volts nominal, Sink& sink, Window& window) {
  if (node.is_list()) return read_window(node, sink, window);
  double percent = 0.0;
  if (!read_number_with_unit(node, "%", Sign::positive, sink, percent)) return false;
  const Volts away{std::fabs(nominal.value) * percent / 100.0};
  window = {nominal - away, nominal + away};
  return true;
}

}  // namespace

bool read_window(const yaml::Node& node, Sink& sink, Window& window) {
  if (!node.is_list() || node.items.size() != 2) {
    sink.add(node, fmt::format("a window must be two quantities, found {}", describe(node)),
             "write '[-1 V, 8.2 V]', the lower one first");
    return false;
  }
  Volts low, high;
  if (!read_quantity(node.items[0], Sign::any, sink, low) ||
      !read_quantity(node.items[1], Sign::any, sink, high))
    return false;
  if (!(low < high)) {
    sink.add(node, fmt::format("a window from {} to {} is empty", text(low), text(high)),
             "write the lower one first");
    return false;
  }
  window = {low, high};
  return true;
}

LevelWindows read_level_windows(const yaml::Node& node, Sink& sink, const std::string& thing) {
  LevelWindows windows;
  Map map(node, sink, thing);
  const yaml::Node* low = map.take("low");
  const yaml::Node* high = map.take("high");
  Window window;
  if (low != nullptr && read_window(*low, sink, window)) windows.low = window;
  if (high != nullptr && read_window(*high, sink, window)) windows.high = window;
  if (node.is_map() && low == nullptr && high == nullptr)
    sink.add(node, fmt::format("{} has neither 'low' nor 'high'", thing),
             "write '{low: [..], high: [..]}'");
  if (windows.low && windows.high && !(windows.low->max < windows.high->min))
    sink.add(node,
             fmt::format("{}: low (up to {}) and high (from {}) overlap", thing,
                         text(windows.low->max), text(windows.high->min)),
             "leave a gap between them");
  return windows;
}

// Levels, and edges as `rise: [1 us, 2 us]`.
Predicted read_predicted(const yaml::Node& node, Sink& sink, const std::string& thing) {
  Predicted predicted;
  Map map(node, sink, thing);
  const yaml::Node* low = map.take("low");
  const yaml::Node* high = map.take("high");
  Window window;
  if (low != nullptr && read_window(*low, sink, window)) predicted.levels.low = window;
  if (high != nullptr && read_window(*high, sink, window)) predicted.levels.high = window;
  for (auto [key, field] : {std::pair{"rise", &predicted.rise}, {"fall", &predicted.fall}}) {
    const yaml::Node* edge = map.take(key);
    if (edge == nullptr) continue;
    Span span;
    if (!edge->is_list() || edge->items.size() != 2) {
      sink.add(*edge, fmt::format("'{}' of {} is two times", key, thing), "write '[1 us, 2 us]'");
    } else if (read_quantity(edge->items[0], Sign::not_negative, sink, span.min) &&
               read_quantity(edge->items[1], Sign::positive, sink, span.max)) {
      if (span.min > span.max) sink.add(*edge, "the shorter time comes first", "swap the two");
      *field = span;
    }
  }
  return predicted;
}

Wire read_wire(const yaml::Node& node, const std::string& thing, Sink& sink) {
  Map in(node, sink, "'wire' of " + thing);
  Wire wire;
  double gauge = 0.0;
  if (const yaml::Node* awg = in.need("gauge", "20 AWG");
      awg != nullptr && read_number_with_unit(*awg, "AWG", Sign::not_negative, sink, gauge)) {
    wire.awg = static_cast<int>(gauge);
    if (gauge != wire.awg || gauge > 40)
      sink.add(*awg, "gauges are whole numbers from 0 to 40 AWG");
  }
  wire.length = in.need_quantity<Metres>("length", Sign::positive, "1.2 m");
  wire.contacts = static_cast<int>(in.integer("contacts", 0, 100).value_or(0));
  return wire;
}

bool BoardReader::claim(const yaml::Node& node, const std::string& name, const std::string& kind) {
  const auto [at, fresh] = names_.try_emplace(name, Named{kind, node.place});
  if (fresh) return true;
  if (at->second.kind == kind && kind == "part") return true;  // one part may hold several gates
  sink_.add(node,
            fmt::format("'{}' names a {} already, at line {}", name, at->second.kind,
                        at->second.place.line),
            "lines, buses, nets, rails and parts share one set of names; choose another");
  return false;
}

std::vector<std::string> BoardReader::rail_names() const {
  std::vector<std::string> names;
  for (const Rail& rail : board_.rails) names.push_back(rail.name);
  return names;
}

void BoardReader::read(Map& map) {
  const yaml::Node* name = map.need("board", "shed-latch");
  if (name != nullptr && want_label(*name, sink_, "board")) board_.name = name->text;
  board_.about = map.text("about");
  if (const yaml::Node* node =
          map.need("rails", "{plate: {nominal: 30 V, window: 5 %, limit: 50 mA}}"))
    read_rails(*node);
  if (const yaml::Node* node = map.take("warm-up")) read_warm_up(*node);
  if (const yaml::Node* node = map.take("families")) read_families(*node);
  if (const yaml::Node* node = map.need("lines", "{A: {in: FAMILY}, Y: {out: FAMILY}}"))
    read_lines(*node);
  if (const yaml::Node* node = map.take("gates")) read_libraries(*node);
  const yaml::Node* circuit = map.take("circuit");
  const yaml::Node* wired = map.take("wired");
  const yaml::Node* probes = map.take("probes");
  const yaml::Node* not_built = map.take("not-built");
  const yaml::Node* limits = map.take("limits");
  const yaml::Node* timing = map.take("timing");
  const yaml::Node* hookup = map.take("hookup");
  if (circuit != nullptr && want_list(*circuit, sink_, "'circuit'"))
    read_circuit(*circuit, Scope{});
  if (wired != nullptr) read_wired(*wired);
  if (not_built != nullptr) read_net_list(*not_built, "'not-built'", board_.not_built);
  if (circuit != nullptr && !sink_.failed()) {
    check_drivers();
    check_inputs();
  }
  if (probes != nullptr) read_net_list(*probes, "'probes'", board_.probes);
  if (limits != nullptr) read_limits(*limits);
  if (timing != nullptr) read_timing(*timing);
  if (hookup != nullptr) read_hookup(*hookup);
}

void BoardReader::read_rails(const yaml::Node& node) {
  if (!want_map(node, sink_, "'rails'")) return;
  for (const yaml::Node::Entry& entry : node.entries) read_rail(entry);
  check_rails();
}

void BoardReader::read_rail(const yaml::Node::Entry& entry) {
  if (!want_name(entry.key, sink_, "rail")) return;
  Rail rail;
  rail.name = entry.key.text;
  rail.mark = mark_of(entry.key);
  claim(entry.key, rail.name, "rail");
  const std::string thing = fmt::format("rail '{}'", rail.name);
  Map map(entry.value, sink_, thing);
  rail.nominal = map.need_quantity<Volts>("nominal", Sign::any, "30 V");
  if (const yaml::Node* window = map.need("window", "5 %")) {
    if (read_rail_window(*window, rail.nominal, sink_, rail.window) &&
        !rail.window.contains(rail.nominal))
      sink_.add(*window, fmt::format("the nominal {} lies outside this window", text(rail.nominal)),
                "correct one of them");
    if (std::max(std::fabs(rail.window.min.value), std::fabs(rail.window.max.value)) > kMostVolts)
      sink_.add(*window, fmt::format("{} may reach more than 60 V DC", thing),
                "the fixture is not made for that; it is refused");
  }
  rail.limit = map.need_quantity<Amps>("limit", Sign::positive, "250 mA");
  if (const yaml::Node* inrush = map.take("inrush")) {
    Map in(*inrush, sink_, "'inrush'");
    rail.inrush = Inrush{in.need_quantity<Amps>("peak", Sign::positive, "11 A"),
                         in.need_quantity<Seconds>("within", Sign::positive, "2 s")};
  }
  if (const yaml::Node* soft = map.take("soft-start")) read_soft_start(*soft, thing, rail);
  rail.ramp = map.quantity<Seconds>("ramp", Sign::positive);
  rail.hold = map.quantity<Seconds>("hold", Sign::not_negative).value_or(Seconds{});
  rail.capacitance = map.quantity<Farads>("capacitance", Sign::positive);
  rail.supply = map.quantity<Amps>("supply", Sign::positive);
  if (const yaml::Node* draws = map.take("draws")) read_draws(*draws, thing, rail);
  if (const yaml::Node* wire = map.take("wire")) rail.wire = read_wire(*wire, thing, sink_);
  if (const yaml::Node* after = map.take("after"))
    for (const yaml::Node* item : one_or_more(*after, sink_, "'after'"))
      rail.after.push_back(item->text);
  board_.rails.push_back(std::move(rail));
}

void BoardReader::read_soft_start(const yaml::Node& node, const std::string& thing, Rail& rail) {
  Map map(node, sink_, "'soft-start' of " + thing);
  SoftStart soft;
  soft.until = map.need_quantity<Volts>("until", Sign::any, "3.6 V");
  soft.at_least = map.quantity<Amps>("at-least", Sign::positive);
  soft.below = map.quantity<Amps>("below", Sign::positive);
  soft.hold = map.quantity<Seconds>("hold", Sign::not_negative).value_or(Seconds{});
  soft.within = map.quantity<Seconds>("within", Sign::positive);
  if (node.is_map() && std::fabs(soft.until.value) > std::fabs(rail.nominal.value))
    sink_.add(
        node,
        fmt::format("'until' is {}, beyond the nominal {}", text(soft.until), text(rail.nominal)),
        "the main contact closes on the way up");
  rail.soft_start = soft;
}

void BoardReader::read_draws(const yaml::Node& node, const std::string& thing, Rail& rail) {
  if (!want_list(node, sink_, "'draws' of " + thing)) return;
  for (const yaml::Node& item : node.items) {
    Map map(item, sink_, "'draws' of " + thing);
    Draw draw;
    draw.what = map.text("what");
    draw.count = static_cast<int>(map.integer("count", 1, kMaxDraws).value_or(1));
    draw.each = map.need_quantity<Amps>("each", Sign::positive, "300 mA");
    if (const yaml::Node* kind = map.take("kind")) {
      if (kind->text == "filament") draw.kind = Draw::Kind::filament;
      else if (kind->text == "coil") draw.kind = Draw::Kind::coil;
      else if (kind->text != "steady")
        sink_.add(*kind, fmt::format("{} is no kind of load", describe(*kind)),
                  suggest(kind->text, {"filament", "coil", "steady"}));
    }
    rail.draws.push_back(std::move(draw));
  }
}

void BoardReader::check_rails() {
  if (sink_.failed()) return;
  // Rails that come before others in time; a circle would never start.
  std::map<std::string, const Rail*> by_name;
  for (const Rail& rail : board_.rails) by_name[rail.name] = &rail;
  const auto place = [&](const Rail& rail) {
    return yaml::Place{std::make_shared<const std::string>(rail.mark.file), rail.mark.line,
                       rail.mark.column};
  };
  for (const Rail& rail : board_.rails) {
    for (const std::string& before : rail.after)
      if (by_name.count(before) == 0)
        sink_.add(place(rail),
                  fmt::format("rail '{}' comes after '{}', which is no rail", rail.name, before),
                  suggest(before, rail_names()));
    std::set<std::string> seen;
    std::vector<std::string> todo(rail.after.begin(), rail.after.end());
    while (!todo.empty()) {
      const std::string next = todo.back();
      todo.pop_back();
      if (next == rail.name) {
        sink_.add(place(rail), fmt::format("rail '{}' waits for itself through 'after'", rail.name),
                  "break the circle");
        break;
      }
      if (!seen.insert(next).second || by_name.count(next) == 0) continue;
      for (const std::string& more : by_name[next]->after) todo.push_back(more);
    }
  }
  for (const Rail& a : board_.rails)
    for (const Rail& b : board_.rails)
      if (&a != &b && a.window.max.value - b.window.min.value > kMostVolts)
        sink_.add(
            place(a),
            fmt::format("rails '{}' and '{}' may differ by more than 60 V DC", a.name, b.name),
            "the fixture is not made for that; it is refused");
}

void BoardReader::read_warm_up(const yaml::Node& node) {
  Map map(node, sink_, "'warm-up'");
  WarmUp warm;
  warm.drift = map.need_quantity<Volts>("drift", Sign::positive, "50 mV");
  warm.hold = map.need_quantity<Seconds>("for", Sign::positive, "5 s");
  warm.at_most = map.need_quantity<Seconds>("at-most", Sign::positive, "120 s");
  if (node.is_map() && !sink_.failed() && warm.at_most < warm.hold)
    sink_.add(node, "'at-most' is shorter than 'for'", "give it time to be stable");
  board_.warm_up = warm;
}

DriveLevel BoardReader::read_drive(const yaml::Node& node) {
  DriveLevel level;
  if (!want_scalar(node, sink_, "a drive level")) return level;
  const std::string& text = node.text;
  if (text == "ground") return level;
  if (text == "open") {
    level.kind = DriveLevel::Kind::open;
    return level;
  }
  if (board_.rail(text) != nullptr) {
    level.kind = DriveLevel::Kind::rail;
    level.rail = text;
    return level;
  }
  if (!text.empty() && (std::isdigit(static_cast<unsigned char>(text[0])) != 0 || text[0] == '-' ||
                        text[0] == '+')) {
    level.kind = DriveLevel::Kind::volts;
    read_quantity(node, Sign::any, sink_, level.volts);
    if (std::fabs(level.volts.value) > kMostVolts)
      sink_.add(node, "more than 60 V DC", "the fixture is not made for that; it is refused");
    return level;
  }
  std::vector<std::string> known = rail_names();
  known.insert(known.end(), {"ground", "open"});
  sink_.add(node, fmt::format("{} is no rail", describe(node)), suggest(text, known));
  return level;
}

// A level in volts that exactly one rail supplies is that rail's.
void BoardReader::tie_to_rails(Family& family) const {
  for (DriveLevel* level : {&family.drive_low, &family.drive_high}) {
    if (level->kind != DriveLevel::Kind::volts) continue;
    const Rail* only = nullptr;
    int matches = 0;
    for (const Rail& rail : board_.rails) {
      if (std::fabs(rail.nominal.value - level->volts.value) > 0.1 * std::fabs(level->volts.value))
        continue;
      only = &rail;
      ++matches;
    }
    if (matches != 1) continue;
    level->kind = DriveLevel::Kind::rail;
    level->rail = only->name;
    level->volts = Volts{};
  }
}

void BoardReader::read_families(const yaml::Node& node) {
  if (!want_map(node, sink_, "'families'")) return;
  for (const yaml::Node::Entry& entry : node.entries) read_family(entry);
}

void BoardReader::read_family(const yaml::Node::Entry& entry) {
  if (!want_label(entry.key, sink_, "family")) return;
  const std::string thing = fmt::format("family '{}'", entry.key.text);
  Map map(entry.value, sink_, thing);
  Family family;
  if (const auto ready = ready_family(entry.key.text)) family = *ready;
  if (const yaml::Node* like = map.take("like")) {
    const auto ready = like->is_scalar() ? ready_family(like->text) : std::nullopt;
    const auto own = board_.families.find(like->text);
    if (ready)
      family = *ready;
    else if (like->is_scalar() && own != board_.families.end())
      family = own->second;
    else
      sink_.add(*like, fmt::format("{} is no family", describe(*like)),
                suggest(like->text, names_of(board_.families)));
  }
  const bool from_ready = !family.name.empty();
  family.name = entry.key.text;
  family.mark = mark_of(entry.key);
  if (from_ready) tie_to_rails(family);
  if (const yaml::Node* drive = map.take("drive")) {
    Map levels(*drive, sink_, "'drive' of " + thing);
    if (const yaml::Node* low = levels.need("low", "ground")) family.drive_low = read_drive(*low);
    if (const yaml::Node* high = levels.need("high", "plate"))
      family.drive_high = read_drive(*high);
  } else if (!from_ready) {
    family.drive_low.kind = family.drive_high.kind = DriveLevel::Kind::open;
  }
  const auto merge = [](LevelWindows& into, const LevelWindows& from) {
    if (from.low) into.low = from.low;
    if (from.high) into.high = from.high;
  };
  if (const yaml::Node* gives = map.take("gives"))
    merge(family.gives, read_level_windows(*gives, sink_, "'gives' of " + thing));
  if (const yaml::Node* needs = map.take("needs"))
    merge(family.needs, read_level_windows(*needs, sink_, "'needs' of " + thing));
  if (const yaml::Node* predicted = map.take("predicted"))
    family.predicted = read_predicted(*predicted, sink_, "'predicted' of " + thing);
  if (const yaml::Node* one = map.take("one")) {
    if (one->text == "low" || one->text == "high")
      family.one_is_low = one->text == "low";
    else
      sink_.add(*one, fmt::format("'one' must be low or high, found {}", describe(*one)));
  }
  if (const auto draws = map.quantity<Amps>("draws", Sign::not_negative)) family.draws = draws;
  check_family(family, entry.key);
  board_.families[family.name] = family;
}

void BoardReader::check_family(const Family& family, const yaml::Node& node) {
  if (sink_.failed()) return;
  const LevelWindows judged = family.judged();
  if (!judged.low || !judged.high)
    sink_.add(
        node,
        fmt::format("family '{}' has no window for a {}", family.name, judged.low ? "high" : "low"),
        "add 'gives: {low: [..], high: [..]}' or 'needs:'");
  if (sink_.failed()) return;
  const auto level_of = [&](const DriveLevel& level) -> std::optional<Volts> {
    if (level.kind == DriveLevel::Kind::ground) return Volts{};
    if (level.kind == DriveLevel::Kind::volts) return level.volts;
    if (level.kind == DriveLevel::Kind::rail && board_.rail(level.rail) != nullptr)
      return board_.rail(level.rail)->nominal;
    return std::nullopt;
  };
  const auto check = [&](const DriveLevel& level, const std::optional<Window>& needed,
                         const char* which) {
    const auto volts = level_of(level);
    if (!volts || !needed || needed->contains(*volts)) return;
    sink_.add(node,
              fmt::format("family '{}' drives a {} with {}, but needs {} to {}", family.name, which,
                          text(*volts), text(needed->min), text(needed->max)),
              "correct 'drive' or 'needs'");
  };
  check(family.drive_low, family.needs.low, "low");
  check(family.drive_high, family.needs.high, "high");
}

void BoardReader::read_lines(const yaml::Node& node) {
  if (!want_map(node, sink_, "'lines'")) return;
  if (node.entries.empty())
    sink_.add(node, "the board has no lines", "add '{A: {in: FAMILY}, Y: {out: FAMILY}}'");
  for (const yaml::Node::Entry& entry : node.entries) read_line(entry);
  if (board_.lines.size() > kMaxLines)
    sink_.add(node,
              fmt::format("{} lines; at most {} are possible", board_.lines.size(), kMaxLines));
}

void BoardReader::read_line(const yaml::Node::Entry& entry) {
  std::vector<std::string> names;
  if (looks_like_range(entry.key.text)) {
    Range range;
    if (!read_range(entry.key, sink_, range)) return;
    names = range.names();
    if (claim(entry.key, range.stem, "bus"))
      board_.buses.push_back({range.stem, mark_of(entry.key), names});
  } else {
    if (!want_name(entry.key, sink_, "line")) return;
    names.push_back(entry.key.text);
  }
  Map map(entry.value, sink_, fmt::format("line '{}'", entry.key.text));
  Line line;
  line.mark = mark_of(entry.key);
  read_line_settings(map, entry.value, line);
  for (const std::string& name : names) {
    if (!claim(entry.key, name, "line")) continue;
    line.name = name;
    line_index_[name] = board_.lines.size();
    board_.lines.push_back(line);
    if (line.kind == LineKind::output) output_places_[name] = entry.key.place;
  }
}

void BoardReader::read_line_settings(Map& map, const yaml::Node& node, Line& line) {
  static constexpr std::pair<const char*, LineKind> kKinds[] = {{"in", LineKind::input},
                                                                {"out", LineKind::output},
                                                                {"both", LineKind::both},
                                                                {"clock", LineKind::clock}};
  const yaml::Node* family = nullptr;
  for (const auto& [key, kind] : kKinds) {
    const yaml::Node* found = map.take(key);
    if (found == nullptr) continue;
    if (family != nullptr)
      sink_.add(*found, "a line is one of 'in', 'out', 'both' and 'clock'",
                "remove one; 'both' goes either way");
    family = found;
    line.kind = kind;
  }
  if (family == nullptr) {
    if (node.is_map())
      sink_.add(node, "a line needs one of 'in', 'out', 'both' and 'clock'", "add 'in: FAMILY'");
  } else if (want_scalar(*family, sink_, "a family")) {
    use_family(*family);
    line.family = family->text;
    const Family* known = board_.family_of(line);
    const bool silent = known != nullptr && known->drive_low.kind == DriveLevel::Kind::open &&
                        known->drive_high.kind == DriveLevel::Kind::open;
    if (silent && line.kind != LineKind::output && !sink_.failed())
      sink_.add(*family,
                fmt::format("family '{}' does not say how the fixture gives a low and a high",
                            line.family),
                "add 'drive: {low: ground, high: RAIL}' to the family");
  }
  const bool output = line.kind == LineKind::output, clock = line.kind == LineKind::clock;
  line.rest = output || line.kind == LineKind::both ? Bit::undriven : Bit::zero;
  if (const yaml::Node* rest = map.take("rest")) {
    if (rest->text == "0" || rest->text == "1")
      line.rest = rest->text == "1" ? Bit::one : Bit::zero;
    else if (rest->text == "z")
      line.rest = Bit::undriven;
    else
      sink_.add(*rest, fmt::format("'rest' must be 0, 1 or z, found {}", describe(*rest)));
    if (output)
      sink_.add(*rest, "an output has no 'rest': the fixture never drives it", "remove it");
  }
  const yaml::Node* pulse = map.node().find("pulse");
  line.pulse = map.quantity<Seconds>("pulse", Sign::positive);
  line.gap = map.quantity<Seconds>("gap", Sign::positive);
  if (pulse != nullptr && !clock)
    sink_.add(*pulse, "only a clock has a 'pulse'", "write 'clock: FAMILY' instead of 'in:'");
  line.respond = map.quantity<Seconds>("respond", Sign::not_negative).value_or(Seconds{});
  if (const yaml::Node* load = map.take("load")) line.load = read_load(*load);
  if (const yaml::Node* pull = map.take("pull")) line.pull = read_load(*pull);
  line.draws = map.quantity<Amps>("draws", Sign::not_negative);
  Window window;
  if (const yaml::Node* low = map.take("low"); low != nullptr && read_window(*low, sink_, window))
    line.low = window;
  if (const yaml::Node* high = map.take("high");
      high != nullptr && read_window(*high, sink_, window))
    line.high = window;
  line.say = map.text("say");
}

void BoardReader::use_family(const yaml::Node& node) {
  if (board_.families.count(node.text) != 0) return;
  if (auto ready = ready_family(node.text)) {
    ready->mark = mark_of(node);
    tie_to_rails(*ready);
    board_.families[node.text] = *ready;
    return;
  }
  sink_.add(node, fmt::format("{} is no family", describe(node)),
            suggest(node.text, names_of(board_.families)));
}

std::optional<Load> BoardReader::read_load(const yaml::Node& node) {
  if (!want_scalar(node, sink_, "a load")) return std::nullopt;
  const std::size_t to = node.text.find(" to ");
  if (to == std::string::npos) {
    sink_.add(node, fmt::format("{} does not say where the resistor goes", describe(node)),
              "write '22 kohm to ground', or to a rail");
    return std::nullopt;
  }
  Load load;
  yaml::Node part = node;
  part.text = node.text.substr(0, to);
  if (!read_quantity(part, Sign::positive, sink_, load.ohms)) return std::nullopt;
  load.to = node.text.substr(to + 4);
  if (load.to != "ground" && board_.rail(load.to) == nullptr) {
    std::vector<std::string> known = rail_names();
    known.emplace_back("ground");
    sink_.add(node, fmt::format("'{}' is no rail", load.to), suggest(load.to, known));
  }
  return load;
}

std::vector<std::string> known_lines(const Board& board) {
  std::vector<std::string> names;
  for (const Bus& bus : board.buses) names.push_back(bus.name);
  for (const Line& line : board.lines) names.push_back(line.name);
  return names;
}

std::vector<std::string> lines_named(const Board& board, const yaml::Node& node, Sink& sink) {
  if (!want_scalar(node, sink, "a line")) return {};
  if (const Bus* bus = board.bus(node.text)) return bus->lines;
  if (board.line(node.text) != nullptr) return {node.text};
  if (looks_like_range(node.text)) {
    Range range;
    if (!read_range(node, sink, range)) return {};
    for (const std::string& name : range.names()) {
      if (board.line(name) != nullptr) continue;
      sink.add(node, fmt::format("'{}' is no line", name), suggest(name, known_lines(board)));
      return {};
    }
    return range.names();
  }
  sink.add(node, fmt::format("{} is no line or bus", describe(node)),
           suggest(node.text, known_lines(board)));
  return {};
}

std::vector<std::string> BoardReader::lines_of(const yaml::Node& node) {
  return lines_named(board_, node, sink_);
}

void BoardReader::read_limits(const yaml::Node& node) {
  if (!want_map(node, sink_, "'limits'")) return;
  for (const yaml::Node::Entry& entry : node.entries) {
    const std::size_t to = entry.key.text.find(" to ");
    if (to == std::string::npos) {
      sink_.add(entry.key, fmt::format("{} is not a path", describe(entry.key)),
                "write 'PICK to Q0: 6 us'");
      continue;
    }
    yaml::Node from = entry.key, into = entry.key;
    from.text = entry.key.text.substr(0, to);
    into.text = entry.key.text.substr(to + 4);
    Seconds at_most;
    const std::vector<std::string> starts = lines_of(from), ends = lines_of(into);
    if (!read_quantity(entry.value, Sign::positive, sink_, at_most)) continue;
    for (const std::string& a : starts)
      for (const std::string& b : ends)
        board_.limits.push_back({mark_of(entry.key), a, b, at_most});
  }
}

void BoardReader::read_timing(const yaml::Node& node) {
  using Kind = TimingLimit::Kind;
  constexpr std::pair<const char*, Kind> kKinds[] = {
      {"setup", Kind::setup}, {"hold", Kind::hold}, {"width", Kind::width}, {"rate", Kind::rate}, {"transition", Kind::transition}};
  Map map(node, sink_, "'timing'");
  for (const auto& [key, kind] : kKinds) {
    const yaml::Node* group = map.take(key);
    if (group == nullptr || !want_map(*group, sink_, fmt::format("'{}' of 'timing'", key))) continue;
    for (const yaml::Node::Entry& entry : group->entries) read_timing_entry(entry, kind);
  }
}

void BoardReader::read_timing_entry(const yaml::Node::Entry& entry, TimingLimit::Kind kind) {
  using Kind = TimingLimit::Kind;
  const bool paired = kind == Kind::setup || kind == Kind::hold;
  const std::size_t to = entry.key.text.find(" to ");
  if (paired != (to != std::string::npos)) {
    sink_.add(entry.key, paired ? fmt::format("{} does not say which clock takes which line", describe(entry.key))
                                : fmt::format("{} is not one line", describe(entry.key)),
              paired ? "write 'F0 to PICK: 3 us'" : "write 'PICK: 5 us'");
    return;
  }
  yaml::Node line = entry.key, clock = entry.key;
  if (paired) {
    line.text = entry.key.text.substr(0, to);
    clock.text = entry.key.text.substr(to + 4);
  }
  double value = 0.0;
  const Sign sign = kind == Kind::hold ? Sign::any : kind == Kind::setup ? Sign::not_negative : Sign::positive;
  if (!read_number_with_unit(entry.value, kind == Kind::rate ? "Hz" : "s", sign, sink_, value)) return;
  const std::vector<std::string> clocks = paired ? lines_of(clock) : std::vector<std::string>{""};
  for (const std::string& name : lines_of(line)) {
    const LineKind is = board_.line(name)->kind;
    const bool wants_output = kind == Kind::transition;
    if (wants_output != (is == LineKind::output || is == LineKind::both)) {
      sink_.add(entry.key, fmt::format("'{}' is {} output", name, wants_output ? "no" : "an"),
                wants_output ? "a transition is an output's" : "this is about a line that the fixture drives");
      return;
    }
    for (const std::string& by : clocks) board_.timing.push_back({kind, mark_of(entry.key), name, by, value});
  }
}

void BoardReader::read_hookup(const yaml::Node& node) {
  if (!want_map(node, sink_, "'hookup'")) return;
  board_.has_hookup = true;
  std::map<Channel, std::string> taken;
  for (const yaml::Node::Entry& entry : node.entries) read_hookup_entry(entry, taken);
}

void BoardReader::read_hookup_entry(const yaml::Node::Entry& entry,
                                    std::map<Channel, std::string>& taken) {
  std::vector<std::string> names;
  const bool rail = board_.rail(entry.key.text) != nullptr;
  if (entry.key.text == "hand" || rail) {
    names.push_back(entry.key.text);
  } else if (board_.line(entry.key.text) == nullptr && board_.bus(entry.key.text) == nullptr &&
             !looks_like_range(entry.key.text)) {
    std::vector<std::string> known = known_lines(board_);
    for (const std::string& name : rail_names()) known.push_back(name);
    sink_.add(entry.key, fmt::format("{} is no line, bus or rail", describe(entry.key)),
              suggest(entry.key.text, known));
    return;
  } else {
    names = lines_of(entry.key);
  }
  // A line of kind both may name two channels: the one that drives and the one that senses.
  std::vector<const yaml::Node*> values = one_or_more(entry.value, sink_, "a channel");
  if (entry.value.is_list() && entry.value.items.size() != 2)
    sink_.add(entry.value, "a hookup names one channel, or two for a line that goes both ways",
              "write '[drive.0, sense.0]'");
  bool first = true;
  for (const yaml::Node* value : values) {
    std::vector<Channel> channels;
    if (!read_channels(*value, channels)) continue;
    if (channels.size() != names.size()) {
      sink_.add(
          *value,
          fmt::format("'{}' has {}, {} has {}", entry.key.text, count_of(names.size(), "line"),
                      describe(*value), count_of(channels.size(), "channel")),
          "write as many channels as lines, as in 'drive.3..0'");
      continue;
    }
    for (std::size_t i = 0; i < names.size(); ++i) {
      const auto [at, fresh] = taken.try_emplace(channels[i], names[i]);
      if (!fresh)
        sink_.add(*value,
                  fmt::format("{} is taken by '{}' already", channels[i].text(), at->second),
                  "choose another channel");
      auto& hooked = first ? board_.hookup : board_.hookup_sense;
      if (!hooked.try_emplace(names[i], channels[i]).second)
        sink_.add(entry.key, fmt::format("'{}' is hooked up twice", names[i]), "keep one of them");
      if (first) {
        check_channel(*value, names[i], channels[i]);
      } else if (channels[i].kind != "sense") {
        sink_.add(*value,
                  fmt::format("the second channel of '{}' must sense, found {}", names[i],
                              describe(*value)),
                  "write '[drive.0, sense.0]'");
      }
      const Line* line = board_.line(names[i]);
      if (!first && (line == nullptr || line->kind != LineKind::both))
        sink_.add(
            *value,
            fmt::format("'{}' is not a line that goes both ways; it has one channel", names[i]),
            "remove one of the two");
    }
    first = false;
  }
}

bool BoardReader::read_channels(const yaml::Node& node, std::vector<Channel>& out) {
  const std::size_t dot = node.text.find('.');
  const std::string kind = node.text.substr(0, dot);
  static const std::vector<std::string> kKinds{"drive", "fast", "sense", "rail"};
  if (dot == std::string::npos || std::find(kKinds.begin(), kKinds.end(), kind) == kKinds.end()) {
    const bool word = !kind.empty() && std::isalpha(static_cast<unsigned char>(kind[0])) != 0;
    const std::string remedy = dot == std::string::npos || !word
                                   ? std::string("write it as in 'drive.3' or 'sense.3..0'")
                                   : suggest(kind, kKinds);
    sink_.add(node, fmt::format("{} is not a channel", describe(node)), remedy);
    return false;
  }
  std::vector<int> indices;
  if (!read_indices(node, std::string_view(node.text).substr(dot + 1), sink_, indices))
    return false;
  for (const int index : indices) out.push_back({kind, index});
  return true;
}

void BoardReader::check_channel(const yaml::Node& node, const std::string& name,
                                const Channel& channel) {
  const auto want = [&](bool good, const char* expected) {
    if (!good)
      sink_.add(node, fmt::format("'{}' needs {}, found {}", name, expected, channel.text()),
                "choose a channel of that kind");
  };
  if (name == "hand") return want(channel.kind == "sense", "a sense channel");
  if (board_.rail(name) != nullptr) return want(channel.kind == "rail", "a rail channel");
  const Line* line = board_.line(name);
  if (line == nullptr) return;
  const bool drives = channel.kind == "drive" || channel.kind == "fast";
  switch (line->kind) {
    case LineKind::output:
    case LineKind::probe:
      return want(channel.kind == "sense", "a sense channel");
    case LineKind::input:
    case LineKind::both:
    case LineKind::clock:
      return want(drives, "a drive or fast channel");
  }
}

}  // namespace tenterhook::files
