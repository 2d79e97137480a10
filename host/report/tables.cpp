#include "host/report/tables.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "host/report/findings.h"
#include "host/report/terminal.h"

namespace tenterhook::report {
namespace {

using Json = nlohmann::ordered_json;

Json number(double value) {
  return std::isfinite(value) ? Json(value) : Json(nullptr);
}

std::string dumped(const Json& j) {
  return j.dump(2, ' ', false, Json::error_handler_t::replace);
}

struct Outcome {
  std::string word;
  Paint paint;
};
Outcome outcome_of(const record::RunSummary& run) {
  if (!run.complete) {
    return {run.state == record::RunState::going     ? "GOING"
            : run.state == record::RunState::unknown ? "NO END"
                                                     : "CUT SHORT",
            run.state == record::RunState::going ? Paint::quiet : Paint::stop};
  }
  if (run.aborted) return {"STOP", Paint::stop};
  switch (run.verdict) {
    case measure::Verdict::pass:
      return {"PASS", Paint::pass};
    case measure::Verdict::fail:
      return {"FAIL", Paint::fail};
    case measure::Verdict::unsure:
      return {"UNSURE", Paint::unsure};
    case measure::Verdict::none:
      return {"DONE", Paint::none};
  }
  return {"DONE", Paint::none};
}

std::string remark_of(const record::RunSummary& run) {
  if (run.state == record::RunState::going) return fmt::format("{} steps so far", run.counts.steps);
  if (!run.complete) {
    const bool elsewhere = run.state == record::RunState::unknown && !run.host.empty();
    return fmt::format("after {} steps{}", run.counts.steps, elsewhere ? ", recorded on " + run.host : "");
  }
  if (run.aborted) {
    return run.aborted->cause + (run.aborted->where.empty() ? "" : " at " + run.aborted->where);
  }
  if (run.counts.fail > 0)
    return fmt::format("{} of {} wrong", run.counts.fail, run.counts.readings);
  if (run.counts.unsure > 0) {
    return fmt::format("{} of {} unsure", run.counts.unsure, run.counts.readings);
  }
  return fmt::format("{} readings", run.counts.readings);
}

// "2026-11-25 10:00": the seconds say nothing in a list.
std::string minute_of(const std::string& started) {
  std::string text = started.substr(0, 16);
  if (text.size() > 10 && text[10] == 'T') text[10] = ' ';
  return text;
}

std::string quantity(double value, const std::string& unit) {
  if (unit == "V") return volts_text(value) + " V";
  if (unit == "A") return fmt::format("{:.3f} A", value);
  if (unit == "s") return seconds_text(value);
  return fmt::format("{:.0f}", value);
}

std::string change_text(const record::Change& c, const Screen& screen) {
  using Kind = record::Change::Kind;
  const std::string where = c.side.empty() ? c.where : c.where + " " + c.side;
  if (c.kind == Kind::fails_now || c.kind == Kind::passes_now) {
    const bool fails = c.kind == Kind::fails_now;
    return fmt::format(
        "{}{}", screen.paint(fails ? Paint::fail : Paint::pass, padded(where, 12)),
        fails ? fmt::format("fails now: {:.0f} readings wrong, none before", c.after)
              : fmt::format("passes now: {:.0f} readings were wrong before", c.before));
  }
  const double moved = c.after - c.before;
  std::string text = padded(where, 12) + padded(record::name(c.kind), 11) +
                     padded_left(quantity(c.before, c.unit), 10) +
                     (screen.unicode ? " → " : " -> ") +
                     padded_left(quantity(c.after, c.unit), 10) + "   " +
                     padded_left((moved > 0 ? "+" : "") + quantity(moved, c.unit), 10);
  if (c.U) {
    text += fmt::format("  {} {}", screen.unicode ? "±" : "+-", c.unit == "s" ? seconds_text(*c.U) : fmt::format("{:.2f}", *c.U));
  }
  return text;
}

Json identity_json(const record::RunRecord& run) {
  return {{"run", run.number},
          {"run_uid", run.uid},
          {"started", run.started},
          {"board", run.board},
          {"board_serial", run.board_serial},
          {"verdict", record::verdict_word(run.verdict)},
          {"complete", run.complete}};
}

}  // namespace

std::string history_table(const record::HistoryPage& page, const record::HistoryFilter& filter,
                          const Screen& screen) {
  if (page.runs.empty()) {
    return page.total == 0 ? "No recorded run fits.\n"
                           : fmt::format("No further runs: {} fit in all.\n", page.total);
  }
  int board = 5;
  for (const record::RunSummary& run : page.runs) {
    board = std::max(board, columns(run.board) + 1 + columns(run.board_serial));
  }
  board = std::min(board, std::max(12, screen.width - 60));
  std::string text =
      screen.paint(Paint::quiet, fmt::format("{:>6}  {:<16}  {}  {:<9}  {}", "run", "started (UTC)",
                                             padded("board", board), "verdict", "readings")) +
      "\n";
  for (const record::RunSummary& run : page.runs) {
    const Outcome outcome = outcome_of(run);
    const std::string name = run.board + (run.board_serial.empty() ? "" : " " + run.board_serial);
    std::string remark = remark_of(run);
    if (run.complete) remark += ", " + duration_text(run.total_s);
    text += fmt::format("{:>6}  {:<16}  {}  {}  {}\n", run.number, minute_of(run.started),
                        padded(cut(name, board), board),
                        screen.paint(outcome.paint, padded(outcome.word, 9)),
                        cut(remark, std::max(10, screen.width - 39 - board)));
  }
  const long first = filter.offset + 1;
  const long last = filter.offset + static_cast<long>(page.runs.size());
  text += screen.paint(Paint::quiet, fmt::format("runs {} to {} of {}{}", first, last, page.total,
                                                 last < page.total && filter.limit > 0
                                                     ? fmt::format("; --page {} shows more",
                                                                   filter.offset / filter.limit + 2)
                                                     : "")) +
          "\n";
  return text;
}

std::string history_json(const record::HistoryPage& page) {
  Json j;
  j["total"] = page.total;
  j["runs"] = Json::array();
  for (const record::RunSummary& run : page.runs) {
    Json r = {{"run", run.number},
              {"run_uid", run.uid},
              {"started", run.started},
              {"kind", run.kind},
              {"board", run.board},
              {"board_serial", run.board_serial},
              {"vectors", run.vectors},
              {"fixture", run.fixture},
              {"verdict", record::verdict_word(run.verdict)},
              {"complete", run.complete},
              {"state", record::name(run.state)},
              {"host", run.host}};
    r["aborted"] = nullptr;
    if (run.aborted) {
      r["aborted"] = {{"cause", run.aborted->cause},
                      {"where", run.aborted->where},
                      {"blame", run.aborted->blame}};
    }
    r["counts"] = {{"steps", run.counts.steps},
                   {"readings", run.counts.readings},
                   {"pass", run.counts.pass},
                   {"fail", run.counts.fail},
                   {"unsure", run.counts.unsure}};
    r["total_s"] = number(run.total_s);
    j["runs"].push_back(std::move(r));
  }
  return dumped(j);
}

std::string comparison_text(const record::RunRecord& before, const record::RunRecord& after,
                            const record::Comparison& comparison, const Screen& screen) {
  const auto line = [&screen](const char* which, const record::RunRecord& run) {
    return fmt::format("{} run {}  {}  {} {}  {}\n", padded(which, 7), run.number,
                       minute_of(run.started), run.board, run.board_serial,
                       screen.paint(paint_of(run), verdict_headline(run)));
  };
  std::string text = line("before", before) + line("after", after) + "\n";
  if (comparison.changes.empty()) {
    text += fmt::format("Nothing moved beyond its uncertainty: {} values compared.\n",
                        comparison.compared);
  } else {
    text +=
        screen.paint(Paint::strong, fmt::format("{} of {} values changed, most significant "
                                                "first",
                                                comparison.changes.size(), comparison.compared)) +
        "\n";
    for (const record::Change& change : comparison.changes) {
      text += "  " + change_text(change, screen) + "\n";
    }
  }
  if (!comparison.notes.empty()) {
    text += "\n" + screen.paint(Paint::strong, "Mind that") + "\n";
    for (const std::string& note : comparison.notes) {
      text += "  - " + wrapped(note, screen.width, 4) + "\n";
    }
  }
  return text;
}

std::string since_text(const record::RunRecord& before, const record::RunRecord& after,
                       const record::Comparison& comparison) {
  using Kind = record::Change::Kind;
  constexpr std::size_t kTold = 4;
  std::string text =
      fmt::format("since last time (run {}, {}, {}): ", before.number, minute_of(before.started),
                  verdict_headline(before));
  if (comparison.compared == 0) return text + "nothing that can be compared";
  if (comparison.changes.empty()) {
    return text + fmt::format("nothing moved, {} values compared", comparison.compared);
  }
  std::size_t told = 0;
  for (const record::Change& c : comparison.changes) {
    if (told == kTold) break;
    const std::string where = c.side.empty() ? c.where : c.where + " " + c.side;
    text += told++ ? "; " : "";
    if (c.kind == Kind::fails_now) {
      text += where + " fails now";
    } else if (c.kind == Kind::passes_now) {
      text += where + " passes now";
    } else {
      text += fmt::format("{} {} from {} to {}", where, record::name(c.kind),
                          quantity(c.before, c.unit), quantity(c.after, c.unit));
    }
  }
  if (comparison.changes.size() > told) {
    text += fmt::format("; {} more: tenterhook compare {} {}", comparison.changes.size() - told,
                        before.number, after.number);
  }
  return text;
}

std::string comparison_json(const record::RunRecord& before, const record::RunRecord& after,
                            const record::Comparison& comparison) {
  Json j;
  j["before"] = identity_json(before);
  j["after"] = identity_json(after);
  j["compared"] = comparison.compared;
  j["changes"] = Json::array();
  for (const record::Change& c : comparison.changes) {
    j["changes"].push_back({{"kind", record::name(c.kind)},
                            {"where", c.where},
                            {"side", c.side},
                            {"unit", c.unit},
                            {"before", number(c.before)},
                            {"after", number(c.after)},
                            {"change", number(c.after - c.before)},
                            {"U", c.U ? number(*c.U) : Json(nullptr)},
                            {"significance", number(c.significance)}});
  }
  j["notes"] = comparison.notes;
  return dumped(j);
}

std::string explanation_json(const record::RunRecord& run, const std::string& line) {
  Json readings = Json::array();
  for (const record::StepRecord& step : run.steps) {
    for (const measure::Reading& r : step.readings) {
      if (r.line != line) continue;
      readings.push_back({{"step", step.index},
                          {"source", step.source},
                          {"expected", std::string(1, bit_letter(r.expected))},
                          {"volts", number(r.volts.value)},
                          {"U", number(r.U.value)},
                          {"dof", number(r.dof)},
                          {"p", number(r.p)},
                          {"window", {number(r.window.min.value), number(r.window.max.value)}},
                          {"verdict", record::verdict_word(r.verdict)},
                          {"why", r.why},
                          {"channel", r.channel},
                          {"counts",
                           {{"n", r.counts.n},
                            {"sum", r.counts.sum},
                            {"min", r.counts.min},
                            {"max", r.counts.max},
                            {"sum_of_squares", r.counts.sum_of_squares}}}});
    }
  }
  if (readings.empty()) return "";
  Json j;
  j["run"] = run.number;
  j["line"] = line;
  j["calibration"] = run.calibration;
  j["readings"] = std::move(readings);
  const auto budget = run.sections.find("budget");
  j["budget"] = nullptr;
  if (budget != run.sections.end()) {
    Json parsed = Json::parse(budget->second, nullptr, false);
    if (!parsed.is_discarded()) j["budget"] = std::move(parsed);
  }
  return dumped(j);
}

}  // namespace tenterhook::report
