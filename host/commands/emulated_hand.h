// The lead in an emulated person's hand: a terminal of the emulated board that can be put on any of its nets.
#pragma once

#include <map>
#include <memory>
#include <string>

#include "fixtures/emulated/boards/board.h"
#include "host/base/result.h"

namespace tenterhook::commands {

// Between fixture and board: every terminal as before, and one more (`hand`) that is electrically the net it
// touches. What the fixture puts on the lead (divider, test bus) then loads that net.
class EmulatedHand : public emulated::Board {
 public:
  // `nets`: what a probe can reach, net -> terminal of `board`. `hand`: the terminal that the fixture takes for the lead.
  EmulatedHand(std::unique_ptr<emulated::Board> board, std::map<std::string, int> nets, int hand)
      : board_(std::move(board)), nets_(std::move(nets)), hand_(hand) {}

  // From now on. Error (fixture): the board has no such net to touch.
  Status touch(const std::string& net);
  void lift();

  int terminal_count() const override { return board_->terminal_count(); }
  int rail_count() const override { return board_->rail_count(); }
  void drive(emulated::Picoseconds t, int terminal, emulated::Source source) override;
  void supply(emulated::Picoseconds t, int rail, emulated::Source source) override { board_->supply(now(t), rail, source); }
  double volts(emulated::Picoseconds t, int terminal) override;
  double rail_volts(emulated::Picoseconds t, int rail) override { return board_->rail_volts(now(t), rail); }
  double rail_amps(emulated::Picoseconds t, int rail) override { return board_->rail_amps(now(t), rail); }
  bool source_away(emulated::Picoseconds t, int terminal) override { return board_->source_away(now(t), terminal); }
  emulated::Picoseconds next_event(emulated::Picoseconds t) override { return board_->next_event(now(t)); }

 private:
  emulated::Picoseconds now(emulated::Picoseconds t);
  void present(int terminal);

  std::unique_ptr<emulated::Board> board_;
  std::map<std::string, int> nets_;
  int hand_;
  int touched_ = -1;
  emulated::Picoseconds now_ = 0;
  std::map<int, emulated::Source> own_;  // by terminal, without the hand
  emulated::Source lead_;                // what the fixture puts on the hand lead
};

// Adds a terminal for every inner net of the board, so that a probe can reach it, and for the lead itself, on sense
// channel `sense`. Returns net -> terminal, and the lead's own.
struct Reach {
  std::map<std::string, int> nets;
  int hand = -1;
};
Reach reach_every_net(emulated::BoardDescription& board, int sense);

}  // namespace tenterhook::commands
