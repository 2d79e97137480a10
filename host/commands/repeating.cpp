#include "host/commands/repeating.h"

#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>

#include "host/commands/bench.h"
#include "host/commands/keys.h"
#include "host/commands/recorded.h"
#include "host/measure/nominal.h"

namespace tenterhook::commands {

namespace {

constexpr double kDefaultConfidence = 0.95, kDefaultCatch = 0.05;
constexpr int kPromptLookMs = 500;

// One of these keys, or '\0' when the person leaves.
char ask(const std::string& question, const std::string& keys) {
  fmt::print("\n{}", question);
  std::fflush(stdout);
  KeyMode mode;
  while (!person_cancels().requested()) {
    const Press press = next_key(kPromptLookMs);
    if (press.key == Key::end || (press.key == Key::character && press.character == 'q')) break;
    if (press.key == Key::character && keys.find(press.character) != std::string::npos) {
      fmt::print("\n");
      return press.character;
    }
  }
  fmt::print("\n");
  return '\0';
}

std::string condition_of(char key) {
  switch (key) {
    case 'c': return kCold;
    case 'w': return kWarm;
    case 't': return kTapped;
    default: return kAsItIs;
  }
}

repeat::RailVolts rails_of(const BenchRun& run) {
  repeat::RailVolts volts;
  for (const auto& [step, channels] : run.assessor().rails()) {
    for (const plan::RailPlan& rail : run.plan().rails) {
      const auto found = channels.find(rail.channel);
      if (found == channels.end()) continue;
      volts[step][rail.rail.name] = measure::estimate(found->second, plan::rail_model(run.plan(), rail.channel)).volts.value;
    }
  }
  return volts;
}

}  // namespace

Result<double> parse_share(const std::string& option, const std::string& text) {
  char* end = nullptr;
  double value = std::strtod(text.c_str(), &end);
  std::string unit = end;
  unit.erase(0, unit.find_first_not_of(' ') == std::string::npos ? unit.size() : unit.find_first_not_of(' '));
  if (unit == "%") value /= 100.0;
  if (end == text.c_str() || !(unit.empty() || unit == "%") || !(value > 0.0 && value < 1.0)) {
    return input_error(option, fmt::format("'{}' is no share between 0 and 1", text), "e.g. --confidence 95% --catch 5%");
  }
  return value;
}

Result<std::optional<Repeating>> repeat_as_asked(const RunOptions& options, files::Vectors& vectors, bool interactive) {
  std::optional<Repeating> none;
  const bool computed = !options.confidence.empty() || !options.catches.empty();
  if (!options.repeat && !computed) {
    if (!options.condition.empty()) return input_error("--condition", "it is of a board that is repeated", "add --repeat, or --confidence and --catch");
    return none;
  }
  Repeating repeating;
  repeating.interactive = interactive && options.condition.empty();
  repeating.asked.condition = options.condition.empty() ? kAsItIs : options.condition;
  long passes = options.repeat.value_or(1);
  if (computed) {
    auto confidence = options.confidence.empty() ? Result<double>(kDefaultConfidence) : parse_share("--confidence", options.confidence);
    TH_TRY(confidence);
    auto rate = options.catches.empty() ? Result<double>(kDefaultCatch) : parse_share("--catch", options.catches);
    TH_TRY(rate);
    auto needed = repeat::passes_needed(*confidence, *rate);
    TH_TRY(needed);
    passes = *needed;
    repeating.asked.confidence = *confidence;
    repeating.asked.catches = *rate;
  }
  if (passes > repeat::kPassesMost) {
    return input_error("--catch", fmt::format("{} passes would be needed", passes), fmt::format("at most {} are made", repeat::kPassesMost));
  }
  auto order = repeat::order_of(vectors, static_cast<int>(passes), options.bench.seed.value_or(1));
  TH_TRY(order);
  repeating.order = order.take();
  repeating.steps_each = static_cast<int>(vectors.steps.size());
  std::vector<Chosen> chosen;
  for (const int step : repeat::steps_in_order(repeating.order, repeating.steps_each)) chosen.push_back({step, true});
  vectors = only_steps(vectors, chosen);
  return std::optional<Repeating>(std::move(repeating));
}

bool Repeating::ask_condition() {
  const char key = ask("How is the board while it is repeated?\n"
                       "  space  as it is\n"
                       "  c      cold: it has been off and has cooled down\n"
                       "  w      warm: powered until you say so, then repeated\n"
                       "  t      tapped: tap it now and then while it runs, lightly, with something\n"
                       "         insulated (lid open: hold-to-run switch)\n"
                       "  q      leave\n",
                       " cwt");
  if (key == '\0') return false;
  asked.condition = condition_of(key);
  return true;
}

bool Repeating::ask_next() {
  const char key = ask("again with the board  c cold  w warm  t tapped  space as it is   q leave\n", " cwt");
  if (key == '\0') return false;
  asked.condition = condition_of(key);
  return key != 'c' || ask("let it cool down, then space   q leave\n", " ") == ' ';
}

void Repeating::conclude(BenchRun& run) {
  record::RunRecord& record = run.record();
  const double powered = std::max(0.0, run.powered_before().value);
  const repeat::Outcome outcome = repeat::outcome_of(record, order, steps_each, rails_of(run), powered);
  record.sections[repeat::kSection] = repeat::json_of(outcome, order, steps_each, asked, powered);
  if (asked.series.empty()) asked.series = record.uid;
  done_.push_back({asked.condition, outcome.wrong, outcome.passes});
}

std::string Repeating::series_text() const {
  if (done_.size() < 2) return "";
  std::string text = "In this series:";
  for (const Done& d : done_) text += fmt::format("{} {} {} of {} passes wrong", &d == &done_.front() ? "" : ",", d.condition, d.wrong, d.of);
  const Done& last = done_.back();
  Done before;
  for (std::size_t i = 0; i + 1 < done_.size(); ++i) before = {"", before.wrong + done_[i].wrong, before.of + done_[i].of};
  const double more = repeat::more_here(last.wrong, last.of, before.wrong, before.of);
  const double fewer = repeat::more_here(before.wrong, before.of, last.wrong, last.of);
  const double p = std::min(1.0, 2.0 * std::min(more, fewer));
  text += p < repeat::kBeyondChance ? fmt::format("; {} makes a difference (by chance: p {:.1g}).", last.condition, p)
                                    : fmt::format("; a difference like that comes by chance (p {:.2f}).", p);
  return text + "\n";
}

}  // namespace tenterhook::commands
