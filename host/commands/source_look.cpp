#include "host/commands/source_look.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <nlohmann/json.hpp>

#include "host/plan/program.h"

namespace tenterhook::commands {

namespace {

constexpr std::uint16_t kLookConversions = 384;  // two mains periods of 20 ms
constexpr int kLooksMost = 0x1000;

}  // namespace

Result<std::vector<LoadedLook>> look_at_sources(const plan::Plan& plan, const std::vector<Wanted>& wanted, const Execute& execute) {
  if (wanted.empty()) return std::vector<LoadedLook>{};
  if (wanted.size() > kLooksMost) return bug_error(fmt::format("{} looks at sources are more than there are labels for", wanted.size()));
  const wire::RelayWaitOp settle{static_cast<std::uint32_t>(plan.fixture.drive.settle.value * 1e6)};
  std::vector<std::uint8_t> program;
  const auto append = [&program](const plan::ProgramStep& step) -> Status {
    auto bytes = plan::encode(step);
    TH_TRY(bytes);
    program.insert(program.end(), bytes->begin(), bytes->end());
    return {};
  };
  plan::ProgramStep rest = plan::rest_step(plan);
  rest.patient = true;
  TH_TRY(append(rest));
  std::size_t next = 0;
  for (const plan::PlannedStep& planned : plan.steps) {
    if (next == wanted.size()) break;
    plan::ProgramStep step = plan::vector_step(plan, planned);
    step.label = plan::kLabelHold;
    std::erase_if(step.ops, [](const plan::AnyOp& op) {
      return std::holds_alternative<wire::SampleOp>(op) || std::holds_alternative<wire::BusOp>(op);
    });
    TH_TRY(append(step));
    for (; next < wanted.size() && wanted[next].step == planned.index; ++next) {
      const std::uint64_t bit = std::uint64_t{1} << wanted[next].sense;
      const wire::SampleOp sample{bit, 0, kLookConversions};
      plan::ProgramStep look;
      look.label = static_cast<std::uint16_t>(plan::kLabelContact + next);
      look.ops = {sample, wire::BusOp{wire::kBusLoad22k, bit}, settle, sample, wire::BusOp{wire::kBusLoad220k, bit}, settle, sample,
                  wire::BusOp{0, 0}, settle, sample};
      TH_TRY(append(look));
    }
  }
  std::vector<LoadedLook> looks(wanted.size());
  for (std::size_t i = 0; i < wanted.size(); ++i) looks[i].at = wanted[i];
  link::Sink sink;
  sink.sample = [&looks](const link::SampleBlock& block) {
    const auto which = static_cast<std::size_t>(block.step - plan::kLabelContact);
    if (which >= looks.size() || block.channels.empty() || block.index > 3) return;
    LoadedLook& look = looks[which];
    measure::Counts* const parts[] = {&look.bare, &look.heavy, &look.light, &look.after};
    *parts[block.index] = block.channels.front().counts;
  };
  auto went = execute(program, sink);
  TH_TRY(went);
  if (!*went) looks.clear();
  return looks;
}

measure::LoadingParts loading_parts(const files::Fixture& fixture) {
  measure::LoadingParts parts;
  parts.divider = fixture.sense.divider;
  parts.bias = fixture.sense.open_reads;
  return parts;
}

measure::Source source_of_look(const LoadedLook& look, const measure::ChannelModel& model, const measure::LoadingParts& parts) {
  measure::Source refused;
  for (const measure::Counts* counts : {&look.bare, &look.heavy, &look.light, &look.after}) {
    if (counts->n == 0) {
      refused.why = "it was not looked at";
      return refused;
    }
  }
  const auto bare = measure::estimate(look.bare, model), after = measure::estimate(look.after, model);
  // Both by one channel a moment apart: only their noise tells them apart.
  const Volts noise = abs(model.per_count) * 0.5;
  if (abs(bare.volts - after.volts) > noise) {
    refused.why = fmt::format("it read {} before the loads and {} after them: it does not stay where it is", text(bare.volts), text(after.volts));
    return refused;
  }
  return measure::source_of(bare, measure::estimate(look.heavy, model), measure::estimate(look.light, model), parts);
}

std::vector<Wanted> worst_steps(const plan::Plan& plan, const std::vector<record::LevelRecord>& levels) {
  std::vector<Wanted> wanted;
  for (const record::LevelRecord& level : levels) {
    for (const auto& side : {level.low, level.high}) {
      if (!side || side->worst_step < 0 || side->worst_step >= static_cast<int>(plan.steps.size())) continue;
      for (const plan::Expectation& e : plan.steps[static_cast<std::size_t>(side->worst_step)].expectations) {
        if (e.line == level.line) wanted.push_back({side->worst_step, e.sense});
      }
    }
  }
  std::stable_sort(wanted.begin(), wanted.end(), [](const Wanted& a, const Wanted& b) { return a.step < b.step; });
  return wanted;
}

namespace {

// Into 22 kohm a level must still be one that receivers of its own family take for what it is.
std::string weakness(const files::Family* family, bool high, Volts loaded, Volts U) {
  if (!family) return "";
  const auto& window = high ? family->needs.high : family->needs.low;
  if (!window) return "";
  if (high ? loaded - U >= window->min : loaded + U <= window->max) return "";
  return fmt::format("into 22 kohm it shows {}, and {} needs {} {}", text(loaded), family->name, high ? "at least" : "at most",
                     text(high ? window->min : window->max));
}

}  // namespace

std::vector<OutputSource> sources_of(const plan::Plan& plan, const std::vector<record::LevelRecord>& levels,
                                     const std::vector<LoadedLook>& looks, const assess::Assessor& assessor) {
  std::vector<OutputSource> sources;
  const measure::LoadingParts parts = loading_parts(plan.fixture);
  for (const record::LevelRecord& level : levels) {
    const files::Line* line = plan.vectors.board.line(level.line);
    for (const bool high : {false, true}) {
      const auto& side = high ? level.high : level.low;
      if (!side) continue;
      const auto found = std::find_if(looks.begin(), looks.end(), [&](const LoadedLook& l) {
        return l.at.step == side->worst_step && plan::line_on_sense(plan, l.at.sense) == level.line;
      });
      if (found == looks.end() || found->heavy.n == 0) continue;
      const measure::ChannelModel& model = assessor.model(found->at.sense);
      const auto bare = measure::estimate(found->bare, model), heavy = measure::estimate(found->heavy, model);
      OutputSource source{level.line, high, side->worst_step, bare.volts, bare.U, heavy.volts, source_of_look(*found, model, parts), {}};
      source.weak = weakness(line ? plan.vectors.board.family_of(*line) : nullptr, high, heavy.volts, heavy.U);
      sources.push_back(source);
    }
  }
  return sources;
}

std::string sources_json(const std::vector<OutputSource>& sources) {
  nlohmann::ordered_json all = nlohmann::ordered_json::array();
  for (const OutputSource& s : sources) {
    nlohmann::ordered_json one{{"line", s.line}, {"side", s.high ? "high" : "low"}, {"step", s.step}, {"volts", s.read.value},
                               {"U", s.read_U.value}, {"into_22k", s.loaded.value}, {"known", s.source.known}};
    if (s.source.known) {
      one["ohms"] = s.source.ohms.value;
      one["ohms_U"] = s.source.ohms_U.value;
      one["unloaded"] = s.source.open_circuit.value;
      one["unloaded_U"] = s.source.U.value;
    } else {
      one["why"] = s.source.why;
    }
    if (!s.weak.empty()) one["weak"] = s.weak;
    all.push_back(one);
  }
  return all.dump();
}

}  // namespace tenterhook::commands
