#include "host/timing/vcd.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

namespace tenterhook::timing {

namespace {

// Printable characters from '!' on, as many as are needed.
std::string code_of(int variable) {
  std::string code;
  do {
    code += static_cast<char>('!' + variable % 94);
    variable /= 94;
  } while (variable > 0);
  return code;
}

std::string plain(const std::string& name) {
  std::string out;
  for (const char c : name) {
    const bool taken = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_';
    out += taken ? c : '_';
  }
  return out.empty() || (out[0] >= '0' && out[0] <= '9') ? "_" + out : out;
}

std::string words(std::string text) {  // `$end` inside a comment would end it
  for (std::size_t at = 0; (at = text.find('$', at)) != std::string::npos;) text[at] = '_';
  return text;
}

}  // namespace

int Vcd::real(const std::string& scope, const std::string& name) {
  variables_.push_back({scope, name, true});
  return static_cast<int>(variables_.size()) - 1;
}

int Vcd::bit(const std::string& scope, const std::string& name) {
  variables_.push_back({scope, name, false});
  return static_cast<int>(variables_.size()) - 1;
}

void Vcd::change(int variable, double t_s, double volts) { changes_.push_back({t_s, variable, volts, 'x'}); }
void Vcd::change_bit(int variable, double t_s, char bit) { changes_.push_back({t_s, variable, 0.0, bit}); }

std::string Vcd::text() const {
  std::vector<Change> sorted = changes_;
  std::stable_sort(sorted.begin(), sorted.end(), [](const Change& a, const Change& b) { return a.t_s < b.t_s; });
  const double first = sorted.empty() ? 0.0 : sorted.front().t_s;
  std::string out = fmt::format("$date {} $end\n$version Tenterhook $end\n$comment {} $end\n$timescale 100 ps $end\n", words(date_), words(comment_));
  std::vector<std::string> scopes;
  for (const Variable& v : variables_) {
    if (std::find(scopes.begin(), scopes.end(), v.scope) == scopes.end()) scopes.push_back(v.scope);
  }
  for (const std::string& scope : scopes) {
    out += fmt::format("$scope module {} $end\n", plain(scope));
    for (std::size_t i = 0; i < variables_.size(); ++i) {
      const Variable& v = variables_[i];
      if (v.scope != scope) continue;
      out += fmt::format("$var {} {} {} {} $end\n", v.is_real ? "real" : "wire", v.is_real ? 64 : 1, code_of(static_cast<int>(i)), plain(v.name));
    }
    out += "$upscope $end\n";
  }
  out += "$enddefinitions $end\n";
  auto value = [&](int variable, double volts, char bit) {
    return variables_[static_cast<std::size_t>(variable)].is_real ? fmt::format("r{:.16g} {}\n", volts, code_of(variable))
                                                                  : fmt::format("{}{}\n", bit, code_of(variable));
  };
  std::optional<long long> now;
  auto ticks = [first](double t_s) { return std::llround((t_s - first) / kVcdTick); };
  // The first instant is the dump of every variable.
  std::vector<Change> opening(variables_.size());
  for (std::size_t i = 0; i < opening.size(); ++i) opening[i].variable = static_cast<int>(i);
  std::size_t next = 0;
  for (; next < sorted.size() && ticks(sorted[next].t_s) == 0; ++next) opening[static_cast<std::size_t>(sorted[next].variable)] = sorted[next];
  out += "#0\n$dumpvars\n";
  for (const Change& c : opening) out += value(c.variable, c.volts, c.bit);
  out += "$end\n";
  now = 0;
  for (; next < sorted.size(); ++next) {
    const Change& c = sorted[next];
    if (ticks(c.t_s) != *now) {
      now = ticks(c.t_s);
      out += fmt::format("#{}\n", *now);
    }
    out += value(c.variable, c.volts, c.bit);
  }
  return out;
}

}  // namespace tenterhook::timing
