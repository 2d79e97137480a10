// tenterhook hookup: which lead goes where. On a terminal with a fixture: one lead at a time, each confirmed
// by what it reads where that can be; nothing is powered.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "host/commands/options.h"
#include "host/measure/contact.h"

namespace tenterhook::commands {

struct HookupOptions {
  BenchOptions bench;  // no --fixture: the list for the built-in fixture
  std::string board;   // a board or vectors file
};

int hookup(const HookupOptions& options);

// --- the walk, without terminal and fixture ---

// Where a sense lead is, by one look: as it is, then pulled up (plan::contact_step).
enum class LeadAt {
  nothing,  // reads the open voltage and follows the pull-up
  ground,   // holds 0 V against the pull-up: the 0 V post, or something as hard
  board,    // held elsewhere
  unclear,  // high-ohm: neither open nor held
};
LeadAt lead_at(Volts plain, Volts pulled, Volts U, Volts open_reads, Ohms divider);

// One lead on its way: it is known to be the right one once it has hung free, touched the 0 V post and hung
// free or left for the board; it is placed when it then reads as on something for two looks in a row.
class LeadWalk {
 public:
  enum class State {
    unknown,    // not seen free yet: it may be on the board already
    free,       // hangs in the air: touch it to the 0 V post
    touching,   // on the post now, and so the lead in the person's hand
    known,      // it was on the post: put it onto its line
    placed,     // known, and on something
  };
  void look(LeadAt at);
  State state() const { return state_; }

 private:
  State state_ = State::unknown;
  int on_board_ = 0;  // looks in a row
};

}  // namespace tenterhook::commands
