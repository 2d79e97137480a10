#include "host/report/repeats_text.h"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

namespace tenterhook::report {

namespace {

using Json = nlohmann::json;

constexpr std::size_t kSpotsShown = 12;

std::string share(double rate) { return fmt::format("{:.1f} %", 100.0 * rate); }

std::string counted(const Json& j) {
  std::string text = fmt::format("{:>4} of {:<6} {:>7}  {} to {}", j.value("wrong", 0L), j.value("of", 0L), share(j.value("rate", 0.0)),
                                 share(j.value("low", 0.0)), share(j.value("high", 1.0)));
  if (const long unsure = j.value("unsure", 0L); unsure > 0) text += fmt::format("  {} unsure", unsure);
  return text;
}

std::string verdict(const Json& j) {
  const long passes = j.value("passes", 0L), wrong = j.value("wrong", 0L), unsure = j.value("unsure", 0L);
  std::string text;
  if (wrong > 0) {
    text = fmt::format("{} of {} passes wrong: {} (95 %: {} to {}).", wrong, passes, share(j.value("rate", 0.0)), share(j.value("low", 0.0)),
                       share(j.value("high", 1.0)));
  } else if (passes - unsure > 0) {
    text = fmt::format("No pass of {} wrong: with 95 % confidence fewer than {} of the passes fail, if they fail independently.",
                       passes - unsure, share(j.value("excluded", Json(1.0)).is_number() ? j["excluded"].get<double>() : 1.0));
  }
  if (unsure > 0) text += fmt::format(" {} passes unsure.", unsure);
  if (passes < j.value("planned", 0L)) text += fmt::format(" Stopped after {} of {} passes.", passes, j.value("planned", 0L));
  return text;
}

}  // namespace

std::string repeats_text(const record::RunRecord& run, const Screen& screen) {
  const auto found = run.sections.find("repeats");
  if (found == run.sections.end()) return "";
  const Json j = Json::parse(found->second, nullptr, false);
  if (!j.is_object()) return "";
  std::string text = "\n" + screen.paint(Paint::strong, "Repeats") + "\n";
  const auto paragraph = [&](const std::string& words) { text += "  " + wrapped(words, screen.width, 2) + "\n"; };
  std::string what = fmt::format("{} passes of {} steps, powered throughout, {}. The board: {}.", j.value("planned", 0L), j.value("steps_each", 0L),
                                 j.value("order", std::string()), j.value("condition", std::string("as it is")));
  if (j.contains("catch") && j["catch"].is_number()) {
    what += fmt::format(" So many show a fault that spoils {:g} % of the passes with {:g} % probability.", 100.0 * j["catch"].get<double>(),
                        100.0 * j.value("confidence", 0.0));
  }
  paragraph(what);
  paragraph(verdict(j));
  const Json spots = j.value("spots", Json::array());
  if (spots.empty()) return text;
  text += screen.paint(Paint::quiet, fmt::format("  {:<10} {:>5}  {:>4} {:<9} {:>7}  {}", "line", "step", "", "wrong", "rate", "95 % interval")) + "\n";
  for (std::size_t i = 0; i < std::min(spots.size(), kSpotsShown); ++i) {
    text += cut(fmt::format("  {:<10} {:>5}  {}", spots[i].value("line", std::string()), spots[i].value("step", 0), counted(spots[i])), screen.width) + "\n";
  }
  if (spots.size() > kSpotsShown) text += fmt::format("  and {} more (--json has them all)\n", spots.size() - kSpotsShown);
  const Json links = j.value("links", Json::array());
  for (const Json& link : links) paragraph(fmt::format("{} (by chance: p {:.1g}).", link.value("say", std::string()), link.value("p", 1.0)));
  if (links.empty() && j.value("wrong", 0L) > 0) {
    paragraph("Neither the previous step, nor the time since power-on, nor a rail, nor how many inputs switch goes together with it beyond "
              "chance.");
  }
  return text;
}

}  // namespace tenterhook::report
