#include "host/files/steps_reader.h"

#include <fmt/format.h>

#include <algorithm>
#include <set>

#include "host/base/nearest.h"

namespace tenterhook::files {
namespace {

constexpr int kWidestAll = 16;  // lines in one exhaustive pattern: 65,536 steps

// splitmix64 (S. Vigna, public domain): the same vectors from the same seed on every machine.
std::uint64_t next_random(std::uint64_t& state) {
  std::uint64_t z = (state += 0x9E3779B97F4A7C15u);
  z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
  z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
  return z ^ (z >> 31);
}

std::vector<Bit> bits_of(std::uint64_t value, int width) {
  std::vector<Bit> bits;
  for (int i = width - 1; i >= 0; --i)
    bits.push_back(((value >> i) & 1u) != 0 ? Bit::one : Bit::zero);
  return bits;
}

// What every copy of a step carries besides its bits, in entries of about the same size.
std::size_t carried(const Step& step) {
  return step.pulse.size() + step.measure.size() + step.windows.size() + step.say.size() / 32;
}

}  // namespace

void StepsReader::read(const yaml::Node& steps) {
  if (!want_list(steps, sink_, "'steps'")) return;
  for (const Line& line : board_.lines)
    if (line.kind == LineKind::both && line.rest != Bit::undriven) held_[line.name] = line.mark;
  if (steps.items.empty())
    sink_.add(steps, "there are no steps", "add '- {set: {..}, expect: {..}}'");
  for (const yaml::Node& item : steps.items) {
    if (sink_.failed()) return;  // later steps depend on the state that earlier ones leave
    read_step(item);
  }
}

void StepsReader::read_step(const yaml::Node& node) {
  if (!want_map(node, sink_, "a step")) return;
  Map map(node, sink_, "a step");
  Step step;
  step.mark = mark_of(node);
  read_common(map, step);
  const yaml::Node* every = map.take("every");
  const yaml::Node* columns = map.take("columns");
  if (every != nullptr && columns != nullptr)
    sink_.add(*columns, "a step has either 'every' or 'columns'", "write two steps");
  if (every != nullptr)
    read_every(map, *every, std::move(step));
  else if (columns != nullptr)
    read_table(map, *columns, step);
  else
    read_plain(map, std::move(step));
}

void StepsReader::read_common(Map& map, Step& step) {
  step.say = map.text("say");
  if (const yaml::Node* pulse = map.take("pulse")) step.pulse = read_pulses(*pulse);
  step.settle = map.quantity<Seconds>("settle", Sign::not_negative).value_or(Seconds{});
  step.pulse_width = map.quantity<Seconds>("pulse-width", Sign::positive);
  if (const yaml::Node* measure = map.take("measure")) {
    for (const yaml::Node* item : one_or_more(*measure, sink_, "'measure'")) {
      const bool probe =
          std::find(board_.probes.begin(), board_.probes.end(), item->text) != board_.probes.end();
      if (probe)
        step.measure.push_back(item->text);
      else
        for (const std::string& line : lines_named(board_, *item, sink_))
          step.measure.push_back(line);
    }
  }
  if (const yaml::Node* windows = map.take("windows");
      windows != nullptr && want_map(*windows, sink_, "'windows'")) {
    for (const yaml::Node::Entry& entry : windows->entries) {
      const LevelWindows levels =
          read_level_windows(entry.value, sink_, fmt::format("the window of '{}'", entry.key.text));
      for (const std::string& line : lines_named(board_, entry.key, sink_))
        step.windows[line] = levels;
    }
  }
}

void StepsReader::read_plain(Map& map, Step step) {
  const yaml::Node* set = map.take("set");
  const std::size_t repeat =
      static_cast<std::size_t>(map.integer("repeat", 1, kMaxRepeat).value_or(1));
  std::vector<Assignment> sets, expects;
  if (set != nullptr) sets = read_assignments(*set, false, repeat);
  read_expect(map, repeat, step, expects);
  // Only words that by themselves do nothing; an unknown key is told as that.
  const bool idle = std::all_of(
      map.node().entries.begin(), map.node().entries.end(), [](const yaml::Node::Entry& entry) {
        const std::string& key = entry.key.text;
        return key == "say" || key == "windows" || key == "repeat" || key == "pulse-width";
      });
  if (idle)
    sink_.add(map.node(), "this step does nothing", "add 'set', 'pulse', 'expect' or 'measure'");
  std::size_t each = 0;
  for (const Assignment& one : sets) each += one.lines.size();
  for (const Assignment& one : expects) each += one.lines.size();
  if (sink_.failed() || !room(map.node(), repeat, each + carried(step))) return;
  for (std::size_t i = 0; i < repeat; ++i) {
    Step copy = step;
    apply(sets, i, false, copy);
    apply(expects, i, true, copy);
    add(std::move(copy));
  }
}

void StepsReader::read_expect(Map& map, std::size_t repeat, Step& step,
                              std::vector<Assignment>& expects) {
  const yaml::Node* expect = map.take("expect");
  if (expect == nullptr) return;
  if (expect->is_scalar()) {
    if (expect->text != "circuit")
      sink_.add(*expect,
                fmt::format("'expect' must be circuit or a map, found {}", describe(*expect)),
                "write 'expect: circuit' or 'expect: {Q: 1010}'");
    else if (board_.circuit.empty())
      sink_.add(*expect, "the board has no 'circuit' to expect from",
                "add it, or write the expected bits");
    step.expect_circuit = true;
    return;
  }
  expects = read_assignments(*expect, true, repeat);
}

std::vector<StepsReader::Assignment> StepsReader::read_assignments(const yaml::Node& node,
                                                                   bool expecting,
                                                                   std::size_t repeat) {
  std::vector<Assignment> out;
  const char* what = expecting ? "expect" : "set";
  if (!want_map(node, sink_, fmt::format("'{}'", what))) return out;
  std::set<std::string> seen;
  for (const yaml::Node::Entry& entry : node.entries) {
    auto one = read_assignment(entry.key, entry.value, expecting, repeat);
    if (!one) continue;
    for (const std::string& line : one->lines)
      if (!seen.insert(line).second)
        sink_.add(entry.key, fmt::format("line '{}' is in this '{}' twice", line, what),
                  "keep one of them");
    out.push_back(std::move(*one));
  }
  return out;
}

std::optional<StepsReader::Assignment> StepsReader::read_assignment(const yaml::Node& key,
                                                                    const yaml::Node& value,
                                                                    bool expecting,
                                                                    std::size_t repeat) {
  Assignment one;
  one.place = key.place;
  one.lines = lines_named(board_, key, sink_);
  if (one.lines.empty()) return std::nullopt;
  for (const std::string& line : one.lines)
    if (!may(key, line, expecting)) return std::nullopt;
  const int width = static_cast<int>(one.lines.size());
  if (expecting && value.is_scalar() &&
      (board_.line(value.text) != nullptr || board_.bus(value.text) != nullptr)) {
    one.other = value.text;
    const std::size_t others = lines_named(board_, value, sink_).size();
    if (others != one.lines.size())
      sink_.add(value,
                fmt::format("'{}' has {}, '{}' has {}", key.text,
                            count_of(one.lines.size(), "line"), value.text, others),
                "compare lines of equal number");
    return one;
  }
  std::vector<const yaml::Node*> nodes{&value};
  if (value.is_list()) {
    nodes.clear();
    for (const yaml::Node& item : value.items) nodes.push_back(&item);
    if (nodes.size() != repeat) {
      sink_.add(
          value,
          fmt::format("{} for {}", count_of(nodes.size(), "value"), count_of(repeat, "repetition")),
          fmt::format("write 'repeat: {}', or one value", nodes.size()));
      return std::nullopt;
    }
  }
  for (const yaml::Node* node : nodes) {
    std::vector<Bit> bits;
    if (!read_bits(*node, key.text, width, sink_, bits)) return std::nullopt;
    if (!expecting && std::find(bits.begin(), bits.end(), Bit::any) != bits.end()) {
      sink_.add(*node, fmt::format("{} cannot be set: x is no level", describe(*node)),
                "leave a line out to hold it, or write z to let it go");
      return std::nullopt;
    }
    one.values.push_back(std::move(bits));
  }
  return one;
}

bool StepsReader::may(const yaml::Node& key, const std::string& name, bool expecting) {
  const Line& line = *board_.line(name);
  const bool output = line.kind == LineKind::output;
  const bool input = line.kind == LineKind::input || line.kind == LineKind::clock;
  if (expecting && input) {
    sink_.add(key,
              fmt::format("'{}' is {}; it is set, not expected", name,
                          line.kind == LineKind::clock ? "a clock" : "an input"),
              "use 'set', or declare the line 'both:'");
    return false;
  }
  if (!expecting && output) {
    sink_.add(key, fmt::format("'{}' is an output; it is expected, not set", name),
              "use 'expect', or declare the line 'both:'");
    return false;
  }
  const bool left_out =
      std::find(board_.not_built.begin(), board_.not_built.end(), name) != board_.not_built.end();
  if (expecting && left_out) {
    sink_.add(key, fmt::format("'{}' is not built, so nothing can be expected of it", name),
              "remove it here or from 'not-built'");
    return false;
  }
  return true;
}

void StepsReader::apply(const std::vector<Assignment>& all, std::size_t index, bool expecting,
                        Step& step) {
  for (const Assignment& one : all) {
    if (!one.other.empty()) {
      const Bus* bus = board_.bus(one.other);
      for (std::size_t i = 0; i < one.lines.size(); ++i)
        step.expect_line.emplace_back(one.lines[i], bus != nullptr ? bus->lines[i] : one.other);
      continue;
    }
    const std::vector<Bit>& bits = one.values.size() == 1 ? one.values[0] : one.values[index];
    for (std::size_t i = 0; i < one.lines.size(); ++i) {
      if (expecting && bits[i] == Bit::any) continue;  // not judged, counted nowhere
      (expecting ? step.expect : step.set).emplace_back(one.lines[i], bits[i]);
    }
  }
}

std::vector<Pulse> StepsReader::read_pulses(const yaml::Node& node) {
  std::vector<Pulse> out;
  if (node.is_list()) {
    for (const yaml::Node& item : node.items)
      for (Pulse& pulse : read_pulses(item)) out.push_back(std::move(pulse));
  } else if (node.is_map()) {
    for (const yaml::Node::Entry& entry : node.entries) {
      long count = 0;
      if (read_integer(entry.value, 1, kMaxPulses, sink_, count)) add_pulse(entry.key, count, out);
    }
  } else {
    add_pulse(node, 1, out);
  }
  return out;
}

void StepsReader::add_pulse(const yaml::Node& name, long count, std::vector<Pulse>& out) {
  const Line* line = board_.line(name.text);
  if (line != nullptr && line->kind == LineKind::clock) {
    out.push_back({name.text, static_cast<int>(count)});
    return;
  }
  std::vector<std::string> clocks;
  for (const Line& one : board_.lines)
    if (one.kind == LineKind::clock) clocks.push_back(one.name);
  if (line != nullptr || board_.bus(name.text) != nullptr)
    sink_.add(name, fmt::format("'{}' is not a clock; it cannot be pulsed", name.text),
              fmt::format("declare it '{}: {{clock: FAMILY}}'", name.text));
  else
    sink_.add(name, fmt::format("{} is no clock", describe(name)),
              clocks.empty() ? "the board has no clock" : suggest(name.text, clocks));
}

void StepsReader::read_every(Map& map, const yaml::Node& every, Step step) {
  std::vector<Assignment> sets, expects;
  if (const yaml::Node* set = map.take("set")) sets = read_assignments(*set, false, 1);
  read_expect(map, 1, step, expects);
  if (!want_map(every, sink_, "'every'")) return;
  std::vector<Pattern> patterns;
  std::set<std::string> seen;
  for (const Assignment& one : sets) seen.insert(one.lines.begin(), one.lines.end());
  std::size_t total = 1, each = 0;
  for (const yaml::Node::Entry& entry : every.entries) {
    auto pattern = read_pattern(entry);
    if (!pattern) continue;
    for (const std::string& line : pattern->lines)
      if (!seen.insert(line).second)
        sink_.add(entry.key, fmt::format("line '{}' is set twice in this step", line),
                  "keep one of them");
    total *= pattern->values.size();
    each += pattern->lines.size();
    if (total > kMaxSteps) break;
    patterns.push_back(std::move(*pattern));
  }
  if (patterns.empty() && every.entries.empty())
    sink_.add(every, "'every' is empty", "write 'every: {F: all}'");
  for (const Assignment& one : sets) each += one.lines.size();
  for (const Assignment& one : expects) each += one.lines.size();
  if (sink_.failed() || !room(every, total, each + carried(step))) return;
  for (std::size_t n = 0; n < total; ++n) {
    Step copy = step;
    apply(sets, 0, false, copy);
    std::size_t rest = n, block = total;
    for (const Pattern& pattern : patterns) {  // the last runs fastest
      block /= pattern.values.size();
      const std::vector<Bit>& bits = pattern.values[rest / block];
      rest %= block;
      for (std::size_t i = 0; i < bits.size(); ++i)
        copy.set.emplace_back(pattern.lines[i], bits[i]);
    }
    apply(expects, 0, true, copy);
    add(std::move(copy));
  }
}

std::optional<StepsReader::Pattern> StepsReader::read_pattern(const yaml::Node::Entry& entry) {
  Pattern pattern;
  pattern.lines = lines_named(board_, entry.key, sink_);
  if (pattern.lines.empty()) return std::nullopt;
  for (const std::string& line : pattern.lines)
    if (!may(entry.key, line, false)) return std::nullopt;
  pattern.values =
      expand_pattern(entry.value, entry.key.text, static_cast<int>(pattern.lines.size()));
  if (pattern.values.empty()) return std::nullopt;
  return pattern;
}

std::vector<std::vector<Bit>> StepsReader::expand_pattern(const yaml::Node& node,
                                                          const std::string& name, int width) {
  std::vector<std::vector<Bit>> out;
  if (node.is_list()) {
    for (const yaml::Node& item : node.items) {
      std::vector<Bit> bits;
      if (!read_bits(item, name, width, sink_, bits)) return {};
      if (std::find(bits.begin(), bits.end(), Bit::any) != bits.end()) {
        sink_.add(item, fmt::format("{} cannot be set: x is no level", describe(item)),
                  "write 0, 1 or z");
        return {};
      }
      out.push_back(std::move(bits));
    }
    if (out.empty()) sink_.add(node, "a list of no values", "write the values");
    return out;
  }
  if (node.is_map()) {
    read_random(node, width, out);
    return out;
  }
  const bool gray = node.text == "gray";
  if (node.text == "all" || gray) {
    if (width > kWidestAll) {
      sink_.add(node,
                fmt::format("'{}' over the {} lines of '{}' is 2^{} steps", node.text, width, name,
                            width),
                "use walking-ones, or {random: 200, seed: 7}");
      return {};
    }
    for (std::uint64_t i = 0; i < (std::uint64_t{1} << width); ++i)
      out.push_back(bits_of(gray ? i ^ (i >> 1) : i, width));
  } else if (node.text == "walking-ones" || node.text == "walking-zeros") {
    const bool ones = node.text == "walking-ones";
    for (int i = width - 1; i >= 0; --i) {  // the rightmost line first
      std::vector<Bit> bits(static_cast<std::size_t>(width), ones ? Bit::zero : Bit::one);
      bits[static_cast<std::size_t>(i)] = ones ? Bit::one : Bit::zero;
      out.push_back(std::move(bits));
    }
  } else {
    const std::vector<std::string> known{"all", "gray", "walking-ones", "walking-zeros"};
    const std::string near = nearest_name(node.text, known);
    sink_.add(node, fmt::format("{} is no pattern", describe(node)),
              !near.empty() ? fmt::format("did you mean '{}'?", near)
                            : "known: all, gray, walking-ones, walking-zeros, {random: 200, seed: "
                              "7}, or a list of values");
  }
  return out;
}

void StepsReader::read_random(const yaml::Node& node, int width,
                              std::vector<std::vector<Bit>>& out) {
  Map map(node, sink_, "a pattern");
  const yaml::Node* count_node = map.need("random", "200");
  const yaml::Node* seed_node = map.need("seed", "7");
  long count = 0, seed = 0;
  if (count_node == nullptr || seed_node == nullptr) return;
  if (!read_integer(*count_node, 1, static_cast<long>(kMaxSteps), sink_, count)) return;
  if (!read_integer(*seed_node, 0, 1'000'000'000, sink_, seed)) return;
  std::uint64_t state = static_cast<std::uint64_t>(seed);
  for (long i = 0; i < count; ++i) {
    std::vector<Bit> bits;
    while (static_cast<int>(bits.size()) < width) {
      const int now = std::min(64, width - static_cast<int>(bits.size()));
      for (const Bit bit : bits_of(next_random(state), now)) bits.push_back(bit);
    }
    out.push_back(std::move(bits));
  }
}

// What a column holds; false after a complaint.
bool StepsReader::read_column(const yaml::Node& item, const Step& step, Column& column) {
  if (!want_scalar(item, sink_, "a column")) return false;
  column.node = &item;
  column.name = item;
  if (item.text == "pulse") {
    column.kind = Column::Kind::pulse;
  } else if (item.text == "say") {
    column.kind = Column::Kind::say;
  } else if (item.text == "settle") {
    column.kind = Column::Kind::settle;
  } else {
    const bool sets = item.text.rfind("set ", 0) == 0, expects = item.text.rfind("expect ", 0) == 0;
    if (sets || expects) column.name.text = item.text.substr(sets ? 4 : 7);
    const auto lines = lines_named(board_, column.name, sink_);
    if (lines.empty()) return false;
    const LineKind kind = board_.line(lines[0])->kind;
    if (kind == LineKind::both && !sets && !expects) {
      sink_.add(item, fmt::format("'{}' goes both ways", item.text),
                fmt::format("write 'set {}' or 'expect {}'", item.text, item.text));
      return false;
    }
    const bool expecting = expects || (!sets && kind == LineKind::output);
    column.kind = expecting ? Column::Kind::expect : Column::Kind::set;
  }
  if ((column.kind == Column::Kind::pulse && !step.pulse.empty()) ||
      (column.kind == Column::Kind::say && !step.say.empty())) {
    sink_.add(item, fmt::format("'{}' is given for the step and as a column", item.text),
              "keep one of them");
  }
  return true;
}

void StepsReader::read_table(Map& map, const yaml::Node& columns, const Step& step) {
  std::vector<Column> plan;
  if (!want_list(columns, sink_, "'columns'")) return;
  for (const yaml::Node& item : columns.items) {
    if (!read_column(item, step, plan.emplace_back())) return;
  }
  const yaml::Node* rows = map.need("rows", "[[0000, 1], [0001, 0]]");
  if (rows == nullptr || !want_list(*rows, sink_, "'rows'")) return;
  if (rows->items.empty()) sink_.add(*rows, "the table has no rows", "add '[..]' rows");
  for (const yaml::Node& row : rows->items) {
    if (!want_list(row, sink_, "a row") || sink_.failed()) return;
    if (row.items.size() != plan.size()) {
      sink_.add(row,
                fmt::format("{} in this row for {}", count_of(row.items.size(), "cell"),
                            count_of(plan.size(), "column")),
                "write one cell a column");
      return;
    }
    read_row(row, plan, step);
  }
}

void StepsReader::read_row(const yaml::Node& row, const std::vector<Column>& plan, Step step) {
  step.mark = mark_of(row);
  std::vector<Assignment> sets, expects;
  std::set<std::pair<bool, std::string>> seen;
  for (std::size_t i = 0; i < plan.size(); ++i) {
    const yaml::Node& cell = row.items[i];
    switch (plan[i].kind) {
      case Column::Kind::pulse:
        if (!cell.is_scalar() || cell.text != "none") step.pulse = read_pulses(cell);
        break;
      case Column::Kind::say:
        if (want_scalar(cell, sink_, "'say'")) step.say = cell.text;
        break;
      case Column::Kind::settle:
        read_quantity(cell, Sign::not_negative, sink_, step.settle);
        break;
      case Column::Kind::set:
      case Column::Kind::expect: {
        const bool expecting = plan[i].kind == Column::Kind::expect;
        auto one = read_assignment(plan[i].name, cell, expecting, 1);
        if (!one) break;
        for (const std::string& line : one->lines) {
          if (seen.insert({expecting, line}).second) continue;
          sink_.add(*plan[i].node, fmt::format("line '{}' is in two columns", line),
                    "keep one of them");
        }
        (expecting ? expects : sets).push_back(std::move(*one));
        break;
      }
    }
  }
  if (sink_.failed() || !room(row, 1, board_.lines.size() + carried(step))) return;
  apply(sets, 0, false, step);
  apply(expects, 0, true, step);
  add(std::move(step));
}

bool StepsReader::room(const yaml::Node& node, std::size_t more_steps,
                       std::size_t assignments_each) {
  if (more_steps > kMaxSteps || vectors_.steps.size() + more_steps > kMaxSteps) {
    sink_.add(node, fmt::format("more than {} steps in all", kMaxSteps),
              "use fewer patterns, or several files");
    return false;
  }
  if (assignments_ + more_steps * assignments_each > kMaxAssignments) {
    sink_.add(node, fmt::format("more than {} bits set and expected in all", kMaxAssignments),
              "use fewer patterns, or several files");
    return false;
  }
  return true;
}

void StepsReader::add(Step step) {
  assignments_ += step.set.size() + step.expect.size() + step.expect_line.size() + carried(step);
  check_contention(step);
  vectors_.steps.push_back(std::move(step));
}

// Two drivers on one line make a level that neither owns, and a current that nobody planned.
void StepsReader::check_contention(const Step& step) {
  if (sink_.failed()) return;
  for (const auto& [name, bit] : step.set) {
    if (board_.line(name)->kind != LineKind::both) continue;
    if (bit == Bit::undriven)
      held_.erase(name);
    else
      held_[name] = step.mark;
  }
  const auto refuse = [&](const std::string& name) {
    const auto held = held_.find(name);
    if (held == held_.end() || sink_.failed()) return;
    const yaml::Place place{std::make_shared<const std::string>(step.mark.file), step.mark.line,
                            step.mark.column};
    sink_.add(
        place,
        fmt::format("'{}' is expected from the board while the fixture drives it since line {}",
                    name, held->second.line),
        fmt::format("let it go first: 'set: {{{}: z}}'", name));
  };
  for (const auto& [name, bit] : step.expect) refuse(name);
  for (const auto& [name, other] : step.expect_line) refuse(name);
}

}  // namespace tenterhook::files
