#include "host/power/discharge.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace tenterhook::power {

DischargeWatch::DischargeWatch(Volts limit, Volts open_reads, std::vector<std::string> rails)
    : limit_(limit), open_reads_(open_reads), rails_(std::move(rails)), curves_(rails_.size()) {}

void DischargeWatch::add(Seconds time, const std::vector<RailLook>& looks) {
  last_ = looks;
  last_.resize(rails_.size());
  for (std::size_t i = 0; i < rails_.size(); ++i) {
    const RailLook& look = last_[i];
    const WireLook& wire = look.first.read ? look.first : look.second;
    if (!wire.read) continue;
    curves_[i].push_back({time.value, std::fabs(wire.volts.value)});
    if (curves_[i].size() > kFitLooks) curves_[i].pop_front();
  }
}

// A straight line through the logarithm of the curve, by least squares, weighted by the volts squared: a
// converter's step weighs the more in the logarithm the lower the rail is.
std::optional<Seconds> DischargeWatch::remaining(std::size_t rail) const {
  const std::deque<Point>& all = curves_[rail];
  if (all.empty()) return std::nullopt;
  const double now = all.back().volts;
  if (now < limit_.value) return Seconds{0.0};
  // The first looks may have come before the rail's switch had opened.
  const auto falling = std::find_if(all.begin(), all.end(), [&](const Point& p) { return p.volts < all.front().volts * (1.0 - kFitBegun); });
  const std::vector<Point> curve(falling, all.end());
  if (curve.size() < kFitLooksLeast || now > curve.front().volts * (1.0 - kFitFall)) return std::nullopt;
  double w = 0, wt = 0, wy = 0, wtt = 0, wty = 0;
  const double origin = curve.front().time_s;
  for (const Point& p : curve) {
    const double t = p.time_s - origin, y = std::log(p.volts), weight = p.volts * p.volts;
    w += weight;
    wt += weight * t;
    wy += weight * y;
    wtt += weight * t * t;
    wty += weight * t * y;
  }
  const double spread = w * wtt - wt * wt;
  if (spread <= 0.0) return std::nullopt;
  const double slope = (w * wty - wt * wy) / spread;
  if (slope >= 0.0) return std::nullopt;
  const double level = (wy - slope * wt) / w + slope * (curve.back().time_s - origin);
  return Seconds{std::max(0.0, (std::log(limit_.value) - level) / slope)};
}

std::string DischargeWatch::trouble_of(std::size_t rail, const RailLook& look) const {
  const std::string& name = rails_[rail];
  const WireLook* wires[] = {&look.first, &look.second};
  const char* names[] = {"first", "second"};
  for (int i = 0; i < 2; ++i) {
    if (!wires[i]->read) return fmt::format("the {} sense wire of rail {} was not read", names[i], name);
  }
  for (int i = 0; i < 2; ++i) {
    if (abs(wires[i]->volts) + wires[i]->U >= limit_) {
      const auto left = remaining(rail);
      return fmt::format("rail {} still reads {}{}", name, text(wires[i]->volts),
                         left && left->value > 0.0 ? fmt::format(", below {} in about {}", text(limit_), text(*left)) : "");
    }
  }
  if (abs(look.first.volts - look.second.volts) > look.first.U + look.second.U) {
    return fmt::format("the two sense wires of rail {} disagree: {} and {}; one of them is open or broken", name,
                       text(look.first.volts), text(look.second.volts));
  }
  for (int i = 0; i < 2; ++i) {
    if (abs(wires[i]->volts - open_reads_) <= wires[i]->U + kHeldAway) {
      return fmt::format("the {} sense wire of rail {} reads {}, as an open wire does", names[i], name, text(wires[i]->volts));
    }
  }
  return "";
}

DischargeState DischargeWatch::state() const {
  DischargeState state;
  state.limit = limit_;
  if (last_.size() != rails_.size() || rails_.empty()) {
    state.why = rails_.empty() ? "no rail is known" : "no rail was read";
    return state;
  }
  state.remaining = Seconds{0.0};
  for (std::size_t i = 0; i < rails_.size(); ++i) {
    for (const WireLook* wire : {&last_[i].first, &last_[i].second}) {
      if (wire->read && abs(wire->volts) >= state.highest) {
        state.highest = abs(wire->volts);
        state.rail = rails_[i];
      }
    }
    const auto left = remaining(i);
    if (!left || !state.remaining) {
      state.remaining = std::nullopt;
    } else {
      state.remaining = std::max(*state.remaining, *left);
    }
    const std::string trouble = trouble_of(i, last_[i]);
    if (!trouble.empty() && state.why.empty()) state.why = trouble;
  }
  state.below = state.why.empty();
  return state;
}

std::string sentence(const DischargeState& state) {
  if (state.below) {
    return fmt::format("measured rails below {}; other stored charge and hot glass remain: wait, and measure before touching",
                       text(state.limit));
  }
  return fmt::format("{}: nothing is known to be discharged; wait, and measure with a meter before touching", state.why);
}

}  // namespace tenterhook::power
