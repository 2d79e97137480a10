// Every reason for which the device opens everything, in one table: number on the wire, name in
// reports and JSON, whose trouble it looks to be, text and remedy for people.
//
// The first one is latched with its time, channel and value; later ones are only counted. Nothing is
// powered again before the host has cleared it by a deliberate ResetFaults.
#pragma once

#include <stdint.h>

namespace tenterhook {
namespace wire {

enum class Blame : uint8_t { none = 0, board = 1, lead = 2, fixture = 3, link = 4, person = 5 };

// X(number, identifier, name, blame, what FaultRecord::channel and value hold, text, remedy)
#define TENTERHOOK_FAULTS(X)                                                                      \
  X(1, over_current, "over-current", board, "channel: rail, value: counts",                       \
    "the current of a rail exceeded its limit",                                                   \
    "look for a short, a reversed part or a wrong limit before powering again")                   \
  X(2, over_current_latch, "over-current-latch", board, "channel: rail",                          \
    "the hardware comparator of a rail latched",                                                  \
    "look for a short or a reversed part before powering again")                                  \
  X(3, heating, "i2t", board, "channel: rail, value: i2t used, counts squared times ms / 65536",                        \
    "a rail drew more than its heating limit allows",                                             \
    "find what draws the current; a slow blow fuse would be next")                                \
  X(4, rail_window, "rail-out-of-window", board, "channel: rail, value: counts",                  \
    "a rail left its window",                                                                     \
    "check the bench supply's setting and limit, its leads, and the board's load")                \
  X(5, rail_late, "rail-not-up", board, "channel: rail, value: counts",                           \
    "a rail did not reach its volts or its current in time",                                      \
    "check the supply, its leads, and whether every filament is in its socket")                   \
  X(6, stop_button, "stop", person, "",                                                           \
    "the stop was pressed",                                                                       \
    "release it when it is safe to go on")                                                        \
  X(7, lid, "lid", person, "",                                                                    \
    "the lid was opened",                                                                         \
    "close it, or hold the hold-to-run switch")                                                   \
  X(8, host_stop, "stopped", person, "",                                                          \
    "the host asked for a stop",                                                                  \
    "start again when ready")                                                                     \
  X(9, deadman, "deadman", link, "value: ms",                                                     \
    "no good frame came from the host for 200 ms",                                                \
    "check the cable, and whether the computer slept or was overloaded")                          \
  X(10, starved, "starved", link, "channel: low byte of the step",                                \
    "the next step never came",                                                                   \
    "the host stopped sending; start again")                                                      \
  X(11, link_lost, "link", link, "value: sequence",                                               \
    "results stayed unacknowledged after every retry",                                            \
    "check the cable and the baud rate")                                                          \
  X(12, coil_supply, "coil-supply", fixture, "",                                                  \
    "the coil supply is missing",                                                                 \
    "check the coil supply and its fuse")                                                         \
  X(13, reference, "reference", fixture, "value: counts of the second",                           \
    "the two voltage references disagree",                                                        \
    "calibrate; if it comes back, replace the references")                                        \
  X(14, relay_chain, "relay-chain", fixture, "channel: byte, value: bits that differ",            \
    "the relay chain does not read back what was written",                                        \
    "check the chain's supply and its connectors")                                                \
  X(15, watchdog, "watchdog", fixture, "",                                                        \
    "the firmware hung and was reset",                                                            \
    "report it with the run's record")                                                            \
  X(16, brown_out, "brown-out", fixture, "",                                                      \
    "the controller's supply sagged and it was reset",                                            \
    "check the controller's supply")                                                              \
  X(17, bad_program, "bad-program", link, "channel: opcode, value: low bytes of its place",       \
    "the step program is wrong",                                                                  \
    "host and firmware disagree; use matching versions")                                          \
  X(18, wrong_order, "wrong-order", link, "channel: rail, or 128 + opcode",                       \
    "a rail or a drive was asked for before the rails it needs",                                  \
    "the program's order is wrong; report it with the run's record")                              \
  X(19, converter, "converter", fixture, "value: ms",                                             \
    "the converter stopped delivering",                                                           \
    "report it with the run's record")                                                            \
  X(20, pulses, "pulses", fixture, "channel: fast line, value: ticks",                                 \
    "a burst was ended too late: the board had more pulses than were asked for",                  \
    "report it with the run's record")

enum class Fault : uint8_t {
  none = 0,
#define TENTERHOOK_X(number, id, name, blame, fields, text, remedy) id = number,
  TENTERHOOK_FAULTS(TENTERHOOK_X)
#undef TENTERHOOK_X
};

inline Blame blame_of(Fault fault) {
  switch (fault) {
#define TENTERHOOK_X(number, id, name, blame, fields, text, remedy) \
  case Fault::id:                                           \
    return Blame::blame;
    TENTERHOOK_FAULTS(TENTERHOOK_X)
#undef TENTERHOOK_X
    case Fault::none:
      break;
  }
  return Blame::none;
}

#if !defined(__AVR__)
// Texts are for the host only: on the device they would only fill RAM.
inline const char* name_of(Fault fault) {
  switch (fault) {
#define TENTERHOOK_X(number, id, name, blame, fields, text, remedy) \
  case Fault::id:                                           \
    return name;
    TENTERHOOK_FAULTS(TENTERHOOK_X)
#undef TENTERHOOK_X
    case Fault::none:
      return "none";
  }
  return "unknown";
}
inline const char* text_of(Fault fault) {
  switch (fault) {
#define TENTERHOOK_X(number, id, name, blame, fields, text, remedy) \
  case Fault::id:                                           \
    return text;
    TENTERHOOK_FAULTS(TENTERHOOK_X)
#undef TENTERHOOK_X
    case Fault::none:
      return "nothing";
  }
  return "a fault that this version does not know";
}
inline const char* remedy_of(Fault fault) {
  switch (fault) {
#define TENTERHOOK_X(number, id, name, blame, fields, text, remedy) \
  case Fault::id:                                           \
    return remedy;
    TENTERHOOK_FAULTS(TENTERHOOK_X)
#undef TENTERHOOK_X
    case Fault::none:
      return "";
  }
  return "use matching versions of host and firmware";
}
inline const char* name_of(Blame blame) {
  switch (blame) {
    case Blame::none: return "none";
    case Blame::board: return "board";
    case Blame::lead: return "lead";
    case Blame::fixture: return "fixture";
    case Blame::link: return "link";
    case Blame::person: return "person";
  }
  return "unknown";
}
#endif

}  // namespace wire
}  // namespace tenterhook
