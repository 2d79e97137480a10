#include "tests/emulated/diagnose/study.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "fixtures/emulated/boards/fault.h"
#include "fixtures/emulated/boards/truth.h"
#include "host/plan/program.h"

namespace tenterhook::commands {
namespace {

constexpr double kWrongVolts = 2.5;  // a level that differs by more is another one
constexpr double kEverything = std::numeric_limits<double>::infinity();

std::vector<std::pair<std::string, std::string>> bus_neighbours(const files::Board& board) {
  std::vector<std::pair<std::string, std::string>> pairs;
  for (const files::Bus& bus : board.buses)
    for (std::size_t i = 0; i + 1 < bus.lines.size(); ++i)
      pairs.push_back({bus.lines[i], bus.lines[i + 1]});
  return pairs;
}

// What a lead of this gate may touch: its other nets, the next line of the bus, a rail, ground.
std::string touched_by(const files::Board& board, const files::Gate& gate, const std::string& net,
                       StudyDraw& draw) {
  std::vector<std::string> near = gate.inputs;
  near.insert(near.end(), gate.outputs.begin(), gate.outputs.end());
  if (!gate.inverse.empty()) near.push_back(gate.inverse);
  for (const auto& [a, b] : bus_neighbours(board)) {
    if (a == net) near.push_back(b);
    if (b == net) near.push_back(a);
  }
  near.push_back("ground");
  for (const files::Rail& rail : board.rails)
    if (rail.name != "heater") near.push_back(rail.name);
  near.erase(std::remove(near.begin(), near.end(), net), near.end());
  return draw.of(near);
}

std::string ohms_of(StudyDraw& draw) {
  static const std::vector<std::string> kOhms = {"220 ohm", "1 kohm", "4.7 kohm", "22 kohm"};
  return draw.of(kOhms);
}

// The net at a part's pin: its own input where the file says so, else the gate's output.
std::string net_at(const files::Gate& gate, const std::string& part) {
  for (const auto& [pin, name] : gate.pin_parts) {
    if (name != part) continue;
    if (pin.rfind("in", 0) == 0 && pin.size() > 2 && std::isdigit(static_cast<unsigned char>(pin[2])))
      return gate.inputs[static_cast<std::size_t>(std::stoi(pin.substr(2)) - 1)];
    if (pin == "clock") return gate.clock.net;
    if (pin == "clear") return gate.clear.net;
    if (pin == "set") return gate.set.net;
    if (pin == "enable") return gate.enable.net;
    if (pin == "inverse") return gate.inverse;
  }
  return gate.outputs.front();
}

void spoil_part(const files::Board& board, const files::Gate& gate, StudyDraw& draw, StudyCase& c) {
  const std::string part = draw.of(gate.parts);
  c.truth = {part};
  const std::size_t kind = draw.below(20);
  if (kind < 7) {
    c.kind = "part open";
    c.faults = {part + " open"};
  } else if (kind < 13) {
    c.kind = "part dead";
    c.faults = {part + " dead"};
  } else if (kind < 16) {
    c.kind = "part shorted-to";
    const std::string net = net_at(gate, part), other = touched_by(board, gate, net, draw);
    c.faults = {part + " shorted-to " + other};
    c.truth.insert(net);
    c.truth.insert(other);
  } else if (kind < 18) {
    static const std::vector<std::string> kLeft = {"0.05", "0.1", "0.3", "0.5"};
    c.kind = "part weak";
    c.faults = {part + " weak " + draw.of(kLeft)};
  } else if (kind < 19) {
    c.kind = "part leaky";
    c.faults = {part + " leaky " + ohms_of(draw)};
  } else {
    static const std::vector<std::string> kTimes = {"10", "100", "1000"};
    c.kind = "part slow";
    c.faults = {part + " slow " + draw.of(kTimes)};
  }
}

void spoil_net(const files::Board& board, const files::Gate& gate, StudyDraw& draw, StudyCase& c) {
  std::vector<std::string> nets = gate.inputs;
  nets.insert(nets.end(), gate.outputs.begin(), gate.outputs.end());
  const std::string net = draw.of(nets);
  c.truth = {net};
  const std::size_t kind = draw.below(12);
  if (kind < 4) {
    c.kind = "net stuck";
    c.faults = {net + (draw.below(2) == 0 ? " stuck-low" : " stuck-high")};
  } else if (kind < 6) {
    c.kind = "net open";
    c.faults = {net + " open"};
  } else if (kind < 9) {
    const std::string other = touched_by(board, gate, net, draw);
    c.kind = "net shorted-to";
    c.faults = {net + " shorted-to " + other};
    c.truth.insert(other);
  } else if (kind < 10) {
    c.kind = "net inverted";
    c.faults = {net + " inverted"};
  } else {
    const auto pairs = bus_neighbours(board);
    if (pairs.empty()) {
      c.kind = "net leaky";
      c.faults = {net + " leaky " + ohms_of(draw)};
      return;
    }
    const auto& [a, b] = pairs[draw.below(pairs.size())];
    c.kind = "lines swapped";
    c.faults = {a + " swapped-with " + b};
    c.truth = {a, b};
  }
}

}  // namespace

Result<std::vector<StudyBoard>> study_boards() {
  const std::vector<std::pair<std::string, unsigned>> kBoards = {
      {"vectors/or-follower/board.yaml", 1},
      {"vectors/pick-counter/acceptance.vectors.yaml", 2},
      {"vectors/shed-latch/acceptance.vectors.yaml", 4},
      {"vectors/shuttle-guard/acceptance.vectors.yaml", 2},
      {"tests/boards/weft-selector.yaml", 5},
      {"tests/boards/pattern-sequencer.yaml", 6}};
  std::vector<StudyBoard> boards;
  for (const auto& [file, share] : kBoards) {
    auto plan = plan_file(file);
    TH_TRY(plan);
    StudyBoard board;
    board.file = file;
    board.share = share;
    board.plan = plan.take();
    board.name = board.plan.vectors.board.name;
    boards.push_back(std::move(board));
  }
  return boards;
}

StudyCase draw_single(const StudyBoard& board, StudyDraw& draw) {
  StudyCase c;
  c.board = &board;
  const files::Board& b = board.plan.vectors.board;
  // A part of the board, each as likely as any other: a gate by the number of its parts.
  std::size_t parts = 0;
  for (const files::Gate& gate : b.circuit) parts += gate.parts.size();
  std::size_t at = draw.below(parts);
  const files::Gate* gate = nullptr;
  for (const files::Gate& g : b.circuit) {
    gate = &g;
    if (at < g.parts.size()) break;
    at -= g.parts.size();
  }
  if (draw.below(10) < 7)
    spoil_part(b, *gate, draw, c);
  else
    spoil_net(b, *gate, draw, c);
  c.seed = 1 + draw.below(1000);
  return c;
}

StudyCase draw_pair(const StudyBoard& board, StudyDraw& draw) {
  StudyCase a = draw_single(board, draw), b = draw_single(board, draw);
  a.faults.push_back(b.faults.front());
  a.truth.insert(b.truth.begin(), b.truth.end());
  a.kind = "two at once";
  return a;
}

std::function<void(emulated::BoardDescription&)> draw_wrong_part(const StudyBoard& board, StudyDraw& draw,
                                                                 StudyCase& c) {
  // Resistors that the file does not name, of another value than they should be: at a gate's output, at a
  // net, or in a gate of another kind altogether.
  c.kind = "wrong part";
  c.board = &board;
  c.seed = 1 + draw.below(1000);
  const auto& circuit = board.plan.vectors.board.circuit;
  const std::size_t at = draw.below(circuit.size());
  static const std::vector<std::string> kTimes = {"0.1", "0.2", "0.3"};
  const std::string part = "R" + std::to_string(900 + at);
  c.truth = {part};
  c.faults = {part + " weak " + draw.of(kTimes)};
  return [at, part](emulated::BoardDescription& d) {
    if (at < d.elements.size()) d.elements[at].parts.push_back(part);
  };
}

std::function<void(emulated::BoardDescription&)> draw_wrong_netlist(const StudyBoard& board, StudyDraw& draw,
                                                                    StudyCase& c) {
  c.kind = "wrong netlist";
  c.board = &board;
  c.seed = 1 + draw.below(1000);
  const std::size_t a = draw.below(1u << 20), b = draw.below(1u << 20), kind = draw.below(2);
  return [a, b, kind](emulated::BoardDescription& d) {
    // Two inputs of different gates exchanged, or a gate of another function.
    emulated::Element& x = d.elements[a % d.elements.size()];
    emulated::Element& y = d.elements[(a + 1 + b % (d.elements.size() - 1)) % d.elements.size()];
    if (d.elements.size() > 1 && (kind == 0 || x.type.find("flip") != std::string::npos) && !x.inputs.empty() &&
        !y.inputs.empty()) {
      std::swap(x.inputs[b % x.inputs.size()], y.inputs[a % y.inputs.size()]);
      return;
    }
    static const std::pair<const char*, const char*> kOther[] = {{"and", "or"},  {"or", "and"},   {"nand", "nor"},
                                                                 {"nor", "nand"}, {"xor", "xnor"}, {"xnor", "xor"},
                                                                 {"not", "buf"}};
    for (const auto& [from, to] : kOther)
      if (x.type == from) {
        x.type = to;
        if (x.build == "cathode-follower") x.build = "triode-inverter";
        return;
      }
  };
}

Result<Meter> Meter::make(const StudyBoard& board, const StudyCase& c) {
  Meter m;
  m.board_ = &board;
  m.case_ = &c;
  auto description = describe_emulated(board.plan);
  TH_TRY(description);
  m.description_ = description.take();
  return m;
}

Result<double> Meter::read(const std::string& net, int step) {
  std::vector<emulated::FaultSpec> faults;
  for (const std::string& text : case_->faults) {
    auto fault = emulated::parse_fault(text);
    TH_TRY(fault);
    faults.push_back(fault.take());
  }
  auto truth = emulated::BoardTruth::make(description_, case_->seed, faults);
  TH_TRY(truth);
  const files::Board& board = board_->plan.vectors.board;
  const auto give = [&](const std::string& line, files::Bit bit) {
    const files::Line* l = board.line(line);
    const files::Family* family = l ? board.family_of(*l) : nullptr;
    if (bit == files::Bit::undriven)
      truth->release(line);
    else
      truth->set(line, family ? plan::is_high(*family, bit) : bit == files::Bit::one);
  };
  for (const files::Line& line : board.lines)
    if (line.kind == files::LineKind::input || line.kind == files::LineKind::clock) give(line.name, line.rest);
  truth->power_up();
  constexpr double kSettle = 0.06;
  for (const plan::PlannedStep& planned : board_->plan.steps) {
    if (planned.index > step) break;
    for (const auto& [line, bit] : planned.set) give(line, bit);
    truth->wait(kSettle);
    for (const plan::PulseTrain& train : planned.pulses)
      for (std::uint32_t i = 0; i < train.count; ++i) {
        truth->set(train.line, train.active_high);
        truth->wait(train.width.value);
        truth->set(train.line, !train.active_high);
        truth->wait(std::max(train.gap.value, train.width.value));
      }
    truth->wait(std::max(planned.respond.value, 1e-3));
  }
  return truth->volts(net);
}

Result<int> back_trace(const StudyBoard& board, const record::RunRecord& run, Meter& meter, Meter& good) {
  std::string net;
  int step = -1, touches = 0;
  for (const record::StepRecord& s : run.steps)
    for (const measure::Reading& r : s.readings)
      if (net.empty() && r.verdict == measure::Verdict::fail) {
        net = r.line;
        step = s.index;
      }
  if (net.empty()) return 0;
  const files::Board& b = board.plan.vectors.board;
  std::set<std::string> seen{net};
  for (bool on = true; on;) {
    on = false;
    const files::Gate* gate = nullptr;
    for (const files::Gate& g : b.circuit)
      if (g.inverse == net || std::count(g.outputs.begin(), g.outputs.end(), net) > 0) gate = &g;
    if (gate == nullptr) break;
    std::vector<std::string> pins = gate->inputs;
    for (const files::Gate::Control* control : {&gate->clock, &gate->enable, &gate->set, &gate->clear})
      if (!control->net.empty()) pins.push_back(control->net);
    for (const std::string& pin : pins) {
      if (!seen.insert(pin).second) continue;
      // Lines that the run measured need no touch.
      const files::Line* line = b.line(pin);
      if (line == nullptr || line->kind == files::LineKind::input || line->kind == files::LineKind::clock) ++touches;
      const auto now = meter.read(pin, step), should = good.read(pin, step);
      TH_TRY(now);
      TH_TRY(should);
      if (std::fabs(*now - *should) < kWrongVolts) continue;
      net = pin;
      on = true;
      break;
    }
  }
  return touches;
}

Result<record::RunRecord> power_up(const StudyBoard& board, const PowerUp& how) {
  Adjust adjust;
  adjust.parts = [&](emulated::FixtureOptions&, emulated::BoardDescription& description) {
    description.moment = how.moment;
    if (how.rebuilt) how.rebuilt(description);
  };
  auto controller = make_emulated(board.plan, how.seed, how.faults, Firmware::native, adjust);
  TH_TRY(controller);
  Bench bench;
  bench.seed = how.seed;
  bench.emulated = controller->get();
  auto session = link::Session::open(std::make_unique<emulated::LockstepPort>(controller.take()));
  TH_TRY(session);
  bench.session = session.take();
  // Another moment also for the fixture: its noise and the mains' phase are functions of time.
  plan::ProgramStep wait;
  wait.label = plan::kLabelHold;
  wait.ops.push_back(wire::WaitOp{static_cast<std::uint32_t>(1000 + 7919 * (how.moment % 1000))});
  auto program = plan::encode(wait);
  TH_TRY(program);
  auto waited = bench.session->execute(*program, {});
  TH_TRY(waited);
  BenchRun run(board.plan, measure::Decision::guarded, {});
  run.part_tests(how.part_tests);
  run.identify(bench, emulated_options(how.faults));
  auto performed = run.perform(*bench.session);
  run.finish(bench.session.get(),
             performed ? std::nullopt : std::optional<Error>(performed.error()));
  TH_TRY(performed);
  return run.record();
}

double change_in_U(const record::RunRecord& good, const record::RunRecord& bad) {
  if (bad.aborted || bad.warnings.size() > good.warnings.size()) return kEverything;
  double most = 0.0;
  for (std::size_t s = 0; s < std::min(good.steps.size(), bad.steps.size()); ++s) {
    const auto &a = good.steps[s].readings, &b = bad.steps[s].readings;
    for (std::size_t r = 0; r < std::min(a.size(), b.size()); ++r) {
      if (a[r].expected == files::Bit::any) continue;  // how it woke up
      const double U = std::max(a[r].U.value, b[r].U.value);
      most = std::max(most, std::fabs(a[r].volts.value - b[r].volts.value) / U);
    }
  }
  return most;
}

Named named(const record::RunRecord& run, const diagnose::Diagnosis& d, const StudyCase& c) {
  Named n;
  std::set<std::string> first, three;
  const auto names = [&](const diagnose::Suspect& s) {
    const std::string nets = " " + s.net + " " + s.fault + " ";
    return std::any_of(c.truth.begin(), c.truth.end(), [&](const std::string& t) {
      return nets.find(" " + t + " ") != std::string::npos ||
             std::find(s.parts.begin(), s.parts.end(), t) != s.parts.end();
    });
  };
  for (const diagnose::Suspect& s : d.suspects) {
    if (names(s) && (n.group == 0 || s.group < n.group)) n.group = s.group;
    for (std::set<std::string>* into : {&first, &three}) {
      if (s.group > (into == &first ? 1 : 3)) continue;
      into->insert(s.parts.begin(), s.parts.end());
    }
  }
  for (const std::string& part : first) n.parts += part + " ";
  n.first = std::max<std::size_t>(1, first.size());
  n.three = std::max(n.first, three.size());
  if (run.aborted) {
    std::string message = " " + run.aborted->where + " " + run.aborted->message;
    for (const std::string& w : run.warnings) message += " " + w;
    for (char& letter : message)
      if (letter == ',' || letter == ':' || letter == '(') letter = ' ';
    n.by_stop = std::any_of(c.truth.begin(), c.truth.end(), [&](const std::string& t) {
      return message.find(" " + t + " ") != std::string::npos;
    });
  }
  return n;
}

}  // namespace tenterhook::commands
