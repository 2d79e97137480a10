#include "host/commands/emulated_hand.h"

#include <algorithm>

namespace tenterhook::commands {

namespace {

// Both sources on one point.
emulated::Source together(const emulated::Source& a, const emulated::Source& b) {
  const double siemens = a.siemens + b.siemens;
  if (siemens <= 0.0) return {};
  return {(a.volts * a.siemens + b.volts * b.siemens) / siemens, siemens};
}

}  // namespace

emulated::Picoseconds EmulatedHand::now(emulated::Picoseconds t) {
  now_ = std::max(now_, t);
  return t;
}

void EmulatedHand::present(int terminal) {
  board_->drive(now_, terminal, terminal == touched_ ? together(own_[terminal], lead_) : own_[terminal]);
}

Status EmulatedHand::touch(const std::string& net) {
  const auto found = nets_.find(net);
  if (found == nets_.end()) return fixture_error("the emulated hand", "this board has no point named " + net + " to touch");
  if (touched_ == found->second) return {};
  lift();
  touched_ = found->second;
  present(touched_);
  return {};
}

void EmulatedHand::lift() {
  const int was = touched_;
  touched_ = -1;
  if (was >= 0) present(was);
}

void EmulatedHand::drive(emulated::Picoseconds t, int terminal, emulated::Source source) {
  now(t);
  if (terminal == hand_) {
    lead_ = source;
    if (touched_ >= 0) present(touched_);
    return;
  }
  own_[terminal] = source;
  present(terminal);
}

double EmulatedHand::volts(emulated::Picoseconds t, int terminal) {
  now(t);
  if (terminal != hand_) return board_->volts(t, terminal);
  return touched_ >= 0 ? board_->volts(t, touched_) : lead_.volts;
}

Reach reach_every_net(emulated::BoardDescription& board, int sense) {
  Reach reach;
  const auto add = [&](const std::string& net) {
    const bool rail = std::any_of(board.rails.begin(), board.rails.end(), [&](const auto& r) { return r.name == net; });
    if (net.empty() || rail) return;
    for (const auto& terminal : board.terminals) {
      if (terminal.name == net) return;
    }
    emulated::Terminal terminal;
    terminal.name = net;
    terminal.is_output = true;
    board.terminals.push_back(terminal);
  };
  for (const emulated::Element& element : board.elements) {
    for (const std::string& net : element.outputs) add(net);
    add(element.inverse);
  }
  for (std::size_t i = 0; i < board.terminals.size(); ++i) reach.nets[board.terminals[i].name] = static_cast<int>(i);
  emulated::Terminal lead;
  lead.name = "the hand lead";
  lead.sense = sense;
  reach.hand = static_cast<int>(board.terminals.size());
  board.terminals.push_back(lead);
  return reach;
}

}  // namespace tenterhook::commands
