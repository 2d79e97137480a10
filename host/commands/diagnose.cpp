#include "host/commands/diagnose.h"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "host/commands/output.h"
#include "host/commands/recorded.h"
#include "host/commands/review.h"
#include "host/diagnose/diagnose.h"

namespace tenterhook::commands {
namespace {

using nlohmann::ordered_json;

// Rounded down, so that the sum never exceeds 1.
double rounded(double p) {
  return std::floor(p * 1e4) / 1e4;
}

std::string names_of(const std::vector<std::string>& parts) {
  std::string text;
  for (const std::string& part : parts) text += (text.empty() ? "" : ", ") + part;
  return text.empty() ? "wiring" : text;
}

std::string json_of(const record::RunRecord& run, const diagnose::Diagnosis& d) {
  ordered_json suspects = ordered_json::array();
  for (const diagnose::Suspect& s : d.suspects)
    suspects.push_back({{"parts", s.parts},
                        {"net", s.net},
                        {"fault", s.fault},
                        {"probability", rounded(s.probability)},
                        {"group", s.group},
                        {"why", s.why}});
  ordered_json touch;
  if (d.touch) {
    ordered_json expect = ordered_json::array();
    for (const diagnose::Expected& e : d.touch->expect)
      expect.push_back(
          {{"if", e.parts}, {"groups", e.groups}, {"level", e.level}, {"volts", {e.from, e.to}}});
    touch = {
        {"at", d.touch->at}, {"step", d.touch->step}, {"why", d.touch->why}, {"expect", expect}};
  }
  const ordered_json json{{"run", run.number},       {"run_uid", run.uid},
                          {"board", run.board},      {"board_serial", run.board_serial},
                          {"suspects", suspects},    {"healthy", rounded(d.healthy)},
                          {"none", rounded(d.none)}, {"say", d.say},
                          {"touch", touch}};
  return json.dump(2) + "\n";
}

std::string text_of(const record::RunRecord& run, const diagnose::Diagnosis& d, bool quiet) {
  std::string text = fmt::format("Run {}, {}: {}\n", run.number, run.board, d.say);
  if (quiet) return text;
  std::string last_why;
  for (const diagnose::Suspect& s : d.suspects) {
    text += fmt::format("  {:>3.0f} %  group {}  {}: {} {}\n", 100 * s.probability, s.group,
                        names_of(s.parts), s.net, s.fault);
    if (s.why != last_why && &s == &d.suspects.front()) text += fmt::format("         {}\n", s.why);
    last_why = s.why;
  }
  if (!d.suspects.empty() || d.none > 0.01)
    text += fmt::format("  {:>3.0f} %  none of these\n", 100 * d.none);
  if (!d.suspects.empty() && d.healthy > 0.01)
    text += fmt::format("  {:>3.0f} %  nothing wrong but odd readings\n", 100 * d.healthy);
  if (!d.touch) return text;
  text += fmt::format("Next: `tenterhook hold {}:{}`, touch {}; {}.\n", run.number, d.touch->step,
                      d.touch->at, d.touch->why);
  for (const diagnose::Expected& e : d.touch->expect)
    text +=
        fmt::format("  {:.1f} to {:.1f} V ({}): {}\n", e.from, e.to, e.level, names_of(e.parts));
  text += fmt::format("  then `tenterhook diagnose {} --touch {}=...V`\n", run.number, d.touch->at);
  return text;
}

}  // namespace

int diagnose(const DiagnoseOptions& options) {
  std::vector<diagnose::Touched> touched;
  for (const std::string& text : options.touch) {
    auto touch = diagnose::parse_touch(text);
    if (!touch) return tell(touch.error());
    touched.push_back(touch.take());
  }
  const auto run = load_run(options.store, options.run);
  if (!run) return tell(run.error());
  const auto vectors = vectors_of(*run);
  if (!vectors) return tell(vectors.error());
  const auto d = diagnose::diagnose(*run, *vectors, touched);
  if (!d) return tell(d.error());
  return answer(options.json, options.json.empty() ? "" : json_of(*run, *d),
                [&] { return text_of(*run, *d, options.quiet); });
}

}  // namespace tenterhook::commands
