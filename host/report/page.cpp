#include "host/report/page.h"

#include <fmt/format.h>

#include <algorithm>

#include "host/report/html_style.h"
#include "host/report/markup.h"

namespace tenterhook::report {

std::string whole_page(const std::string& title, const std::string& skip, const std::string& skip_say, const std::string& body) {
  return "<!DOCTYPE html>\n<html lang=\"en\" xmlns=\"http://www.w3.org/1999/xhtml\"><head>"
         "<meta charset=\"utf-8\"/><meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>"
         "<meta name=\"color-scheme\" content=\"light dark\"/><title>" + escaped(title) + "</title><style>" + kStyle +
         "</style></head>\n<body><a class=\"skip\" href=\"#" + skip + "\">" + escaped(skip_say) + "</a>\n" + body +
         "<footer>Written by Tenterhook " TENTERHOOK_VERSION " from its record. The fixture is not a safety device; local "
         "codes and licensed practice rule.</footer></body></html>\n";
}

std::string prose(const std::string& text) {
  std::string out;
  bool code = false;
  for (std::size_t at = 0; at <= text.size();) {
    const std::size_t tick = std::min(text.find('`', at), text.size());
    out += escaped(text.substr(at, tick - at));
    at = tick + 1;
    if (tick == text.size()) break;
    out += code ? "</code>" : "<code>";
    code = !code;
  }
  return code ? out + "</code>" : out;
}

std::string list_of(const std::vector<std::string>& texts, const char* open, const char* close) {
  std::string out = open;
  for (const std::string& text : texts) out += "<li>" + prose(text) + "</li>";
  return out + close;
}

std::string word_of(const record::RunSummary& run) {
  if (!run.complete) return run.state == record::RunState::going ? "GOING" : "STOP";
  if (run.aborted) return "STOP";
  switch (run.verdict) {
    case measure::Verdict::pass: return "PASS";
    case measure::Verdict::fail: return "FAIL";
    case measure::Verdict::unsure: return "UNSURE";
    case measure::Verdict::none: break;
  }
  return "DONE";
}

const char* class_of(const std::string& word) {
  return word == "PASS" ? "pass" : word == "FAIL" ? "fail" : word == "UNSURE" ? "unsure" : word == "STOP" ? "stop" : "none";
}

// Tick, cross, question mark, square; a bar for what was not judged.
std::string shape_of(const std::string& word) {
  const char* path = word == "PASS"     ? "M2 13l6 7L22 3"
                     : word == "FAIL"   ? "M3 3l18 18M21 3L3 21"
                     : word == "UNSURE" ? "M5 8a7 7 0 1 1 10 6q-3 2-3 4M12 22v1"
                     : word == "STOP"   ? "M4 4h16v16H4z"
                                        : "M3 12h18";
  return fmt::format("<svg viewBox=\"0 0 24 24\" aria-hidden=\"true\"><path d=\"{}\" fill=\"none\" stroke=\"currentColor\" "
                     "stroke-width=\"4\"/></svg>", path);
}

std::string moment_of(const std::string& started) {
  std::string when = started.substr(0, 16);
  std::replace(when.begin(), when.end(), 'T', ' ');
  return when.empty() ? "" : when + " UTC";
}

}  // namespace tenterhook::report
