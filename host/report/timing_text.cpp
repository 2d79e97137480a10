#include "host/report/timing_text.h"

#include <nlohmann/json.hpp>

namespace tenterhook::report {

std::string timing_text(const record::RunRecord& run, const Screen& screen) {
  const auto found = run.sections.find("timing");
  if (found == run.sections.end()) return "";
  const auto j = nlohmann::json::parse(found->second, nullptr, false);
  if (!j.is_object() || !j.contains("lines") || !j["lines"].is_array() || j["lines"].empty()) return "";
  std::string text = "\n" + screen.paint(Paint::strong, "Timing") + "\n";
  for (const auto& line : j["lines"]) {
    if (line.is_string()) text += line.get<std::string>() + "\n";
  }
  return text;
}

}  // namespace tenterhook::report
