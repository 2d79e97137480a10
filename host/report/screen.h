// What can be shown where: an abstract screen, so that tests look at every width and kind.
#pragma once

#include <string>
#include <vector>

namespace tenterhook::report {

enum class Paint { none, pass, fail, unsure, stop, quiet, strong };

struct Screen {
  int width = 80;         // columns
  bool terminal = false;  // a live line can be redrawn; else plain text, one line after another
  bool colour = false;    // only when a terminal, and NO_COLOR is not set (no-color.org)
  bool unicode = true;    // line drawing and blocks; else ASCII

  std::string paint(Paint colour, const std::string& text) const;
};

// The screen behind a file descriptor: its width, whether it is a terminal, NO_COLOR, TERM=dumb,
// the locale's character set.
Screen screen_of(int descriptor);

// Columns that UTF-8 text takes (each code point one; none of ours is wide); escapes take none.
int columns(const std::string& text);
std::string padded(const std::string& text, int width);       // blanks after
std::string padded_left(const std::string& text, int width);  // blanks before
std::string cut(const std::string& text, int width);          // ends in "..." when cut
// Breaks at blanks so that no line passes `width`. The text begins at column `indent`, where the
// caller has already written something; later lines begin with that many blanks.
std::string wrapped(const std::string& text, int width, int indent);

}  // namespace tenterhook::report
