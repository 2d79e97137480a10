#include "host/commands/machine.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>
#include <vector>

#include "host/commands/output.h"
#include "host/commands/review.h"
#include "host/files/machine.h"

namespace tenterhook::commands {

namespace {

constexpr int kRunsMost = 50;  // so far back a board's levels are looked for

struct Pair {
  std::string from, to, family;
  double low_v = 0.0, high_v = 0.0, U_v = 0.0;
  long run = 0;
  double worst() const { return std::min(low_v, high_v); }
};

struct FanOut {
  std::string driver;
  int receivers = 0;
  double amps = 0.0;     // declared, of all receivers at a high
  int undeclared = 0;    // receivers that do not say what they draw
  std::optional<double> ohms, ohms_U;  // of the driver's high, as `levels` measured it
  double falls_v() const { return ohms.value_or(0.0) * amps; }
};

struct Survey {
  std::vector<Pair> pairs;    // worst first
  std::vector<FanOut> loads;  // most current first
  std::vector<std::string> missing;
};

// The newest finished run of the board built that has levels.
std::optional<record::RunRecord> latest_levels(const record::Store& store, const files::MachineBoard& board) {
  record::HistoryFilter filter;
  filter.board = board.board.name;
  filter.board_serial = board.serial;
  filter.limit = kRunsMost;
  const auto page = store.history(filter);
  if (!page) return std::nullopt;
  for (const record::RunSummary& summary : page->runs) {
    if (!summary.complete || summary.aborted) continue;
    auto run = store.load(summary.number);
    if (run && !run->levels.empty()) return run.take();
  }
  return std::nullopt;
}

std::string name_of(const files::Terminal& t) { return t.board + "." + t.name; }

std::string built(const files::MachineBoard& board) {
  return board.name + " (" + board.board.name + (board.serial.empty() ? "" : ", serial " + board.serial) + ")";
}

void add_load(const files::Machine& machine, std::map<std::string, FanOut>& loads, const files::Join& join) {
  const files::Board& to = machine.board(join.to.board)->board;
  const files::Line* line = to.line(join.to.name);
  const files::Family* family = line ? to.family_of(*line) : nullptr;
  FanOut& load = loads[name_of(join.from)];
  load.driver = name_of(join.from);
  ++load.receivers;
  const auto draws = line && line->draws ? line->draws : family ? family->draws : std::nullopt;
  if (draws) {
    load.amps += draws->value;
  } else {
    ++load.undeclared;
  }
}

// The source behind the driver's worst high: of the run's section "sources".
void add_source(FanOut& load, const record::RunRecord& run, const std::string& line) {
  const auto section = run.sections.find("sources");
  if (section == run.sections.end()) return;
  const auto sources = nlohmann::json::parse(section->second, nullptr, false);
  if (!sources.is_array()) return;
  for (const auto& s : sources) {
    if (s.value("line", "") != line || s.value("side", "") != "high" || !s.value("known", false)) continue;
    load.ohms = s.value("ohms", 0.0);
    load.ohms_U = s.value("ohms_U", 0.0);
  }
}

Survey survey(const files::Machine& machine, const record::Store* store) {
  Survey s;
  std::set<std::string> drivers;
  for (const files::Join& join : machine.joins) drivers.insert(join.from.board);
  std::map<std::string, record::RunRecord> levels;
  for (const std::string& name : drivers) {
    const files::MachineBoard& board = *machine.board(name);
    auto run = store ? latest_levels(*store, board) : std::nullopt;
    if (run) {
      levels[name] = std::move(*run);
    } else {
      s.missing.push_back(fmt::format("no levels of {} are recorded: tenterhook levels {}{}", built(board), board.board.path,
                                      board.serial.empty() ? "" : " --serial " + board.serial));
    }
  }
  std::map<std::string, FanOut> loads;
  for (const files::Join& join : machine.joins) {
    add_load(machine, loads, join);
    const auto run = levels.find(join.from.board);
    if (run != levels.end()) add_source(loads[name_of(join.from)], run->second, join.from.name);
  }
  for (const files::Join& join : machine.joins) {
    const auto run = levels.find(join.from.board);
    if (run == levels.end()) continue;
    const auto level = std::find_if(run->second.levels.begin(), run->second.levels.end(),
                                    [&](const record::LevelRecord& l) { return l.line == join.from.name; });
    const files::Board& to = machine.board(join.to.board)->board;
    const files::Line* line = to.line(join.to.name);
    const files::Family* family = line ? to.family_of(*line) : nullptr;
    const std::string both = name_of(join.from) + " to " + name_of(join.to);
    if (level == run->second.levels.end() || !level->low || !level->high) {
      s.missing.push_back(both + ": run " + std::to_string(run->second.number) + " did not see both levels of " + name_of(join.from));
      continue;
    }
    if (!family || !family->needs.low || !family->needs.high) {
      s.missing.push_back(both + ": the receiver's family does not say what it needs");
      continue;
    }
    Pair pair{name_of(join.from), name_of(join.to), family->name};
    pair.low_v = family->needs.low->max.value - level->low->max_v;
    const FanOut& load = loads.at(pair.from);
    pair.high_v = level->high->min_v - load.falls_v() - family->needs.high->min.value;
    pair.U_v = std::max(level->low->U_v, std::hypot(level->high->U_v, load.ohms_U.value_or(0.0) * load.amps));
    pair.run = run->second.number;
    s.pairs.push_back(pair);
  }
  std::stable_sort(s.pairs.begin(), s.pairs.end(), [](const Pair& a, const Pair& b) { return a.worst() < b.worst(); });
  for (const auto& [driver, load] : loads) {
    s.loads.push_back(load);
    if (load.undeclared > 0) {
      s.missing.push_back(fmt::format("{}: {} of its {} receivers do not declare what they draw", driver, load.undeclared, load.receivers));
    }
  }
  std::stable_sort(s.loads.begin(), s.loads.end(), [](const FanOut& a, const FanOut& b) { return a.amps > b.amps; });
  for (const auto& [driver, load] : loads) {
    if (load.amps <= 0.0 || load.ohms) continue;
    s.missing.push_back(driver + ": what its receivers' current takes off its high is not in the margins, since its source resistance is "
                        "not recorded: tenterhook levels measures it");
  }
  return s;
}

std::string table(const files::Machine& machine, const Survey& s) {
  std::string text = fmt::format("Machine {}: {} wires between {} boards, {} judged, worst first\n", machine.name, machine.joins.size(),
                                 machine.boards.size(), s.pairs.size());
  if (!s.pairs.empty()) text += fmt::format("  {:<18} {:<18} {:>8} {:>8} {:>6} {:>5}\n", "driver", "receiver", "low V", "high V", "U", "run");
  for (const Pair& p : s.pairs) {
    text += fmt::format("  {:<18} {:<18} {:>8.2f} {:>8.2f} {:>6.2f} {:>5}{}\n", p.from, p.to, p.low_v, p.high_v, p.U_v, p.run,
                        p.worst() < -p.U_v ? "  DOES NOT SUIT" : p.worst() < p.U_v ? "  not certain" : "");
  }
  text += "Fan-out\n";
  for (const FanOut& l : s.loads) {
    text += fmt::format("  {:<18} {} receiver{}, {} declared{}\n", l.driver, l.receivers, l.receivers == 1 ? "" : "s",
                        tenterhook::text(Amps{l.amps}),
                        l.ohms ? fmt::format("; its high falls by {:.2f} V over {:.0f} ohm, and the margins with it", l.falls_v(), *l.ohms) : "");
  }
  text += "Missing\n";
  for (const std::string& m : s.missing) text += "  " + m + "\n";
  return text + "Supplies and wiring: tenterhook power --budget " + machine.path + "\n";
}

std::string json(const files::Machine& machine, const Survey& s) {
  nlohmann::ordered_json j{{"tenterhook", "0.1.0"}, {"machine", machine.name}};
  j["pairs"] = nlohmann::ordered_json::array();
  for (const Pair& p : s.pairs) {
    j["pairs"].push_back({{"from", p.from}, {"to", p.to}, {"family", p.family}, {"margin_low", p.low_v}, {"margin_high", p.high_v},
                          {"U", p.U_v}, {"run", p.run}, {"suits", p.worst() >= p.U_v}});
  }
  j["fan_out"] = nlohmann::ordered_json::array();
  for (const FanOut& l : s.loads) {
    j["fan_out"].push_back({{"driver", l.driver}, {"receivers", l.receivers}, {"amps", l.amps}, {"undeclared", l.undeclared}});
    if (l.ohms) {
      j["fan_out"].back()["source_ohms"] = *l.ohms;
      j["fan_out"].back()["falls_v"] = l.falls_v();
    }
  }
  j["missing"] = s.missing;
  return j.dump(2);
}

}  // namespace

int machine(const MachineOptions& options) {
  auto machine = files::read_machine(options.file);
  if (!machine) return tell(machine.error());
  // No store yet is no error here: then everything is missing, and that is the answer.
  auto store = open_store_to_read(options.store);
  if (!store && !options.store.empty()) return tell(store.error());
  const Survey s = survey(*machine, store ? &*store : nullptr);
  return answer(options.json, json(*machine, s), [&] {
    if (!options.quiet) return table(*machine, s);
    return s.pairs.empty() ? fmt::format("{}: nothing could be judged\n", machine->name)
                           : fmt::format("{}: {} pairs, worst {} to {}: {:.2f} V\n", machine->name, s.pairs.size(), s.pairs.front().from,
                                         s.pairs.front().to, s.pairs.front().worst());
  });
}

}  // namespace tenterhook::commands
