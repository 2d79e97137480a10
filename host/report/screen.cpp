#include "host/report/screen.h"

#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <cstring>

namespace tenterhook::report {
namespace {

constexpr int kWidthMin = 40;
constexpr int kWidthMax = 400;

// SGR codes (ECMA-48): words and marks always say the same as the colour.
const char* code_of(Paint paint) {
  switch (paint) {
    case Paint::none:
      return "";
    case Paint::pass:
      return "\x1b[1;32m";
    case Paint::fail:
      return "\x1b[1;31m";
    case Paint::unsure:
      return "\x1b[1;33m";
    case Paint::stop:
      return "\x1b[1;35m";
    case Paint::quiet:
      return "\x1b[2m";
    case Paint::strong:
      return "\x1b[1m";
  }
  return "";
}

bool set(const char* name) {
  const char* value = std::getenv(name);
  return value != nullptr && value[0] != '\0';
}

bool utf8_locale() {
  for (const char* name : {"LC_ALL", "LC_CTYPE", "LANG"}) {
    if (!set(name)) continue;
    std::string value = std::getenv(name);
    for (char& c : value) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
    return value.find("UTF-8") != std::string::npos || value.find("UTF8") != std::string::npos;
  }
  return false;
}

}  // namespace

std::string Screen::paint(Paint paint, const std::string& text) const {
  if (!colour || paint == Paint::none) return text;
  return code_of(paint) + text + "\x1b[0m";
}

Screen screen_of(int descriptor) {
  Screen screen;
  const char* term = std::getenv("TERM");
  const bool dumb = term == nullptr || std::strcmp(term, "dumb") == 0;
  screen.terminal = isatty(descriptor) == 1 && !dumb;
  screen.colour = screen.terminal && !set("NO_COLOR");
  screen.unicode = utf8_locale();
  winsize size{};
  if (screen.terminal && ioctl(descriptor, TIOCGWINSZ, &size) == 0 && size.ws_col > 0) {
    screen.width = std::clamp<int>(size.ws_col, kWidthMin, kWidthMax);
  }
  return screen;
}

int columns(const std::string& text) {
  int count = 0;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '\x1b') {
      while (i < text.size() && text[i] != 'm') ++i;
      continue;
    }
    if ((static_cast<unsigned char>(text[i]) & 0xc0) != 0x80) ++count;
  }
  return count;
}

std::string padded(const std::string& text, int width) {
  return text + std::string(static_cast<std::size_t>(std::max(0, width - columns(text))), ' ');
}

std::string padded_left(const std::string& text, int width) {
  return std::string(static_cast<std::size_t>(std::max(0, width - columns(text))), ' ') + text;
}

std::string cut(const std::string& text, int width) {
  if (columns(text) <= width) return text;
  std::string kept;
  int count = 0;
  for (const char c : text) {
    if ((static_cast<unsigned char>(c) & 0xc0) != 0x80 && ++count > width - 3) break;
    kept += c;
  }
  while (!kept.empty() && kept.back() == ' ') kept.pop_back();
  return kept + "...";
}

std::string wrapped(const std::string& text, int width, int indent) {
  std::string out, line;
  const std::string margin(static_cast<std::size_t>(indent), ' ');
  std::size_t at = 0;
  bool first = true;
  while (at < text.size()) {
    std::size_t end = text.find(' ', at);
    if (end == std::string::npos) end = text.size();
    const std::string word = text.substr(at, end - at);
    if (!line.empty() && columns(line) + 1 + columns(word) > width - indent) {
      out += (first ? "" : margin) + line + "\n";
      first = false;
      line = word;
    } else {
      line += (line.empty() ? "" : " ") + word;
    }
    at = end + 1;
  }
  return out + (first ? "" : margin) + line;
}

}  // namespace tenterhook::report
