#include "host/commands/beside_prediction.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

namespace tenterhook::commands {

namespace {

constexpr double kMicro = 1e-6;

const files::Predicted* prediction_of(const files::Board& board, const std::string& name) {
  const files::Line* line = board.line(name);
  const files::Family* family = line != nullptr ? board.family_of(*line) : nullptr;
  return family != nullptr ? &family->predicted : nullptr;
}

bool is_edge(const Beside& b) { return b.what == "rise" || b.what == "fall"; }

}  // namespace

std::vector<Beside> levels_beside(const files::Board& board, const std::vector<record::LevelRecord>& levels) {
  std::vector<Beside> all;
  for (const record::LevelRecord& level : levels) {
    const files::Predicted* predicted = prediction_of(board, level.line);
    if (predicted == nullptr) continue;
    for (const bool high : {false, true}) {
      const auto& side = high ? level.high : level.low;
      const auto& band = high ? predicted->levels.high : predicted->levels.low;
      if (!side || !band) continue;
      const Volts from{side->min_v}, to{side->max_v}, U{side->U_v};
      const char* what = high ? "high" : "low";
      all.push_back({level.line, what, from.value, to.value, U.value, band->min.value, band->max.value,
                     files::agreement(band, from, to, U), files::called_out(level.line, what, band, from, to, U)});
    }
  }
  return all;
}

std::vector<Beside> edges_beside(const files::Board& board, const std::string& line, bool rising, Seconds shortest, Seconds longest,
                                 Seconds uncertainty) {
  const files::Predicted* predicted = prediction_of(board, line);
  if (predicted == nullptr) return {};
  const auto& band = rising ? predicted->rise : predicted->fall;
  if (!band) return {};
  const char* what = rising ? "rise" : "fall";
  return {{line, what, shortest.value, longest.value, uncertainty.value, band->min.value, band->max.value,
           files::agreement(band, shortest, longest, uncertainty), files::called_out(line, what, band, shortest, longest, uncertainty)}};
}

std::string beside_json(const std::vector<Beside>& all) {
  auto json = nlohmann::ordered_json::array();
  for (const Beside& b : all) {
    json.push_back({{"line", b.line}, {"what", b.what}, {"measured", {b.from, b.to}}, {"U", b.U},
                    {"predicted", {b.band_from, b.band_to}}, {"agrees", files::word(b.agreement)}});
  }
  return json.dump();
}

std::string beside_text(const std::vector<Beside>& all) {
  if (all.empty()) return "";
  std::string text = "\nBeside what is predicted of good parts (a band is narrower than the window; no verdict hangs on it)\n";
  for (const Beside& b : all) {
    const double unit = is_edge(b) ? kMicro : 1.0;
    text += fmt::format("  {:<10} {:<4} measured {:>6.2f} to {:>6.2f} +-{:.2f} {}   predicted {:>6.2f} to {:>6.2f}   {}\n", b.line, b.what,
                        b.from / unit, b.to / unit, b.U / unit, is_edge(b) ? "us" : "V ", b.band_from / unit, b.band_to / unit,
                        b.agreement == files::Agreement::outside ? "OUTSIDE" : files::word(b.agreement));
  }
  for (const Beside& b : all) {
    if (!b.said.empty()) text += "  " + b.said + "\n";
  }
  return text;
}

}  // namespace tenterhook::commands
