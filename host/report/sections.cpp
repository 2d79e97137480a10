#include "host/report/sections.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <vector>

#include "host/report/findings.h"
#include "host/report/markup.h"
#include "host/report/page.h"

namespace tenterhook::report {
namespace {

using Json = nlohmann::ordered_json;

constexpr std::size_t kRowsShown = 200;   // of one table; the record has them all
constexpr std::size_t kListShown = 24;    // values of one list in a cell
constexpr int kDepthMost = 5;             // of nested values that are laid out

struct Known {
  const char* name;
  const char* heading;
  bool open;  // shown at once; else behind its heading
};
// In the order of the page.
constexpr Known kKnown[] = {
    {"timing", "Timing", true},          {"repeats", "Repeated passes", true},  {"part_tests", "Tests of single parts", true},
    {"parts", "Tests of single parts", true}, {"gauge", "Gauge study", true},   {"sag", "Levels under load", true},
    {"inrush", "Inrush", true},          {"warm_up", "Warm-up", true},          {"predicted", "Beside the prediction", true},
    {"diagnosis", "Suspects", true},     {"budget", "Supply budget", false},    {"only", "Steps of this run", false},
    {"channels", "Models of the sense channels", false},
};

// "fails_at_most" reads "fails at most"; a unit at the end stands in brackets.
std::string words(std::string key) {
  std::string unit;
  for (const auto& [ending, shown] : {std::pair{"_s", " (s)"}, {"_v", " (V)"}, {"_a", " (A)"}, {"_ohm", " (ohm)"}}) {
    const std::string end = ending;
    if (key.size() > end.size() && key.compare(key.size() - end.size(), end.size(), end) == 0) {
      key.resize(key.size() - end.size());
      unit = shown;
      break;
    }
  }
  std::replace(key.begin(), key.end(), '_', ' ');
  return key + unit;
}

std::string scalar(const Json& j) {
  if (j.is_string()) return prose(j.get<std::string>());
  if (j.is_boolean()) return j.get<bool>() ? "yes" : "no";
  if (j.is_number_float()) {
    const double value = j.get<double>();
    return std::fabs(value) < 1e-3 && value != 0.0 ? fmt::format("{:.3e}", value) : fmt::format("{:.6g}", value);
  }
  return j.is_null() ? "-" : escaped(j.dump());
}

bool flat(const Json& j) {
  return !j.is_structured();
}

// A value in one cell: {"value": 1, "U": 2} as both, a list as its values.
std::string cell(const Json& j) {
  if (flat(j)) return scalar(j);
  if (j.is_object() && j.size() == 2 && j.contains("value") && j.contains("U")) {
    return scalar(j["value"]) + " &#177; " + scalar(j["U"]);
  }
  std::string out;
  std::size_t shown = 0;
  for (const auto& [key, value] : j.items()) {
    if (shown == kListShown) {
      out += ", ...";
      break;
    }
    if (shown++ > 0) out += ", ";
    if (j.is_object()) out += escaped(words(key)) + " ";
    out += flat(value) ? scalar(value) : j.is_object() || value.size() <= 4 ? cell(value) : fmt::format("{} values", value.size());
  }
  return out.empty() ? "-" : out;
}

bool is_table(const Json& j) {
  return j.is_array() && !j.empty() && std::all_of(j.begin(), j.end(), [](const Json& row) { return row.is_object() && !row.empty(); });
}

// Long lists of numbers (waveforms, samples) are no cells: the JSON of the run has them.
bool bulky(const Json& j) {
  if (!j.is_structured()) return false;
  if (j.is_array() && j.size() > kListShown && flat(j.front())) return true;
  return std::any_of(j.begin(), j.end(), [](const Json& v) { return bulky(v); });
}

std::string table_of(const Json& rows, const std::string& caption) {
  std::vector<std::string> keys;
  for (const Json& row : rows) {
    for (const auto& [key, value] : row.items()) {
      if (!bulky(value) && std::find(keys.begin(), keys.end(), key) == keys.end()) keys.push_back(key);
    }
  }
  std::string out = "<div class=\"scroll\"><table><caption>" + escaped(caption) + "</caption><thead><tr>";
  for (const std::string& key : keys) out += "<th scope=\"col\">" + escaped(words(key)) + "</th>";
  out += "</tr></thead><tbody>";
  std::size_t shown = 0;
  for (const Json& row : rows) {
    if (shown++ == kRowsShown) break;
    out += "<tr>";
    for (const std::string& key : keys) {
      const Json value = row.contains(key) ? row[key] : Json(nullptr);
      out += (value.is_string() || value.is_structured() ? "<td class=\"text\">" : "<td>") + cell(value) + "</td>";
    }
    out += "</tr>";
  }
  out += "</tbody></table></div>";
  if (rows.size() > kRowsShown) out += fmt::format("<p>The first {} of {} rows.</p>", kRowsShown, rows.size());
  return out;
}

// Any value: its single facts as a list of terms, its lists of objects as tables.
std::string layout(const Json& j, const std::string& name, int depth) {
  if (is_table(j)) return table_of(j, words(name));
  if (!j.is_object() || depth >= kDepthMost) return "<p>" + cell(j) + "</p>";
  std::string facts, tables;
  for (const auto& [key, value] : j.items()) {
    if (bulky(value) && !is_table(value)) continue;
    if (is_table(value)) {
      tables += table_of(value, words(key));
    } else if (value.is_object() && !value.contains("value") && std::any_of(value.begin(), value.end(), [](const Json& v) { return v.is_structured(); })) {
      tables += "<h3>" + escaped(words(key)) + "</h3>" + layout(value, key, depth + 1);
    } else {
      facts += "<dt>" + escaped(words(key)) + "</dt><dd>" + cell(value) + "</dd>";
    }
  }
  return (facts.empty() ? "" : "<dl class=\"facts\">" + facts + "</dl>") + tables;
}

// --- timing ---

std::string time_cell(const Json& figure) {
  if (figure.is_object() && figure.contains("value") && figure["value"].is_number()) {
    std::string text = seconds_text(figure["value"].get<double>());
    if (figure.contains("U") && figure["U"].is_number()) text += " &#177; " + seconds_text(figure["U"].get<double>());
    return text;
  }
  return figure.is_number() ? seconds_text(figure.get<double>()) : "-";
}

std::string judged_cell(const Json& j, const char* key) {
  if (!j.contains(key) || !j[key].is_object()) return "<td></td>";
  const std::string verdict = j[key].value("verdict", "");
  const char* mark = verdict == "fail" ? " class=\"bad\"" : verdict == "unsure" ? " class=\"maybe\"" : "";
  return fmt::format("<td{}>at most {}: {}</td>", mark, seconds_text(j[key].value("limit_s", std::nan(""))), escaped(verdict));
}

std::string text_field(const Json& j, const char* key) {
  return j.contains(key) && j[key].is_string() ? escaped(j[key].get<std::string>()) : "";
}

std::string edges_table(const Json& edges) {
  std::string out = "<div class=\"scroll\"><table><caption>Delays, 50 % to 50 %, and transitions, 10 % to 90 %</caption><thead><tr>";
  for (const char* head : {"from", "to", "delay", "limit", "transition", "limit", "remark"}) out += fmt::format("<th scope=\"col\">{}</th>", head);
  out += "</tr></thead><tbody>";
  for (const Json& e : edges) {
    if (!e.is_object()) continue;
    out += "<tr><th scope=\"row\">" + text_field(e, "from") + " " + text_field(e, "from_edge") + "</th><td class=\"text\">" + text_field(e, "to") +
           " " + text_field(e, "to_edge") + "</td><td>" + time_cell(e.value("delay_s", Json())) + "</td>" + judged_cell(e, "delay_judged") +
           "<td>" + time_cell(e.value("transition_s", Json())) + "</td>" + judged_cell(e, "transition_judged") + "<td class=\"text\">" +
           (e.value("agree", true) ? "" : "comparator and converter disagree; ") + text_field(e, "note") + "</td></tr>";
  }
  return out + "</tbody></table></div>";
}

std::string limits_table(const Json& limits) {
  std::string out = "<div class=\"scroll\"><table><caption>Where it stops working: the last step that still passed</caption><thead><tr>";
  for (const char* head : {"", "of", "least", "rate", "limit", "remark"}) out += fmt::format("<th scope=\"col\">{}</th>", head);
  out += "</tr></thead><tbody>";
  for (const Json& l : limits) {
    if (!l.is_object()) continue;
    const bool found = l.value("state", "") == "found";
    const Json value = l.value("value_s", Json());
    std::string rate;
    if (found && l.value("kind", "") == "clock period" && value.is_object() && value.value("value", 0.0) > 0.0) {
      rate = fmt::format("{:.4g} kHz", 1e-3 / value["value"].get<double>());
    }
    out += "<tr><th scope=\"row\">" + text_field(l, "kind") + "</th><td class=\"text\">" + text_field(l, "what") + "</td><td>" +
           (found ? time_cell(value) : text_field(l, "state")) + "</td><td>" + rate + "</td>" + judged_cell(l, "judged") +
           "<td class=\"text\">" + (l.contains("holes") && !l["holes"].empty() ? "not monotonic; " : "") + text_field(l, "note") + "</td></tr>";
  }
  return out + "</tbody></table></div>";
}

// Pass, fail and unsure over two stimuli: a grid of signs that differ in shape, and a sentence for who cannot see it.
std::string shmoo_svg(const Json& plot, int id) {
  constexpr double kLeft = 70, kTop = 8, kWide = 360, kHigh = 220;
  if (!plot.is_object() || !plot.contains("tallies") || !plot["tallies"].is_array()) return "";
  const Json none = Json::array();
  const Json& xs = plot.contains("x") && plot["x"].contains("values") ? plot["x"]["values"] : none;
  const Json& ys = plot.contains("y") && plot["y"].contains("values") ? plot["y"]["values"] : none;
  if (xs.empty() || ys.empty() || plot["tallies"].size() != xs.size() * ys.size()) return "";
  const double w = kWide / static_cast<double>(xs.size()), h = kHigh / static_cast<double>(ys.size());
  std::string marks;
  int passes = 0, fails = 0, unsures = 0;
  for (std::size_t i = 0; i < plot["tallies"].size(); ++i) {
    const Json& t = plot["tallies"][i];
    const long pass = t.is_object() ? t.value("passes", 0L) : 0, fail = t.is_object() ? t.value("fails", 0L) : 0;
    const long unsure = t.is_object() ? t.value("unsure", 0L) : 0;
    if (pass + fail + unsure == 0) continue;
    const double x = kLeft + w * static_cast<double>(i % xs.size()), y = kTop + kHigh - h * static_cast<double>(i / xs.size() + 1);
    const bool good = pass > 0 && fail == 0 && unsure == 0, bad = fail > 0 && pass == 0 && unsure == 0;
    (good ? passes : bad ? fails : unsures) += 1;
    if (good) {
      marks += fmt::format("<rect class=\"ok\" x=\"{:.1f}\" y=\"{:.1f}\" width=\"{:.1f}\" height=\"{:.1f}\"/>", x, y, w, h);
    } else if (bad) {
      marks += fmt::format("<path class=\"cross\" d=\"M{0:.1f} {1:.1f}L{2:.1f} {3:.1f}M{2:.1f} {1:.1f}L{0:.1f} {3:.1f}\"/>", x + w * 0.2, y + h * 0.2,
                           x + w * 0.8, y + h * 0.8);
    } else {
      marks += fmt::format("<path class=\"maybe\" d=\"M{:.1f} {:.1f}h{:.1f}\"/>", x + w * 0.2, y + h * 0.5, w * 0.6);
    }
  }
  const auto axis = [](const Json& a, const Json& v) {
    const bool seconds = a.value("unit", "s") == "s";
    return seconds ? seconds_text(v.get<double>()) : fmt::format("{:.3g} V", v.get<double>());
  };
  std::string labels;
  for (const std::size_t i : {std::size_t{0}, xs.size() / 2, xs.size() - 1}) {
    if (!xs[i].is_number()) return "";
    labels += fmt::format("<text class=\"axis time\" x=\"{:.1f}\" y=\"{}\">{}</text>", kLeft + w * (static_cast<double>(i) + 0.5), kTop + kHigh + 16,
                          axis(plot["x"], xs[i]));
  }
  for (const std::size_t i : {std::size_t{0}, ys.size() / 2, ys.size() - 1}) {
    if (!ys[i].is_number()) return "";
    labels += fmt::format("<text class=\"axis\" x=\"{}\" y=\"{:.1f}\">{}</text>", kLeft - 5, kTop + kHigh - h * (static_cast<double>(i) + 0.5) + 4,
                          axis(plot["y"], ys[i]));
  }
  labels += fmt::format("<text class=\"axis time\" x=\"{}\" y=\"{}\">{}</text><text x=\"4\" y=\"{}\">{}</text>", kLeft + kWide / 2, kTop + kHigh + 32,
                        text_field(plot["x"], "name"), kTop + 4 + kHigh * 0.25, text_field(plot["y"], "name"));
  return fmt::format("<div class=\"card\"><h3>{}</h3><p class=\"legend\">Filled: passes. Cross: fails. Bar: both, or not decided. {} of {} "
                     "points pass.</p><svg viewBox=\"0 0 440 266\" role=\"img\" aria-labelledby=\"p{}\"><title id=\"p{}\">Pass and fail over {} and {}: "
                     "{} points pass, {} fail, {} are undecided</title>{}{}</svg></div>",
                     text_field(plot, "title").empty() ? "Pass and fail over two settings" : text_field(plot, "title"), passes, passes + fails + unsures,
                     id, id, text_field(plot["x"], "name"), text_field(plot["y"], "name"), passes, fails, unsures, marks, labels);
}

std::string timing_layout(const Json& j, int& id) {
  std::string out;
  if (j.contains("edges") && j["edges"].is_array() && !j["edges"].empty()) out += edges_table(j["edges"]);
  if (j.contains("limits") && j["limits"].is_array() && !j["limits"].empty()) out += limits_table(j["limits"]);
  if (j.contains("counts") && is_table(j["counts"])) out += table_of(j["counts"], "counted edges");
  if (j.contains("plot")) out += shmoo_svg(j["plot"], id++);
  if (j.contains("not_measured") && j["not_measured"].is_array() && !j["not_measured"].empty()) {
    std::vector<std::string> texts;
    for (const Json& t : j["not_measured"]) texts.push_back(t.is_string() ? t.get<std::string>() : t.dump());
    out += "<h3>Not measured</h3>" + list_of(texts, "<ul>", "</ul>");
  }
  return out;
}

std::string suspects_layout(const Json& d) {
  if (!d.contains("suspects") || !d["suspects"].is_array()) return "";
  std::string out;
  if (d.contains("say") && d["say"].is_string()) out += "<p>" + prose(d["say"].get<std::string>()) + "</p>";
  if (d["suspects"].empty()) return out;
  out += "<div class=\"scroll\"><table><caption>Suspects of one group cannot be told apart by this run</caption><thead><tr>";
  for (const char* head : {"probability", "parts", "net", "fault", "group", "why"}) out += fmt::format("<th scope=\"col\">{}</th>", head);
  out += "</tr></thead><tbody>";
  for (const Json& s : d["suspects"]) {
    if (!s.is_object()) continue;
    const double p = s.contains("probability") && s["probability"].is_number() ? s["probability"].get<double>() : 0.0;
    out += fmt::format("<tr><td>{:.0f} %</td><th scope=\"row\">{}</th><td class=\"text\">{}</td><td class=\"text\">{}</td><td>{}</td><td class=\"text\">{}</td></tr>",
                       100.0 * p, cell(s.value("parts", Json::array())), text_field(s, "net"), text_field(s, "fault"), cell(s.value("group", Json())),
                       text_field(s, "why"));
  }
  out += "</tbody></table></div>";
  if (d.contains("touch") && d["touch"].is_object() && d["touch"].contains("at")) {
    out += "<p>Next: touch <strong>" + cell(d["touch"]["at"]) + "</strong>, " + text_field(d["touch"], "why") + ".</p>";
  }
  return out;
}

std::string laid_out(const std::string& name, const Json& j, int& id) {
  if (j.is_object() && name == "timing") return timing_layout(j, id);
  if (j.is_object() && name == "diagnosis") return suspects_layout(j);
  return layout(j, name, 0);
}

std::string one_section(const std::string& name, const std::string& heading, bool open, const std::string& text, int& id) {
  const Json j = Json::parse(text, nullptr, false);
  std::string body = "<pre>" + escaped(text) + "</pre>";
  if (!j.is_discarded()) {
    try {
      body = laid_out(name, j, id);
    } catch (const Json::exception&) {
      // A field of another type than this version writes: shown as it stands.
    }
  }
  if (body.empty()) return "";
  const std::string shown = open ? body : "<details><summary>Show what was recorded</summary>" + body + "</details>";
  return "<section><h2>" + escaped(heading) + "</h2>" + shown + "</section>\n";
}

}  // namespace

std::string sections_of(const record::RunRecord& run, int& id) {
  std::string out;
  std::vector<std::string> done;
  for (const Known& known : kKnown) {
    const auto found = run.sections.find(known.name);
    if (found == run.sections.end()) continue;
    out += one_section(known.name, known.heading, known.open, found->second, id);
    done.push_back(known.name);
  }
  for (const auto& [name, text] : run.sections) {
    if (std::find(done.begin(), done.end(), name) == done.end()) out += one_section(name, words(name), true, text, id);
  }
  return out;
}

std::string suspects_section(const std::string& diagnosis_json) {
  const Json j = Json::parse(diagnosis_json, nullptr, false);
  if (!j.is_object()) return "";
  std::string body;
  try {
    body = suspects_layout(j);
  } catch (const Json::exception&) {
    return "";
  }
  return body.empty() ? "" : "<section id=\"suspects\"><h2>Suspects</h2>" + body + "</section>\n";
}

}  // namespace tenterhook::report
