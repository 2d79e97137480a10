#include "host/diagnose/part_tests.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <nlohmann/json.hpp>

namespace tenterhook::diagnose {
namespace {

using files::Bit;
using files::LineKind;
using plan::PlannedStep;
using plan::ProgramStep;

constexpr std::uint16_t kLabelParts = 0xC000;
constexpr std::uint16_t kConversions = 96;   // half a mains period on two channels, a whole one on one
constexpr std::size_t kLinesAStep = 3;       // loads in one program step: its bytes are bounded
constexpr double kHeavyOhms = 22e3;
// Two readings of one line through contacts made again, 95 %: what a gauge study of the emulated
// fixture finds, doubled.
constexpr double kAgainU = 0.06;

std::uint32_t settle_us(const plan::Plan& plan) {
  return static_cast<std::uint32_t>(plan.fixture.drive.settle.value * 1e6);
}

const char* const kNames[] = {"cold", "level", "back-read", "load", "fall"};

// Output lines of the same bus on either side.
std::vector<std::string> beside(const files::Board& board, const std::string& line) {
  std::vector<std::string> lines;
  for (const files::Bus& bus : board.buses)
    for (std::size_t i = 0; i < bus.lines.size(); ++i) {
      if (bus.lines[i] != line) continue;
      if (i > 0) lines.push_back(bus.lines[i - 1]);
      if (i + 1 < bus.lines.size()) lines.push_back(bus.lines[i + 1]);
    }
  return lines;
}

// Level that each judged line should show in a step.
std::map<std::string, bool> levels_in(const plan::Plan& plan, const PlannedStep& step) {
  std::map<std::string, bool> levels;
  for (const plan::Expectation& e : step.expectations) {
    if (e.expected != Bit::zero && e.expected != Bit::one) continue;
    const files::Line* line = plan.vectors.board.line(e.line);
    const files::Family* family = line ? plan.vectors.board.family_of(*line) : nullptr;
    if (line == nullptr || line->kind == LineKind::both) continue;
    levels[e.line] = family ? plan::is_high(*family, e.expected) : e.expected == Bit::one;
  }
  return levels;
}

}  // namespace

std::string name(Test test) { return kNames[static_cast<std::size_t>(test)]; }

std::string part_tests_json(const std::vector<PartTest>& tests) {
  nlohmann::ordered_json all = nlohmann::ordered_json::array();
  for (const PartTest& t : tests) {
    nlohmann::ordered_json one{{"test", name(t.test)}, {"line", t.line}};
    if (!t.other.empty()) one["other"] = t.other;
    if (t.test == Test::level || t.test == Test::load) one["level"] = t.high ? "high" : "low";
    if (t.step >= 0) one["step"] = t.step;
    one[t.test == Test::fall ? "seconds" : "volts"] = t.value;
    one["U"] = t.U;
    if (t.ohms) one["ohms"] = *t.ohms;
    all.push_back(std::move(one));
  }
  return all.dump();
}

Result<std::vector<PartTest>> parse_part_tests(const std::string& json) {
  const auto all = nlohmann::json::parse(json, nullptr, false);
  if (!all.is_array()) return bug_error("the section 'part_tests' of a run is no list");
  std::vector<PartTest> tests;
  for (const auto& one : all) {
    PartTest t;
    const std::string kind = one.value("test", "");
    const auto known = std::find(std::begin(kNames), std::end(kNames), kind);
    if (known == std::end(kNames)) continue;  // of a later version
    t.test = static_cast<Test>(known - std::begin(kNames));
    t.line = one.value("line", "");
    t.other = one.value("other", "");
    t.high = one.value("level", "") == "high";
    t.step = one.value("step", -1);
    t.value = one.value(t.test == Test::fall ? "seconds" : "volts", 0.0);
    t.U = one.value("U", 0.0);
    if (one.contains("ohms")) t.ohms = one.at("ohms").get<double>();
    tests.push_back(std::move(t));
  }
  return tests;
}

std::set<std::string> lines_concerned(const plan::Plan& plan, const std::set<std::string>& doubtful, bool all) {
  std::set<std::string> lines;
  const files::Board& board = plan.vectors.board;
  for (const files::Line& line : board.lines)
    if (all || doubtful.count(line.name)) lines.insert(line.name);
  if (all) return lines;
  // What feeds them, back to the lines that the fixture drives.
  std::vector<std::string> open(lines.begin(), lines.end());
  std::set<std::string> seen(lines.begin(), lines.end());
  while (!open.empty()) {
    const std::string net = open.back();
    open.pop_back();
    if (board.line(net)) lines.insert(net);
    for (const files::Gate& gate : board.circuit) {
      const bool drives = gate.inverse == net || std::count(gate.outputs.begin(), gate.outputs.end(), net) > 0;
      if (!drives) continue;
      for (const std::string& in : gate.inputs)
        if (seen.insert(in).second) open.push_back(in);
    }
  }
  return lines;
}

PartTests::PartTests(const plan::Plan& plan, const std::set<std::string>& lines) : plan_(plan) {
  const auto& features = plan.fixture.features;
  if (std::count(features.begin(), features.end(), "test-bus") > 0) {
    choose_holds(lines);
    drive_to_holds();
  }
  back_reads(lines);
}

// Few steps that show every line at both levels, where possible with a neighbour at the other level.
void PartTests::choose_holds(const std::set<std::string>& lines) {
  std::set<std::pair<std::string, bool>> wanted, opposite;
  std::vector<std::map<std::string, bool>> levels;
  for (const PlannedStep& step : plan_.steps) {
    levels.push_back(levels_in(plan_, step));
    for (const auto& [line, high] : levels.back())
      if (lines.count(line)) wanted.insert({line, high});
  }
  opposite = wanted;
  while (!wanted.empty() && holds_.size() < kHoldsMost) {
    std::size_t best = 0;
    double most = 0.0;
    for (std::size_t s = 0; s < levels.size(); ++s) {
      double gain = 0.0;
      for (const auto& [line, high] : levels[s]) {
        if (!wanted.count({line, high})) continue;
        gain += 1.0;
        for (const std::string& near : beside(plan_.vectors.board, line)) {
          const auto other = levels[s].find(near);
          if (other != levels[s].end() && other->second != high) gain += 0.3;
        }
      }
      if (gain > most + 1e-9) {
        most = gain;
        best = s;
      }
    }
    if (most <= 0.0) break;
    Hold hold;
    hold.step = plan_.steps[best].index;
    for (const auto& [line, high] : levels[best]) {
      if (!wanted.erase({line, high})) continue;
      const auto channel = plan_.hookup.find(line);
      if (channel != plan_.hookup.end() && channel->second.kind == "sense")
        hold.outputs[channel->second.index] = high;
    }
    if (!hold.outputs.empty()) holds_.push_back(std::move(hold));
  }
  std::sort(holds_.begin(), holds_.end(), [](const Hold& a, const Hold& b) { return a.step < b.step; });
}

void PartTests::drive_to_holds() {
  if (holds_.empty()) return;
  ProgramStep rest = plan::rest_step(plan_);
  rest.patient = true;
  steps_.push_back(rest);
  std::size_t next = 0;
  for (const PlannedStep& planned : plan_.steps) {
    if (next == holds_.size()) break;
    ProgramStep step = plan::vector_step(plan_, planned);
    std::erase_if(step.ops, [](const plan::AnyOp& op) {
      return std::holds_alternative<wire::SampleOp>(op) || std::holds_alternative<wire::BusOp>(op);
    });
    steps_.push_back(std::move(step));
    for (; next < holds_.size() && holds_[next].step == planned.index; ++next) hold(holds_[next]);
  }
}

void PartTests::ask(int label, int index, Test test, const std::string& line, const std::string& other, bool high,
                    int step) {
  Asked asked;
  asked.test = test;
  asked.line = line;
  asked.other = other;
  asked.high = high;
  asked.step = step;
  const auto channel = plan_.hookup.find(line);
  if (channel != plan_.hookup.end()) asked.channel = channel->second.index;
  asked_[{label, index}].push_back(asked);
}

void PartTests::hold(const Hold& hold) {
  std::uint64_t senses = 0;
  for (const auto& [sense, high] : hold.outputs) senses |= std::uint64_t{1} << sense;
  ProgramStep look;
  look.label = static_cast<std::uint16_t>(kLabelParts + steps_.size());
  look.ops.push_back(wire::SampleOp{senses, 0, kConversions});
  for (const auto& [sense, high] : hold.outputs)
    ask(look.label, 0, Test::level, plan::line_on_sense(plan_, sense), "", high, hold.step);
  steps_.push_back(look);
  const std::vector<std::pair<int, bool>> outputs(hold.outputs.begin(), hold.outputs.end());
  for (std::size_t begin = 0; begin < outputs.size(); begin += kLinesAStep) {
    ProgramStep step;
    step.label = static_cast<std::uint16_t>(kLabelParts + steps_.size());
    int index = 0;
    for (std::size_t i = begin; i < std::min(begin + kLinesAStep, outputs.size()); ++i) {
      const auto& [sense, high] = outputs[i];
      const std::uint64_t bit = std::uint64_t{1} << sense;
      int phase = 0;
      for (const std::uint8_t mode : {std::uint8_t{0}, wire::kBusLoad22k, wire::kBusLoad220k}) {
        step.ops.push_back(wire::BusOp{mode, mode == 0 ? 0 : bit});
        step.ops.push_back(wire::RelayWaitOp{settle_us(plan_)});
        step.ops.push_back(wire::SampleOp{bit, 0, kConversions});
        ask(step.label, index, Test::load, plan::line_on_sense(plan_, sense), "", high, hold.step);
        asked_[{step.label, index}].back().phase = phase++;
        ++index;
      }
    }
    step.ops.push_back(wire::BusOp{0, 0});
    step.ops.push_back(wire::RelayWaitOp{settle_us(plan_)});
    steps_.push_back(std::move(step));
  }
}

// The bit that gives a line its high or low level.
static Bit bit_for(const files::Board& board, const files::Line& line, bool high) {
  const files::Family* family = board.family_of(line);
  const bool one_is_high = family == nullptr || plan::is_high(*family, Bit::one);
  return high == one_is_high ? Bit::one : Bit::zero;
}

void PartTests::back_reads(const std::set<std::string>& lines) {
  const files::Board& board = plan_.vectors.board;
  const auto driven = [&](const std::string& name) {
    const files::Line* line = board.line(name);
    const auto channel = plan_.hookup.find(name);
    return line != nullptr && line->kind == LineKind::input && channel != plan_.hookup.end() &&
           channel->second.kind == "drive";
  };
  std::set<std::pair<std::string, std::string>> pairs;  // let go, high
  for (const files::Gate& gate : board.circuit)
    for (const std::string& a : gate.inputs) {
      if (!driven(a) || !lines.count(a)) continue;
      pairs.insert({a, ""});
      for (const std::string& b : gate.inputs)
        if (a != b && driven(b)) pairs.insert({a, b});
    }
  for (const files::Bus& bus : board.buses)
    for (std::size_t i = 0; i + 1 < bus.lines.size(); ++i) {
      const std::string &a = bus.lines[i], &b = bus.lines[i + 1];
      if (driven(a) && driven(b) && lines.count(a)) pairs.insert({a, b});
    }
  plan::Contacts before = plan_.steps.empty() ? plan_.rest : plan_.steps.back().contacts;
  if (!holds_.empty() && holds_.back().step < static_cast<int>(plan_.steps.size()))
    for (const PlannedStep& step : plan_.steps)
      if (step.index == holds_.back().step) before = step.contacts;
  std::size_t asked = 0;
  for (const auto& [open, high] : pairs) {
    if (++asked > kBackReadsMost) break;
    files::Step by_hand;
    for (const files::Line& line : board.lines) {
      if (!driven(line.name)) continue;
      by_hand.set.emplace_back(line.name, line.name == open ? Bit::undriven
                                                             : bit_for(board, line, line.name == high));
    }
    PlannedStep planned = plan::plan_single(plan_, before, by_hand);
    before = planned.contacts;
    ProgramStep step = plan::vector_step(plan_, planned);
    step.label = static_cast<std::uint16_t>(kLabelParts + steps_.size());
    std::erase_if(step.ops, [](const plan::AnyOp& op) { return std::holds_alternative<wire::SampleOp>(op); });
    const int drive = plan_.hookup.at(open).index;
    step.ops.push_back(
        wire::SampleOp{0, wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxDrive + drive)), kConversions});
    ask(step.label, 0, Test::back_read, open, high, !high.empty(), -1);
    steps_.push_back(std::move(step));
  }
}

void PartTests::take(const Sample& sample) { seen_[{sample.label, sample.index}] = sample; }

std::vector<PartTest> PartTests::results() const {
  std::vector<PartTest> tests;
  struct Loads {
    std::optional<double> bare, heavy, light;
  };
  std::map<std::pair<std::string, int>, Loads> loads;
  for (const auto& [at, asked] : asked_) {
    const auto sample = seen_.find(at);
    if (sample == seen_.end()) continue;
    for (const Asked& a : asked) {
      const auto& volts = a.test == Test::back_read ? sample->second.drive : sample->second.sense;
      const auto found = volts.find(a.channel);
      if (found == volts.end()) continue;
      if (a.test == Test::load) {
        Loads& l = loads[{a.line, a.step}];
        (a.phase == 0 ? l.bare : a.phase == 1 ? l.heavy : l.light) = found->second;
        if (!l.bare || !l.heavy || !l.light) continue;
        PartTest t{Test::load, a.line, "", a.high, a.step, *l.bare - *l.heavy, kAgainU, std::nullopt};
        // The heavy load alone where it moves the line; V = E G / (G + 1 / R).
        const double drop = *l.bare - *l.heavy;
        if (*l.heavy > 0.5 && drop > 0.0) t.ohms = kHeavyOhms * drop / *l.heavy;
        tests.push_back(std::move(t));
      } else {
        tests.push_back({a.test, a.line, a.other, a.high, a.step, found->second, kAgainU, std::nullopt});
      }
    }
  }
  std::stable_sort(tests.begin(), tests.end(), [](const PartTest& a, const PartTest& b) { return a.test < b.test; });
  return tests;
}

}  // namespace tenterhook::diagnose
