#include "host/report/exports.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "host/report/findings.h"
#include "host/report/markup.h"

namespace tenterhook::report {
namespace {

using measure::Reading;
using measure::Verdict;

std::string seconds(double s) {
  return fmt::format("{:.6f}", std::isfinite(s) ? std::max(0.0, s) : 0.0);
}

Verdict worst_of(const record::StepRecord& step) {
  Verdict worst = Verdict::pass;
  for (const Reading& r : step.readings) {
    if (r.verdict == Verdict::fail) return Verdict::fail;
    if (r.verdict == Verdict::unsure) worst = Verdict::unsure;
  }
  return worst;
}

std::string title_of(const record::StepRecord& step) {
  std::string text = fmt::format("step {} {}", step.index, step.source);
  if (!step.say.empty()) text += " " + step.say;
  return text;
}

std::string reading_line(const Reading& r) {
  std::string text = fmt::format(
      "{}: expected {}, measured {:.3f} V, U {:.3f} V, window {:.3f} to "
      "{:.3f} V, {}",
      r.line, bit_letter(r.expected), r.volts.value, r.U.value, r.window.min.value,
      r.window.max.value, record::verdict_word(r.verdict));
  if (!r.why.empty()) text += " (" + r.why + ")";
  return text;
}

// Why the run as a whole did not come to its end; empty when it did.
std::string not_ended(const record::RunRecord& run) {
  if (run.aborted) {
    const std::string where = run.aborted->where.empty() ? "" : " at " + run.aborted->where;
    return fmt::format("stopped: {}{} (blame: {}). {}", run.aborted->cause, where,
                       run.aborted->blame, run.aborted->message);
  }
  if (!run.complete) {
    return fmt::format("cut short after {} of {} steps", run.steps.size(), run.steps_planned);
  }
  return "";
}

std::string test_case(const record::RunRecord& run, std::size_t i) {
  const record::StepRecord& step = run.steps[i];
  const double end = i + 1 < run.steps.size() ? run.steps[i + 1].time_s : run.time.total_s;
  std::string text =
      fmt::format("    <testcase name=\"{}\" classname=\"{}\" time=\"{}\"", escaped(title_of(step)),
                  escaped(run.board), seconds(end - step.time_s));
  const Verdict worst = worst_of(step);
  if (worst == Verdict::pass) return text + "/>\n";
  std::string lines, details;
  for (const Reading& r : step.readings) {
    if (r.verdict == Verdict::pass || r.verdict == Verdict::none) continue;
    lines += (lines.empty() ? "" : " ") + r.line;
    details += reading_line(r) + "\n";
  }
  const char* element = worst == Verdict::fail ? "failure" : "error";
  return text +
         fmt::format(">\n      <{0} type=\"{1}\" message=\"{2}\">{3}</{0}>\n    </testcase>\n",
                     element, worst == Verdict::fail ? "outside-window" : "unsure", escaped(lines),
                     escaped(details));
}

std::string properties_of(const record::RunRecord& run) {
  std::string text = "    <properties>\n";
  const auto add = [&text](const char* name, const std::string& value) {
    if (value.empty()) return;
    text += fmt::format("      <property name=\"{}\" value=\"{}\"/>\n", name, escaped(value));
  };
  add("run", std::to_string(run.number));
  add("uid", run.uid);
  add("serial", run.board_serial);
  add("fixture", run.fixture);
  add("fixture-serial", run.fixture_serial);
  add("firmware", run.firmware_build);
  add("calibration", run.calibration);
  if (run.seed) add("seed", std::to_string(*run.seed));
  for (const std::string& fault : run.faults) add("fault", fault);
  return text + "    </properties>\n";
}

// A description may not open a directive: '#' and '\' are escaped (the backslash is read by version
// 14 only).
std::string tap_text(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '#' || c == '\\') out += '\\';
    out += static_cast<unsigned char>(c) < 0x20 ? ' ' : c;
  }
  return out;
}

// A double-quoted YAML scalar.
std::string yaml(const std::string& text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') out += '\\';
    out += static_cast<unsigned char>(c) < 0x20 ? ' ' : c;
  }
  return out + "\"";
}

// RFC 4180, 2.5 to 2.7: quoted when it must be, quotes doubled.
std::string field(const std::string& text) {
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"') out += '"';
    out += c;
  }
  return out + "\"";
}

std::string assignments(const std::vector<std::pair<std::string, files::Bit>>& sets) {
  std::string text;
  for (const auto& [line, bit] : sets) {
    if (!text.empty()) text += ' ';
    text += line + '=' + bit_letter(bit);
  }
  return text;
}

std::string assignments(const std::vector<std::pair<std::string, int>>& pulses) {
  std::string text;
  for (const auto& [line, count] : pulses) {
    if (!text.empty()) text += ' ';
    text += line + '=' + std::to_string(count);
  }
  return text;
}

}  // namespace

std::string junit_xml(const record::RunRecord& run) {
  int failures = 0, errors = 0;
  std::string cases;
  for (std::size_t i = 0; i < run.steps.size(); ++i) {
    const Verdict worst = worst_of(run.steps[i]);
    failures += worst == Verdict::fail ? 1 : 0;
    errors += worst == Verdict::unsure ? 1 : 0;
    cases += test_case(run, i);
  }
  int tests = static_cast<int>(run.steps.size());
  if (const std::string why = not_ended(run); !why.empty()) {
    ++tests;
    ++errors;
    cases += fmt::format(
        "    <testcase name=\"the run comes to its end\" classname=\"{}\" "
        "time=\"0.000000\">\n      <error type=\"{}\" message=\"{}\"></error>\n"
        "    </testcase>\n",
        escaped(run.board), escaped(run.aborted ? run.aborted->cause : "cut-short"), escaped(why));
  }
  const std::string suite = run.vectors.empty() ? run.kind : run.vectors;
  return fmt::format(
      "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites>\n"
      "  <testsuite package=\"{}\" id=\"0\" name=\"{}\" timestamp=\"{}\" hostname=\"localhost\" "
      "tests=\"{}\" failures=\"{}\" errors=\"{}\" time=\"{}\">\n{}{}"
      "    <system-out>{}</system-out>\n    <system-err>{}</system-err>\n  </testsuite>\n"
      "</testsuites>\n",
      escaped(run.board), escaped(suite), escaped(run.started.substr(0, 19)), tests, failures,
      errors, seconds(run.time.total_s), properties_of(run), cases, escaped(verdict_sentence(run)),
      escaped(fmt::format("{}", fmt::join(run.warnings, "\n"))));
}

std::string tap(const record::RunRecord& run) {
  const std::string why = not_ended(run);
  const std::size_t planned =
      why.empty()
          ? run.steps.size()
          : std::max(run.steps.size(), static_cast<std::size_t>(std::max(1, run.steps_planned)));
  std::string text = fmt::format("TAP version 13\n1..{}\n", planned);
  int number = 0;
  for (const record::StepRecord& step : run.steps) {
    const bool passed = worst_of(step) == Verdict::pass;
    text +=
        fmt::format("{} {} - {}\n", passed ? "ok" : "not ok", ++number, tap_text(title_of(step)));
    if (passed) continue;
    text += "  ---\n  readings:\n";
    for (const Reading& r : step.readings) {
      if (r.verdict == Verdict::pass || r.verdict == Verdict::none) continue;
      text += fmt::format(
          "    - line: {}\n      verdict: {}\n      expected: \"{}\"\n"
          "      volts: {}\n      U: {}\n      window: [{}, {}]\n",
          yaml(r.line), record::verdict_word(r.verdict), bit_letter(r.expected), r.volts.value,
          r.U.value, r.window.min.value, r.window.max.value);
      if (!r.why.empty()) text += "      why: " + yaml(r.why) + "\n";
    }
    text += "  ...\n";
  }
  if (!why.empty()) text += "Bail out! " + tap_text(why) + "\n";
  return text;
}

std::string csv(const record::RunRecord& run) {
  std::string text =
      "run,uid,step,source,say,set,pulse,time_s,line,expected,volts,U,dof,p,window_low,window_high,"
      "verdict,channel,n,sum,min,max,sum_of_squares,why\r\n";
  for (const record::StepRecord& step : run.steps) {
    const std::string head = fmt::format(
        "{},{},{},{},{},{},{},{}", run.number, field(run.uid), step.index, field(step.source),
        field(step.say), field(assignments(step.set)), field(assignments(step.pulse)), step.time_s);
    if (step.readings.empty()) text += head + ",,,,,,,,,,,,,,,,\r\n";
    for (const Reading& r : step.readings) {
      text +=
          head + fmt::format(",{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{}\r\n", field(r.line),
                             bit_letter(r.expected), r.volts.value, r.U.value, r.dof, r.p,
                             r.window.min.value, r.window.max.value,
                             record::verdict_word(r.verdict), r.channel, r.counts.n, r.counts.sum,
                             r.counts.min, r.counts.max, r.counts.sum_of_squares, field(r.why));
    }
  }
  return text;
}

}  // namespace tenterhook::report
