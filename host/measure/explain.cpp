#include "host/measure/explain.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

namespace tenterhook::measure {

namespace {
using Json = nlohmann::ordered_json;

double share_of(const Estimate& e, const Component& c) {
  return e.u.value > 0.0 ? c.u.value * c.u.value / (e.u.value * e.u.value) : 0.0;
}
}  // namespace

std::string models_json(const std::vector<ChannelModel>& sense, const std::set<int>& used) {
  Json all = Json::object();
  for (const int i : used) {
    if (i < 0 || i >= static_cast<int>(sense.size())) continue;
    const ChannelModel& m = sense[static_cast<std::size_t>(i)];
    Json j{{"source", m.source}, {"offset_v", m.offset.value}, {"per_count_v", m.per_count.value},
           {"open_reads_v", m.open_reads.value}};
    j["known"] = Json::array();
    for (const Component& c : m.known) j["known"].push_back({{"name", c.name}, {"u_v", c.u.value}, {"dof", c.dof}});
    j["shares"] = Json::array();
    for (const Proportion& p : m.shares) j["shares"].push_back({{"name", p.name}, {"share", p.share}});
    if (m.line) {
      j["line"] = {{"c00", m.line->c00}, {"c01", m.line->c01}, {"c11", m.line->c11},
                   {"residual_v", m.line->residual.value}, {"dof", m.line->dof}};
    }
    all["sense." + std::to_string(i)] = j;
  }
  return all.dump();
}

std::optional<ChannelModel> model_from_json(const std::string& json, int sense) {
  const auto all = Json::parse(json, nullptr, false);
  const std::string name = "sense." + std::to_string(sense);
  if (!all.is_object() || !all.contains(name)) return std::nullopt;
  try {
    const auto& j = all.at(name);
    ChannelModel m;
    m.source = j.at("source").get<std::string>();
    m.offset = Volts{j.at("offset_v").get<double>()};
    m.per_count = Volts{j.at("per_count_v").get<double>()};
    m.open_reads = Volts{j.at("open_reads_v").get<double>()};
    for (const auto& c : j.at("known")) {
      m.known.push_back({c.at("name").get<std::string>(), Volts{c.at("u_v").get<double>()}, c.at("dof").get<double>()});
    }
    for (const auto& p : j.at("shares")) m.shares.push_back({p.at("name").get<std::string>(), p.at("share").get<double>()});
    if (j.contains("line")) {
      const auto& l = j.at("line");
      m.line = LineDoubt{l.at("c00").get<double>(), l.at("c01").get<double>(), l.at("c11").get<double>(),
                         Volts{l.at("residual_v").get<double>()}, l.at("dof").get<double>()};
    }
    return m;
  } catch (const nlohmann::json::exception&) {
    return std::nullopt;
  }
}

std::string budget_table(const Estimate& e) {
  std::string text = fmt::format("    {:<34} {:>9} {:>6} {:>7}\n", "component", "u, mV", "dof", "share");
  for (const Component& c : e.budget) {
    text += fmt::format("    {:<34} {:>9.2f} {:>6} {:>6.1f}%\n", c.name, c.u.value * 1e3,
                        c.dof > 0.0 ? fmt::format("{:.0f}", c.dof) : "inf", share_of(e, c) * 100.0);
  }
  text += fmt::format("    {:<34} {:>9.2f} {:>6}\n", "combined", e.u.value * 1e3, e.dof > 0.0 ? fmt::format("{:.0f}", e.dof) : "inf");
  text += fmt::format("    U = {:.2f} * u = {:.1f} mV (95 %)\n", e.u.value > 0.0 ? e.U / e.u : 0.0, e.U.value * 1e3);
  return text;
}

std::string budget_json(const Estimate& e) {
  Json j = Json::array();
  for (const Component& c : e.budget) {
    j.push_back({{"component", c.name}, {"u_v", c.u.value}, {"dof", c.dof}, {"share", share_of(e, c)}});
  }
  return j.dump();
}

}  // namespace tenterhook::measure
