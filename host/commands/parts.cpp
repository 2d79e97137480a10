#include "host/commands/parts.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cmath>
#include <fstream>
#include <iterator>
#include <map>
#include <nlohmann/json.hpp>

#include "host/base/sha256.h"
#include "host/commands/output.h"
#include "host/commands/review.h"
#include "host/files/reader.h"

namespace tenterhook::commands {
namespace {

using Json = nlohmann::ordered_json;

constexpr int kRunsLookedAt = 50;               // for one whose files can be read
constexpr std::size_t kPhotoMost = 200u << 20;  // bytes of a picture that is hashed
constexpr double kHoursMost = 1e6;

bool is_part(const std::string& named, const std::string& part) {
  if (named == part) return true;
  const bool half = named.size() == part.size() + 1 && named.compare(0, part.size(), part) == 0;
  return half && std::islower(static_cast<unsigned char>(named.back())) != 0;
}

std::vector<std::string> drives_of(const files::Gate& gate) {
  std::vector<std::string> nets = gate.outputs;
  if (!gate.inverse.empty()) nets.push_back(gate.inverse);
  return nets;
}

bool reads(const files::Gate& gate, const std::string& net) {
  if (std::count(gate.inputs.begin(), gate.inputs.end(), net) > 0) return true;
  for (const files::Gate::Control* c : {&gate.clock, &gate.enable, &gate.set, &gate.clear}) {
    if (c->net == net) return true;
  }
  return false;
}

Status check_options(const PartsOptions& o) {
  if (!o.swapped.empty() && !o.fitted.empty()) return input_error("--swapped, --fitted", "only one of them at a time");
  const bool part = !o.swapped.empty() || !o.fitted.empty();
  const bool about_part = !o.type.empty() || !o.part_serial.empty() || o.hours || o.new_socket;
  if (about_part && !part) {
    return input_error("--type, --part-serial, --hours, --new-socket", "say which place with --swapped or --fitted");
  }
  if (o.ran && part) return input_error("--ran", "is told by itself, not with a part");
  for (const std::optional<double>& hours : {o.hours, o.ran}) {
    if (hours && !(*hours >= 0.0 && *hours <= kHoursMost)) return input_error("hours", fmt::format("expected 0 to {:.0f}", kHoursMost));
  }
  if (!part && !o.ran && (!o.note.empty() || o.cycles)) return input_error("--note, --cycles", "go with --swapped, --fitted or --ran");
  return {};
}

Status tell_store(const PartsOptions& o) {
  if (o.swapped.empty() && o.fitted.empty() && !o.ran) return {};
  auto store = open_store(o.store);
  TH_TRY(store);
  if (o.ran) return store->add_use({"", o.board, o.serial, *o.ran, o.cycles.value_or(0), o.note});
  record::Swap swap;
  swap.board = o.board;
  swap.board_serial = o.serial;
  swap.part = o.swapped.empty() ? o.fitted : o.swapped;
  swap.replaces = o.fitted.empty();
  swap.type = o.type;
  swap.part_serial = o.part_serial;
  swap.new_socket = o.new_socket;
  swap.hours_before = o.hours.value_or(-1.0);
  swap.cycles_before = o.cycles.value_or(-1);
  swap.note = o.note;
  return store->add_swap(swap);
}

struct Row {
  record::PartLife life;
  bool recorded = false;
};

// Places of the circuit, and those that something was recorded for; a place without a record has all of the board's hours.
std::vector<Row> rows_of(const std::vector<record::PartLife>& lives, const std::optional<files::Board>& board, const record::Use& use) {
  std::map<std::string, Row> rows;
  for (const record::PartLife& life : lives) rows[life.fitted.part] = {life, true};
  if (board) {
    for (const files::Gate& gate : board->circuit) {
      for (const std::string& part : gate.parts) {
        // A valve whose halves the circuit names, and whose whole has a record, is one place.
        const bool known = std::any_of(lives.begin(), lives.end(), [&](const auto& l) { return is_part(part, l.fitted.part); });
        if (known || rows.count(part) > 0) continue;
        Row& row = rows[part];
        row.life.fitted.part = part;
        row.life.hours = row.life.socket_hours = use.hours;
        row.life.cycles = use.cycles;
      }
    }
  }
  std::vector<Row> list;
  for (auto& [place, row] : rows) list.push_back(std::move(row));
  return list;
}

std::string named(const record::Swap& part) {
  std::string text = part.type;
  if (!part.part_serial.empty()) text += (text.empty() ? "" : " ") + part.part_serial;
  return text.empty() ? "-" : text;
}

std::string table(const PartsOptions& o, const std::vector<Row>& rows, const record::Use& use, double told, const report::Screen& screen) {
  std::string text = screen.paint(report::Paint::strong, fmt::format("Parts of {}{}{}", o.board, o.serial.empty() ? "" : " ", o.serial)) + "\n";
  text += use.hours < 1.0 ? fmt::format("{:.0f} min under power, {} power-ups", 60.0 * use.hours, use.cycles)
                          : fmt::format("{:.1f} h under power, {} power-ups", use.hours, use.cycles);
  text += told > 0.0 ? fmt::format("; {:.1f} h of them told\n\n", told) : "\n\n";
  text += screen.paint(report::Paint::quiet, fmt::format("  {:<8} {:<14} {:<10} {:>8} {:>9} {:>5}  {}", "place", "part", "since", "hours",
                                                         "power-ups", "swaps", "note")) + "\n";
  int silent = 0;
  for (const Row& row : rows) {
    if (!row.recorded) {
      ++silent;
      continue;
    }
    const record::PartLife& p = row.life;
    text += fmt::format("  {} {} {} {:>8.1f} {:>9} {:>5}  {}\n", report::padded(report::cut(p.fitted.part, 8), 8),
                        report::padded(report::cut(named(p.fitted), 14), 14),
                        p.fitted.happened.empty() ? "the start " : p.fitted.happened.substr(0, 10), p.hours, p.cycles, p.swaps,
                        report::cut((p.fitted.new_socket ? "new socket; " : "") + p.fitted.note, std::max(10, screen.width - 63)));
  }
  if (silent > 0) {
    std::vector<std::string> names;
    for (const Row& row : rows) {
      if (!row.recorded) names.push_back(row.life.fitted.part);
    }
    text += "\n" + report::wrapped(fmt::format("{} since the start: {}", rows.size() == names.size() ? "All" : "The others",
                                               fmt::join(names, ", ")), screen.width, 0) + "\n";
  }
  return text;
}

std::string parts_json(const PartsOptions& o, const std::vector<Row>& rows, const record::Use& use, double told) {
  Json j = {{"board", o.board}, {"board_serial", o.serial}, {"hours", use.hours}, {"power_ups", use.cycles}, {"told_hours", told}};
  j["parts"] = Json::array();
  for (const Row& row : rows) {
    const record::PartLife& p = row.life;
    j["parts"].push_back({{"place", p.fitted.part},
                          {"type", p.fitted.type},
                          {"part_serial", p.fitted.part_serial},
                          {"since", p.fitted.happened.empty() ? Json(nullptr) : Json(p.fitted.happened)},
                          {"hours", p.hours},
                          {"power_ups", p.cycles},
                          {"swaps", p.swaps},
                          {"socket_hours", p.socket_hours},
                          {"note", p.fitted.note},
                          {"recorded", row.recorded}});
  }
  return j.dump(2, ' ', false, Json::error_handler_t::replace);
}

Result<record::Photo> photo_of(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  if (!file) return input_error(path, "the picture cannot be read");
  const std::string bytes((std::istreambuf_iterator<char>(file)), std::istreambuf_iterator<char>());
  if (bytes.empty() || bytes.size() > kPhotoMost) return input_error(path, "expected a picture of 1 byte to 200 MiB");
  record::Photo photo;
  photo.path = path;
  photo.sha256 = sha256(bytes);
  return photo;
}

}  // namespace

Result<std::optional<files::Board>> recorded_board(const record::Store& store, const std::string& board, const std::string& serial) {
  record::HistoryFilter filter;
  filter.board = board;
  filter.board_serial = serial;
  filter.limit = kRunsLookedAt;
  const auto page = store.history(filter);
  if (!page.ok()) return page.error();
  for (const record::RunSummary& summary : page->runs) {
    const auto sources = store.sources(summary.number);
    if (!sources.ok()) return sources.error();
    if (sources->empty()) continue;
    auto vectors = files::parse_recorded(*sources);
    if (vectors.ok()) return std::optional<files::Board>(std::move(vectors->board));
  }
  return std::optional<files::Board>{};
}

std::optional<std::set<std::string>> lines_of_part(const files::Board& board, const std::string& part) {
  std::set<std::string> seen, lines;
  std::vector<std::string> open;
  for (const files::Gate& gate : board.circuit) {
    if (!std::any_of(gate.parts.begin(), gate.parts.end(), [&](const std::string& p) { return is_part(p, part); })) continue;
    for (const std::string& net : drives_of(gate)) open.push_back(net);
  }
  if (open.empty()) return std::nullopt;
  while (!open.empty()) {  // each net once
    const std::string net = open.back();
    open.pop_back();
    if (!seen.insert(net).second) continue;
    if (board.line(net) != nullptr) {
      lines.insert(net);
      continue;
    }
    for (const files::Gate& gate : board.circuit) {
      if (!reads(gate, net)) continue;
      for (const std::string& next : drives_of(gate)) open.push_back(next);
    }
  }
  return lines;
}

int parts(const PartsOptions& given) {
  PartsOptions options = given;
  const Result<std::string> name = board_name(given.board);
  if (!name.ok()) return tell(name.error());
  options.board = *name;
  if (const Status good = check_options(options); !good.ok()) return tell(good.error());
  Result<record::Store> store = open_store_to_read(options.store);
  if (!store.ok()) return tell(store.error());
  const Result<std::string> serial = chosen_serial(*store, options.board, options.serial);
  if (!serial.ok()) return tell(serial.error());
  options.serial = *serial;
  if (const Status told = tell_store(options); !told.ok()) return tell(told.error());
  const auto lives = store->parts(options.board, options.serial);
  if (!lives.ok()) return tell(lives.error());
  const auto use = store->use_of(options.board, options.serial);
  if (!use.ok()) return tell(use.error());
  const auto uses = store->uses(options.board, options.serial);
  if (!uses.ok()) return tell(uses.error());
  double told = 0.0;
  for (const record::Use& u : *uses) told += u.hours;
  const auto board = recorded_board(*store, options.board, options.serial);
  if (!board.ok()) return tell(board.error());
  if (lives->empty() && use->cycles == 0 && !*board) {
    return tell(input_error(options.board, "nothing is recorded of this board", "`tenterhook history` lists the boards"));
  }
  const std::string place = options.swapped.empty() ? options.fitted : options.swapped;
  if (!place.empty() && *board && !lines_of_part(**board, place)) {
    fmt::print(stderr, "tenterhook: note: the circuit of {} names no part {}: trends of all its lines restart\n", options.board, place);
  }
  const std::vector<Row> rows = rows_of(*lives, *board, *use);
  const report::Screen screen = people_screen(options.json);
  return answer(options.json, options.json.empty() ? "" : parts_json(options, rows, *use, told),
                [&] { return table(options, rows, *use, told, screen); });
}

int note(const NoteOptions& options) {
  std::vector<record::Photo> photos;
  for (const std::string& path : options.photos) {
    auto photo = photo_of(path);
    if (!photo.ok()) return tell(photo.error());
    photo->note = options.text;
    photos.push_back(photo.take());
  }
  const bool adds = !photos.empty() || !options.text.empty();
  Result<record::Store> store = adds ? open_store(options.store) : open_store_to_read(options.store);
  if (!store.ok()) return tell(store.error());
  const auto number = store->find(options.run);
  if (!number.ok()) return tell(number.error());
  for (const record::Photo& photo : photos) {
    if (const Status added = store->add_photo(*number, photo); !added.ok()) return tell(added.error());
  }
  if (photos.empty() && !options.text.empty()) {
    if (const Status added = store->add_note(*number, options.text); !added.ok()) return tell(added.error());
  }
  const auto run = store->load(*number);
  if (!run.ok()) return tell(run.error());
  const auto kept = store->photos(*number);
  if (!kept.ok()) return tell(kept.error());
  Json j = {{"run", run->number}, {"run_uid", run->uid}, {"notes", run->notes}};
  j["photos"] = Json::array();
  std::string text = fmt::format("run {}, {} {}\n{}{}", run->number, run->board, run->board_serial, run->notes, run->notes.empty() ? "" : "\n");
  for (const record::Photo& photo : *kept) {
    std::ifstream file(photo.path, std::ios::binary);
    const std::string bytes((std::istreambuf_iterator<char>(file)), std::istreambuf_iterator<char>());
    const std::string state = bytes.empty() ? "not there" : sha256(bytes) == photo.sha256 ? "as it was" : "changed since";
    j["photos"].push_back({{"path", photo.path}, {"sha256", photo.sha256}, {"note", photo.note}, {"added", photo.added}, {"state", state}});
    text += fmt::format("{} ({}){}{}\n", photo.path, state, photo.note.empty() ? "" : ": ", photo.note);
  }
  return answer(options.json, j.dump(2, ' ', false, Json::error_handler_t::replace), [&] { return text; });
}

}  // namespace tenterhook::commands
