// The budget in words and as JSON.
#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "host/power/budget.h"
#include "host/power/wiring.h"

namespace tenterhook::power {

namespace {

using tenterhook::text;
using Json = nlohmann::ordered_json;

std::string watts(Watts w) { return engineering(w.value, "W"); }

std::string draws_text(const SupplyBudget& s) {
  std::string out;
  for (const files::Draw& d : s.draws.draws) {
    out += fmt::format("    {} x {} of {}\n", d.count, d.what.empty() ? "load" : d.what, text(d.each));
  }
  if (s.draws.estimated && !s.draws.draws.empty()) out += "    estimated from how the gates are built: declare `draws` from the parts' own sheets\n";
  if (s.draws.draws.empty()) out += "    nothing is known of what it feeds: declare `draws`\n";
  return out;
}

std::string inrush_text(const SupplyBudget& s) {
  if (!s.filaments) return "";
  std::string out = fmt::format("    cold        {} into a stiff supply, {:.1f} times the running current\n", text(s.cold),
                                s.cold / s.steady);
  if (s.held_for) out += fmt::format("    unaided     the supply holds {} for {}, or folds back\n", text(s.held), text(*s.held_for));
  if (s.pre_charge) {
    const PreCharge& p = *s.pre_charge;
    out += fmt::format("    pre-charge  {} (E24), {} ({} at first, {} if it stayed)\n", text(p.resistor), watts(p.rating), watts(p.peak),
                       watts(p.lasting));
    out += fmt::format("                first peak {}; main contact at {}, after {}; second peak {}{}\n", text(p.first), text(p.until),
                       text(p.switch_over), text(p.second), p.fits ? "" : "  (over the limit)");
  }
  return out;
}

std::string wire_text(const SupplyBudget& s) {
  if (!s.wire) return "";
  const WireBudget& w = *s.wire;
  return fmt::format("    wire        {} AWG, {} m and back, {} contacts: {}, drops {} ({:.1f} %), {:.2g} W a metre, {:.2g} W a contact\n",
                     w.wire.awg, w.wire.length.value, w.wire.contacts, text(w.ohms), text(w.drop), 100.0 * w.share, w.watts_per_metre,
                     w.contact.value);
}

Json number_or_null(const std::optional<Seconds>& t) { return t ? Json(t->value) : Json(nullptr); }

Json json_of(const SupplyBudget& s) {
  Json j{{"name", s.name}, {"volts", s.volts.value}, {"limit_a", s.limit.value}, {"steady_a", s.steady.value},
         {"cold_a", s.cold.value}, {"held_a", s.held.value}, {"held_s", number_or_null(s.held_for)},
         {"estimated", s.draws.estimated}, {"stored_j", s.joules}, {"bleed_s", s.bleed.value}};
  j["draws"] = Json::array();
  for (const files::Draw& d : s.draws.draws) {
    const char* kinds[] = {"steady", "filament", "coil"};
    j["draws"].push_back({{"what", d.what}, {"kind", kinds[static_cast<int>(d.kind)]}, {"count", d.count}, {"each_a", d.each.value}});
  }
  j["pre_charge"] = nullptr;
  if (s.pre_charge) {
    const PreCharge& p = *s.pre_charge;
    j["pre_charge"] = {{"ohms", p.resistor.value}, {"rating_w", p.rating.value}, {"peak_w", p.peak.value},
                       {"lasting_w", p.lasting.value}, {"first_a", p.first.value}, {"second_a", p.second.value},
                       {"until_v", p.until.value}, {"switch_over_s", p.switch_over.value}, {"fits", p.fits}};
  }
  j["wire"] = nullptr;
  if (s.wire) {
    const WireBudget& w = *s.wire;
    j["wire"] = {{"awg", w.wire.awg}, {"length_m", w.wire.length.value}, {"contacts", w.wire.contacts}, {"ohms", w.ohms.value},
                 {"drop_v", w.drop.value}, {"w_per_m", w.watts_per_metre}, {"contact_w", w.contact.value}};
  }
  j["warnings"] = s.warnings;
  return j;
}

}  // namespace

std::string text(const Budget& budget) {
  std::string out = fmt::format("{}: what the supplies and the wiring must carry\n", budget.name);
  if (budget.supplies.empty()) out += "  no supply is described\n";
  for (const SupplyBudget& s : budget.supplies) {
    out += fmt::format("\n  {}  {}, limited to {}\n", s.name, text(s.volts), text(s.limit));
    out += draws_text(s);
    out += fmt::format("    running     {} ({:.0f} % of the limit), {}\n", text(s.steady), 100.0 * (s.steady / s.limit),
                       watts(abs(s.volts) * s.steady));
    out += inrush_text(s) + wire_text(s);
    if (s.capacitance) {
      out += fmt::format("    stored      {:.3g} J; {} to {} through the fixture's {} bleeder\n", s.joules, text(s.bleed),
                         text(kBledBelow), text(kBleeder));
    }
    for (const std::string& warning : s.warnings) out += "    ! " + warning + "\n";
  }
  out += "\nArithmetic from ratings. It replaces no fuse; wire and connectors are for your local code to judge.\n";
  return out;
}

std::string json(const Budget& budget) {
  Json j{{"name", budget.name}, {"supplies", Json::array()}};
  for (const SupplyBudget& s : budget.supplies) j["supplies"].push_back(json_of(s));
  return j.dump(2) + "\n";
}

}  // namespace tenterhook::power
