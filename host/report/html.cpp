#include "host/report/html.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "host/report/markup.h"
#include "host/report/page.h"
#include "host/report/plots.h"
#include "host/report/sections.h"
#include "host/report/terminal.h"

namespace tenterhook::report {
namespace {

using measure::Reading;
using measure::Verdict;

constexpr int kStepsShown = 24;          // failing steps in full; the rest are in the last table
constexpr std::size_t kBlockLines = 12;  // lines side by side; a page holds no more in print
constexpr std::size_t kBlockNarrow = 8;  // of which two tables stand side by side
constexpr int kReadingsShown = 4000;     // rows of the last table

std::string header_of(const record::RunRecord& run) {
  const std::string word = verdict_headline(run);
  std::string name = run.board;
  if (!run.board_serial.empty()) name += " " + run.board_serial;
  const std::string when = moment_of(run.started);
  return fmt::format(
      "<header><h1>{}</h1><p class=\"sub\">run {} &#183; {} &#183; {}</p>"
      "<div class=\"frame\"><p class=\"word {}\">{}{}</p><p class=\"say\">{}</p>"
      "<h2>What to do next</h2>{}</div></header>",
      escaped(name), run.number, escaped(run.vectors.empty() ? run.kind : run.vectors),
      escaped(when), class_of(word), shape_of(word), word, escaped(verdict_sentence(run)),
      list_of(next_actions(run), "<ol class=\"next\">", "</ol>"));
}

std::string lines_section(const std::vector<LineFinding>& findings) {
  if (findings.empty()) return "";
  std::string out =
      "<section><h2>Lines in question</h2><div class=\"scroll\"><table><caption>The first reading "
      "of "
      "each that was not right</caption><thead><tr><th scope=\"col\">line</th><th scope=\"col\">"
      "verdict</th><th scope=\"col\">expected</th><th scope=\"col\">volts</th><th scope=\"col\">U"
      "</th><th scope=\"col\">window</th><th scope=\"col\">readings</th><th scope=\"col\">first at"
      "</th><th scope=\"col\">what it does</th></tr></thead><tbody>";
  for (const LineFinding& f : findings) {
    const bool wrong = f.wrong > 0;
    out += fmt::format(
        "<tr><th scope=\"row\">{}</th><td class=\"{}\">{}</td><td>{}</td><td>{}</td>"
        "<td>{:.2f}</td><td>{} to {}</td><td>{} of {}</td><td class=\"text\">step {}, "
        "{}</td><td class=\"text\">{}</td></tr>",
        escaped(f.line), wrong ? "bad" : "maybe", wrong ? "FAIL" : "UNSURE",
        bit_letter(f.reading.expected), volts_text(f.reading.volts.value), f.reading.U.value,
        volts_text(f.reading.window.min.value), volts_text(f.reading.window.max.value),
        wrong ? f.wrong : f.unsure, f.judged, f.step, escaped(f.source), escaped(f.pattern));
  }
  return out + "</tbody></table></div></section>";
}

bool stands_out(const Reading& r) {
  return r.verdict == Verdict::fail || r.verdict == Verdict::unsure;
}

// Some lines of one step as columns.
std::string block_table(const std::vector<const Reading*>& block, const std::string& caption,
                        const std::map<std::string, LineWindows>& windows) {
  std::string names, expected, measured, volts;
  for (const Reading* r : block) {
    const auto known = windows.find(r->line);
    const files::Bit bit = measured_bit(*r, known == windows.end() ? LineWindows{} : known->second);
    const char* mark = r->verdict == Verdict::fail     ? " class=\"bad\""
                       : r->verdict == Verdict::unsure ? " class=\"maybe\""
                                                       : "";
    const std::string shown = r->verdict == Verdict::unsure ? "?"
                              : bit == files::Bit::any      ? "between"
                                                            : std::string(1, bit_letter(bit));
    names += "<th scope=\"col\">" + escaped(r->line) + "</th>";
    expected += fmt::format("<td>{}</td>", bit_letter(r->expected));
    measured +=
        fmt::format("<td{}>{}{}</td>", mark, shown, r->verdict == Verdict::fail ? " &#10007;" : "");
    volts += fmt::format("<td{}>{}</td>", mark, volts_text(r->volts.value));
  }
  return fmt::format(
      "<div class=\"scroll{}\"><table><caption>{}</caption>"
      "<thead><tr class=\"bits\"><th scope=\"col\">line</th>{}</tr></thead><tbody>"
      "<tr class=\"bits\"><th scope=\"row\">expected</th>{}</tr><tr class=\"bits\">"
      "<th scope=\"row\">measured</th>{}</tr><tr class=\"bits\"><th scope=\"row\">volts"
      "</th>{}</tr></tbody></table></div>",
      block.size() > kBlockNarrow ? " broad" : "", caption, names, expected, measured, volts);
}

// The step's judged lines; of a wide board only the blocks in which something stands out.
std::string step_table(const record::StepRecord& step,
                       const std::map<std::string, LineWindows>& windows) {
  std::string caption =
      fmt::format("<strong>step {}, {}</strong>", step.index, escaped(step.source));
  if (!step.say.empty()) caption += " " + escaped(step.say);
  caption += " &#8212; " + escaped(sets_text(step.set));
  if (!step.pulse.empty()) caption += escaped(", pulse " + pulses_text(step.pulse));
  std::string out;
  std::vector<const Reading*> block;
  const auto flush = [&] {
    if (std::any_of(block.begin(), block.end(), [](const Reading* r) { return stands_out(*r); })) {
      out += block_table(block, caption, windows);
    }
    block.clear();
  };
  for (const Reading& r : step.readings) {
    if (r.verdict == Verdict::none) continue;
    block.push_back(&r);
    if (block.size() == kBlockLines) flush();
  }
  flush();
  return out;
}

std::string steps_section(const record::RunRecord& run,
                          const std::map<std::string, LineWindows>& windows) {
  std::string out;
  int shown = 0, hidden = 0;
  for (const record::StepRecord& step : run.steps) {
    if (!std::any_of(step.readings.begin(), step.readings.end(), stands_out)) continue;
    if (shown == kStepsShown) {
      ++hidden;
      continue;
    }
    out += step_table(step, windows);
    ++shown;
  }
  if (out.empty()) return "";
  if (hidden > 0) {
    out +=
        fmt::format("<p>And {} more such steps, in the table of every reading below.</p>", hidden);
  }
  return "<section><h2>Steps that were not right</h2><div class=\"steps\">" + out +
         "</div></section>";
}

std::string ladder_card(const record::RunRecord& run, const record::LevelRecord& level,
                        const LineWindows& windows, const std::map<std::string, Needs>& needs,
                        const VoltScale& scale, const std::vector<LineFinding>& findings,
                        const files::LevelWindows& predicted, int id) {
  const auto finding = std::find_if(findings.begin(), findings.end(),
                                    [&](const LineFinding& f) { return f.line == level.line; });
  std::string mark = "<span class=\"mark pass\">in its windows</span>";
  if (finding != findings.end()) {
    mark = finding->wrong > 0
               ? fmt::format("<span class=\"mark fail\">&#10007; {} wrong</span>", finding->wrong)
               : fmt::format("<span class=\"mark unsure\">? {} unsure</span>", finding->unsure);
  }
  return "<div class=\"card\"><h3>" + escaped(level.line) + mark + "</h3>" +
         ladder_svg(run, level, windows, needs, scale, id, predicted) + "</div>";
}

std::string side_cells(const std::optional<record::LevelRecord::Side>& side) {
  if (!side) return "<td colspan=\"5\">none seen</td>";
  return fmt::format("<td>{}</td><td>{}</td><td>{}</td><td>{:.2f}</td><td>{}</td>",
                     volts_text(side->min_v), volts_text(side->max_v), volts_text(side->mean_v),
                     side->U_v, side->n);
}

std::string levels_section(const record::RunRecord& run,
                           const std::map<std::string, LineWindows>& windows,
                           const std::vector<LineFinding>& findings, const PageExtras& extras,
                           int& id) {
  if (run.levels.empty()) return "";
  const VoltScale scale = scale_of(run, windows);
  const std::map<std::string, Needs> needs = needs_of(run);
  std::string cards, rows;
  for (const record::LevelRecord& level : run.levels) {
    const auto known = windows.find(level.line);
    cards += ladder_card(run, level, known == windows.end() ? LineWindows{} : known->second, needs,
                         scale, findings,
                         extras.predicted.count(level.line) > 0 ? extras.predicted.at(level.line)
                                                                : files::LevelWindows{},
                         id++);
    const auto margin = [](const std::optional<double>& m) {
      return !m ? std::string("<td>-</td>")
                : fmt::format("<td{}>{:+.2f}</td>", *m < 0 ? " class=\"bad\"" : "", *m);
    };
    std::string receivers;
    for (const record::MarginRecord& m : level.margins) {
      receivers += (receivers.empty() ? "" : ", ") + escaped(m.to);
    }
    rows += "<tr><th scope=\"row\">" + escaped(level.line) + "</th>" + side_cells(level.low) +
            side_cells(level.high) + margin(level.margin_low_v) + margin(level.margin_high_v) +
            "<td class=\"text\">" + receivers + "</td></tr>";
  }
  return "<section><h2>Level ladders</h2><p class=\"legend\">Volts upwards, one scale for all. "
         "Tinted "
         "bands: the windows of 0 and of 1. Dashed: what the receiving family needs. Bars: where "
         "the "
         "lows and highs of this run lie, with their mean and, thin, their uncertainty (95 %). "
         "Crosses: readings that failed." +
         std::string(extras.predicted.empty() ? "" : " Brackets: predicted for good parts.") +
         "</p><div class=\"grid-cards\">" +
         cards +
         "</div><h2>Levels and margins in numbers</h2><div class=\"scroll\"><table><caption>Volts; "
         "margins are the worst over all receivers</caption><thead><tr><th scope=\"col\" "
         "rowspan=\"2\">line</th><th scope=\"colgroup\" colspan=\"5\">low</th><th "
         "scope=\"colgroup\" "
         "colspan=\"5\">high</th><th scope=\"colgroup\" colspan=\"2\">margin</th><th scope=\"col\" "
         "rowspan=\"2\">receivers</th></tr><tr><th scope=\"col\">least</th><th "
         "scope=\"col\">most</th>"
         "<th scope=\"col\">mean</th><th scope=\"col\">U</th><th scope=\"col\">n</th><th "
         "scope=\"col\">least</th><th scope=\"col\">most</th><th scope=\"col\">mean</th><th "
         "scope=\"col\">U</th><th scope=\"col\">n</th><th scope=\"col\">low</th><th "
         "scope=\"col\">high"
         "</th></tr></thead><tbody>" +
         rows + "</tbody></table></div></section>";
}

std::string power_section(const record::RunRecord& run, int& id) {
  const record::PowerRecord& power = run.power;
  if (power.rails.empty() && power.curves.empty()) return "";
  std::string out = "<section><h2>Power</h2>";
  if (!power.rails.empty()) {
    out +=
        "<div class=\"scroll\"><table><caption>Rails as measured</caption><thead><tr><th "
        "scope=\"col\">rail</th><th scope=\"col\">nominal V</th><th scope=\"col\">volts</th><th "
        "scope=\"col\">U</th><th scope=\"col\">window V</th><th scope=\"col\">amperes</th></tr>"
        "</thead><tbody>";
    for (const record::RailRecord& r : power.rails) {
      const bool inside = r.measured_v >= r.window_min_v && r.measured_v <= r.window_max_v;
      out += fmt::format(
          "<tr><th scope=\"row\">{}</th><td>{}</td><td{}>{}{}</td><td>{:.2f}</td><td>"
          "{} to {}</td><td>{:.3f}</td></tr>",
          escaped(r.rail), volts_text(r.nominal_v), inside ? "" : " class=\"bad\"",
          volts_text(r.measured_v), inside ? "" : " outside", r.U_v, volts_text(r.window_min_v),
          volts_text(r.window_max_v), r.amps);
    }
    out += "</tbody></table></div>";
  }
  if (power.warm_up_s) out += "<p>Warm after " + duration_text(*power.warm_up_s) + ".</p>";
  std::string cards;
  for (const record::CurveRecord& curve : power.curves) {
    const std::string svg = curve_svg(curve, id++);
    if (svg.empty()) continue;
    cards += fmt::format("<div class=\"card\"><h3>{}: {} over seconds since switch-on</h3>{}</div>",
                         escaped(curve.rail), escaped(curve.quantity), svg);
  }
  if (!cards.empty()) out += "<div class=\"wide-cards\">" + cards + "</div>";
  return out + "</section>";
}

std::string facts_section(const record::RunRecord& run) {
  std::string rows;
  const auto fact = [&rows](const char* name, const std::string& value) {
    if (!value.empty()) rows += fmt::format("<dt>{}</dt><dd>{}</dd>", name, escaped(value));
  };
  const record::Times& t = run.time;
  const record::CountsOf n = record::counts_of(run);
  fact("run", fmt::format("{} ({})", run.number, run.uid));
  fact("fixture", run.fixture + (run.fixture_serial.empty() ? "" : " " + run.fixture_serial));
  fact("firmware", run.firmware_build);
  fact("calibration", run.calibration);
  fact("operator", run.operator_name);
  fact("notes", run.notes);
  if (run.seed) fact("emulated board", fmt::format("seed {}", *run.seed));
  for (const std::string& f : run.faults) fact("fault given", f);
  fact("readings", fmt::format("{}: {} pass, {} fail, {} unsure, in {} steps", n.readings, n.pass,
                               n.fail, n.unsure, n.steps));
  fact("time", fmt::format("{:.2f} s: relays {:.2f}, settling {:.2f}, converting {:.2f}, pulses "
                           "{:.3f}, overhead {:.3f}; prepared in {}",
                           t.total_s, t.relay_s, t.settle_s, t.convert_s, t.pulse_s, t.overhead_s,
                           duration_text(t.prepare_s)));
  fact("relay operations", std::to_string(run.relay_operations));
  const record::Counters& c = run.link;
  fact("link", fmt::format("{} frames out, {} in; {} CRC errors, {} time-outs, {} sent again, {} "
                           "starvations",
                           c.frames_sent, c.frames_received, c.crc_errors, c.timeouts, c.resent,
                           c.starvations));
  for (const files::SourceFile& file : run.sources) {
    fact("file", file.path + " (SHA-256 " + file.sha256.substr(0, 16) + "...)");
  }
  return "<section><h2>How it was measured</h2><dl class=\"facts\">" + rows + "</dl></section>";
}

std::string readings_section(const record::RunRecord& run) {
  std::string rows;
  int shown = 0;
  for (const record::StepRecord& step : run.steps) {
    for (const Reading& r : step.readings) {
      if (shown++ >= kReadingsShown) continue;
      const char* mark = r.verdict == Verdict::fail     ? " class=\"bad\""
                         : r.verdict == Verdict::unsure ? " class=\"maybe\""
                                                        : "";
      rows += fmt::format(
          "<tr><td>{}</td><th scope=\"row\">{}</th><td>{}</td><td>{:.3f}</td><td>"
          "{:.3f}</td><td>{} to {}</td><td{}>{}</td></tr>",
          step.index, escaped(r.line), bit_letter(r.expected), r.volts.value, r.U.value,
          volts_text(r.window.min.value), volts_text(r.window.max.value), mark,
          record::verdict_word(r.verdict));
    }
  }
  if (rows.empty()) return "";
  std::string more;
  if (shown > kReadingsShown) {
    more = fmt::format("<p>The first {} of {} readings; the CSV export has them all.</p>",
                       kReadingsShown, shown);
  }
  return "<section><h2>Every reading</h2><details><summary>Show the table</summary><div "
         "class=\"scroll\"><table><thead><tr><th scope=\"col\">step</th><th scope=\"col\">line</th>"
         "<th scope=\"col\">expected</th><th scope=\"col\">volts</th><th scope=\"col\">U</th><th "
         "scope=\"col\">window</th><th scope=\"col\">verdict</th></tr></thead><tbody>" +
         rows + "</tbody></table></div>" + more + "</details></section>";
}

std::string timings_section(const record::RunRecord& run) {
  // The study's own section says more, where there is one.
  if (run.timings.empty() || run.sections.count("timing") > 0) return "";
  std::string rows;
  for (const record::TimingRecord& t : run.timings) {
    const char* mark = t.verdict == Verdict::fail ? " class=\"bad\"" : t.verdict == Verdict::unsure ? " class=\"maybe\"" : "";
    rows += fmt::format("<tr><th scope=\"row\">{}</th><td class=\"text\">{}</td><td class=\"text\">{} {}</td><td>{}</td><td>{}</td><td>{}</td>"
                        "<td{}>{}</td></tr>",
                        escaped(t.kind), escaped(t.from), escaped(t.line), escaped(t.edge), seconds_text(t.seconds), seconds_text(t.U_s),
                        t.limit_s ? seconds_text(*t.limit_s) : "-", mark, record::verdict_word(t.verdict));
  }
  return "<section><h2>Timing</h2><div class=\"scroll\"><table><thead><tr><th scope=\"col\">what</th><th scope=\"col\">from</th><th "
         "scope=\"col\">line</th><th scope=\"col\">time</th><th scope=\"col\">U</th><th scope=\"col\">limit</th><th scope=\"col\">verdict</th></tr>"
         "</thead><tbody>" + rows + "</tbody></table></div></section>\n";
}

std::string photos_section(const std::vector<record::Photo>& photos) {
  if (photos.empty()) return "";
  std::string items;
  for (const record::Photo& photo : photos) {
    items += "<li><code>" + escaped(photo.path) + "</code>" + (photo.note.empty() ? "" : ": " + escaped(photo.note)) + " (SHA-256 " +
             escaped(photo.sha256.substr(0, 16)) + "...)</li>";
  }
  return "<section><h2>Photographs</h2><ul>" + items + "</ul></section>\n";
}

}  // namespace

std::string html_page(const record::RunRecord& run, const PageExtras& extras) {
  std::map<std::string, LineWindows> windows;
  for (const record::StepRecord& step : run.steps) learn_windows(windows, step);
  const std::vector<LineFinding> findings = find_lines(run);
  int id = 0;
  std::string body = header_of(run) + "\n<main>";
  body += lines_section(findings) + "\n" + suspects_section(extras.diagnosis_json);
  if (!run.warnings.empty()) {
    body += "<section><h2>Warnings</h2>" + list_of(run.warnings, "<ul>", "</ul>") + "</section>\n";
  }
  if (const auto care = cautions(run); !care.empty()) {
    body += "<section><h2>Caution</h2>" + list_of(care, "<ul class=\"care\">", "</ul>") + "</section>\n";
  }
  body += "<div id=\"levels\">" + levels_section(run, windows, findings, extras, id) + "</div>\n";
  body += steps_section(run, windows) + "\n" + timings_section(run) + power_section(run, id) + "\n";
  body += sections_of(run, id) + photos_section(extras.photos) + facts_section(run) + "\n" + readings_section(run);
  return whole_page(fmt::format("{} {}: {}, run {}", run.board, run.board_serial, verdict_headline(run), run.number), "levels",
                    "To the levels", body + "</main>\n");
}

}  // namespace tenterhook::report
