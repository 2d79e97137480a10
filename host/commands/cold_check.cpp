#include <fmt/format.h>

#include <algorithm>
#include <set>

#include "host/commands/checks.h"
#include "host/measure/cold.h"
#include "host/measure/contact.h"
#include "host/plan/program.h"

namespace tenterhook::commands {

namespace {

using measure::ColdFindings;
using measure::ColdLook;
using plan::AnyOp;
using plan::ProgramStep;

constexpr std::uint16_t kRestConversions = 48;
constexpr std::uint16_t kQuickConversions = 8;
constexpr std::uint16_t kOwnConversions = 96;  // of the pulled lead and the rails: what hardly moves counts
constexpr Ohms kHoldsMost{88e3};                // a resistor up to here holds a lead away from the open voltage

bool begins(const std::string& text, const char* with) { return text.rfind(with, 0) == 0; }

const files::Gate* driver_of(const files::Board& board, const std::string& line) {
  for (const files::Gate& gate : board.circuit) {
    if (gate.inverse == line || std::count(gate.outputs.begin(), gate.outputs.end(), line) > 0) return &gate;
  }
  return nullptr;
}

bool resistor_holds(const files::Board& board, const std::string& name) {
  const files::Line* line = board.line(name);
  if (!line) return false;
  for (const auto& resistor : {line->load, line->pull}) {
    if (resistor && resistor->ohms.value > 0.0 && resistor->ohms <= kHoldsMost) return true;
  }
  return false;
}

// The look itself: what to sample, program after program, volts by nominal values (differences count here).
class ColdLooker {
 public:
  ColdLooker(const plan::Plan& plan, const Execute& execute) : plan_(plan), execute_(execute) {
    for (const auto& [key, channel] : plan.hookup) {
      if (channel.kind == "sense") senses_ |= bit(channel.index);
      if (channel.kind == "drive") asked_drives_.push_back(channel.index);
    }
    for (int i = 0; i < plan.fixture.sense.channels; ++i) {
      if (senses_ & bit(i)) leads_.push_back(i);
    }
    // A lead that nothing is on follows every pull: a measure for those that do not.
    for (int i = 0; i < plan.fixture.sense.channels && spare_ < 0; ++i) {
      if (!(senses_ & bit(i))) spare_ = i;
    }
    if (spare_ >= 0) senses_ |= bit(spare_);
    for (int i = 0; i < plan.fixture.drive.channels; ++i) {
      aux_ |= wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxDrive + i));
      if (!std::count(asked_drives_.begin(), asked_drives_.end(), i)) spare_drives_.push_back(i);
    }
    for (const plan::RailPlan& rail : plan.rails) rails_ |= wire::aux_bit(static_cast<std::uint8_t>(wire::kAuxRail + rail.channel));
    aux_ |= rails_;
  }

  const std::vector<int>& leads() const { return leads_; }
  const ColdLook& look() const { return look_; }
  std::vector<int> idle_drives() const {
    return measure::idle_drives(look_.drive_rest, asked_drives_, spare_drives_, plan_.fixture.sense.open_reads,
                                plan_.fixture.sense.tolerance);
  }

  // False: the fixture has opened everything.
  Result<bool> take() {
    auto first = pulls();
    TH_TRY(first);
    if (!*first) return false;
    if (nothing_moves()) return true;
    return questions();
  }

  // Not even the lead on which nothing hangs follows its pull-up, nor does any other: that is no board's doing.
  bool nothing_moves() const {
    constexpr Volts kMoves{0.3};
    return spare_ >= 0 && std::none_of(look_.pulls.begin(), look_.pulls.end(), [&](const auto& pull) {
      return abs(pull.second.sense.at(pull.first) - look_.rest.at(pull.first)) > kMoves;
    });
  }

 private:
  static std::uint64_t bit(int channel) { return std::uint64_t{1} << channel; }
  AnyOp settle() const { return wire::RelayWaitOp{static_cast<std::uint32_t>(plan_.fixture.drive.settle.value * 1e6)}; }

  Status append(int label, std::vector<AnyOp> ops) {
    ProgramStep step;
    step.label = static_cast<std::uint16_t>(plan::kLabelContact + label);
    step.ops = std::move(ops);
    auto bytes = plan::encode(step);
    TH_TRY(bytes);
    program_.insert(program_.end(), bytes->begin(), bytes->end());
    return {};
  }

  ColdLook::Pull volts_of(const link::SampleBlock& block) const {
    ColdLook::Pull seen;
    for (const link::ChannelSample& c : block.channels) {
      const double mean = static_cast<double>(c.counts.sum) / std::max<int>(1, c.counts.n);
      const Volts volts = plan_.fixture.sense.offset + plan_.fixture.sense.per_count * mean;
      if (c.kind == link::ChannelKind::sense) seen.sense[c.index] = volts;
      if (c.kind == link::ChannelKind::drive) seen.drive[c.index] = volts;
      if (c.kind == link::ChannelKind::rail) seen.rail[c.index] = volts;
    }
    return seen;
  }

  Result<bool> run(const std::function<void(int label, const ColdLook::Pull&)>& took) {
    link::Sink sink;
    sink.sample = [&](const link::SampleBlock& block) { took(block.step - plan::kLabelContact, volts_of(block)); };
    auto ended = execute_(program_, sink);
    program_.clear();
    return ended;
  }

  static constexpr int kAtRest = 0x100, kBusAlone = 0x101, kAllOff = 0x102, kHigh = 0x200;

  Result<bool> pulls() {
    TH_TRY(append(kAtRest, {wire::SampleOp{senses_, aux_, kRestConversions}}));
    TH_TRY(append(kBusAlone, {wire::BusOp{wire::kBusPull10k, 0}, settle(), wire::SampleOp{senses_, 0, kQuickConversions}}));
    std::vector<int> pulled = leads_;
    if (spare_ >= 0) pulled.push_back(spare_);
    for (const int sense : pulled) {
      TH_TRY(append(sense, {wire::BusOp{wire::kBusPull10k, bit(sense)}, settle(), wire::SampleOp{senses_, aux_, kQuickConversions},
                            wire::SampleOp{bit(sense), rails_, kOwnConversions}}));
    }
    TH_TRY(append(kAllOff, {wire::BusOp{0, 0}, settle()}));
    return run([this](int label, const ColdLook::Pull& seen) {
      if (label == kAtRest) {
        look_.rest = seen.sense;
        look_.drive_rest = seen.drive;
        look_.rail_rest = seen.rail;
      } else if (label == kBusAlone) {
        look_.bus_alone = seen.sense;
      } else {
        ColdLook::Pull& pull = look_.pulls[label];
        // The pulled lead and the rails come twice: the second, longer look replaces the first.
        for (const auto& [i, v] : seen.sense) pull.sense[i] = v;
        for (const auto& [i, v] : seen.rail) pull.rail[i] = v;
        pull.drive.insert(seen.drive.begin(), seen.drive.end());
      }
    });
  }

  Result<bool> questions() {
    auto ask = measure::cold_questions(look_, plan_.fixture.sense.open_reads, plan_.fixture.sense.divider);
    std::erase(ask.high, spare_);
    std::erase(ask.beside, spare_);
    if (ask.high.empty() && ask.beside.empty()) return true;
    for (const int sense : ask.high) {
      TH_TRY(append(kHigh + sense, {wire::BusOp{wire::kBusPull1M, bit(sense)}, settle(), wire::SampleOp{bit(sense), 0, kOwnConversions}}));
    }
    for (const int sense : ask.beside) {
      TH_TRY(append(sense, {wire::BusOp{wire::kBusPull10k, bit(sense) | bit(*ask.other)}, settle(),
                            wire::SampleOp{bit(*ask.other), 0, kQuickConversions}}));
    }
    TH_TRY(append(kAllOff, {wire::BusOp{0, 0}, settle()}));
    return run([&](int label, const ColdLook::Pull& seen) {
      if (label >= kHigh) {
        look_.high[label - kHigh] = seen.sense.at(label - kHigh);
      } else {
        look_.beside[label] = {*ask.other, seen.sense.at(*ask.other)};
      }
    });
  }

  const plan::Plan& plan_;
  const Execute& execute_;
  std::uint64_t senses_ = 0, aux_ = 0, rails_ = 0;
  std::vector<int> leads_, asked_drives_, spare_drives_;
  int spare_ = -1;
  std::vector<std::uint8_t> program_;
  ColdLook look_;
};

// Findings in the board's words. The first group that is not empty ends the run; the others go along as warnings.
class ColdReport {
 public:
  ColdReport(const plan::Plan& plan, const ColdFindings& found, const std::vector<int>& idle, bool stop)
      : plan_(plan), board_(plan.vectors.board), found_(found), stop_(stop && !board_.circuit.empty()) {
    reeds();
    open_leads();
    ties();
    grounds();
    inputs(idle);
  }
  CheckReport take() { return std::move(report_); }

 private:
  std::string lead(int sense) const {
    const std::string line = plan::line_on_sense(plan_, sense);
    return line.empty() ? fmt::format("sense.{}", sense) : fmt::format("{} (sense.{})", line, sense);
  }
  std::string line_on_drive(int drive) const {
    for (const auto& [key, channel] : plan_.hookup) {
      if (channel.kind == "drive" && channel.index == drive) return key.substr(0, key.find(' '));
    }
    return "";
  }

  void tell(const std::string& cause, const std::string& where, const std::string& blame, const std::string& message, bool stops) {
    if (stops && !report_.aborted) {
      report_.aborted = record::Aborted{cause, where, blame, "without power, " + message};
    } else {
      report_.warnings.push_back("before power, " + message);
    }
  }

  void reeds() {
    for (const int sense : found_.reed_closed) {
      tell("self-test", fmt::format("test-bus.{}", sense), "fixture",
           fmt::format("the lead {} is on the test bus though its reed is off: replace reed test-bus.{}", lead(sense), sense), true);
    }
    for (const int sense : found_.reed_open) {
      tell("self-test", fmt::format("test-bus.{}", sense), "fixture",
           fmt::format("the test bus does not reach {}: replace reed test-bus.{}", lead(sense), sense), true);
    }
  }

  void open_leads() {
    std::string names;
    for (const int sense : found_.open) {
      const std::string line = plan::line_on_sense(plan_, sense);
      if (line.empty() || !holds_cold(board_, line)) continue;
      names += (names.empty() ? "" : ", ") + lead(sense);
    }
    if (names.empty()) return;
    tell("open-lead", names, "lead",
         fmt::format("the lead of {} is not connected: it reads {:+.2f} V and follows both pull-ups; push it home and run again", names,
                     plan_.fixture.sense.open_reads.value),
         true);
  }

  bool on_a_rail(int sense) const {
    return std::any_of(found_.on_rail.begin(), found_.on_rail.end(), [&](const auto& p) { return p.first == sense; });
  }

  void ties() {
    for (const auto& [a, b] : found_.tied) {
      const std::string first = plan::line_on_sense(plan_, a), second = plan::line_on_sense(plan_, b);
      if (first.empty() || second.empty() || first == second) continue;
      // Two contacts to one rail that rest closed join their lines by themselves.
      if (on_a_rail(a) && (!never_grounded(board_, first) || !never_grounded(board_, second))) continue;
      tell("shorted-lines", lead(a) + ", " + lead(b), "board",
           fmt::format("{} and {} move as one: look for solder or a stray strand between them", lead(a), lead(b)), stop_);
    }
    for (const auto& [sense, drive] : found_.on_drive) {
      const std::string first = plan::line_on_sense(plan_, sense), second = line_on_drive(drive);
      if (first.empty() || second.empty() || first == second) continue;
      tell("shorted-lines", fmt::format("{}, {} (drive.{})", lead(sense), second, drive), "board",
           fmt::format("{} and {} (drive.{}) move as one: look for solder or a stray strand between them", lead(sense), second, drive), stop_);
    }
    for (const auto& [sense, rail] : found_.on_rail) {
      for (const plan::RailPlan& r : plan_.rails) {
        if (r.channel != rail || !never_grounded(board_, plan::line_on_sense(plan_, sense))) continue;
        tell("shorted-lines", lead(sense) + ", " + r.rail.name, "board",
             fmt::format("{} is tied to rail {}: look for solder or a stray strand between them", lead(sense), r.rail.name), stop_);
      }
    }
  }

  void grounds() {
    for (const auto& [sense, rail] : found_.held) {
      if (!never_grounded(board_, plan::line_on_sense(plan_, sense))) continue;
      std::string what = "ground";
      for (const plan::RailPlan& r : plan_.rails) {
        if (r.channel == rail) what = r.rail.name;
      }
      tell("shorted-lines", lead(sense) + ", " + what, "board",
           fmt::format("{} is tied to {}: a pull-up hardly moves it, and its reed works; look for solder or a stray strand between them",
                       lead(sense), what),
           stop_);
    }
  }

  void inputs(const std::vector<int>& idle) {
    std::string names;
    for (const int drive : idle) {
      const std::string line = line_on_drive(drive);
      if (!loads_cold(board_, line)) continue;
      names += (names.empty() ? "" : ", ") + fmt::format("{} (drive.{})", line, drive);
    }
    if (names.empty()) return;
    // The lead or the board: which of them, only hands can tell. So the board is judged, and this said with it.
    report_.warnings.push_back(fmt::format("before power, nothing took current from {}: its lead is off, or the input is open behind it; "
                                           "push the lead home first",
                                           names));
  }

  const plan::Plan& plan_;
  const files::Board& board_;
  const ColdFindings& found_;
  bool stop_;
  CheckReport report_;
};

}  // namespace

bool holds_cold(const files::Board& board, const std::string& line) {
  if (resistor_holds(board, line)) return true;
  const files::Gate* gate = driver_of(board, line);
  if (!gate) return false;
  return begins(gate->build, "cathode") || begins(gate->build, "triode") || begins(gate->build, "transistor");
}

bool never_grounded(const files::Board& board, const std::string& line) {
  const files::Gate* gate = driver_of(board, line);
  if (!gate) return false;
  if (begins(gate->build, "cathode") || begins(gate->build, "triode") || begins(gate->build, "transistor")) return true;
  // A contact to the rail that is open while no coil is energised.
  static const std::set<std::string> kOpenAtRest{"and", "or", "buf", "xor"};
  const bool inverted = std::count(gate->input_inverted.begin(), gate->input_inverted.end(), true) > 0;
  return gate->build == "relay" && kOpenAtRest.count(gate->type) > 0 && !inverted;
}

bool loads_cold(const files::Board& board, const std::string& line) {
  const files::Line* declared = board.line(line);
  if (!declared || declared->kind == files::LineKind::both) return false;
  if (resistor_holds(board, line)) return true;
  return std::any_of(board.circuit.begin(), board.circuit.end(), [&](const files::Gate& gate) {
    const auto is = [&](const files::Gate::Control& pin) { return pin.net == line; };
    const bool uses = std::count(gate.inputs.begin(), gate.inputs.end(), line) > 0 || is(gate.clock) || is(gate.enable) || is(gate.set) ||
                      is(gate.clear);
    // Not TTL: without power its input's junction is reversed and takes nothing.
    return uses && (begins(gate.build, "relay") || begins(gate.build, "transistor") || gate.build == "open-collector" ||
                    gate.build == "tri-state");
  });
}

Result<CheckReport> check_cold(const plan::Plan& plan, bool stop_at_wiring, const Execute& execute) {
  const auto& features = plan.fixture.features;
  if (std::count(features.begin(), features.end(), "test-bus") == 0) return CheckReport{};
  ColdLooker looker(plan, execute);
  if (looker.leads().empty()) return CheckReport{};
  auto taken = looker.take();
  TH_TRY(taken);
  if (!*taken) return CheckReport{};
  if (looker.nothing_moves()) {
    CheckReport report;
    report.aborted = record::Aborted{"self-test", "test-bus", "fixture",
                                     "without power, no pull-up reaches any lead, not even one on which nothing hangs: the master contactor does "
                                     "not close, the coil supply is missing or the test bus is broken; `tenterhook fixture selftest` tells which"};
    return report;
  }
  const ColdFindings found = measure::judge_cold(looker.look(), plan.fixture.sense.open_reads, plan.fixture.sense.divider);
  return ColdReport(plan, found, looker.idle_drives(), stop_at_wiring).take();
}

}  // namespace tenterhook::commands
