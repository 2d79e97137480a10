#include "host/power/budget.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "host/power/wiring.h"

namespace tenterhook::power {

namespace {

constexpr Seconds kWarmAtMost{120.0};
constexpr Seconds kPointEvery{0.01};
// When a limiting supply is looked at: finer than this nobody reads.
constexpr Seconds kHeldEvery{0.05};
// The second peak is planned a little above what an endless wait would give, so that it is reached.
constexpr double kReach = 1.05;
// Watts a metre above which a wire is warm to the hand; watts in a contact above which it ages. Both
// common practice, no source.
constexpr double kWarmWire = 1.0;
constexpr double kWarmContact = 0.25;
constexpr double kWideDrop = 0.05;

struct Peaks {
  Amps first, second;
};
Peaks peaks_of(const Filaments& f, Volts volts, Ohms path, Ohms resistor) {
  const Feed through{volts, path + resistor, std::nullopt};
  return {at(f, through, kRoomKelvin).amps, at(f, {volts, path, std::nullopt}, settled_kelvin(f, through)).amps};
}

// The resistor: smallest whose first peak fits; else the one with the lowest larger peak.
Ohms choose_resistor(const Filaments& f, Volts volts, Ohms path, Amps target, bool& fits) {
  const double needed = (volts / target).value - f.cold().value - path.value;
  if (needed > 0.0) {
    const Ohms least{e24_at_least(needed)};
    const Peaks p = peaks_of(f, volts, path, least);
    fits = p.first <= target && p.second * kReach <= target;
    if (fits) return least;
  }
  fits = false;
  Ohms best{e24_at_least(f.cold().value * 0.1)};
  const auto worse = [&](Ohms r) {
    const Peaks p = peaks_of(f, volts, path, r);
    return std::max(p.first, p.second);
  };
  for (Ohms r = best; r.value < f.cold().value * 30.0; r = Ohms{e24_at_least(r.value * 1.02)}) {
    if (worse(r) < worse(best)) best = r;
  }
  return best;
}

Status filaments_into(SupplyBudget& s, Ohms path) {
  Amps total{};
  int count = 0;
  for (const files::Draw& d : s.draws.draws) {
    if (d.kind != files::Draw::Kind::filament) continue;
    total += d.each * static_cast<double>(d.count);
    count += d.count;
  }
  if (count == 0) return {};
  s.filaments = Filaments{abs(s.volts), total / static_cast<double>(count), count};
  const Amps others = s.steady - total;
  const Feed stiff{abs(s.volts), path, std::nullopt};
  s.cold = at(*s.filaments, stiff, kRoomKelvin).amps + others;
  s.held = std::min(s.cold, s.limit);
  if (s.cold <= s.limit || s.limit <= s.steady) return {};
  const Feed limited{abs(s.volts), path, s.limit - others};
  auto curve = heat(*s.filaments, limited, kRoomKelvin, kWarmAtMost, kHeldEvery);
  TH_TRY(curve);
  const auto over = std::find_if(curve->begin(), curve->end(), [](const HeatPoint& p) { return !p.limited; });
  if (over != curve->end()) s.held_for = over->time;
  auto soft = pre_charge_for(*s.filaments, abs(s.volts), path, s.limit - others);
  TH_TRY(soft);
  s.pre_charge = *soft;
  return {};
}

void wire_into(SupplyBudget& s, const std::optional<files::Wire>& wire) {
  if (!wire) return;
  WireBudget w;
  w.wire = *wire;
  const double per_metre = ohms_per_metre(wire->awg);
  w.ohms = Ohms{2.0 * wire->length.value * per_metre + wire->contacts * kContact.value};
  w.drop = s.steady * w.ohms;
  w.share = s.volts.value != 0.0 ? w.drop.value / std::fabs(s.volts.value) : 0.0;
  w.watts_per_metre = s.steady.value * s.steady.value * per_metre;
  w.contact = (s.steady * kContact) * s.steady;
  s.wire = w;
  if (w.watts_per_metre > kWarmWire) {
    s.warnings.push_back(fmt::format("the {} AWG wire turns {:.1f} W a metre into heat: choose a thicker one; what a wire may carry "
                                     "where it lies is for your local code to say", wire->awg, w.watts_per_metre));
  }
  if (wire->contacts > 0 && w.contact.value > kWarmContact) {
    s.warnings.push_back(fmt::format("each contact takes {:.2f} W at an assumed 20 mohm: share the current over several pins, "
                                     "feel them after ten minutes; the connector's rating and your local code rule", w.contact.value));
  }
  if (w.share > kWideDrop) s.warnings.push_back(fmt::format("the wiring drops {:.0f} % of the volts", 100.0 * w.share));
}

Result<SupplyBudget> supply_budget(SupplyBudget s, const std::optional<files::Wire>& wire, const std::optional<Farads>& farads) {
  for (const files::Draw& d : s.draws.draws) s.steady += d.each * static_cast<double>(d.count);
  s.cold = s.held = s.steady;
  wire_into(s, wire);
  TH_TRY(filaments_into(s, s.wire ? s.wire->ohms : Ohms{}));
  if (s.steady > s.limit) {
    s.warnings.push_back(fmt::format("{} flow when all is warm, the limit is {}: it will never come up", tenterhook::text(s.steady),
                                     tenterhook::text(s.limit)));
  }
  if (s.pre_charge && !s.pre_charge->fits) {
    s.warnings.push_back("no resistor keeps both peaks under the limit: raise the limit, or feed the filaments in groups");
  }
  if (farads) {
    s.capacitance = farads;
    s.joules = stored_joules(*farads, s.volts);
    s.bleed = bleed_time(kBleeder, *farads, s.volts, kBledBelow);
  }
  return s;
}

SupplyBudget of_rail(const files::Board& board, const files::Rail& rail) {
  SupplyBudget s;
  s.name = rail.name;
  s.volts = rail.nominal;
  s.limit = rail.supply.value_or(rail.limit);
  s.draws = draws_of(board, rail);
  return s;
}

}  // namespace

Result<PreCharge> pre_charge_for(const Filaments& filaments, Volts volts, Ohms path, Amps limit) {
  PreCharge out;
  const Amps target = limit * kHeadroom;
  out.resistor = choose_resistor(filaments, volts, path, target, out.fits);
  const Peaks peaks = peaks_of(filaments, volts, path, out.resistor);
  out.first = peaks.first;
  out.second = out.fits ? std::max(target, peaks.second * kReach) : peaks.second * kReach;
  // The filaments' resistance at which the main contact may close, and the volts that show it.
  const double then = (volts / out.second).value - path.value;
  const Feed through{volts, path + out.resistor, std::nullopt};
  out.until = volts * (then / (then + path.value + out.resistor.value));
  out.peak = (out.first * out.resistor) * out.first;
  const Amps lasting = at(filaments, through, settled_kelvin(filaments, through)).amps;
  out.lasting = (lasting * out.resistor) * lasting;
  // Twice what it must bear for ever (common practice, no source): it also has to survive the first peak.
  out.rating = rating_at_least(Watts{std::max(2.0 * out.lasting.value, out.peak.value / 5.0)});
  auto curve = heat(filaments, through, kRoomKelvin, kWarmAtMost, kPointEvery);
  TH_TRY(curve);
  const auto reached = std::find_if(curve->begin(), curve->end(), [&](const HeatPoint& p) { return p.volts >= out.until; });
  out.switch_over = reached == curve->end() ? kWarmAtMost : reached->time;
  return out;
}

Result<Budget> budget_of(const files::Board& board) {
  Budget budget;
  budget.name = board.name;
  for (const files::Rail& rail : board.rails) {
    auto one = supply_budget(of_rail(board, rail), rail.wire, rail.capacitance);
    TH_TRY(one);
    budget.supplies.push_back(one.take());
  }
  return budget;
}

Result<Budget> budget_of(const files::Machine& machine) {
  Budget budget;
  budget.name = machine.name;
  for (const files::Supply& supply : machine.supplies) {
    SupplyBudget s;
    s.name = supply.name;
    s.limit = supply.limit;
    Farads farads{};
    for (const files::Terminal& fed : supply.feeds) {
      const files::MachineBoard* board = machine.board(fed.board);
      const files::Rail* rail = board ? board->board.rail(fed.name) : nullptr;
      if (!rail) return bug_error("a machine feeds a rail that no board has");
      s.volts = supply.volts.value_or(rail->nominal);
      const RailDraws draws = draws_of(board->board, *rail);
      s.draws.estimated = s.draws.estimated || draws.estimated;
      for (files::Draw draw : draws.draws) {
        draw.what = fed.board + ": " + draw.what;
        s.draws.draws.push_back(draw);
      }
      if (rail->capacitance) farads += *rail->capacitance;
    }
    auto one = supply_budget(std::move(s), supply.wire, farads.value > 0.0 ? std::optional(farads) : std::nullopt);
    TH_TRY(one);
    budget.supplies.push_back(one.take());
  }
  return budget;
}

Result<std::optional<SoftStart>> soft_start_of(const files::Board& board, const std::string& name, Ohms resistor) {
  constexpr Seconds kEvery{0.02};
  const files::Rail* rail = board.rail(name);
  if (!rail || !rail->soft_start) return std::optional<SoftStart>{};
  auto budget = budget_of(board);
  TH_TRY(budget);
  for (const SupplyBudget& s : budget->supplies) {
    if (s.name != name || !s.filaments) continue;
    const Ohms wires = s.wire ? s.wire->ohms : Ohms{};
    auto pre = heat(*s.filaments, {abs(s.volts), resistor + wires, std::nullopt}, kRoomKelvin, kSoftStartMost, kEvery);
    TH_TRY(pre);
    const auto reached = std::find_if(pre->begin(), pre->end(), [&](const HeatPoint& p) { return p.volts >= abs(rail->soft_start->until); });
    if (reached == pre->end()) continue;
    const auto closes = std::find_if(reached, pre->end() - 1, [&](const HeatPoint& p) { return p.time >= reached->time + rail->soft_start->hold; });
    auto main = heat(*s.filaments, {abs(s.volts), wires, std::nullopt}, closes->kelvin, kSoftStartTail, kEvery);
    TH_TRY(main);
    SoftStart start{pre->front().amps, reached->time, {pre->begin(), closes + 1}};
    for (HeatPoint p : *main) {
      p.time = p.time + closes->time;
      start.curve.push_back(p);
    }
    return std::optional<SoftStart>{std::move(start)};
  }
  return std::optional<SoftStart>{};
}

}  // namespace tenterhook::power
