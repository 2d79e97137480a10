#include "host/report/board_page.h"

#include <fmt/format.h>

#include <algorithm>
#include <limits>

#include "host/report/findings.h"
#include "host/report/markup.h"
#include "host/report/page.h"
#include "host/report/plots.h"
#include "host/report/terminal.h"

namespace tenterhook::report {
namespace {

constexpr std::size_t kStripRuns = 60;     // signs in a row, newest last
constexpr std::size_t kTrendsDrawn = 32;
constexpr std::size_t kRelaysShown = 12;
constexpr std::size_t kSelfTestsShown = 5;

std::string name_of(const std::string& board, const std::string& serial) {
  return serial.empty() ? board : board + " " + serial;
}

std::string sign_of(const record::RunSummary& run) {
  const std::string word = word_of(run);
  return fmt::format("<span class=\"sign {}\">{}{}</span>", class_of(word), shape_of(word), word);
}

std::string remark_of(const record::RunSummary& run) {
  if (run.aborted) return run.aborted->cause + (run.aborted->where.empty() ? "" : " at " + run.aborted->where);
  if (!run.complete) return fmt::format("after {} steps", run.counts.steps);
  if (run.counts.fail > 0) return fmt::format("{} of {} wrong", run.counts.fail, run.counts.readings);
  if (run.counts.unsure > 0) return fmt::format("{} of {} unsure", run.counts.unsure, run.counts.readings);
  return fmt::format("{} readings", run.counts.readings);
}

std::string figure(const std::string& name, const std::string& value) {
  return "<li>" + escaped(name) + " <strong>" + escaped(value) + "</strong></li>";
}

std::string strip_of(const std::vector<record::RunSummary>& runs) {
  std::string items;
  const std::size_t count = std::min(runs.size(), kStripRuns);
  for (std::size_t i = count; i-- > 0;) {
    const std::string word = word_of(runs[i]);
    std::string shape = shape_of(word);
    const std::string hidden = "aria-hidden=\"true\">";
    shape.replace(shape.find(hidden), hidden.size(), fmt::format("role=\"img\"><title>run {}: {}</title>", runs[i].number, word));
    items += fmt::format("<li class=\"{}\">{}</li>", class_of(word), shape);
  }
  return "<ol class=\"strip\" aria-label=\"the last runs, the newest at the end\">" + items + "</ol>";
}

std::string runs_section(const BoardPage& page) {
  std::string rows;
  for (const record::RunSummary& run : page.runs) {
    rows += fmt::format("<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"text\">{}</td><td class=\"text\">{}</td><td class=\"text\">{}</td><td>{}</td></tr>",
                        run.number, escaped(moment_of(run.started)), sign_of(run), escaped(run.vectors.empty() ? run.kind : run.vectors),
                        escaped(remark_of(run)), duration_text(run.total_s));
  }
  std::string more;
  if (page.total > static_cast<long>(page.runs.size())) {
    more = fmt::format("<p>The newest {} of {} runs; <code>tenterhook history</code> lists all.</p>", page.runs.size(), page.total);
  }
  return "<section><h2 id=\"runs\">Every run</h2><div class=\"scroll\"><table><thead><tr><th scope=\"col\">run</th><th scope=\"col\">started</th>"
         "<th scope=\"col\">verdict</th><th scope=\"col\">vectors</th><th scope=\"col\">what</th><th scope=\"col\">took</th></tr></thead><tbody>" +
         rows + "</tbody></table></div>" + more + "</section>\n";
}

bool urgent(const LineTrend& line) {
  using record::TrendState;
  return line.trend.state == TrendState::beyond || line.trend.state == TrendState::to_limit || line.trend.unlike.has_value();
}

std::string trends_section(const BoardPage& page, int& id) {
  if (page.trends.empty()) return "";
  std::string cards;
  std::size_t drawn = 0;
  std::string silent;
  for (const LineTrend& line : page.trends) {
    if (line.trend.state == record::TrendState::too_few) {
      silent += (silent.empty() ? "" : ", ") + line.line + (line.high ? " high" : " low");
      if (!line.trend.restart.empty()) silent += " (since " + line.trend.restart + ")";
      continue;
    }
    if (drawn == kTrendsDrawn) break;
    const std::string svg = trend_svg(line, id);
    if (svg.empty()) continue;
    ++id;
    ++drawn;
    std::string say = trend_sentence(line);
    if (line.trend.unlike) say += " The last run is unlike the others: repeat it before you conclude.";
    cards += "<div class=\"card\"><h3>" + escaped(line.line) + (line.high ? " high" : " low") +
             (urgent(line) ? "<span class=\"mark unsure\">look at this</span>" : "") + "</h3>" + svg + "<p class=\"legend\">" + escaped(say) + "</p></div>";
  }
  const char* axis = page.trends.front().by_hours ? "hours of use" : "days since the first run";
  return fmt::format("<section><h2>Trends</h2><p class=\"legend\">Volts over {}, a dot a run: the end of the level that lies nearest to its limit. Dashed: the "
                     "limit. Line: the fit. Open dots came before a part was replaced or before a step change, and do not count.</p>"
                     "<div class=\"wide-cards\">{}</div>{}</section>\n", axis, cards,
                     silent.empty() ? "" : fmt::format("<p>Fewer than {} runs, too few to say anything: {}.</p>", record::kTrendPointsMin, escaped(silent)));
}

std::string parts_section(const BoardPage& page) {
  if (page.parts.empty() && page.swaps.empty()) return "";
  std::string rows;
  for (const record::PartLife& p : page.parts) {
    std::string part = p.fitted.type;
    if (!p.fitted.part_serial.empty()) part += (part.empty() ? "" : " ") + p.fitted.part_serial;
    rows += fmt::format("<tr><th scope=\"row\">{}</th><td class=\"text\">{}</td><td>{}</td><td>{:.1f}</td><td>{}</td><td>{}</td><td>{:.1f}</td><td class=\"text\">{}</td></tr>",
                        escaped(p.fitted.part), escaped(part.empty() ? "-" : part), p.fitted.happened.empty() ? "the start" : escaped(p.fitted.happened.substr(0, 10)),
                        p.hours, p.cycles, p.swaps, p.socket_hours, escaped(p.fitted.note));
  }
  std::vector<std::string> swaps;
  for (const record::Swap& s : page.swaps) {
    swaps.push_back(fmt::format("{}: {} replaced, {}{}{}", s.happened.substr(0, 10), s.part, s.new_socket ? "and its socket" : "socket kept", s.note.empty() ? "" : "; ", s.note));
  }
  return "<section><h2>Parts</h2><div class=\"scroll\"><table><caption>Hours are under power: recorded runs and what was told; parts without a row are as "
         "built</caption><thead><tr><th scope=\"col\">place</th><th scope=\"col\">part</th><th scope=\"col\">since</th><th scope=\"col\">hours</th><th "
         "scope=\"col\">power-ups</th><th scope=\"col\">swaps</th><th scope=\"col\">socket, hours</th><th scope=\"col\">note</th></tr></thead><tbody>" +
         rows + "</tbody></table></div>" + (swaps.empty() ? "" : list_of(swaps, "<ul>", "</ul>")) + "</section>\n";
}

std::string remarks_section(const BoardPage& page) {
  if (page.remarks.empty()) return "";
  std::string items;
  for (const record::Remark& r : page.remarks) {
    items += fmt::format("<dt>{}, run {}</dt><dd>{}{}{}</dd>", escaped(r.written.substr(0, 10)), r.run, escaped(r.text), r.text.empty() || r.path.empty() ? "" : ": ",
                         r.path.empty() ? "" : "<code>" + escaped(r.path) + "</code>");
  }
  return "<section><h2>Notes and photographs</h2><dl class=\"facts\">" + items + "</dl></section>\n";
}

std::vector<std::string> next_of_board(const BoardPage& page) {
  std::vector<std::string> next;
  const record::RunSummary& last = page.runs.front();
  const std::string word = word_of(last);
  if (word == "FAIL") next.push_back(fmt::format("`tenterhook diagnose {}` names the parts that would explain its last failure", last.number));
  if (word == "UNSURE" || word == "STOP") next.push_back(fmt::format("`tenterhook show {}` says what its last run needs", last.number));
  for (const LineTrend& line : page.trends) {
    if (urgent(line) && next.size() < 4) next.push_back(trend_sentence(line));
  }
  if (next.empty()) next.push_back("nothing: its last run passed, and no level is on its way to a limit");
  return next;
}

std::string levels_section(const BoardPage& page) {
  if (page.last.levels.empty()) return "";
  std::string rows;
  for (const record::LevelRecord& level : page.last.levels) {
    const auto side = [](const std::optional<record::LevelRecord::Side>& s) {
      return s ? fmt::format("<td>{} to {}</td><td>{:.2f}</td>", volts_text(s->min_v), volts_text(s->max_v), s->U_v) : std::string("<td>-</td><td>-</td>");
    };
    const auto margin = [](const std::optional<double>& m) {
      return !m ? std::string("<td>-</td>") : fmt::format("<td{}>{:+.2f}</td>", *m < 0 ? " class=\"bad\"" : "", *m);
    };
    rows += "<tr><th scope=\"row\">" + escaped(level.line) + "</th>" + side(level.low) + side(level.high) + margin(level.margin_low_v) + margin(level.margin_high_v) + "</tr>";
  }
  return fmt::format("<section><h2>Levels in run {}</h2><div class=\"scroll\"><table><caption>Volts; margins are the worst over all receivers</caption><thead><tr><th "
                     "scope=\"col\">line</th><th scope=\"col\">low</th><th scope=\"col\">U</th><th scope=\"col\">high</th><th scope=\"col\">U</th><th "
                     "scope=\"col\">margin low</th><th scope=\"col\">margin high</th></tr></thead><tbody>{}</tbody></table></div></section>\n", page.last.number, rows);
}

}  // namespace

std::string least_margin_of(const record::RunRecord& run) {
  double least = std::numeric_limits<double>::infinity();
  std::string where;
  for (const record::LevelRecord& level : run.levels) {
    for (const auto& [margin, side] : {std::pair{level.margin_low_v, " low"}, {level.margin_high_v, " high"}}) {
      if (!margin || *margin >= least) continue;
      least = *margin;
      where = level.line + side;
    }
  }
  return where.empty() ? "" : fmt::format("{:+.2f} V, {}", least, where);
}

std::string board_page(const BoardPage& page) {
  int id = 0;
  const std::string name = name_of(page.board, page.board_serial);
  long passed = 0;
  for (const record::RunSummary& run : page.runs) passed += word_of(run) == "PASS" ? 1 : 0;
  std::string body = "<header><h1>" + escaped(name) + "</h1>";
  if (page.runs.empty()) return whole_page(name, "runs", "To the runs", body + "<p>Nothing is recorded.</p></header>\n");
  const record::RunSummary& last = page.runs.front();
  const std::string word = word_of(last);
  body += fmt::format("<p class=\"sub\">{} run{}, the last on {}</p><div class=\"frame\"><p class=\"word small {}\">{}{}</p><ul class=\"figures\">", page.total,
                      page.total == 1 ? "" : "s", escaped(moment_of(last.started)), class_of(word), shape_of(word), word);
  body += figure("passed", fmt::format("{} of {}", passed, page.runs.size())) + figure("under power", page.use.hours < 1.0 ? fmt::format("{:.0f} min", 60.0 * page.use.hours) : fmt::format("{:.1f} h", page.use.hours)) +
          figure("power-ups", std::to_string(page.use.cycles)) + figure("parts replaced", std::to_string(page.swaps.size()));
  if (const std::string margin = least_margin_of(page.last); !margin.empty()) body += figure("least margin", margin);
  body += "</ul>" + strip_of(page.runs) + "<h2>What to do next</h2>" + list_of(next_of_board(page), "<ol class=\"next\">", "</ol>") + "</div></header>\n<main>";
  body += trends_section(page, id) + levels_section(page) + parts_section(page) + remarks_section(page) + runs_section(page) + "</main>\n";
  return whole_page(name + ": all runs", "runs", "To the runs", body);
}

std::string fleet_page(const FleetPage& page) {
  long runs = 0;
  int good = 0;
  std::string rows;
  for (const FleetBoard& b : page.boards) {
    runs += b.runs;
    good += word_of(b.last) == "PASS" ? 1 : 0;
    rows += fmt::format("<tr><th scope=\"row\">{}</th><td class=\"text\">{}</td><td>{}</td><td>{}</td><td>{} of {}</td><td>{:.1f}</td><td>{}</td><td class=\"text\">{}</td><td "
                        "class=\"text\">{}</td></tr>",
                        escaped(name_of(b.last.board, b.last.board_serial)), sign_of(b.last), b.last.number, escaped(b.last.started.substr(0, 10)), b.passed, b.runs, b.use.hours,
                        b.swaps, escaped(b.least_margin.empty() ? "-" : b.least_margin), escaped(b.urgent_trend.empty() ? "-" : b.urgent_trend));
  }
  std::string body = fmt::format("<header><h1>All boards</h1><p class=\"sub\">{}</p><div class=\"frame\"><ul class=\"figures\">{}{}{}</ul></div></header>\n<main>", escaped(page.store),
                                 figure("boards", std::to_string(page.boards.size())), figure("last run passed", fmt::format("{} of {}", good, page.boards.size())),
                                 figure("runs", std::to_string(runs)));
  body += "<section><h2 id=\"boards\">Boards</h2><div class=\"scroll\"><table><caption>Those that need a look come first</caption><thead><tr><th scope=\"col\">board</th><th "
          "scope=\"col\">last verdict</th><th scope=\"col\">run</th><th scope=\"col\">on</th><th scope=\"col\">passed</th><th scope=\"col\">hours</th><th "
          "scope=\"col\">swaps</th><th scope=\"col\">least margin</th><th scope=\"col\">trend</th></tr></thead><tbody>" + rows + "</tbody></table></div></section>\n";
  for (const FleetFixture& f : page.fixtures) {
    body += "<section><h2>Fixture " + escaped(f.serial) + "</h2>";
    std::vector<std::string> tests;
    for (std::size_t i = 0; i < f.self_tests.size() && i < kSelfTestsShown; ++i) {
      const record::SelfTestRecord& t = f.self_tests[i];
      std::string found;
      for (const auto& finding : t.findings) found += (found.empty() ? "" : ", ") + finding.where + " " + finding.kind;
      tests.push_back(moment_of(t.happened) + ": self-test " + (t.good ? "found nothing wrong" : "found " + found));
    }
    body += tests.empty() ? "<p>No self-test is recorded.</p>" : list_of(tests, "<ul>", "</ul>");
    if (!f.wear.empty()) {
      std::string wear;
      for (std::size_t i = 0; i < f.wear.size() && i < kRelaysShown; ++i) {
        wear += fmt::format("<tr><th scope=\"row\">{}</th><td>{}</td><td>{}</td></tr>", escaped(f.wear[i].channel), f.wear[i].operations, escaped(f.wear[i].last.substr(0, 10)));
      }
      body += fmt::format("<div class=\"scroll\"><table><caption>Relays that worked most, of {}</caption><thead><tr><th scope=\"col\">relay</th><th scope=\"col\">operations</th><th "
                          "scope=\"col\">last</th></tr></thead><tbody>{}</tbody></table></div>", f.wear.size(), wear);
    }
    body += "</section>\n";
  }
  return whole_page("All boards", "boards", "To the boards", body + "</main>\n");
}

}  // namespace tenterhook::report
