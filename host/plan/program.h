// From a Plan to the bytes that the fixture executes: preparation, vectors, the end.
//
// Each function returns whole steps (label, operations); the session appends them to the running
// program in order. The wire's operations and their meaning: firmware/wire/program.h.
#pragma once

#include <cstdint>
#include <string>
#include <variant>
#include <vector>

#include "firmware/wire/message.h"
#include "firmware/wire/program.h"
#include "host/plan/plan.h"

namespace tenterhook::plan {

using AnyOp = std::variant<wire::DriveOp, wire::FastOp, wire::PulseOp, wire::WaitOp, wire::RelayWaitOp,
                           wire::RouteOp, wire::BusOp, wire::TriggerOp, wire::SampleOp, wire::MarkOp, wire::GuardOp,
                           wire::RailOp, wire::ArmOp, wire::RailUntilOp, wire::BleedOp, wire::CurveOp>;

struct ProgramStep {
  std::uint16_t label = 0;
  bool patient = false;  // the host may take its time before it: no starvation is counted
  std::vector<AnyOp> ops;
};

// Labels: vectors use their index; what prepares and follows counts from here.
constexpr std::uint16_t kLabelPrepare = 0x8000;
constexpr std::uint16_t kLabelWarmUp = 0x9000;
constexpr std::uint16_t kLabelRails = 0xA000;
constexpr std::uint16_t kLabelHold = 0xA800;
constexpr std::uint16_t kLabelContact = 0xB000;  // + sense channel
constexpr int kStepsMost = 0x8000;

// Bug when a step has more bytes or results than the fixture takes: the plan must not make such.
Result<std::vector<std::uint8_t>> encode(const ProgramStep& step);
std::vector<std::uint8_t> encode_end();

// Counts of a rail's volts and current.
std::uint16_t rail_counts(const files::Fixture::RailChannel& channel, Volts volts);
std::uint16_t current_counts(const files::Fixture::RailChannel& channel, Amps amps);

// Guards for every rail, then each rail in its order, one step a rail.
Result<std::vector<ProgramStep>> power_up_steps(const Plan& plan);
// Connects every line at its rest level.
ProgramStep rest_step(const Plan& plan);
// Lets go of every drive and takes it up again, from these contacts back to them.
ProgramStep shake_step(const Plan& plan, const Contacts& contacts);
// One vector: set, relay time, pulses, respond, sample.
ProgramStep vector_step(const Plan& plan, const PlannedStep& step);
// Marks in the vectors' program: before the first set, after the last sample.
constexpr std::uint32_t kMarkFirst = 1;
constexpr std::uint32_t kMarkLast = 2;
// The vectors first..last (by index) as one program, between the two marks. Their labels count from 0; when the first
// is not the plan's first the host may take its time before it. Bug when there are kStepsMost or more.
Result<std::vector<std::uint8_t>> vectors_program(const Plan& plan, int first, int last);
inline Result<std::vector<std::uint8_t>> vectors_program(const Plan& plan) {
  return vectors_program(plan, 0, static_cast<int>(plan.steps.size()) - 1);
}
// Samples all outputs once over a mains period, moving nothing.
ProgramStep look_step(const Plan& plan, std::uint16_t label);
// Every sensed line, both-way lines included, with rail volts and currents: a look while held.
ProgramStep hold_step(const Plan& plan, int n);
// The lead for the hand, n conversions; `pull`: while the test bus pulls it gently (1 Mohm to +24 V). Needs plan.hand.
ProgramStep hand_step(const Plan& plan, int n, bool pull);
// Raises the trigger output, `lead_us` before the step's first pulse; before its set when it has none.
void add_trigger(ProgramStep& step, std::uint32_t lead_us);
// Samples one sense lead as it is, then pulled up by `pull` (wire::kBusPull10k or kBusPull1M) on the test bus: a
// connected lead is held elsewhere by what drives it, an unconnected one follows (measure/contact.h).
ProgramStep contact_step(const Plan& plan, int sense, std::uint8_t pull = wire::kBusPull10k);
// Rail volts (both wires) and currents, references and ground, n conversions each.
ProgramStep rails_step(const Plan& plan, std::uint16_t label, int n);

}  // namespace tenterhook::plan
